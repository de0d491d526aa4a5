"""Angles and how they are said; the product's Python and the page's script must both say it so."""

from __future__ import annotations

from polewright.foundation.angles import ARCMIN, ARCSEC, DEG

EXAMPLES = (
    (0.0, "0 arcsec"),
    (0.034 * ARCSEC, "0.03 arcsec"),
    (1.26 * ARCSEC, "1.26 arcsec"),
    (4.26 * ARCSEC, "4.3 arcsec"),
    (9.96 * ARCSEC, "10 arcsec"),
    (35.2 * ARCSEC, "35 arcsec"),
    (59.6 * ARCSEC, "60 arcsec"),
    (59.9 * ARCSEC, "1.00 arcmin"),
    (1.244 * ARCMIN, "1.24 arcmin"),
    (2.996 * ARCMIN, "3.0 arcmin"),
    (4.24 * ARCMIN, "4.2 arcmin"),
    (9.96 * ARCMIN, "10 arcmin"),
    (35.4 * ARCMIN, "35 arcmin"),
    (119.4 * ARCMIN, "119 arcmin"),
    (2.0 * DEG, "2.00 deg"),
    (17.3 * DEG, "17 deg"),
)
