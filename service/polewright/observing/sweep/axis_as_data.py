"""A fitted axis as it stands in documents, whatever it was fitted to."""

from __future__ import annotations

from polewright.calculation.field_rotation.tracked_axis import TrackedFit
from polewright.calculation.geometry.axis import AxisFit
from polewright.calculation.geometry.axis_error import AxisError
from polewright.calculation.geometry.learnt_noise import FrameNoise
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu
from polewright.records.result import AxisResult, SagResult


def axis_result(
    fit: AxisFit | TrackedFit, error: AxisError, noise: FrameNoise, sag: SagResult | None
) -> AxisResult:
    """Return the document of an axis and its error from the pole.

    Args:
        fit: the axis, and how well it explains the frames.
        error: from the pole.
        noise: what the fit assumed of a frame.
        sag: what it assumed of the tube.
    """
    azimuth, altitude = azalt_from_enu(fit.axis)
    spread = error.sigma_alt * error.sigma_az_sky
    return AxisResult(
        azimuth_deg=float(azimuth) / DEG,
        altitude_deg=float(altitude) / DEG,
        pole=error.target.value,
        d_alt_arcmin=error.d_alt / ARCMIN,
        sigma_alt_arcmin=error.sigma_alt / ARCMIN,
        d_az_sky_arcmin=error.d_az_sky / ARCMIN,
        sigma_az_sky_arcmin=error.sigma_az_sky / ARCMIN,
        d_az_base_arcmin=error.d_az_base / ARCMIN,
        correlation=float(error.covariance[0, 1]) / spread if spread > 0 else 0.0,
        total_arcmin=error.total / ARCMIN,
        sigma_total_arcmin=error.sigma_total / ARCMIN,
        total_upper95_arcmin=error.total_upper() / ARCMIN,
        chi2=fit.chi2,
        dof=fit.dof,
        p_value=fit.p_value,
        trusted=fit.trusted,
        frame_floor_arcsec=noise.floor / ARCSEC,
        noise_dof=noise.dof,
        sag=sag,
    )
