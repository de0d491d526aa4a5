"""Invented runs for the tests of the history, the report and their commands."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from polewright.observing.runs.drift_run import DriftResult
from polewright.records.history.run_record import (
    AxisReading,
    DeviceUsed,
    PlannedSweep,
    RunRecord,
    Sweep,
)
from polewright.records.result import (
    AxisResult,
    ComparedSweep,
    MeasurementResult,
    PointResult,
    SagResult,
    SiteResult,
    WeatherResult,
)

NIGHT_UTC_S = 1_790_000_000.0  # 2026-09-21


def made_result(
    utc_s: float = NIGHT_UTC_S,
    alt: float = 3.0,
    az: float = -4.0,
    *,
    sigma: float = 0.05,
    tolerance: float = 1.0,
    latitude: float = 44.62,
) -> MeasurementResult:
    """A measurement with errors in arcmin on the sky."""

    def text(after_s: float) -> str:
        return datetime.fromtimestamp(utc_s + after_s, UTC).isoformat(timespec="milliseconds")

    total = (alt**2 + az**2) ** 0.5
    return MeasurementResult(
        software="polewright test",
        started_utc=text(-150.0),
        finished_utc=text(0.0),
        site=SiteResult(
            latitude_deg=latitude, longitude_deg=9.31, elevation_m=420.0, source="configuration"
        ),
        telescope="bench mount",
        camera="bench camera",
        points=tuple(
            PointResult(
                number=number,
                utc=text(-150.0 + 50.0 * number),
                hour_angle_deg=-60.0 + 20.0 * number,
                ra_deg=130.0 - 19.8 * number,
                dec_deg=41.0,
                azimuth_deg=75.0 + 12.0 * number,
                altitude_deg=38.0 + 13.0 * number,
                exposure_s=2.0,
                star_count=140,
                matched=90 + number,
                rms_arcsec=1.4,
                scale_arcsec_per_px=5.98,
                parity=1,
                sigma_pointing_arcsec=0.6,
                sigma_roll_arcsec=9.0,
                solver="embedded",
                solve_s=0.2,
                residual_arcsec=(0.2 * number, -0.4, 3.0 - number),
            )
            for number in (1, 2, 3)
        ),
        axis=AxisResult(
            azimuth_deg=az / 60.0 / 0.71,
            altitude_deg=latitude + alt / 60.0,
            pole="true",
            d_alt_arcmin=alt,
            sigma_alt_arcmin=sigma,
            d_az_sky_arcmin=az,
            sigma_az_sky_arcmin=1.4 * sigma,
            d_az_base_arcmin=az / 0.71,
            correlation=0.3,
            total_arcmin=total,
            sigma_total_arcmin=1.2 * sigma,
            total_upper95_arcmin=total + 2.0 * sigma,
            chi2=1.7,
            dof=2,
            p_value=0.43,
            trusted=True,
        ),
        tolerance_arcmin=tolerance,
        within_tolerance=total + 2.0 * sigma <= tolerance,
        advice=("Move the axis.",),
        notes=("The mount's clock is 5 s ahead of this computer's.",),
    )


def made_run(
    run_id: str = "a" * 32, utc_s: float = NIGHT_UTC_S, *errors: tuple[float, float], **more: Any
) -> RunRecord:
    """A run with one sweep for each error (altitude, azimuth; arcmin), ten minutes apart."""
    sweeps = tuple(
        Sweep(
            plan=PlannedSweep(
                hour_angles_deg=(-40.0, -20.0, 0.0),
                declination_deg=41.0,
                altitudes_deg=(51.0, 64.0, 77.0),
                azimuths_deg=(87.0, 99.0, 111.0),
                predicted_sigma_arcsec=4.0,
            ),
            result=made_result(utc_s + 600.0 * number, alt, az),
        )
        for number, (alt, az) in enumerate(errors or ((3.0, -4.0),))
    )
    values: dict[str, Any] = {
        "run_id": run_id,
        "pier": "bench",
        "kind": "measure" if len(sweeps) < 2 else "align",
        "started_utc_s": utc_s - 160.0,
        "finished_utc_s": utc_s + 600.0 * len(sweeps),
        "outcome": 0,
        "sweeps": sweeps,
        "devices": (
            DeviceUsed(
                device="telescope", name="bench mount", address="rig:11111", interface_version=4
            ),
        ),
        "versions": {"polewright": "test"},
        "config": {"sweep": {"step_deg": 20.0}},
    }
    return RunRecord(**{**values, **more})


def made_reading(utc_s: float, alt: float, az: float, after_sweep: int) -> AxisReading:
    """A live reading."""
    return AxisReading(
        utc_s=utc_s,
        state="settled",
        d_alt_arcmin=alt,
        d_az_sky_arcmin=az,
        sigma_alt_arcmin=0.1,
        sigma_az_sky_arcmin=0.1,
        action="turn",
        sentence="Turn.",
        after_sweep=after_sweep,
    )


def made_check(
    number: int = 1,
    sweep_minus_drift_arcsec: tuple[float, float] = (0.0, -7.0),
    *,
    telescope: str = "bench mount",
    camera: str = "bench camera",
    drift: dict[str, Any] | None = None,
    sweep: dict[str, Any] | None = None,
    **more: Any,
) -> RunRecord:
    """A run with a drift check, half an hour after its sweep near the pole; east, up.

    Args:
        number: of the night, from 1.
        sweep_minus_drift_arcsec: how the axes differ.
        telescope: of run and sweep.
        camera: the same.
        drift: fields of the result to change.
        sweep: fields of the compared sweep to change.
        **more: fields of the record to change.
    """
    utc_s = NIGHT_UTC_S + 86400.0 * number
    east, up = (-part / 60.0 for part in sweep_minus_drift_arcsec)
    sag = {"arcsec": 0.0, "sigma_arcsec": 7.5, "checks": 0}
    result = DriftResult(
        software="polewright test",
        started_utc=datetime.fromtimestamp(utc_s, UTC).isoformat(),
        finished_utc=datetime.fromtimestamp(utc_s + 900.0, UTC).isoformat(),
        verdict="agrees",
        cause=None,
        sentence="Agrees.",
        p_value=0.4,
        d_alt_arcmin=0.5,
        sigma_alt_arcmin=0.1,
        d_az_sky_arcmin=0.2,
        sigma_az_sky_arcmin=0.1,
        correlation=0.0,
        total_arcmin=0.54,
        sigma_best_arcsec=6.0,
        sigma_worst_arcsec=6.0,
        minus_predicted_alt_arcmin=up,
        minus_predicted_az_sky_arcmin=east,
        sag=SagResult(**sag, moves_az_sky=0.0, moves_alt=0.0),
        compared=ComparedSweep(
            finished_utc=datetime.fromtimestamp(utc_s - 1800.0, UTC).isoformat(),
            telescope=telescope,
            camera=camera,
            scale_arcsec_per_px=5.98,
            declination_deg=85.0,
            hour_angles_deg=(-60.0, -40.0, -20.0),
            sigma_alt_arcmin=0.12,
            sigma_az_sky_arcmin=0.08,
            correlation=0.0,
            noise_dof=6.0,
            dof=2,
            sag=SagResult(**sag, moves_az_sky=0.0, moves_alt=-0.7),
            nothing_turned=True,
        ),
        weather=WeatherResult(
            temperature_c=10.0,
            sigma_temperature_c=1.0,
            pressure_hpa=970.0,
            sigma_pressure_hpa=2.0,
            sigma_refraction_percent=0.5,
            source="test",
        ),
        flexure_allowance_arcsec_per_hour=0.5,
        fields=(),
        notes=(),
    )
    document = {**result.model_dump(mode="json"), "svg": "<svg/>", **(drift or {})}
    if sweep is not None:
        document["compared"] = {**document["compared"], **sweep}
    values: dict[str, Any] = {
        "run_id": f"d{number:031d}",
        "pier": "bench",
        "kind": "drift",
        "started_utc_s": utc_s - 60.0,
        "finished_utc_s": utc_s + 960.0,
        "outcome": 0,
        "drifts": (document,),
        "devices": tuple(
            DeviceUsed(device=device, name=name, address="rig:11111", interface_version=4)
            for device, name in (("telescope", telescope), ("camera", camera))
        ),
        "versions": {"polewright": "test"},
    }
    return RunRecord(**{**values, **more})
