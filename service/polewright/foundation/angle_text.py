"""How a small angle is said, in every sentence and table: terminal, page, report, advice, errors.

The page's own twin is `angle` in ``interfaces/web/page/words.js``; a test holds both to the same
examples.
"""

from __future__ import annotations

import math

from polewright.foundation.angles import ARCMIN, ARCSEC, DEG
from polewright.foundation.language import say

#: From a size that rounds to 1 arcmin on, arcminutes; from two degrees on, degrees (own choice).
_UNITS = (("arcsec", ARCSEC, 0.995 * ARCMIN), ("arcmin", ARCMIN, 119.5 * ARCMIN), ("deg", DEG, 0.0))


def _unit(size: float) -> tuple[str, float]:
    for word, unit, below in _UNITS[:-1]:
        if size < below:
            return word, unit
    return _UNITS[-1][0], _UNITS[-1][1]


def angle_parts(angle: float, *, signed: bool = False) -> tuple[str, str]:
    """Return number and unit of an angle (rad): ("35", "arcsec"), ("1.24", "arcmin").

    Two decimals below 3, one below 10, none above: rounding moves it by 5 % at most.

    Args:
        angle: rad; its sign is left out unless ``signed``.
        signed: a sign stands before the number, plus as well.
    """
    word, unit = _unit(abs(angle))
    size = abs(angle) / unit
    if size == 0.0:
        return "0", word
    decimals = 2 if size < 2.995 else 1 if size < 9.95 else 0
    number = f"{size:.{decimals}f}"
    sign = ("+" if angle > 0.0 else "-") if signed else ""
    return sign + number, word


def angle_text(angle: float, sigma: float | None = None, *, signed: bool = False) -> str:
    """Say an angle (rad), with its standard uncertainty (rad) in the same unit if one is given.

    "35 arcsec", "1.24 arcmin", "2.5 deg"; "4.21 ± 0.05 arcmin". The uncertainty keeps one
    significant digit, two where it begins with 1 or 2 (common practice), and the angle has as many
    decimals.
    """
    if sigma is None:
        return _said(*angle_parts(angle, signed=signed))
    word, unit = _unit(max(abs(angle), sigma))
    spread = sigma / unit
    decimals = 2
    if spread > 0.0:
        power = math.floor(math.log10(spread))
        leading = spread / 10.0**power
        decimals = min(3, max(0, (1 if leading < 2.95 else 0) - power))
    value = angle / unit if signed else abs(angle) / unit
    return _said(f"{value:{'+' if signed else ''}.{decimals}f} ± {spread:.{decimals}f}", word)


def _said(number: str, unit: str) -> str:
    if unit == "arcsec":
        return say("{number} arcsec", number=number)
    if unit == "arcmin":
        return say("{number} arcmin", number=number)
    return say("{number} deg", number=number)


def arcmin_text(arcmin: float, sigma_arcmin: float | None = None, *, signed: bool = False) -> str:
    """Say an angle that is given in arcminutes, as `angle_text` does."""
    sigma = None if sigma_arcmin is None else sigma_arcmin * ARCMIN
    return angle_text(arcmin * ARCMIN, sigma, signed=signed)
