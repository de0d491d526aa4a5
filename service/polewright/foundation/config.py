"""The configuration file (TOML): what it may hold, and errors that name the key and its meaning.

A key's description is what it means, its unit, what holds if it is left out; and, in a sentence of
its own, why one would change it. Help and handbook are made of them.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)

from polewright.foundation.adjuster_profile import AdjusterProfile
from polewright.foundation.angle_input import Degrees, Hours
from polewright.foundation.broker import Broker
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import FOLLOW_ENVIRONMENT, Sentence, joined, languages, say
from polewright.foundation.retired_settings import carried_over
from polewright.foundation.usual_limits import (
    LOWEST_POINT_DEG,
    MERIDIAN_BUFFER_DEG,
    MOUNT_ALTITUDE_MIN_DEG,
    POINTING_MARGIN_DEG,
    SUN_AVOID_DEG,
)


class BadConfig(ConfigError):
    """The configuration is wrong; every problem is one sentence in ``problems``."""

    code = "bad_config"
    advice = say("Correct the lines named above; `polewright handbook settings` has every key.")

    def __init__(self, source: str, problems: Sequence[str]) -> None:
        super().__init__(source, tuple(problems))
        self.source, self.problems = source, tuple(problems)
        if all(problem.startswith("cannot be read") for problem in self.problems):
            self.advice = say("Give the path of an existing, readable file with --config.")

    def __str__(self) -> str:
        return say(
            "{source} is not usable:\n  {problems}",
            source=self.source,
            problems=joined("\n  ", self.problems),
        )


class Section(BaseModel):
    """A table of the file: unknown keys are errors, not silence."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteSection(Section):
    """Where the mount stands."""

    latitude_deg: Degrees | None = Field(
        None,
        ge=-90,
        le=90,
        description="latitude of the mount, degrees (44.62, or '44:37:12'), north positive; the "
        "mount's own if left out. Give it where the mount does not know its site, or knows it "
        "wrongly",
    )
    longitude_deg: Degrees | None = Field(
        None,
        ge=-180,
        le=360,
        description="longitude, degrees (9.31, or '9:18:36'), EAST positive; the mount's own if "
        "left out. Give it "
        "with the latitude; a wrong sign points the sweep into walls",
    )
    elevation_m: float | None = Field(
        None,
        ge=-500,
        le=9000,
        description="height above the sea, metres; the mount's own if left out. Give it: the "
        "air's pressure follows from it, and the axis is surer",
    )
    pressure_hpa: float | None = Field(
        None,
        ge=0,
        le=1100,
        description="air pressure at the site, not at sea level, hPa; by height if left out. "
        "Give it where a barometer stands at the site; 0 turns refraction off",
    )
    temperature_c: float | None = Field(
        None,
        ge=-60,
        le=60,
        description="air temperature tonight, degrees C; by month and latitude if left out. "
        "Give it on a night far from what the season is used to",
    )


class DeviceSection(Section):
    """An Alpaca device's address."""

    host: str | None = Field(
        None,
        description="name or IP address of the Alpaca server; discovered if left out. Give it "
        "across a VPN, a guest network or a firewall, or to save the search",
    )
    port: int | None = Field(
        None,
        ge=1,
        le=65535,
        description="TCP port of the Alpaca server; discovered if left out. Give it with the "
        "host where the server does not use the usual one",
    )
    device_number: int | None = Field(
        None,
        ge=0,
        description="number of the device on its server; the first one if left out. Give it "
        "where a server has several of a kind",
    )


class CameraSection(DeviceSection):
    """The camera and how it is read."""

    gain: int | None = Field(
        None,
        description="gain as the camera counts it; unchanged if left out. Give it where another "
        "program leaves a gain that shows no stars",
    )
    offset: int | None = Field(
        None,
        description="offset as the camera counts it; unchanged if left out. Give it with the gain",
    )
    binning: int = Field(
        1,
        ge=1,
        le=16,
        description="pixels binned in the camera, both ways. 2 or more where stars are large on "
        "small pixels, or images come slowly",
    )


