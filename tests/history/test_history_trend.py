"""What months of measurements say of a pier."""

from __future__ import annotations

import numpy as np
import pytest

from polewright.records.history.errors import TooFewRuns
from polewright.records.history.plot import Lines, drift_picture
from polewright.records.history.trend import (
    DAY_S,
    NIGHT_TO_NIGHT_ARCMIN,
    AxisSeries,
    fit_trend,
    series_since_adjusting,
)

START = 1.79e9


def series(days, azimuth, altitude, seed: int = 1) -> AxisSeries:
    """Invented measurements: the given error, a night's scatter, and a sweep's own error."""
    dice = np.random.default_rng(seed)
    days = np.asarray(days, dtype=float)
    own = 0.05
    truth = np.stack([azimuth(days), altitude(days)], axis=-1)
    sigma = np.hypot(own, NIGHT_TO_NIGHT_ARCMIN)
    noisy = truth + dice.normal(0.0, sigma, truth.shape)
    return AxisSeries(START + days * DAY_S, noisy, np.tile(own**2 * np.eye(2), (len(days), 1, 1)))


NIGHTS = np.cumsum(np.random.default_rng(5).uniform(4.0, 16.0, 24))
LATER = NIGHTS - NIGHTS[0]


@pytest.mark.parametrize(
    ("model", "azimuth", "altitude"),
    [
        ("still", lambda t: 0.4 + 0.0 * t, lambda t: -0.2 + 0.0 * t),
        ("creeping", lambda t: 0.4 + 0.012 * t, lambda t: 0.1 - 0.008 * t),
        ("settling", lambda t: 0.2 + 0.0 * t, lambda t: 3.0 * np.exp(-t / 40.0)),
        ("stepped", lambda t: np.where(t > 120.0, 1.5, 0.3), lambda t: 0.1 + 0.0 * t),
    ],
)
def test_a_pier_is_told_by_what_it_does(model, azimuth, altitude) -> None:
    """Standing, creeping, settling and stepping piers are told apart on noisy months."""
    told = [fit_trend(series(LATER, azimuth, altitude, seed)).model for seed in range(20)]

    assert told.count(model) >= 18


def test_seasons_are_told_from_creeping() -> None:
    """Two years of a yearly swing are seasonal."""
    days = np.linspace(0.0, 730.0, 40)
    found = fit_trend(series(days, lambda t: 0.8 * np.sin(t / 58.1), lambda t: 0.0 * t))

    assert found.model == "seasonal"


def test_the_rate_and_its_uncertainty_hold() -> None:
    """The true rate lies within two of the stated sigmas about as often as it should (95 %)."""
    inside = []
    for seed in range(60):
        found = fit_trend(series(LATER, lambda t: 0.02 * t, lambda t: -0.01 * t, seed))
        assert found.model == "creeping"
        inside.append(abs(found.rate[0] - 0.6) < 2.0 * found.rate_sigma[0])

    assert np.mean(inside) > 0.85


def test_when_it_stepped_and_when_the_limit_comes() -> None:
    """A step is dated between its neighbours; a creeping pier's alarm is foretold."""
    stepped = fit_trend(series(LATER, lambda t: np.where(t > 120.0, 2.0, 0.0), lambda t: 0.0 * t))
    creeping = fit_trend(series(LATER, lambda t: 0.02 * t, lambda t: 0.0 * t))

    before, after = LATER[LATER <= 120.0][-1], LATER[LATER > 120.0][0]
    assert stepped.when_utc_s is not None
    assert before <= (stepped.when_utc_s - START) / DAY_S <= after
    assert stepped.total == pytest.approx(2.0, abs=0.2)
    expected = (10.0 - 0.02 * LATER[-1]) / 0.02
    assert creeping.crosses_in_d(10.0) == pytest.approx(expected, rel=0.08)
    assert fit_trend(series(LATER, lambda t: 0.0 * t, lambda t: 0.0 * t)).crosses_in_d(10.0) is None


def row(run_id: str, number: int, alt: float, *, adjusted_after: bool = False) -> dict:
    return {
        "run_id": run_id, "number": number, "adjusted_after": adjusted_after, "utc_s": START,
        "pole": "true", "d_alt_arcmin": alt, "d_az_sky_arcmin": 0.0, "var_alt_arcmin2": 0.01,
        "var_az_sky_arcmin2": 0.01, "cov_az_alt_arcmin2": 0.0, "latitude_deg": 44.0,
        "axis_altitude_deg": 44.0 + (alt + 1.0) / 60.0,
    }  # fmt: skip


