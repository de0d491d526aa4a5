"""Frames that exist already: read, solved, checked, and made an axis. Nothing moves."""