class OpticsSection(Section):
    """The optics in front of the camera."""

    focal_length_mm: float | None = Field(
        None,
        gt=5,
        lt=20000,
        description="focal length, mm; the mount's FocalLength or what the stars tell if left "
        "out. Give it where the mount does not tell: the first solve is quicker",
    )
    pixel_um: float | None = Field(
        None,
        gt=0.3,
        lt=100,
        description="unbinned pixel, micrometres; the camera's own if left out. Give it where "
        "the camera does not tell, or for commands that ask no camera",
    )
    distortion_k1: float | None = Field(
        None,
        ge=-0.1,
        le=0.1,
        description="radial distortion of the lens: true radius = r (1 + k1 r²), r over half "
        "the frame's width; `polewright profile --solve` finds it. Short lenses that bend the "
        "picture need it",
    )
    sag_arcsec: float | None = Field(
        None,
        ge=0,
        le=600,
        description="how far a level tube may droop, arcsec (1 sigma): no sweep shows it, and "
        "it is in the stated uncertainty; left out, 6 to 10 by the focal length, or as past drift "
        "checks of the rig taught. "
        "Lower it for a tube known to be stiff, raise it for a heavy focuser train",
    )


class SweepSection(Section):
    """The points the mount is sent to."""

    points: int = Field(
        3,
        ge=3,
        le=24,
        description="number of points. More make the axis surer, and cost a slew and an "
        "exposure each",
    )
    step_deg: float = Field(
        20.0,
        gt=0.5,
        le=60,
        description="turn in right ascension between points, degrees (common practice, no "
        "source). Smaller where little sky is open; the axis is then less sure",
    )
    direction: Literal["east", "west", "away"] = Field(
        "away",
        description="way the sweep goes: east, west, or away from the meridian. Choose it where "
        "cables or obstacles let the mount go one way only",
    )
    start_azimuth_deg: Degrees | None = Field(
        None,
        ge=0,
        le=360,
        description="azimuth of the first point, degrees from north through east. Give both to "
        "choose the patch of sky by hand",
    )
    start_altitude_deg: Degrees | None = Field(
        None,
        ge=0,
        le=90,
        description="altitude of the first point, degrees; the sweep is planned if left out. "
        "Give both to choose the patch of sky by hand",
    )
    exposure_s: float = Field(
        4.0,
        gt=0,
        le=600,
        description="exposure at each point, s (common practice, no source). Longer with a slow "
        "lens or under thin cloud, shorter in a bright sky",
    )
    exposure_auto: bool = Field(
        False,
        description="whether the exposure is found from sky and stars of a first frame; [sweep] "
        "exposure_s is where the search begins. Switch it on where sky and Moon "
        "change from night to night",
    )
    exposure_max_s: float = Field(
        20.0,
        gt=0,
        le=600,
        description="longest exposure that exposure_auto or a point that did not solve may ask "
        "for, s. Lower it where stars trail on an axis far off",
    )
    sigma_arcmin: float | None = Field(
        None,
        gt=0,
        le=60,
        description="uncertainty wanted of the total error, 1 sigma, arcminutes: exposure_auto "
        "and `polewright startup` go by it; a quarter of the tolerance if left out. Give it "
        "where the figure shall be surer than the verdict needs",
    )
    settle_s: float = Field(
        15.0,
        ge=0,
        le=300,
        description="wait after each slew, s; belts ring longest (common practice, no source). "
        "Shorter for a stiff geared mount, longer for a belt or a tall pier",
    )
    settle: Literal["measured", "fixed"] = Field(
        "measured",
        description="measured: short looks at the stars tell when the mount has rung out, "
        "before the exposure or after it, settle_s after the slew at the latest; "
        "fixed: always wait settle_s. Choose fixed where a mechanical shutter is to "
        "last",
    )
    overlap: bool = Field(
        True,
        description="whether the mount slews on while the frame of the point before is fetched "
        "and solved. Switch it off for a camera that reports its image before the exposure is "
        "over, or a server that cannot do both at once",
    )
    frame_floor_arcsec: float = Field(
        1.0,
        ge=0,
        le=60,
        description="error of a frame's attitude that its stars do not show (air, gusts), "
        "arcsec; left out, past sweeps of the rig in the history change it. Raise "
        "it where the air is bad or wind shakes the tube",
    )
    meridian_buffer_deg: float = Field(
        MERIDIAN_BUFFER_DEG,
        ge=0,
        le=60,
        description="hour angle kept clear on either side of the meridian, degrees. Smaller "
        "only if you know where the mount changes sides",
    )
    min_altitude_deg: float = Field(
        LOWEST_POINT_DEG,
        ge=0,
        le=80,
        description="lowest altitude of a point, degrees (common practice, no source). Lower "
        "only where the sky is clear down there",
    )
    arrival_tolerance_deg: float = Field(
        0.5,
        gt=0,
        le=30,
        description="how far from its target the mount may say it stopped, degrees. Raise it "
        "only for a mount known to stop so far off",
    )


