"""Frames, star detection and what stars tell about focus and sky. Pure."""
