"""What a measurement comes to: the document a script reads and a person is shown."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidatorFunctionWrapHandler, WrapValidator

from polewright.calculation.geometry.learnt_sag import LearntSag
from polewright.calculation.sky.site import Atmosphere
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, Vector
from polewright.foundation.language import Sentence, say


def _kept(value: object, check: ValidatorFunctionWrapHandler) -> Sentence:
    return value if isinstance(value, Sentence) else Sentence(check(value))


Prose = Annotated[str, WrapValidator(_kept)]
"""A sentence for people: English in the document, and still to be translated for a reader."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PointResult(_Part):
    """One solved point."""

    number: int
    utc: str
    hour_angle_deg: float = Field(description="commanded hour angle, about the true pole")
    ra_deg: float = Field(description="solved centre, ICRS")
    dec_deg: float
    azimuth_deg: float = Field(description="observed, refraction included")
    altitude_deg: float
    exposure_s: float
    star_count: int
    matched: int
    rms_arcsec: float
    scale_arcsec_per_px: float
    parity: int
    sigma_pointing_arcsec: float = Field(description="1 sigma of the boresight, one coordinate")
    sigma_roll_arcsec: float
    solver: str
    solve_s: float
    residual_arcsec: tuple[float, float, float] = Field(
        description="what the axis fit leaves over: about camera x, y and the boresight"
    )


class SagResult(_Part):
    """The droop of a level tube, and what it does to the axis found (error: axis minus pole)."""

    arcsec: float = Field(
        description="taken out of every frame, as learnt from drift checks; 0 where nothing was "
        "learnt. Positive: the tube sinks"
    )
    sigma_arcsec: float = Field(description="1 sigma of the droop beyond that, in the uncertainty")
    checks: int = Field(description="past drift checks of this rig it was learnt from")
    moves_az_sky: float = Field(
        description="what the axis found moves eastward on the sky per size of the droop"
    )
    moves_alt: float = Field(description="the same, upward")

    @classmethod
    def of(cls, sag: LearntSag, response: Vector) -> SagResult:
        """The same as a document; ``response`` (2,) east and up."""
        return cls(
            arcsec=sag.mean / ARCSEC,
            sigma_arcsec=sag.sigma / ARCSEC,
            checks=sag.checks,
            moves_az_sky=float(response[0]),
            moves_alt=float(response[1]),
        )

    def sag(self) -> LearntSag:
        """The same as the computation has it."""
        return LearntSag(self.arcsec * ARCSEC, self.sigma_arcsec * ARCSEC, self.checks)

    @property
    def response(self) -> NDArray[np.float64]:
        """(2,) what the axis found moves east and up per size of the droop."""
        return np.array([self.moves_az_sky, self.moves_alt])

    def sentence(self) -> str:
        """The same in words."""
        sigma = angle_text(self.sigma_arcsec * ARCSEC)
        if self.checks == 0:
            return say(
                "A level tube may droop by {sigma} (1 sigma; by its focal length or "
                "[optics] sag_arcsec, not measured).",
                sigma=sigma,
            )
        checks = (
            say("1 drift check")
            if self.checks == 1
            else say("{checks} drift checks", checks=self.checks)
        )
        droop = angle_text(self.arcsec * ARCSEC, self.sigma_arcsec * ARCSEC, signed=True)
        return say(
            "Sag learnt from {checks} of this rig: a level tube droops by {droop}, which "
            "is taken out of every frame ([optics] sag_arcsec sets a size instead).",
            checks=checks,
            droop=droop,
        )


class AxisResult(_Part):
    """The polar axis and its error. Error is axis minus pole."""

    azimuth_deg: float
    altitude_deg: float
    pole: Literal["true", "refracted"]
    d_alt_arcmin: float = Field(description="altitude error; positive: the axis is too high")
    sigma_alt_arcmin: float
    d_az_sky_arcmin: float = Field(
        description="azimuth error on the sky (great circle); positive: the axis is too far east"
    )
    sigma_az_sky_arcmin: float
    d_az_base_arcmin: float = Field(description="the same as a turn of the base about the vertical")
    correlation: float = Field(description="of the altitude and azimuth errors' uncertainties")
    total_arcmin: float
    sigma_total_arcmin: float = Field(description="1 sigma along the direction of the error")
    total_upper95_arcmin: float = Field(
        description="the total error is below this with 95 % confidence"
    )
    chi2: float
    dof: int
    p_value: float | None = Field(description="None when nothing was left over to check with")
    trusted: bool
    frame_floor_arcsec: float | None = Field(
        None,
        description="error of a frame's attitude that its stars do not show, as the fit assumed "
        "it for 2 s and more; None in documents of older versions: as configured",
    )
    noise_dof: float | None = Field(
        None,
        description="degrees of freedom the fit took that error to be known from; None in "
        "documents of older versions",
    )
    sag: SagResult | None = Field(
        None, description="the droop of the tube; None in documents of older versions"
    )