class HorizonSection(Section):
    """What stands around the mount."""

    file: str | None = Field(
        None,
        description="file of azimuth/altitude pairs, degrees; an open horizon if left out. Give "
        "it wherever house or trees stand in the way",
    )
    clearance_deg: float | None = Field(
        None,
        ge=0,
        le=20,
        description="angle kept clear of every edge of the horizon, degrees; the file's own, or 1, "
        "if left out. Raise it where the skyline is rough or was guessed",
    )


#: A slew is stopped after 30 s and what 300 degrees take at the stated rate: the longest way of an
#: axis, 180 degrees, and two thirds more for starting and slowing down. That makes 180 s at the
#: usual 2 degrees a second (own choice).
SLEW_RESERVE_S, SLEW_WAY_DEG = 30.0, 300.0


class LimitsSection(Section):
    """Where the mount may not point."""

    sun_avoid_deg: float = Field(
        SUN_AVOID_DEG,
        ge=1,
        le=180,
        description="angle kept from the Sun, degrees (common practice). Lower it only with a "
        "filter on",
    )
    mount_altitude_min_deg: float = Field(
        MOUNT_ALTITUDE_MIN_DEG,
        ge=-90,
        le=80,
        description="lowest altitude the mount may pass through, degrees. Raise it where tube "
        "or cables meet something low",
    )
    mount_altitude_max_deg: float = Field(
        90.0,
        ge=10,
        le=90,
        description="highest altitude the mount may pass through, degrees. Lower it where the "
        "tube meets the tripod near the zenith",
    )
    hour_angle_min_deg: float = Field(
        -180.0,
        ge=-180,
        le=180,
        description="easternmost hour angle the mount reaches, degrees. Raise it where the tube "
        "meets the pier in the east",
    )
    hour_angle_max_deg: float = Field(
        180.0,
        ge=-180,
        le=180,
        description="westernmost hour angle the mount reaches, degrees. Lower it where the tube "
        "meets the pier in the west",
    )
    pointing_margin_deg: float = Field(
        POINTING_MARGIN_DEG,
        ge=0,
        le=20,
        description="how far off the mount's pointing may be, degrees. Raise it for a mount "
        "that is set up anew each night without a star",
    )
    slew_deg_per_s: float = Field(
        2.0,
        gt=0,
        le=100,
        description="the mount's slewing rate, degrees per second. Give the mount's own: the "
        "plan's times go by it, and how long a slew may take before it is stopped",
    )

    @property
    def slew_timeout_s(self) -> float:
        """Longest a slew may take before it is stopped, s."""
        return SLEW_RESERVE_S + SLEW_WAY_DEG / self.slew_deg_per_s


class SafetySection(DeviceSection):
    """A safety monitor; give host, port or device_number to have it watched, none otherwise."""

    @property
    def wanted(self) -> bool:
        """Whether there is one to watch."""
        return any(value is not None for value in (self.host, self.port, self.device_number))


class ObservingConditionsSection(SafetySection):
    """A weather station; give host, port or device_number to have its air used for refraction."""


class CoverSection(SafetySection):
    """A cover or flat-field light; give host, port or device_number to have it looked at."""


class DomeSection(SafetySection):
    """A dome or roll-off roof; give host, port or device_number to have it looked at."""


class FocuserSection(SafetySection):
    """A focuser; give host, port or device_number where discovery cannot tell which."""


