"""Compass words for an axis error. Never left or right: that depends on where one stands."""

from __future__ import annotations

from typing import Literal

AzimuthWord = Literal["east", "west", ""]
AltitudeWord = Literal["up", "down", ""]


def azimuth_word(d_az: float) -> AzimuthWord:
    """Return where an axis lies (or must go), east positive in both hemispheres; "" for zero."""
    if d_az == 0.0:
        return ""
    return "east" if d_az > 0.0 else "west"


def altitude_word(d_alt: float) -> AltitudeWord:
    """Return "up" for positive, "down" for negative, "" for zero."""
    if d_alt == 0.0:
        return ""
    return "up" if d_alt > 0.0 else "down"
