"""Alpaca's device-side wire rules, for whoever publishes a device: no product code, no rig code."""