class StartupSection(Section):
    """What `polewright startup` checks and may do before a night with nobody there."""

    wait_s: float = Field(
        300.0,
        ge=0,
        le=7200,
        description="longest wait for the devices to appear, s (own choice). Raise it where "
        "computers and power come up slowly",
    )
    clock_tolerance_s: float = Field(
        5.0,
        gt=0,
        le=600,
        description="how far the mount's clock and sidereal time may be off ours, s (own "
        "choice). Raise it for a mount whose clock is set by hand",
    )
    open_cover: bool = Field(
        False,
        description="whether a closed cover is opened. Switch it on where nothing can catch in "
        "the cover",
    )
    open_roof: bool = Field(
        False,
        description="whether a closed roof or dome shutter is opened; nothing here knows "
        "whether the telescope is clear of it. Switch it on only where telescope "
        "and roof cannot meet",
    )
    max_hfd_px: float = Field(
        12.0,
        gt=1,
        le=200,
        description="half-flux diameter above which focus is called wrong, px. Lower it to "
        "notice a focus that has crept, raise it for large stars on small pixels",
    )
    afterwards: Literal["park", "track", "stop"] = Field(
        "park",
        description="how the mount is left: parked, tracking the stars, or stopped. Track where "
        "another program goes on at once, stop where parking is its task",
    )


class NotifySection(Section):
    """Whom to tell how an unattended run ended. Neither is ever written to a log."""

    command: str | None = Field(
        None,
        description="program to run, with {title}, {text}, {outcome} and {exit_code} as its "
        "arguments' places; no shell. Give it to be woken",
    )
    url: str | None = Field(
        None,
        description="address that gets a JSON document by POST (http, https), or any service "
        "known to the package apprise, where that is installed. Give it to tell a "
        "service instead of running a program",
    )
    when: Literal["always", "trouble"] = Field(
        "always",
        description="every time, or only when the exit code is not 0. Choose trouble where a "
        "word every night would not be read",
    )


class LogSection(Section):
    """The log of `serve`, `startup` and unattended runs: one JSON document a line."""

    file: str | None = Field(
        None,
        description="file to log to; nothing is logged if left out. Give it on every machine "
        "that nobody watches",
    )


class AdjusterSection(Section):
    """What turns the adjusters: hands, or motors."""

    name: str = Field(
        "manual",
        description="manual, command, or an adjuster that an installed package brings. Choose "
        "command where a program can turn the adjusters",
    )
    first_step_arcmin: float = Field(
        3.0,
        gt=0,
        le=60,
        description="first turn of each adjuster, of unknown sign and gain, arcminutes; while "
        "play swallows it, it grows. Lower it where an adjuster may turn the axis farther than "
        "it is asked to",
    )
    largest_step_arcmin: float = Field(
        40.0, gt=0, le=600, description="largest single turn, arcminutes. Lower it for a heavy load"
    )
    altitude_travel_arcmin: float = Field(
        240.0,
        gt=0,
        le=3000,
        description="farthest turn in altitude from where it started, arcmin. Set it below what "
        "the mechanics bear: the end switches come after it",
    )
    azimuth_travel_arcmin: float = Field(
        360.0,
        gt=0,
        le=3000,
        description="farthest turn in azimuth from where it started, arcmin. Set it below what "
        "the mechanics bear: the end switches come after it",
    )
    options: dict[str, Any] = Field(
        default_factory=dict, description="the adjuster's own options, as a table"
    )


class RecoverySection(Section):
    """What is tried, unasked, when a point does not solve."""

    tries: int = Field(
        2,
        ge=0,
        le=10,
        description="longer exposures tried at a place that does not solve. 0 where a cloud is "
        "better met by another place",
    )
    other_places: bool = Field(
        True,
        description="whether a point that does not solve may be moved along its declination "
        "circle, or another sweep be made. Switch it off where only the chosen places are free",
    )
    nowhere_s: float = Field(
        240.0,
        ge=10,
        le=7200,
        description="longest time without a newly solved point, from the arrival at the first "
        "one on, after which a sweep ends, s; half of it is the most for one place "
        "(own choice). Raise it where clouds pass, or mount and solver are slow",
    )


