"""A sweep that another program took: its frames fitted offline, as a measurement of our own."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from polewright import __version__
from polewright.calculation.geometry.axis import AxisFit
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.learnt_noise import FrameNoise
from polewright.calculation.geometry.shared_errors import STANDARD_NOISE_DOF
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu, spherical
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import joined, say
from polewright.observing.frames.contradictions import doubts_about, refused_by
from polewright.observing.frames.header import FrameHeader
from polewright.observing.frames.passive import focal_length_mm, headers_of
from polewright.observing.frames.solving import Solved, solve_all
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.rig.site_and_weather import site_given, weather_of
from polewright.observing.runs.measurement import correction_sentences, utc_text
from polewright.observing.sweep.axis_as_data import axis_result
from polewright.observing.sweep.axis_from_points import fit_attitudes
from polewright.records.result import (
    MeasurementResult,
    PointResult,
    SiteResult,
    WeatherResult,
)

FEWEST = 3
#: Frames of one sweep are taken within so long, s (own choice: by hand, with breaks).
LONGEST_S = 3.0 * 3600.0


class NoSweepInFrames(ConfigError):
    """The frames are no sweep that could be fitted."""

    code = "no_sweep_in_frames"
    advice = say(
        "Give three or more frames of one sweep: taken one after the other, unguided, at hour "
        "angles 15 degrees or more apart, with nothing moved but the right ascension axis."
    )

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why

    def __str__(self) -> str:
        return say("the frames are no sweep: {why}", why=self.why)


def sweep_from_frames(
    places: Sequence[Path],
    config: Config,
    cancel: CancelToken,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> MeasurementResult:
    """Fit one axis to the frames of a sweep, by the function that fits our own.

    Args:
        places: files and folders.
        config: site, optics, solver, tolerance.
        cancel: ends it.
        progress: hears frames solved so far, and all.

    Raises:
        NoSweepInFrames: too few frames, too long apart, or contradicted by clock or site.
        SweepNotRigid: they are not one turn about an axis.
        GeometryError: as `fit_axis`.
        SiteUnknown, FrameUnusable, Cancelled: see there.
    """
    site = site_given(config)
    left_out: Counter[str] = Counter()
    headers = headers_of(places, 0.0, left_out)
    if len(headers) < FEWEST:
        raise NoSweepInFrames(_too_few(len(headers), left_out))
    length_s = headers[-1].utc_mid_s - headers[0].utc_mid_s
    if length_s > LONGEST_S:
        raise NoSweepInFrames(
            say("they were taken over {hours:.1f} hours", hours=length_s / 3600.0)
        )
    weather = weather_of(config, site, headers[0].utc_mid_s)
    found: list[tuple[FrameHeader, Solved]] = []
    done = 0

    def ready(header: FrameHeader, solved: Solved) -> None:
        nonlocal done
        done += 1
        progress(done, len(headers))
        if solved.attitude is None:
            left_out[solved.failed] += 1
        elif any(solved.content == other.content for _, other in found):
            left_out[say("the same exposure is there under another name")] += 1
        else:
            found.append((header, solved))

    solve_all(headers, config, site, weather.air, cancel, ready)
    found.sort(key=lambda item: item[0].utc_mid_s)
    attitudes = [solved.attitude for _, solved in found if solved.attitude is not None]
    if len(attitudes) < FEWEST:
        raise NoSweepInFrames(_too_few(len(attitudes), left_out))
    pole = PoleTarget(config.pole.target)
    noise = FrameNoise(
        config.sweep.frame_floor_arcsec
        * ARCSEC
        # Shorter exposures are worse, as in our own sweeps.
        * math.sqrt(max(1.0, 2.0 / max(1e-3, min(header.exposure_s for header, _ in found)))),
        STANDARD_NOISE_DOF,
    )
    shared = shared_errors(
        config, weather, focal_length_mm(config, found[0][0], attitudes[0].scale)
    )
    fit, error = fit_attitudes(attitudes, site, weather, pole, noise.floor, shared)
    fit.verify()
    doubts = doubts_about(
        [header for header, _ in found],
        attitudes,
        [solved.icrs for _, solved in found],
        site,
        weather.air,
    )
    refused = refused_by(doubts, error.total, error.sigma_total)
    if refused:
        raise NoSweepInFrames(refused[0].text)
    tolerance = config.pole.tolerance_arcmin
    first = found[0][0]
    notes = [doubt.text for doubt in doubts]
    notes += [
        say("Left out: {frames} ({reason}).", frames=count, reason=reason)
        for reason, count in left_out.most_common()
    ]
    return MeasurementResult(
        software=f"polewright {__version__}",
        started_utc=utc_text(first.utc_mid_s),
        finished_utc=utc_text(found[-1][0].utc_mid_s),
        site=SiteResult(
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            elevation_m=site.elevation_m,
            source="configuration",
        ),
        weather=WeatherResult.of(weather),
        telescope=first.telescope,
        camera=first.camera,
        points=tuple(_points(found, fit, site)),
        axis=axis_result(fit, error, noise, None),
        tolerance_arcmin=tolerance,
        within_tolerance=error.total_upper() / ARCMIN <= tolerance,
        advice=correction_sentences(error, tolerance * ARCMIN),
        notes=tuple(notes),
        story=(say("Frames of another program, fitted offline; the mount was not asked."),),
    )


def _points(
    found: Sequence[tuple[FrameHeader, Solved]], fit: AxisFit, site: Site
) -> list[PointResult]:
    points = []
    for number, ((header, solved), residual) in enumerate(
        zip(found, fit.residuals, strict=True), start=1
    ):
        attitude = solved.attitude
        if attitude is None:
            raise TooFewDirections(say("frames"), 0, FEWEST)
        ra, dec = spherical(solved.icrs)
        azimuth, altitude = azalt_from_enu(attitude.boresight)
        covariance = attitude.covariance
        points.append(
            PointResult(
                number=number,
                utc=utc_text(header.utc_mid_s),
                hour_angle_deg=float(hour_angle_dec(site, attitude.boresight)[0]) / DEG,
                ra_deg=float(ra) / DEG,
                dec_deg=float(dec) / DEG,
                azimuth_deg=float(azimuth) / DEG,
                altitude_deg=float(altitude) / DEG,
                exposure_s=header.exposure_s,
                star_count=attitude.matched,
                matched=attitude.matched,
                rms_arcsec=attitude.rms_px * attitude.scale / ARCSEC,
                scale_arcsec_per_px=attitude.scale / ARCSEC,
                parity=attitude.parity,
                sigma_pointing_arcsec=math.sqrt(float(np.trace(covariance[:2, :2])) / 2.0) / ARCSEC,
                sigma_roll_arcsec=math.sqrt(covariance[2, 2]) / ARCSEC,
                solver=solved.solver,
                solve_s=0.0,
                residual_arcsec=(
                    float(residual[0]) / ARCSEC,
                    float(residual[1]) / ARCSEC,
                    float(residual[2]) / ARCSEC,
                ),
            )
        )
    return points


def _too_few(count: int, left_out: Counter[str]) -> str:
    why = say("{count} can be used, at least {fewest} are needed", count=count, fewest=FEWEST)
    if not left_out:
        return why
    reasons = joined(
        "; ", (say("{count}: {reason}", count=n, reason=text) for text, n in left_out.items())
    )
    return say("{why} ({reasons})", why=why, reasons=reasons)
