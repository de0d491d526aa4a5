"""A whole rig as data: site, mount, its misalignment, adjusters, camera, sky.

Defaults are plausible round numbers, from memory or invented, not the data of any product.
"""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from polewright.calculation.sky.site import Atmosphere, Site
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec


class _Spec(BaseModel):
    """Frozen, and refuses misspelt keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteSpec(_Spec):
    """Where the rig really stands, and its air."""

    latitude_deg: float = Field(50.0, ge=-89.0, le=89.0)
    longitude_deg: float = Field(8.0, ge=-180.0, le=180.0)
    """East positive."""
    elevation_m: float = Field(200.0, ge=-500.0, le=9000.0)
    pressure_hpa: float | None = Field(None, ge=0.0, le=1100.0)
    """None takes the standard pressure of the elevation; 0 switches refraction off."""
    temperature_c: float = Field(10.0, ge=-60.0, le=50.0)
    relative_humidity: float = Field(0.5, ge=0.0, le=1.0)

    def site(self) -> Site:
        """The same for the sky."""
        return Site(self.latitude_deg, self.longitude_deg, self.elevation_m)

    def atmosphere(self) -> Atmosphere:
        """The air for the sky."""
        pressure = self.pressure_hpa
        if pressure is None:
            pressure = Atmosphere.standard(self.elevation_m).pressure_hpa
        return Atmosphere(pressure, self.temperature_c, self.relative_humidity)


class MisalignmentSpec(_Spec):
    """Polar axis minus true pole at the start, before any knob is turned."""

    alt_arcmin: float = Field(0.0, ge=-1200.0, le=1200.0)
    """Positive: the axis points above the pole."""
    az_arcmin: float = Field(0.0, ge=-1200.0, le=1200.0)
    """On the sky (base turn times the cosine of the pole's altitude). Positive: the axis has the
    larger azimuth, which is east of the north pole and west of the south pole."""


class MountSpec(_Spec):
    """The mount's mechanics, electronics, and what its driver offers."""

    kind: Literal["german", "fork"] = "german"
    interface_version: Literal[3, 4] = 4
    starts_parked: bool = True
    """Otherwise it starts at home, not tracking."""

    cone_arcmin: float = Field(0.0, ge=-300.0, le=300.0)
    """The tube is not perpendicular to the declination axis by so much."""
    nonperpendicular_arcmin: float = Field(0.0, ge=-300.0, le=300.0)
    """The declination axis is not perpendicular to the RA axis by so much."""
    pointing_offset_ra_arcmin: float = 0.0
    """How far the axes stand from what the encoders say, as the mount starts: RA axis."""
    pointing_offset_dec_arcmin: float = 0.0
    """The same, declination axis."""
    tripod_tilt_deg: float = Field(0.0, ge=0.0, le=20.0)
    """The base is tilted: its knobs turn about tilted axes."""
    tripod_tilt_azimuth_deg: float = 0.0
    """The side that is low."""

    slew_deg_per_s: float = Field(4.0, gt=0.0, le=100.0)
    acceleration_deg_per_s2: float = Field(2.0, gt=0.0, le=100.0)
    start_lag_s: float = Field(0.0, ge=0.0, le=120.0)
    """Time from when a slew, park or home command is accepted until the axes begin to move. Its
    driver queues commands: nothing moves and Slewing is false meanwhile."""
    slewing_lag_s: float = Field(0.0, ge=0.0, le=120.0)
    """Slewing stays false for so long after the axes began to move."""
    abort_clears_queue: bool = False
    """Whether AbortSlew takes back a command that has not begun; otherwise it begins all the same,
    and has to be aborted again."""
    settle_time_s: int = Field(0, ge=0, le=60)
    """SlewSettleTime at the start: Slewing stays true so long after the axes have arrived."""
    vibration_arcsec: float = Field(15.0, ge=0.0)
    """Amplitude right after a slew of a degree or more."""
    vibration_hz: float = Field(2.0, gt=0.0, le=50.0)
    vibration_decay_s: float = Field(1.5, gt=0.0, le=60.0)
    """The amplitude falls to 1/e in this time."""
    unsteadiness_arcsec: float = Field(0.5, ge=0.0, le=600.0)
    """Tube, mirror and gears come to rest a little differently after each slew: 1 sigma of the
    declination's shift (invented size)."""
    sag_arcsec: float = Field(0.0, ge=0.0, le=3600.0)
    """A level tube droops by so much, one that looks up by this times the cosine of altitude."""
    roll_flexure_arcsec: float = Field(0.0, ge=-3600.0, le=3600.0)
    """The camera turns in its focuser by so much, times gravity's part along the sensor's columns
    (a focuser that is loaded off its centre)."""
    tipping_arcsec_per_hour: float = Field(0.0, ge=-3600.0, le=3600.0)
    """The whole mount leans over by so much more with each hour of hour angle, as its load goes
    from one side of the tripod to the other."""
    tipping_azimuth_deg: float = 90.0
    """The side that gets lower."""
    creep_arcsec_per_min: float = Field(0.0, ge=0.0, le=600.0)
    """The tripod sinks, evenly from the start on."""
    creep_azimuth_deg: float = 0.0
    """The side that sinks."""
    air_arcsec: float = Field(0.0, ge=0.0, le=60.0)
    """The air moves the whole frame by so much along each coordinate: 1 sigma of the mean over a
    second."""
    gusts_per_min: float = Field(0.0, ge=0.0, le=60.0)
    """Gusts of a second."""
    gust_arcsec: float = Field(0.0, ge=0.0, le=600.0)
    """1 sigma of what a gust does to the tube, along each coordinate."""
    periodic_error_arcsec: float = Field(4.0, ge=0.0)
    """Amplitude (half of peak to peak)."""
    periodic_error_period_s: float = Field(480.0, gt=10.0)
    """One turn of the worm at sidereal rate."""
    ra_backlash_arcsec: float = Field(0.0, ge=0.0)
    guide_rate: float = Field(0.5, gt=0.0, le=1.0)
    """Times sidereal."""

    altitude_min_deg: float = Field(0.0, ge=-90.0, le=80.0)
    """Slews below are refused, tracking into it stops."""
    past_meridian_deg: float = Field(15.0, ge=0.0, le=80.0)
    """German mount: how far it tracks past the meridian before it stops by itself."""
    stay_past_meridian_deg: float = Field(0.0, ge=0.0, le=80.0)
    """German mount: a slew to a target so little beyond the meridian keeps the side."""

    equatorial_system: Literal[0, 1, 2] = 1
    """The frame its driver uses: 1 of date, 2 J2000; 0 says "other" and means of date."""
    j2000_with_aberration: bool = False
    """Whether a J2000 driver reckons with the Earth's annual aberration, too."""
    site_latitude_deg: float | None = None
    """What the mount believes; None means the truth."""
    site_longitude_deg: float | None = None
    site_elevation_m: float | None = None
    clock_offset_s: float = 0.0
    """The mount's clock minus the truth."""
    reports_pier_side: bool = True
    reports_destination_side: bool = True
    can_move_axis: bool = True
    slews_asynchronously: bool = True
    """Otherwise it has only the slew that is answered on arrival (interface version 3)."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.stay_past_meridian_deg > self.past_meridian_deg:
            raise ValueError(
                f"stay_past_meridian_deg ({self.stay_past_meridian_deg}) must not exceed "
                f"past_meridian_deg ({self.past_meridian_deg})"
            )
        return self


class KnobSpec(_Spec):
    """One adjuster of the base."""

    backlash_arcmin: float = Field(0.0, ge=0.0, le=600.0)
    arcmin_per_turn: float = Field(60.0, gt=0.0)
    """Axis motion for one turn of the knob."""
    rate_arcmin_per_s: float = Field(6.0, gt=0.0)
    """How fast it is turned; a frame exposed meanwhile is smeared."""
    travel_arcmin: float = Field(600.0, gt=0.0)
    """It stops so far to either side of where it started."""
    gain: float = 1.0
    """What it does over what it is told: a motor with a wrong sign or scale."""
    lowering_jump_arcmin: float = Field(0.0, ge=0.0, le=120.0)
    """When the axis is lowered it sticks, then drops by so much at once; 0 lowers smoothly."""


class AdjustersSpec(_Spec):
    """Both adjusters of the base."""

    altitude: KnobSpec = KnobSpec()
    azimuth: KnobSpec = KnobSpec()


class CameraDriverSpec(_Spec):
    """What the camera's driver offers; the sensor itself is in `SensorSpec`."""

    interface_version: Literal[3, 4] = 4
    gain_mode: Literal["values", "names", "none"] = "values"
    gain: int = 100
    """Setting at the start: a value, or the index of a name."""
    gain_range: tuple[int, int] = (0, 300)
    """Labels only: the images do not change with it."""
    gain_names: tuple[str, ...] = ("low", "middle", "high")
    offset_mode: Literal["values", "names", "none"] = "values"
    offset: int = 30
    offset_range: tuple[int, int] = (0, 200)
    offset_names: tuple[str, ...] = ("small", "large")
    exposure_min_s: float = Field(0.001, ge=0.0)
    exposure_min_told_s: float | None = Field(None, ge=0.0)
    """What the driver says of it; None: the truth."""
    exposure_max_s: float = Field(3600.0, gt=0.0)
    pixel_type: Literal["uint8", "uint16", "int32", "float32", "float64"] = "uint16"
    """What it hands out; counts in any case, of eight bits the upper ones."""
    counts_to_one: bool = False
    """A floating image ends at 1 where the counts end at MaxADU."""
    readout_s: float = Field(0.2, ge=0.0)
    """Time from the end of the exposure to ImageReady, at least, however little is read."""
    readout_s_per_megapixel: float = Field(0.0, ge=0.0)
    """What each million of (unbinned) pixels of the subframe adds to it."""
    handover_mb_per_s: float | None = Field(None, gt=0.0)
    """Megabytes a second at which an image goes from the camera to its driver, once it is asked
    for; None takes no time."""
    subframes: Literal["taken", "refused", "ignored", "restart"] = "taken"
    """refused: InvalidValue for less than the whole sensor; ignored: the whole sensor comes all the
    same; restart: the driver starts the camera anew at each change."""
    restart_s: float = Field(2.0, ge=0.0)
    """How long such a new start takes; the exposure begins after it."""
    can_abort: bool = True
    can_stop: bool = True
    has_shutter: bool = False
    """A mechanical one, which each exposure to light opens and closes."""
    cooler: bool = True
    ambient_c: float = 10.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        for kind in ("gain", "offset"):
            mode, value = getattr(self, f"{kind}_mode"), getattr(self, kind)
            low, high = getattr(self, f"{kind}_range")
            if mode == "names":
                low, high = 0, len(getattr(self, f"{kind}_names")) - 1
            if mode != "none" and not low <= value <= high:
                raise ValueError(f"{kind} {value} is outside {low} to {high}")
        return self


class CoverSpec(_Spec):
    """A lid over the telescope with a flat lamp in it."""

    interface_version: Literal[1, 2] = 2
    starts_open: bool = True
    move_s: float = Field(5.0, ge=0.0)
    max_brightness: int = Field(255, ge=1)
    warm_up_s: float = Field(2.0, ge=0.0)


class RoofSpec(_Spec):
    """A roll-off roof over the rig."""

    interface_version: Literal[2, 3] = 3
    starts_open: bool = True
    move_s: float = Field(30.0, ge=0.0)


class FocuserSpec(_Spec):
    """A focuser; `OpticsSpec.defocus_um` is what the start position gives."""

    interface_version: Literal[3, 4] = 4
    max_step: int = Field(20_000, ge=1)
    start_step: int = Field(10_000, ge=0)
    step_um: float = Field(4.0, gt=0.0)
    """Travel of one step. The defocus disc changes by this over the focal ratio."""
    steps_per_s: float = Field(500.0, gt=0.0)
    temperature_c: float = 8.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.start_step > self.max_step:
            raise ValueError(f"start_step ({self.start_step}) exceeds max_step ({self.max_step})")
        return self


SensorName = Literal["temperature", "pressure", "humidity"]


class WeatherStationSpec(_Spec):
    """A weather station beside the rig: what it tells is the rig's own air, and these faults."""

    interface_version: Literal[1, 2] = 2
    temperature_off_c: float = 0.0
    """Added to the air's temperature: a sensor on a warm case."""
    pressure_off_hpa: float = 0.0
    sea_level_pressure: bool = False
    """Whether pressure is reduced to sea level, against the standard."""
    missing: tuple[SensorName, ...] = ()
    """Sensors that the station does not have."""
    not_a_number: tuple[SensorName, ...] = ()
    """Sensors whose value is NaN."""
    age_s: float | None = 5.0
    """Age of all values; negative: there never was one; None: the driver does not tell."""


class SwitchSpec(_Spec):
    """One switch of the switch device."""

    name: str
    description: str = ""
    minimum: float = 0.0
    maximum: float = 1.0
    step: float = Field(1.0, gt=0.0)
    value: float = 0.0
    can_write: bool = True

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.minimum <= self.value <= self.maximum or self.minimum == self.maximum:
            raise ValueError(
                f"switch {self.name}: value {self.value:g} is not within a range "
                f"{self.minimum:g} to {self.maximum:g}"
            )
        return self


_SWITCHES = (
    SwitchSpec(name="Mount power", description="12 V for the mount", value=1.0),
    SwitchSpec(name="Dew heater", description="Percent", maximum=100.0),
    SwitchSpec(
        name="Supply voltage",
        description="Volts",
        maximum=15.0,
        step=0.1,
        value=12.6,
        can_write=False,
    ),
)


class RigSpec(_Spec):
    """Everything that makes one simulated rig."""

    name: str = "Simulated rig"
    site: SiteSpec = SiteSpec()
    misalignment: MisalignmentSpec = MisalignmentSpec()
    mount: MountSpec = MountSpec()
    adjusters: AdjustersSpec = AdjustersSpec()
    optics: OpticsSpec = OpticsSpec()
    sensor: SensorSpec = SensorSpec()
    camera: CameraDriverSpec = CameraDriverSpec()
    sky: SkySpec = SkySpec()
    safety_monitor: bool = True
    """Whether there is one; it says "safe" until told otherwise."""
    cover: CoverSpec | None = CoverSpec()
    roof: RoofSpec | None = None
    focuser: FocuserSpec | None = FocuserSpec()
    weather_station: WeatherStationSpec | None = None
    switches: tuple[SwitchSpec, ...] = _SWITCHES
    """No switches: no switch device."""
    horizon: tuple[tuple[float, float], ...] = ()
    """Silhouette: (azimuth_deg, altitude_deg) corners, straight lines between; empty is open.
    Stars behind it are hidden, whatever the program was told of it."""
    overhang: tuple[tuple[float, float], ...] = ()
    """The same for what hides the sky above: a balcony, a branch; empty is open."""
    seed: int = Field(0, ge=0)
    """Fixes every random number of the rig."""

    @field_validator("horizon", "overhang")
    @classmethod
    def _directions(cls, pairs: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        for azimuth, altitude in pairs:
            if not (0.0 <= azimuth <= 360.0 and -90.0 <= altitude <= 90.0):
                raise ValueError(
                    f"({azimuth}, {altitude}) is no direction: azimuth 0 to 360 degrees from north "
                    "through east, altitude -90 to 90"
                )
        return pairs