class SolverSection(Section):
    """How frames are solved."""

    name: str = Field(
        "embedded",
        description="solver's name: embedded, command, or one installed. Choose command for a "
        "program with an index of its own",
    )
    detector: str = Field(
        "embedded",
        description="star detector's name: embedded, or one installed. Choose another for frames "
        "whose stars the embedded one does not find",
    )
    hint_radius_deg: float = Field(
        10.0,
        gt=0,
        le=180,
        description="how far off the mount's own pointing may be, degrees. Raise it for a mount "
        "that is far off; the search takes longer",
    )
    timeout_s: float = Field(
        60.0,
        gt=0,
        le=900,
        description="longest a solve may take, s. Raise it on a slow computer or for a large index",
    )
    catalogue: str | None = Field(
        None,
        description="add-on catalogue of the embedded solver: its name or file, a folder of "
        "them, or none; all that `polewright catalogue build` made if left out. "
        "Name one where several are installed and one fits the field",
    )
    options: dict[str, Any] = Field(
        default_factory=dict, description="the solver's own options, as a table"
    )


class PoleSection(Section):
    """What counts as aligned."""

    target: Literal["true", "refracted"] = Field(
        "true",
        description="pole to align on: the true pole or the pole as refraction lifts it. Choose "
        "refracted to follow a rule that asks for it; the true pole suits long "
        "nights",
    )
    tolerance_arcmin: float = Field(
        1.0,
        gt=0,
        le=120,
        description="axis error that is good enough, arcminutes. Smaller for long focal lengths "
        "and long exposures: `polewright tolerance` tells",
    )
    tolerance_from_tonight: bool = Field(
        False,
        description="whether the tolerance follows from the exposures of [tonight] instead, up "
        "to 10 arcminutes. Switch it on where focal length and exposures change "
        "often",
    )


class TonightSection(Section):
    """The exposures planned for the night, from which a tolerance can follow."""

    focal_length_mm: float | None = Field(
        None,
        gt=5,
        lt=20000,
        description="focal length of tonight's optics; [optics] if left out. Give it where the "
        "imaging telescope is not the one that aligns",
    )
    pixel_um: float | None = Field(
        None,
        gt=0.3,
        lt=100,
        description="tonight's pixel, micrometres; [optics] if left out. Give it where the "
        "imaging camera is not the one that aligns",
    )
    exposure_s: float = Field(
        300.0,
        gt=0,
        le=21600,
        description="longest single exposure planned, s. Give the longest: it asks most of the "
        "axis",
    )
    declination_deg: Degrees = Field(
        45.0,
        ge=-89,
        le=89,
        description="declination of the target, degrees. Give the target's: nearer the equator "
        "asks other things than near the pole",
    )
    hour_angle_from_hours: Hours = Field(
        -4.0,
        ge=-12,
        le=12,
        description="hour angle of the first exposure, hours, east negative. Narrow it to the "
        "hours that are really photographed",
    )
    hour_angle_to_hours: Hours = Field(
        4.0,
        ge=-12,
        le=12,
        description="hour angle of the last exposure, hours, west positive. Narrow it to the "
        "hours that are really photographed",
    )
    guided: bool = Field(
        False,
        description="whether a guide star is followed. Guiding cures the drift of one star, not "
        "the turn of the field about it",
    )
    guide_distance_deg: float | None = Field(
        None,
        ge=0,
        le=30,
        description="guide star to field centre, degrees, any direction; as far as the field "
        "reaches if left out. Give it for a guide scope that looks elsewhere",
    )
    sensor_diagonal_mm: float | None = Field(
        None,
        gt=0.5,
        lt=500,
        description="diagonal of tonight's sensor, mm: stars shall be round out to its corners; "
        "the connected camera's if left out. Give it for commands that ask no camera, and "
        "smaller where the corners are cut off anyway",
    )
    trail_px: float = Field(
        1.0,
        gt=0,
        le=1000,
        description="longest trail that may be, pixels. Smaller where pixels are large, larger "
        "where seeing blurs anyway",
    )


