"""The summary of a frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality


def test_quality_of_a_good_frame() -> None:
    """Round stars: count, widths, level and an elongation near 1 although single stars vary."""
    rng = np.random.default_rng(1)
    x, y, flux = random_stars(rng, 100, 900, 600)
    frame = mono_frame(Field(900, 600, x, y, flux, fwhm_px=3.0), rng)
    quality = frame_quality(detect_stars(frame))

    assert quality.star_count == pytest.approx(100, abs=3)
    assert quality.fwhm_px == pytest.approx(3.07, abs=0.1)
    assert quality.hfd_px == pytest.approx(3.07, abs=0.15)
    assert quality.elongation == pytest.approx(1.0, abs=0.02)
    assert quality.background_adu == pytest.approx(875, abs=10)


def test_trailing_shows_as_common_elongation() -> None:
    """A common trail is seen."""
    rng = np.random.default_rng(2)
    x, y, flux = random_stars(rng, 100, 900, 600)
    spec = Field(900, 600, x, y, flux, fwhm_px=3.0, elongation=1.8, theta=1.2)
    frame = mono_frame(spec, rng)
    quality = frame_quality(detect_stars(frame))

    assert quality.elongation == pytest.approx(1.8, rel=0.1)


def test_a_frame_without_stars_has_its_level() -> None:
    """All pixels full, or none lit: the caller can tell daylight from a lens cap."""
    full = Frame(np.full((400, 600), 65535, np.uint16), 0.0, 1.0)
    dark = replace(full, pixels=np.full((400, 600), 500, np.uint16))
    bright, cap = (frame_quality(detect_stars(f)) for f in (full, dark))

    assert bright.star_count == cap.star_count == 0
    assert bright.background_adu == pytest.approx(65535.0)
    assert cap.background_adu == pytest.approx(500.0)
    assert cap.hfd_px is None
    assert cap.elongation is None
