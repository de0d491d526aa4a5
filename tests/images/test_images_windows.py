"""Stars measured in windows are those that a search of the whole frame measures."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from images.starfield import Field, expose, ideal, mono_frame, random_stars

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, SensorKind, StarList
from polewright.calculation.images.quality import frame_quality
from polewright.calculation.images.windows import how_moved, stars_at


def field(rng: np.random.Generator, **how: float) -> Field:
    x, y, flux = random_stars(rng, 40, 900, 600, faint_e=2e4)
    return Field(x=x, y=y, flux_e=flux, **how)  # type: ignore[arg-type]


def nearest(stars: StarList, others: StarList) -> tuple[np.ndarray, np.ndarray]:
    """Index and distance (pixels) of the nearest of the others."""
    apart = np.hypot(stars.x[:, None] - others.x, stars.y[:, None] - others.y)
    return apart.argmin(axis=1), apart.min(axis=1)


@pytest.mark.parametrize("sensor", [SensorKind.MONO, SensorKind.BAYER])
@pytest.mark.parametrize("columns_first", [False, True])
def test_windows_measure_as_the_whole_frame_does(sensor: SensorKind, columns_first: bool) -> None:
    """Same centroids, fluxes, errors and widths, although the places given are off by pixels."""
    rng = np.random.default_rng(5)
    frame = dataclasses.replace(mono_frame(field(rng), rng), sensor=sensor)
    if columns_first:
        frame = dataclasses.replace(frame, pixels=np.ascontiguousarray(frame.pixels.T).T)
    whole = detect_stars(frame)
    places = np.stack([whole.x, whole.y], axis=1) + rng.uniform(-5.0, 5.0, (len(whole), 2))

    stars = stars_at(frame, places, 7.0, 2.6)

    assert stars is not None
    assert len(stars) >= 36
    match, apart = nearest(stars, whole)
    assert apart.max() < 0.2 * np.median(whole.sigma_px)
    np.testing.assert_allclose(stars.flux, whole.flux[match], rtol=0.01)
    np.testing.assert_allclose(stars.sigma_px, whole.sigma_px[match], rtol=0.15)
    quality, usual = frame_quality(stars), frame_quality(whole)
    assert quality.fwhm_px == pytest.approx(usual.fwhm_px, rel=0.02)
    assert quality.background_adu == pytest.approx(usual.background_adu, abs=3.0)
    assert stars.searched_px is not None
    assert 0.0 < stars.area_px < 0.2 * whole.area_px


def test_a_common_motion_is_found_and_a_chance_one_is_not() -> None:
    """Bright stars that all moved alike tell how; places of another field tell nothing."""
    rng = np.random.default_rng(6)
    spec = field(rng)
    frame = mono_frame(spec, rng)
    order = np.argsort(-spec.flux_e)[:16]
    seen = np.stack([spec.x, spec.y], axis=1)[order]
    expected = seen - np.array([21.0, -13.0])

    moved = how_moved(frame, expected, 30.0, 2.6)

    assert moved is not None
    assert np.abs(moved(expected) - seen).max() < 1.0
    strange = np.stack([rng.uniform(50, 850, 16), rng.uniform(50, 550, 16)], axis=1)
    assert how_moved(frame, strange, 30.0, 2.6) is None


def test_trails_are_told_and_longer_ones_left_to_the_whole_frame() -> None:
    """Long stars come out long where windows hold them; of trails of 26 pixels, which they do not
    hold, nothing comes out."""
    rng = np.random.default_rng(7)
    spec = field(rng, elongation=1.8, theta=0.5)
    frame = mono_frame(spec, rng)
    places = np.stack([spec.x, spec.y], axis=1)

    stars = stars_at(frame, places, 8.0, 2.6)
    assert stars is not None
    quality, usual = frame_quality(stars), frame_quality(detect_stars(frame))
    assert quality.elongation == pytest.approx(usual.elongation, rel=0.05)
    assert quality.elongation is not None
    assert quality.elongation > 1.4

    light = ideal(dataclasses.replace(spec, elongation=1.0, theta=0.0))
    smeared = np.mean([np.roll(light, shift, axis=1) for shift in range(26)], axis=0)
    trails = Frame(expose(smeared, spec, rng), 0.0, 1.0, gain_e_per_adu=spec.gain_e_per_adu)

    assert (frame_quality(detect_stars(trails)).elongation or 0.0) > 3.0
    assert stars_at(trails, places, 8.0, 2.6) is None


def test_no_place_and_no_star_give_nothing() -> None:
    """An empty frame, and no window at all."""
    rng = np.random.default_rng(8)
    frame = mono_frame(Field(), rng)
    places = np.stack([rng.uniform(30, 870, 12), rng.uniform(30, 570, 12)], axis=1)

    assert stars_at(frame, places, 8.0, 2.6) is None
    assert stars_at(frame, np.empty((0, 2)), 8.0, 2.6) is None
    assert how_moved(frame, places, 20.0, 2.6) is None
