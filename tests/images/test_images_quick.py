"""The quick search of large frames finds and measures what the fine one does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.images import star_candidates as search
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import SensorKind
from polewright.calculation.images.luminance import Canvas


@pytest.mark.parametrize("sensor", [SensorKind.MONO, SensorKind.BAYER])
def test_coarse_bins_lose_no_bright_star(
    sensor: SensorKind, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Same centroids, well within their errors, on a field of stars 14 pixels apart and more."""
    rng = np.random.default_rng(12)
    x, y, flux = random_stars(rng, 260, 1400, 1000, faint_e=1e4, apart_px=14.0)
    frame = mono_frame(Field(width=1400, height=1000, x=x, y=y, flux_e=flux), rng)
    frame = dataclasses.replace(frame, sensor=sensor)
    fine = detect_stars(frame)
    monkeypatch.setattr(search, "_QUICK_FROM_PX", 0)
    options = search.DetectOptions()
    canvas = Canvas.of(frame)
    assert search.quick_search(canvas, canvas.pixel_noise(), options) is not None

    quick = detect_stars(frame)

    apart = np.hypot(fine.x[:, None] - quick.x, fine.y[:, None] - quick.y)
    found = apart.min(axis=1) < 0.5 * fine.sigma_px
    assert found.mean() > 0.96
    assert len(quick) <= len(fine) + 3


def test_few_stars_and_wide_ones_are_left_to_the_fine_search(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A sparse field needs every faint star, a defocused one other bins."""
    monkeypatch.setattr(search, "_QUICK_FROM_PX", 0)
    rng = np.random.default_rng(13)
    for count, fwhm in ((60, 2.6), (260, 9.0)):
        x, y, flux = random_stars(rng, count, 1400, 1000, faint_e=2e4, apart_px=30.0)
        spec = Field(width=1400, height=1000, x=x, y=y, flux_e=flux, fwhm_px=fwhm)
        canvas = Canvas.of(mono_frame(spec, rng))
        assert search.quick_search(canvas, canvas.pixel_noise(), search.DetectOptions()) is None
