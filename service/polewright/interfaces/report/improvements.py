"""What would make the measurement better, with numbers: longer sweep, more points, more stars."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.geometry.errors import TurnTooSmall
from polewright.calculation.geometry.shared_errors import NOTHING_SHARED, SharedErrors
from polewright.calculation.planning.uncertainty import predict
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, enu_from_azalt
from polewright.foundation.language import say
from polewright.records.result import MeasurementResult

#: Gains below this share are not worth a word.
WORTH = 0.08
#: An error this many times its uncertainty is not made smaller by measuring better.
ENOUGH = 10.0


@dataclass(frozen=True)
class Change:
    """One thing to do otherwise, and what it gives."""

    sentence: str
    sigma_arcmin: float
    """Predicted rms error of the axis, arcmin."""
    factor: float
    """Of today's."""


@dataclass(frozen=True)
class Better:
    """What today's sweep gives by prediction, and what others would."""

    sigma_arcmin: float
    changes: tuple[Change, ...]
    summary: str


def what_would_be_better(
    result: MeasurementResult,
    floor_arcsec: float,
    max_altitude_deg: float = 85.0,
    shared: SharedErrors = NOTHING_SHARED,
) -> Better | None:
    """Predict other sweeps from the very covariance of the fit.

    Args:
        result: the measurement.
        floor_arcsec: error of a frame that its stars do not show, as in the fit.
        max_altitude_deg: a longer sweep that would pass nearer to the zenith is not proposed.
        shared: what the frames had wrong together, as in the fit.

    Returns:
        None where the points do not allow a prediction.
    """
    site = Site(result.site.latitude_deg, result.site.longitude_deg, result.site.elevation_m)
    enu = enu_from_azalt(
        np.array([point.azimuth_deg for point in result.points]) * DEG,
        np.array([point.altitude_deg for point in result.points]) * DEG,
    )
    hours, declinations = hour_angle_dec(site, enu)
    hours = np.unwrap(hours)
    declination = float(np.mean(declinations))
    star = np.array(
        [[p.sigma_pointing_arcsec, p.sigma_roll_arcsec] for p in result.points], dtype=np.float64
    )
    try:
        now = _sigma(site, hours, declination, star, floor_arcsec, shared)
    except TurnTooSmall:
        return None
    stated = math.hypot(result.axis.sigma_alt_arcmin, result.axis.sigma_az_sky_arcmin) * ARCMIN
    fit = stated / now
    found: list[Change] = []

    def consider(words: str, new_hours: np.ndarray, new_star: np.ndarray, floor: float) -> None:
        sigma = _sigma(site, new_hours, declination, new_star, floor, shared)
        if sigma < (1.0 - WORTH) * now:
            found.append(Change(words, sigma * fit / ARCMIN, sigma / now))

    n = len(hours)
    span = float(hours[-1] - hours[0])
    for stretch in (1.5, 2.0):
        longer = hours[0] + (hours - hours[0]) * stretch
        if _fits(site, longer, declination, max_altitude_deg, float(hours[0])):
            consider(
                say(
                    "Sweep over {wider_deg:.0f}° instead of {span_deg:.0f}°",
                    wider_deg=abs(span) * stretch / DEG,
                    span_deg=abs(span) / DEG,
                ),
                longer,
                star,
                floor_arcsec,
            )
    for more in (2, 4):
        points = np.linspace(hours[0], hours[-1], n + more)
        each = np.tile(np.mean(star, axis=0), (n + more, 1))
        consider(
            say("{more} points over the same arc instead of {points}", more=n + more, points=n),
            points,
            each,
            floor_arcsec,
        )
    consider(
        say("Four times the stars in each frame (longer exposure, better focus)"),
        hours,
        star / 2.0,
        floor_arcsec,
    )
    if floor_arcsec > 0.0:
        consider(
            say("Half the scatter between frames (longer settling, shelter from wind)"),
            hours,
            star,
            floor_arcsec / 2.0,
        )
    found.sort(key=lambda change: change.factor)
    return Better(stated / ARCMIN, tuple(found), _summary(result))


def _sigma(
    site: Site,
    hours: np.ndarray,
    declination: float,
    star: np.ndarray,
    floor_arcsec: float,
    shared: SharedErrors,
) -> float:
    sigmas = np.hypot(star, floor_arcsec) * ARCSEC
    return predict(site, hours, declination, sigmas, shared).sigma


def _fits(
    site: Site, hours: np.ndarray, declination: float, max_altitude_deg: float, start: float
) -> bool:
    """Whether a longer sweep stays above 20 degrees, off the zenith, and on its side."""
    if abs(hours[-1]) > math.pi or (math.sin(start) * math.sin(float(hours[-1])) < 0.0):
        return False
    altitude = np.arcsin(
        math.sin(declination) * math.sin(site.latitude)
        + math.cos(declination) * math.cos(site.latitude) * np.cos(hours)
    )
    return bool(np.all(altitude > 20.0 * DEG) and np.all(altitude < max_altitude_deg * DEG))


def _summary(result: MeasurementResult) -> str:
    axis = result.axis
    times = axis.total_arcmin / max(axis.sigma_total_arcmin, 1e-9)
    if result.within_tolerance:
        return say("The axis is good enough; a better measurement is not needed.")
    if axis.total_arcmin <= result.tolerance_arcmin:
        return say(
            "The axis may be within the tolerance, but the measurement is not certain enough "
            "to say so: a better sweep helps here, not turning the adjusters."
        )
    if times >= ENOUGH:
        return say(
            "The error is {times:.0f} times its uncertainty: turn the adjusters now. A "
            "better sweep pays at the end, when the axis is close.",
            times=times,
        )
    return say(
        "The error is only {times:.1f} times its uncertainty: measure better before you turn "
        "the last part of it.",
        times=times,
    )
