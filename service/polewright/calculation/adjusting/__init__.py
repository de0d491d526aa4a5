"""Turning the two adjusters: live axis, what to turn next, when to wait and when to stop. Pure."""
