"""The exposure chosen from sky and stars, the focus curve, and what is told."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.stars import star_list

from polewright.calculation.images.focus_curve import fit_focus
from polewright.calculation.images.frame import StarList
from polewright.calculation.images.next_exposure import (
    ExposureLimits,
    candidates,
    forecast,
    next_exposure,
    what_to_change,
)
from polewright.calculation.images.quality import FrameQuality
from polewright.interfaces.cli.check import bells, big

LIMITS = ExposureLimits(min_s=0.5, max_s=20.0)
FINE = FrameQuality(
    star_count=80,
    hfd_px=3.0,
    fwhm_px=2.6,
    elongation=1.1,
    saturated_stars=2,
    background_adu=900.0,
    noise_adu=20.0,
)


def seen(**changes) -> FrameQuality:
    return dataclasses.replace(FINE, **changes)


def test_a_fine_frame_keeps_its_exposure() -> None:
    """Enough stars, dark sky: nothing changes, nothing is advised."""
    choice = next_exposure(4.0, FINE, 65535.0, LIMITS)
    assert (choice.exposure_s, choice.good) == (4.0, True)
    assert what_to_change(FINE, choice=choice, tracking=True, solved=True) == ()


def test_without_a_star_the_cover_comes_before_the_exposure() -> None:
    """Who exposes longer first does it behind a cap."""
    dark = seen(star_count=0, hfd_px=None)
    choice = next_exposure(4.0, dark, 65535.0, LIMITS)
    told = " ".join(what_to_change(dark, choice=choice, tracking=True, solved=False))
    assert told.index("cover") < told.lower().index("expose 16 s")


@pytest.mark.parametrize(
    ("changes", "longer", "why"),
    [
        ({"star_count": 9}, True, "9 stars are few"),
        (
            {"star_count": 0, "hfd_px": None},
            True,
            "no star is seen; first look",
        ),
        ({"background_adu": 60000.0}, False, "the sky is too bright"),
        ({"background_adu": 60000.0, "star_count": 5}, False, "the sky is too bright"),
        ({"star_count": 300}, False, "more than needed"),
        ({"saturated_stars": 60}, False, "saturated"),
    ],
)
def test_each_fault_changes_the_exposure_its_own_way(changes, longer, why) -> None:
    """Few stars lengthen it; bright sky, saturation and a crowd shorten it; by 4 at most."""
    choice = next_exposure(4.0, seen(**changes), 65535.0, LIMITS)
    assert (choice.exposure_s > 4.0) is longer
    assert not choice.good
    assert 1.0 <= choice.exposure_s <= 16.0
    assert why in choice.why


@given(
    exposure_s=st.floats(0.5, 20.0),
    count=st.integers(0, 5000),
    sky=st.floats(0.0, 65535.0),
    saturated=st.integers(0, 5000),
)
def test_the_limits_are_kept(exposure_s: float, count: int, sky: float, saturated: int) -> None:
    """Whatever a frame shows, the next exposure is within the limits."""
    quality = seen(star_count=count, background_adu=sky, saturated_stars=min(count, saturated))
    choice = next_exposure(exposure_s, quality, 65535.0, LIMITS)
    assert 0.5 <= choice.exposure_s <= 20.0


@given(rate=st.floats(2.0, 400.0), sky=st.floats(1.0, 3000.0))
def test_the_search_ends(rate: float, sky: float) -> None:
    """A camera that counts by the power law of the sky comes to rest within eight frames."""
    exposure_s = 4.0
    for _ in range(8):
        quality = seen(
            star_count=int(rate * exposure_s**0.5),
            background_adu=500.0 + sky * exposure_s,
            saturated_stars=0,
        )
        choice = next_exposure(exposure_s, quality, 65535.0, LIMITS)
        if choice.good:
            return
        exposure_s = choice.exposure_s
    raise AssertionError(exposure_s)


def lit(flux, noise_adu: float = 10.0) -> StarList:
    """Stars of these counts, the rest made up: 2.2 px wide, errors as their light makes them."""
    flux = np.asarray(flux, dtype=float)
    n = len(flux)
    rng = np.random.default_rng(1)
    snr = flux / np.sqrt(flux + 2.0 * 2.2**2 * noise_adu**2)
    return star_list(
        rng.uniform(0.0, 1599.0, n),
        rng.uniform(0.0, 1199.0, n),
        flux=flux,
        sigma_px=2.2 / 2.355 / snr,
        noise_adu=noise_adu,
    )


@given(share=st.floats(0.01, 1.0), noise_adu=st.floats(1.0, 100.0))
def test_a_shorter_exposure_is_never_forecast_to_be_better(share: float, noise_adu: float) -> None:
    """Fewer stars, a less certain frame; the same exposure shows what it showed."""
    stars = lit(np.geomspace(300.0, 3e5, 80), noise_adu)
    whole = forecast(stars, 4.0, 4.0, 1.0, 0.0)
    short = forecast(stars, 4.0, 4.0 * share, 1.0, 0.0)
    assert short.stars <= whole.stars <= len(stars)
    assert short.boresight_px >= whole.boresight_px * (1.0 - 1e-9)


def test_a_quarter_of_the_time_is_a_quarter_of_the_light() -> None:
    """Stars far brighter than the background lose by the root, those that drown in it by all."""
    bright, drowned = lit(np.full(50, 1e6), 1.0), lit(np.full(50, 1e5), 1000.0)
    for stars, worse in ((bright, 2.0), (drowned, 4.0)):
        whole = forecast(stars, 4.0, 4.0, 1.0, 0.0)
        short = forecast(stars, 4.0, 1.0, 1.0, 0.0)
        assert (whole.stars, short.stars) == (50, 50)
        assert short.boresight_px / whole.boresight_px == pytest.approx(worse, rel=0.01)
    assert forecast(drowned, 4.0, 0.5, 1.0, 0.0).stars == 0
    # the air moves each star by itself, more in a short exposure
    airy = forecast(bright, 4.0, 1.0, 1.0, 0.5)
    assert airy.boresight_px == pytest.approx(0.5 / math.sqrt(50), rel=0.01)


@given(exposure_s=st.floats(0.01, 60.0))
def test_candidates_end_with_the_exposure_itself(exposure_s: float) -> None:
    """Shortest first, none under the limit but the one given."""
    some = candidates(LIMITS, exposure_s)
    assert some[-1] == exposure_s
    assert list(some[:-1]) == sorted(some[:-1])
    assert all(LIMITS.min_s <= value < exposure_s for value in some[:-1])


@pytest.mark.parametrize(
    ("changes", "tracking", "said"),
    [
        ({"hfd_px": 14.0}, True, "focus"),
        ({"elongation": 3.0}, False, "does not track"),
        ({"elongation": 3.0}, True, "wind"),
        ({"star_count": 0, "hfd_px": None}, True, "cover off"),
        ({}, True, "focal_length_mm"),
    ],
)
def test_advice_names_the_cause(changes, tracking, said) -> None:
    """An unsolved frame is told with what to change."""
    quality = seen(**changes)
    choice = next_exposure(4.0, quality, 65535.0, LIMITS)
    told = what_to_change(quality, choice=choice, tracking=tracking, solved=False)
    assert said in " ".join(told)


@given(
    best=st.floats(9600.0, 10400.0),
    smallest=st.floats(1.5, 5.0),
    slope=st.floats(0.01, 0.1),
    seed=st.integers(0, 10000),
)
def test_the_focus_curve_is_found_again(best, smallest, slope, seed) -> None:
    """Hyperbolas with 3 % noise (made up): the best position comes back within the depth where
    the size differs by a tenth."""
    positions = np.arange(9300, 10701, 100)
    size = np.hypot(smallest, slope * (positions - best))
    size *= 1.0 + 0.03 * np.random.default_rng(seed).normal(size=len(positions))

    curve = fit_focus(list(positions), size)

    assert curve is not None
    found = math.hypot(smallest, slope * (curve.best - best))
    assert found < 1.15 * smallest
    assert curve.misfit < 0.08


@pytest.mark.parametrize(
    "size",
    [[3.0, 4.0, 5.0, 6.0, 7.0], [5.0, 6.0, 7.0, 6.0, 5.0], [3.0, 9.0, 2.0, 8.0, 3.5]],
    ids=["edge", "upside down", "noise"],
)
def test_what_is_no_focus_curve_gives_none(size) -> None:
    """No minimum inside, or no curve at all."""
    assert fit_focus([0, 100, 200, 300, 400], size) is None


def test_bells_and_digits() -> None:
    """Three rings for the best so far, two for better, one for worse; five lines of digits."""
    assert [bells([], 5.0), bells([5.0], 4.0), bells([4.0, 6.0], 5.0)] == [0, 3, 2]
    assert [bells([4.0], 5.0), bells([4.0], 4.01)] == [1, 0]
    lines = big("10.3").splitlines()
    assert len(lines) == 5
    assert "██" in lines[0]