class AdjustingSection(Section):
    """How the adjusters are turned; their names go to [profile]."""

    exposure_s: float | None = Field(
        None,
        gt=0,
        le=60,
        description="exposure of a live frame, s; as in the sweep if left out. Shorter than the "
        "sweep's makes the reading follow the hand more quickly",
    )
    glances: Literal["auto", "on", "off"] = Field(
        "auto",
        description="short exposures of a part of the frame between full ones, so that the "
        "reading moves with the hand; auto: not with a mechanical shutter, which they would wear. "
        "Switch them off where a camera or its driver does not bear them",
    )
    sweep_by_itself: bool = Field(
        False,
        description="whether a new sweep may start unasked; hands must then be off the mount. "
        "Switch it on where hands are away from the mount when the reading rests. In a terminal "
        "the confirming sweep begins after a countdown that a key stops, whatever stands here",
    )


class RunSection(Section):
    """What happens around a run."""

    afterwards: Literal["track", "stop"] = Field(
        "track",
        description="what the mount does after a finished run: track the stars, or stop. Choose "
        "stop where nobody stays with the mount",
    )
    journal_folder: str | None = Field(
        None,
        description="folder of session journals; the user's state folder if left out. Give it "
        "where the service runs as a user without a home",
    )
    keep_frames: str | None = Field(
        None,
        description="folder where each solved frame is kept as FITS with its WCS; none kept if "
        "left out. Give it to look at frames later, or to report a fault",
    )


class HistorySection(Section):
    """What is remembered of past runs."""

    enabled: bool = Field(
        True,
        description="whether every run is recorded in the history. Switch it off on a computer "
        "that is not yours",
    )
    url: str | None = Field(
        None,
        description="database of the history, e.g. postgresql://host/polewright; "
        "POLEWRIGHT_HISTORY_URL or a file in the user's data folder if left out. "
        "Give it where several computers share one history",
    )
    pier: str | None = Field(
        None,
        max_length=80,
        description="name of the pier or rig; the telescope's if left out. Give it where rigs "
        "share a telescope's name",
    )
    alarm_arcmin: float | None = Field(
        None,
        gt=0,
        le=600,
        description="axis error at which a pier's trend raises alarm. Give it to be told before "
        "a pier's creep spoils pictures",
    )


class PublishSection(Section):
    """What `polewright serve` tells other programs of the observatory."""

    fresh_minutes: float = Field(
        720.0,
        gt=0,
        le=100000,
        description="age up to which a verified alignment counts as safe, minutes (own choice). "
        "Shorter where the mount is touched by day, longer on a pier that nobody "
        "touches",
    )
    mqtt: str | None = Field(
        None,
        description="message broker that is told how each session ended, and the topic of the "
        "retained message: mqtt://host/topic, mqtts:// for TLS, with user@ before the host and "
        ":port behind it where needed; the password comes from the environment variable "
        "POLEWRIGHT_MQTT_PASSWORD; left out: none. Give it where other programs wait for the "
        "word, with a topic for each pier",
    )

    passive_counts: bool = Field(
        False,
        description="whether the axis that a night's frames tell (`polewright passive`) counts as "
        "verified for the safety monitor. Otherwise it is told for information only. Switch it on "
        "on a pier whose frames you have compared with sweeps",
    )

    @field_validator("mqtt")
    @classmethod
    def _address(cls, url: str | None) -> str | None:
        if url is not None:
            Broker.from_url(url)
        return url

    @property
    def broker(self) -> Broker | None:
        """The broker of ``mqtt``."""
        return None if self.mqtt is None else Broker.from_url(self.mqtt)


class DisplaySection(Section):
    """How things are told to people."""

    language: str = Field(
        FOLLOW_ENVIRONMENT,
        description="language of terminal, report and page: en, de, or auto for that of the "
        "environment (POLEWRIGHT_LANGUAGE, LC_ALL, LANG) and of each browser. Give it where "
        "others than the person at the browser read along",
    )

    @field_validator("language")
    @classmethod
    def _known(cls, code: str) -> str:
        known = (FOLLOW_ENVIRONMENT, *languages())
        if code not in known:
            raise ValueError(f"there are {', '.join(known)}")
        return code