class SiteResult(_Part):
    """Where the mount was taken to stand."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    source: Prose
    accepted: Prose = Field(
        "", description="what of site and clock contradicts the mount and was accepted"
    )
    rehearsal: bool = Field(False, description="whether the time was that of a rehearsal")

    def sentence(self, started_utc: str, finished_utc: str) -> str:
        """Site and times that were used, in words."""
        told = say(
            "Used: site {latitude} {longitude} {elevation:.0f} m ({source}); time {started} to "
            "{finished} UTC, {clock}.",
            latitude=f"{abs(self.latitude_deg):.3f}° {'S' if self.latitude_deg < 0 else 'N'},",
            longitude=f"{abs(_east_deg(self.longitude_deg)):.3f}° "
            f"{'W' if _east_deg(self.longitude_deg) < 0 else 'E'},",
            elevation=self.elevation_m,
            source=self.source,
            started=started_utc[:19].replace("T", " "),
            finished=finished_utc[11:19],
            clock=say("that of a rehearsal") if self.rehearsal else say("this computer's clock"),
        )
        if not self.accepted:
            return told
        return f"{told} {say('Accepted although {contradictions}.', contradictions=self.accepted)}"


def _east_deg(longitude_deg: float) -> float:
    return (longitude_deg + 180.0) % 360.0 - 180.0


class WeatherResult(_Part):
    """The air that refraction was computed for; uncertainties are 1 sigma."""

    temperature_c: float
    sigma_temperature_c: float
    pressure_hpa: float = Field(description="at the site, not reduced to sea level")
    sigma_pressure_hpa: float
    sigma_refraction_percent: float = Field(
        description="of refraction, with colour and humidity, which are not asked"
    )
    source: Prose = Field(description="where temperature and pressure came from")

    @classmethod
    def of(cls, weather: Weather) -> WeatherResult:
        """The same as a document."""
        return cls(
            temperature_c=weather.air.temperature_c,
            sigma_temperature_c=weather.temperature_sigma_c,
            pressure_hpa=weather.air.pressure_hpa,
            sigma_pressure_hpa=weather.pressure_sigma_hpa,
            sigma_refraction_percent=100.0 * weather.refraction_sigma,
            source=weather.source,
        )

    def weather(self) -> Weather:
        """The same as the computation has it; humidity is not kept and does not matter."""
        air = Atmosphere(self.pressure_hpa, self.temperature_c)
        return Weather(air, self.sigma_temperature_c, self.sigma_pressure_hpa, self.source)

    def sentence(self) -> str:
        """The same in words."""
        return say(
            "Air, for refraction: {source}; refraction is known to "
            "{sigma_refraction_percent:.1f} %.",
            source=self.source,
            sigma_refraction_percent=self.sigma_refraction_percent,
        )


class TimeResult(_Part):
    """Where the time of a measurement went, seconds; the parts add up to the total."""

    total_s: float
    slew_s: float
    settle_s: float = Field(description="waiting for the mount to ring out")
    expose_s: float = Field(description="exposures and the camera's readout")
    download_s: float = Field(description="as far as the run waited for it")
    solve_s: float = Field(description="finding stars and solving, as far as the run waited for it")
    other_s: float = Field(description="unparking, planning, fitting, waits between tries")
    overlap_saved_s: float = Field(
        description="download and solve that went on while the mount slewed"
    )
    settle_saved_s: float = Field(
        description="against the fixed wait of [sweep] settle_s after each slew"
    )


class ComparedSweep(_Part):
    """The sweep whose axis a drift check was compared with."""

    finished_utc: str
    telescope: str
    camera: str
    scale_arcsec_per_px: float
    declination_deg: float = Field(description="of its points, about the true pole, as seen")
    hour_angles_deg: tuple[float, ...] = Field(description="of its points, as commanded")
    sigma_alt_arcmin: float
    sigma_az_sky_arcmin: float
    correlation: float
    noise_dof: float = Field(description="as its uncertainties were widened for; with dof")
    dof: int
    sag: SagResult
    nothing_turned: bool | None = Field(
        description="whether no session that the history knows followed the axis, and so perhaps "
        "turned it, between sweep and check; None: the history did not tell"
    )


class MeasurementResult(_Part):
    """A whole measurement."""

    schema_version: Literal["1"] = "1"
    ok: Literal[True] = True
    software: str
    started_utc: str
    finished_utc: str
    site: SiteResult
    weather: WeatherResult | None = Field(
        None, description="the air of refraction; None in documents of older versions"
    )
    telescope: str
    camera: str
    points: tuple[PointResult, ...]
    axis: AxisResult
    tolerance_arcmin: float
    within_tolerance: bool = Field(
        description="whether the 95 % upper bound of the total error is within the tolerance"
    )
    advice: tuple[Prose, ...]
    notes: tuple[Prose, ...]
    time: TimeResult | None = Field(
        None, description="where the time went; None in documents of older versions"
    )
    story: tuple[Prose, ...] = Field(
        (), description="what was done about points that did not solve, in order"
    )
