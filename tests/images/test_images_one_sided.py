"""Second images and trails beside the stars are seen; what is alike on both sides is not."""

from __future__ import annotations

import numpy as np
import pytest
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.one_sided import OneSided, one_sided


def looked(spec: Field, rng: np.random.Generator, stars: StarList | None = None) -> OneSided:
    """What is found beside the stars that belong to the frame itself."""
    frame: Frame = mono_frame(spec, rng)
    found = detect_stars(frame)
    if stars is not None:
        apart = np.hypot(found.x[:, None] - stars.x, found.y[:, None] - stars.y).min(axis=1)
        found = found.take(apart < 1.0)
    seen = one_sided(frame, found, 2.6)
    assert seen is not None
    return seen


def at_rest(rng: np.random.Generator, **how: float) -> Field:
    x, y, flux = random_stars(rng, 40, 900, 600, faint_e=2e4)
    return Field(x=x, y=y, flux_e=flux, **how)  # type: ignore[arg-type]


def moved(spec: Field, share: float, way_px: np.ndarray) -> Field:
    """That share of each star's light at the places (K, 2) beside it, the rest where it was."""
    x = np.concatenate([spec.x, *(spec.x + dx for dx, _ in way_px)])
    y = np.concatenate([spec.y, *(spec.y + dy for _, dy in way_px)])
    beside = np.tile(spec.flux_e * share / len(way_px), len(way_px))
    flux = np.concatenate([spec.flux_e * (1.0 - share), beside])
    return Field(x=x, y=y, flux_e=flux)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"gradient": 0.5, "vignetting": 0.3, "sky_e": 5000.0},
        {"elongation": 1.5, "theta": 0.7},
        {"fwhm_px": 4.0},
    ],
    ids=["plain", "uneven sky", "long", "wide"],
)
def test_nothing_stands_out_beside_stars_at_rest(seed: int, how: dict[str, float]) -> None:
    """Not by an uneven sky, nor by long or wide stars, nor by neighbours."""
    rng = np.random.default_rng(seed)
    assert looked(at_rest(rng, **how), rng).found == 0.0


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("share", [0.05, 0.3, 0.9])
def test_a_second_image_of_all_stars_is_seen(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    spec = at_rest(rng)
    truth = detect_stars(mono_frame(spec, rng))
    angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(7.0, 35.0)
    way = far * np.array([[np.cos(angle), np.sin(angle)]])

    seen = looked(moved(spec, share, way), rng, truth)

    assert seen.found == pytest.approx(share / (1.0 - share), rel=0.25)
    assert seen.unseen_image < 0.05


@pytest.mark.parametrize("seed", range(2))
def test_a_trail_that_leaves_all_stars_is_seen(seed: int) -> None:
    """A fifth of the light on 120 pixels, most of it out of reach."""
    rng = np.random.default_rng(seed)
    spec = at_rest(rng)
    truth = detect_stars(mono_frame(spec, rng))
    angle = rng.uniform(0, 2 * np.pi)
    way = np.arange(1.0, 121.0)[:, None] * np.array([[np.cos(angle), np.sin(angle)]])

    seen = looked(moved(spec, 0.2, way), rng, truth)

    assert seen.found > 0.02
    assert seen.unseen_trail_per_px < 0.2 / 0.8 / 120.0


def test_too_few_stars_tell_nothing() -> None:
    rng = np.random.default_rng(1)
    spec = at_rest(rng)
    frame = mono_frame(spec, rng)
    assert one_sided(frame, detect_stars(frame).take(slice(0, 5)), 2.6) is None
