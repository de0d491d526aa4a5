"""Whole runs: measure, start-up, drift check, focus, check, horizon."""