ACCEPT_SITE = "accept_site"
"""An override, and never a key of a file: it holds for one session only."""


class Config(Section):
    """Everything a run can be told. Keys of earlier versions are taken, and told in ``notes``."""

    _notes: tuple[str, ...] = PrivateAttr(default=())

    @model_validator(mode="wrap")
    @classmethod
    def _take_retired(cls, data: Any, handler: ModelWrapValidatorHandler[Config]) -> Config:
        if not isinstance(data, Mapping):
            return handler(data)
        tables, notes = carried_over(data)
        config = handler(tables)
        config._notes = notes
        return config

    @property
    def notes(self) -> tuple[str, ...]:
        """What its author should change in it, a sentence each."""
        return self._notes

    _accepts_site: bool = PrivateAttr(default=False)
    site: SiteSection = Field(default_factory=SiteSection)
    telescope: DeviceSection = Field(default_factory=DeviceSection)
    camera: CameraSection = Field(default_factory=CameraSection)
    optics: OpticsSection = Field(default_factory=OpticsSection)
    sweep: SweepSection = Field(default_factory=SweepSection)
    horizon: HorizonSection = Field(default_factory=HorizonSection)
    limits: LimitsSection = Field(default_factory=LimitsSection)
    safety: SafetySection = Field(default_factory=SafetySection)
    observing_conditions: ObservingConditionsSection = Field(
        default_factory=ObservingConditionsSection
    )
    cover: CoverSection = Field(default_factory=CoverSection)
    dome: DomeSection = Field(default_factory=DomeSection)
    focuser: FocuserSection = Field(default_factory=FocuserSection)
    recovery: RecoverySection = Field(default_factory=RecoverySection)
    solver: SolverSection = Field(default_factory=SolverSection)
    pole: PoleSection = Field(default_factory=PoleSection)
    adjusting: AdjustingSection = Field(default_factory=AdjustingSection)
    profile: AdjusterProfile = Field(
        default_factory=AdjusterProfile, description="the adjusters' names and ways"
    )
    run: RunSection = Field(default_factory=RunSection)
    publish: PublishSection = Field(default_factory=PublishSection)
    startup: StartupSection = Field(default_factory=StartupSection)
    adjuster: AdjusterSection = Field(default_factory=AdjusterSection)
    notify: NotifySection = Field(default_factory=NotifySection)
    log: LogSection = Field(default_factory=LogSection)
    tonight: TonightSection = Field(default_factory=TonightSection)
    history: HistorySection = Field(default_factory=HistorySection)
    display: DisplaySection = Field(default_factory=DisplaySection)

    @property
    def accepts_site(self) -> bool:
        """Whether a mount that contradicts site or clock was accepted, for this session."""
        return self._accepts_site

    def accepting_site(self) -> Config:
        """Return the same for a session in which such a mount is accepted."""
        copy = self.model_copy()
        copy._accepts_site = True
        return copy


def config_from_text(
    text: str, *, source: str = "configuration", overrides: Mapping[str, Any] | None = None
) -> Config:
    """Parse and check a configuration.

    Args:
        text: TOML.
        source: name used in messages.
        overrides: values by dotted key (``"sweep.step_deg"``), which win over the file.

    Raises:
        BadConfig: not TOML, an unknown key, or a value that is not usable.
    """
    text = text.removeprefix("\ufeff")  # some editors put a byte order mark first
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        comma = re.search(r"=\s*[-+]?\d+,\d", text)
        hint = say(" Numbers take a decimal point: 9.31, not 9,31.") if comma else ""
        raise BadConfig(source, [say("not valid TOML: {exc}.", exc=exc) + hint]) from exc
    given = dict(overrides or {})
    accepts_site = given.pop(ACCEPT_SITE, False) is True
    for dotted, value in given.items():
        section, _, key = dotted.partition(".")
        table = data.setdefault(section, {})
        if not isinstance(table, dict):
            problem = say("`{section}` must be a table: write [{section}]", section=section)
            raise BadConfig(source, [problem])
        table[key] = value
    try:
        config = Config.model_validate(data)
    except ValidationError as exc:
        problems = [_sentence(error, text, given) for error in exc.errors()]
        if all(problem.startswith("option for") for problem in problems):
            source = say("the configuration as given")
        raise BadConfig(source, problems) from exc
    return config.accepting_site() if accepts_site else config


