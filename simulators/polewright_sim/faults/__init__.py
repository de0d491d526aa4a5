"""Faults that can be asked of the rig, and how they strike."""