def test_turning_the_adjusters_begins_a_new_series() -> None:
    """Later sweeps of a run follow an adjustment; so does a run after an unfinished one."""
    rows = [
        row("a", 1, 30.0), row("b", 1, 31.0), row("b", 2, 4.0), row("b", 3, 0.3),
        row("c", 1, 0.4), row("d", 1, 0.5, adjusted_after=True), row("e", 1, 2.0),
        row("f", 1, 2.1) | {"pole": "refracted"},
    ]  # fmt: skip

    last, earlier = series_since_adjusting(rows)

    assert [list(piece.error[:, 1]) for piece in earlier] == [[30.0, 31.0], [4.0], [0.3, 0.4, 0.5]]
    assert list(last.error[:, 1]) == pytest.approx([2.0, 3.1])  # from the true pole, both
    with pytest.raises(TooFewRuns):
        fit_trend(last)


def test_the_picture_is_drawn_with_and_without_a_trend() -> None:
    """SVG and PNG come out for a whole history and for a single measurement."""
    long = series(LATER, lambda t: 0.01 * t, lambda t: 0.0 * t)
    one = AxisSeries(long.utc_s[:1], long.error[:1], long.covariance[:1])

    svg = drift_picture("pier 1", long, [one], fit_trend(long), Lines(1.0, 2.0))
    png = drift_picture("pier 1", one, picture="png")

    assert b"</svg>" in svg
    assert png.startswith(b"\x89PNG")


def quiet(dice: np.random.Generator, years: float, every_d: float) -> AxisSeries:
    """A pier that stands still, measured as surely and as unsurely as frames and sweeps do."""
    days = np.arange(0.0, years * 365.25, every_d)
    days = days + dice.uniform(-0.3, 0.3, len(days)) * every_d
    own = dice.uniform(0.03, 0.4, len(days))
    sigma = np.hypot(own, NIGHT_TO_NIGHT_ARCMIN)[:, None]
    error = np.array([0.3, -0.2]) + sigma * dice.normal(0.0, 1.0, (len(days), 2))
    return AxisSeries(START + days * DAY_S, error, own[:, None, None] ** 2 * np.eye(2))


def looked_at(whole: AxisSeries, first: int) -> list[str]:
    """What is told after each measurement from the first few on."""
    return [
        fit_trend(AxisSeries(whole.utc_s[:n], whole.error[:n], whole.covariance[:n])).model
        for n in range(first, len(whole.utc_s) + 1)
    ]


def test_quiet_piers_are_not_told_to_move() -> None:
    """Years of measurements every second week, looked at after each: no false alarm in 30 years.

    1,000 pier-years in `tests/bench/quiet_piers.py`.
    """
    dice = np.random.default_rng(11)
    told = [model for _ in range(15) for model in looked_at(quiet(dice, 2.0, 14.0), 5)]
    assert set(told) == {"still"}


def test_a_bump_is_told_with_its_size_direction_and_date() -> None:
    days = np.arange(0.0, 200.0, 5.0)
    found = fit_trend(
        series(days, lambda t: 0.2 - 0.9 * (t > 100.0), lambda t: 0.1 + 0.0 * t, seed=4)
    )
    assert found.model == "stepped"
    assert found.when_utc_s is not None
    assert abs(found.when_utc_s - START - 102.5 * DAY_S) < 5.0 * DAY_S
    assert found.step is not None
    assert found.step[0] == pytest.approx(-0.9, abs=0.15)
    assert "to the west" in found.sentence


def test_a_pier_that_began_to_move_is_told_how_fast_whither_and_since_when() -> None:
    days = np.arange(0.0, 240.0, 4.0)
    found = fit_trend(
        series(days, lambda t: 0.057 * np.maximum(0.0, t - 120.0), lambda t: 0.0 * t, seed=2)
    )
    assert found.model == "began"
    assert found.moving_since_utc_s is not None
    assert abs(found.moving_since_utc_s - START - 120.0 * DAY_S) < 25.0 * DAY_S
    assert found.speed * 7.0 / 30.0 == pytest.approx(0.4, rel=0.2)
    assert "a week to the east, outside its noise since 2027-0" in found.sentence
