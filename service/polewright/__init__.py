"""Polewright: gets an equatorial mount's polar axis onto the celestial pole."""

__version__ = "0.1.0"
