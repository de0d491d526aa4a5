"""The rig of the end-to-end tests."""

from support.night import start_night

__all__ = ["start_night"]
