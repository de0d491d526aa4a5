"""How far the tube droops: as any tube of its length, or as this rig's drift checks tell."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from polewright.calculation.geometry.learnt_sag import LearntSag, SagPair, learnt_sag, without_droop
from polewright.calculation.geometry.shared_errors import region_factor, standard_sag
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE, enu_from_azalt
from polewright.foundation.config import Config
from polewright.observing.plan.frame_noise import SAME_SCALE
from polewright.observing.rig.past_sweeps import RigCheck
from polewright.observing.rig.rig import Rig
from polewright.records.result import ComparedSweep, MeasurementResult, SagResult

#: A check that began later after its sweep teaches nothing: tripods settle, nights cool, and
#: somebody may have been at the adjusters (own choice).
LONGEST_APART_S = 3.0 * 3600.0


def focal_length_mm(rig: Rig) -> float | None:
    """Return the focal length as the stars tell it, or before that as it was told."""
    told_mm, scale = rig.config.optics.focal_length_mm, rig.plates.scale
    if scale is None:
        return told_mm
    pixel_um = rig.config.optics.pixel_um or (rig.camera.info().pixel_um or (None,))[0]
    return told_mm if pixel_um is None else pixel_um * rig.config.camera.binning * 1e-3 / scale


def configured(config: Config) -> bool:
    """Whether the file tells the size of the droop, so that the past is not asked."""
    return config.optics.sag_arcsec is not None


def usual_sag(config: Config, focal_mm: float | None) -> LearntSag:
    """Return the droop of any tube of this focal length; a configured size wins."""
    told = config.optics.sag_arcsec
    return LearntSag(0.0, standard_sag(focal_mm) if told is None else told * ARCSEC)


def tube_sag(rig: Rig, focal_mm: float | None) -> LearntSag:
    """Return the droop that is believed of this rig; a size that was configured wins over the past.

    Past checks count once the scale is known, and where it was the same.
    """
    usual, scale = usual_sag(rig.config, focal_mm), rig.plates.scale
    if configured(rig.config) or scale is None:
        return usual
    same = [item.pair for item in rig.past_checks if abs(item.scale / scale - 1.0) <= SAME_SCALE]
    return learnt_sag(usual.sigma, same)


def tell_tube_sag(rig: Rig) -> None:
    """Note what past drift checks have taught, if anything."""
    sag = tube_sag(rig, focal_length_mm(rig))
    if sag.checks:
        rig.note(SagResult.of(sag, np.zeros(2)).sentence())


def compared_sweep(
    measured: MeasurementResult, nothing_turned: bool | None
) -> ComparedSweep | None:
    """Return what a drift check keeps of the sweep that it is compared with.

    Args:
        measured: the measurement.
        nothing_turned: whether the axis stayed as it was until the check; None: not known.

    Returns:
        None for documents of older versions, which do not tell what the droop did.
    """
    axis, points = measured.axis, measured.points
    if axis.sag is None or axis.noise_dof is None or not points:
        return None
    where = measured.site
    enu = enu_from_azalt(
        np.array([point.azimuth_deg for point in points]) * DEG,
        np.array([point.altitude_deg for point in points]) * DEG,
    )
    _, declinations = hour_angle_dec(Site(where.latitude_deg, where.longitude_deg), enu)
    return ComparedSweep(
        finished_utc=measured.finished_utc,
        telescope=measured.telescope,
        camera=measured.camera,
        scale_arcsec_per_px=points[0].scale_arcsec_per_px,
        declination_deg=float(np.mean(declinations)) / DEG,
        hour_angles_deg=tuple(point.hour_angle_deg for point in points),
        sigma_alt_arcmin=axis.sigma_alt_arcmin,
        sigma_az_sky_arcmin=axis.sigma_az_sky_arcmin,
        correlation=axis.correlation,
        noise_dof=axis.noise_dof,
        dof=axis.dof,
        sag=axis.sag,
        nothing_turned=nothing_turned,
    )


class _DriftTold(BaseModel):
    """What is read of a drift check's result (`observing.runs.drift_run.DriftResult`)."""

    started_utc: datetime
    verdict: str
    minus_predicted_alt_arcmin: float
    minus_predicted_az_sky_arcmin: float
    sigma_alt_arcmin: float
    sigma_az_sky_arcmin: float
    correlation: float
    flexure_allowance_arcsec_per_hour: float
    sag: SagResult
    compared: ComparedSweep


def check_of(document: Mapping[str, Any]) -> RigCheck | None:
    """Return what a drift check in the history teaches of the droop; None when it is nothing.

    It teaches nothing when it contradicted its sweep or had none, when it came long after, when a
    session may have turned the axis meanwhile, or when nobody knows. Results of older versions
    lack ``sag`` and ``compared``; they are read as before, and teach nothing.
    """
    try:
        told = _DriftTold.model_validate(document)
        apart_s = (
            told.started_utc - datetime.fromisoformat(told.compared.finished_utc)
        ).total_seconds()
    except (ValueError, TypeError):
        return None
    sweep = told.compared
    if (
        told.verdict not in ("agrees", "needs longer")
        or sweep.nothing_turned is not True
        or not 0.0 <= apart_s <= LONGEST_APART_S
    ):
        return None
    by_sweep, by_drift = sweep.sag.response, told.sag.response
    # The sweep's covariance was widened as a whole, the droop's part of it too.
    widened = math.sqrt(region_factor(sweep.noise_dof + sweep.dof))
    spread = without_droop(
        _covariance(sweep), by_sweep, widened * sweep.sag.sigma_arcsec * ARCSEC
    ) + without_droop(_covariance(told), by_drift, told.sag.sigma_arcsec * ARCSEC)
    apart = -ARCMIN * np.array(
        [told.minus_predicted_az_sky_arcmin, told.minus_predicted_alt_arcmin]
    )
    taken_out = ARCSEC * (sweep.sag.arcsec * by_sweep - told.sag.arcsec * by_drift)
    flexure_axis = told.flexure_allowance_arcsec_per_hour * ARCSEC / 3600.0 / SIDEREAL_RATE
    pair = SagPair(apart + taken_out, by_sweep - by_drift, spread, flexure_axis)
    if not (np.all(np.isfinite(pair.apart)) and np.all(np.isfinite(pair.covariance))):
        return None
    return RigCheck(pair, sweep.scale_arcsec_per_px * ARCSEC)


def _covariance(told: ComparedSweep | _DriftTold) -> NDArray[np.float64]:
    """Covariance (2, 2), rad^2, of azimuth on the sky and altitude."""
    east, up = told.sigma_az_sky_arcmin * ARCMIN, told.sigma_alt_arcmin * ARCMIN
    mixed = told.correlation * east * up
    return np.array([[east**2, mixed], [mixed, up**2]])
