"""Exposures: taking them, what they show, keeping them."""
