"""Waiting until the mount stands still, and what it costs when it did not."""
