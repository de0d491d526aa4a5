"""Attitudes, the polar axis fitted through them, and its error from the pole. Pure."""
