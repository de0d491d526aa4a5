"""An independent check of the axis: how a field drifts while the mount tracks, hands off."""