def config_from_file(path: Path | None, overrides: Mapping[str, Any] | None = None) -> Config:
    """Read a configuration file (or none: defaults) and apply ``overrides``.

    A relative ``[horizon] file`` in the file is taken from the file's own folder; one given as an
    option from the current folder.

    Raises:
        BadConfig: the file cannot be read or is not usable.
    """
    if path is None:
        return config_from_text("", source=say("the configuration as given"), overrides=overrides)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        raise BadConfig(str(path), [say("cannot be read: {exc}", exc=in_words(exc))]) from exc
    config = config_from_text(text, source=str(path), overrides=overrides)
    return config if "horizon.file" in (overrides or {}) else beside(config, path)


def beside(config: Config, path: Path) -> Config:
    """Return the same with a relative skyline taken from the configuration file's own folder."""
    if config.horizon.file is None:
        return config
    there = path.parent / Path(config.horizon.file).expanduser()  # an absolute path stays
    horizon = config.horizon.model_copy(update={"file": str(there)})
    return config.model_copy(update={"horizon": horizon})


def meaning(location: Sequence[str | int]) -> str:
    """Return what the key at ``location`` means, without why one would change it, or nothing."""
    model: type[BaseModel] | None = Config
    text = ""
    for part in location:
        if model is None or not isinstance(part, str) or part not in model.model_fields:
            return text
        field = model.model_fields[part]
        text = _without_reason(field.description or "")
        annotation = field.annotation
        model = (
            annotation
            if isinstance(annotation, type) and issubclass(annotation, BaseModel)
            else None
        )
    return text


def _without_reason(description: str) -> str:
    """Return a description up to the sentence that says why one would change the key."""

    def first(text: str) -> str:
        return re.split(r"\. (?=[A-Z0-9])", text)[0]

    return Sentence(first(description), "{whole}", {"whole": description}, then=first)


def _known_keys(location: Sequence[str | int]) -> list[str]:
    model: type[BaseModel] = Config
    for part in location:
        field = model.model_fields.get(str(part))
        annotation = field.annotation if field else None
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        model = annotation
    return list(model.model_fields)


def _sentence(error: Any, text: str, overrides: Mapping[str, Any]) -> str:
    location = list(error["loc"])
    dotted = ".".join(str(part) for part in location)
    if dotted in overrides:
        place = say("option for {key}", key=dotted)
    else:
        line = _line_of(text, location)
        place = say("line {line}, {key}", line=line, key=dotted) if line else dotted
    if error["type"] == "extra_forbidden":
        known = _known_keys(location[:-1])
        close = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
        if close:
            return say("{place}: unknown key; did you mean `{close}`?", place=place, close=close[0])
        names = ", ".join(known)
        return say("{place}: unknown key; known here: {names}.", place=place, names=names)
    about = meaning(location)
    explained = joined("", (" (", about, ")")) if about else ""
    given = error.get("input")
    return say(
        "{place} = {given!r}{explained}: {problem}.",
        place=place,
        given=given,
        explained=explained,
        problem=_problem(error),
    )


def _problem(error: Any) -> str:
    """What is wrong with a value: our own words where a check of ours has said them."""
    own = error.get("ctx", {}).get("error")
    text = error["msg"] if own is None else str(own)
    return text if text.startswith(("'", '"')) else text[:1].lower() + text[1:]


def _line_of(text: str, location: Sequence[str | int]) -> int | None:
    """Find the line (from 1) where a key stands; None when it is not found by simple reading."""
    names = [str(part) for part in location if isinstance(part, str)]
    if not names:
        return None
    section: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        if header:
            section = [part.strip().strip("\"'") for part in header.group(1).split(".")]
            if section == names:
                return number
            continue
        key = re.match(r"\s*([A-Za-z0-9_.\-\"']+)\s*=", line)
        if key:
            here = [*section, *(part.strip("\"'") for part in key.group(1).split("."))]
            if here == names[: len(here)]:
                return number
    return None
