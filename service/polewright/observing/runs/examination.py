"""Whether a rig will do: what each device can, what is done where it cannot, one picture.

Nothing moves unless that is asked for; then the mount turns by `MOVE_DEG`, as in any run: with all
guards, the watchdog, and motion stopped in the end.
"""

from __future__ import annotations

import math
import platform
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright import __version__
from polewright.calculation.images.frame import Frame
from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.planning.request import Pointing
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.cover_calibrator import CoverCalibrator
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.dome import Dome
from polewright.devices.alpaca.errors import DeviceSilent, ServerUnreachable
from polewright.devices.alpaca.focuser import Focuser
from polewright.devices.alpaca.management import list_servers
from polewright.devices.alpaca.mount_state import PierSide
from polewright.devices.alpaca.observing_conditions import ObservingConditions
from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.devices.alpaca.telescope import EquatorialSystem, Telescope
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import DEG, fold_pi
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import (
    Cancelled,
    ExitCode,
    GuardError,
    ImageError,
    MotionUnknown,
    PolewrightError,
)
from polewright.foundation.language import joined, say
from polewright.observing.rig.mount_site import (
    CLOCK_LIMIT_S,
    CLOCK_NOTE_S,
    SITE_LIMIT_DEG,
    SITE_TOLERANCE_DEG,
    mounts_site,
    own_zone_s,
    zone_against_site,
)
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.check_result import CheckResult
from polewright.observing.runs.connect import connect_devices, connect_one, mount_focal_length_mm
from polewright.observing.runs.frame_check import check
from polewright.observing.runs.measurement import ready_mount, utc_text
from polewright.observing.safety.stopping import motion_stopped_on_trouble, stop_now
from polewright.observing.safety.watchdog_client import watched
from polewright.observing.settling.settle import settle
from polewright.observing.sweep.visit_point import go_to
from polewright.records.events import Event, EventSink

MOVE_DEG = 5.0
"""Turn in right ascension of the trial, degrees: well over what guards call "not arrived"."""
NEAREST_POLE_DEG = 84.0
"""Declination to which a mount is taken that is parked at the pole: nearer, no run sends it."""
STARS_ENOUGH = 20
"""A frame with so many stars that is not solved is trouble; with fewer it is day, cap or cloud."""
_NOBODY_THERE = (DeviceSilent, ServerUnreachable)
Outcome = Literal["ok", "instead", "missing", "failed"]


class Finding(BaseModel):
    """One thing that was asked or tried."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    about: str = Field(description="device, or part of the work")
    what: str
    outcome: Outcome = Field(
        description="ok: works; instead: missing, and made up for by what `instead` says; missing: "
        "not there, or not to be told now; failed: the main job cannot be done like this"
    )
    found: str
    instead: str = Field("", description="what is done in its place")
    todo: str = Field("", description="what to set or do")


class Examination(BaseModel):
    """All that was found; meant to be shown to others: site to 0.1 degree, and no names."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    schema_version: Literal["1"] = "1"
    ok: bool = Field(description="whether nothing failed")
    software: str
    system: str
    examined_utc: str
    moved: bool = Field(description="whether the mount was turned")
    motion: Literal["untouched", "stopped", "moving", "unknown"]
    exit_code: int
    findings: tuple[Finding, ...]


@dataclass
class _Said:
    """The answer of one question, before it is known which it was."""

    found: str
    outcome: Outcome = "ok"
    instead: str = ""
    todo: str = ""


class _Enough(Exception):
    """Ends the slew back, to see the stop work."""


@dataclass
class Examiner:
    """One examination; what was found so far is kept, whatever ends it.

    Args:
        config: the configuration.
        clock: for all waits.
        cancel: ends it.
        listen: hears every event.
        shown: see there.
    """

    config: Config
    clock: Clock
    cancel: CancelToken
    listen: EventSink
    shown: Callable[[str], str] | None = None
    """Makes of a text what may be shown to others; `shareable` if left out."""
    findings: list[Finding] = field(default_factory=list)
    code: ExitCode = ExitCode.OK
    """Of the first failure."""
    moved: bool = False
    motion: Literal["untouched", "stopped", "moving", "unknown"] = "untouched"

    def run(self, *, move: bool = False) -> None:
        """Ask everything, take a picture, and with ``move`` turn the mount a little.

        Raises:
            Cancelled: as asked for.
            MotionUnknown: the mount does not confirm its stop.
        """
        rig = self._rig()
        if rig is None:
            return
        self._site(rig)
        self._others(rig)
        self._picture(rig, say("picture"))
        if move and self.code is not ExitCode.OK:
            said = say("not turned while something is in the way")
            self._add(say("motion"), say("slew"), _Said(said, "missing"))
        elif move:
            self._motion(rig)

    def result(self) -> Examination:
        """Return what was found, fit to be shown to others."""
        return Examination(
            ok=self.code is ExitCode.OK,
            software=f"polewright {__version__}",
            system=f"Python {platform.python_version()}, {platform.system()} {platform.machine()}",
            examined_utc=utc_text(self.clock.utc_s()),
            moved=self.moved,
            motion=self.motion,
            exit_code=int(self.code),
            findings=tuple(self.findings),
        )

    # -- how things are asked ----------------------------------------------------------------

    def _add(self, about: str, what: str, said: _Said) -> None:
        shown = self.shown or shareable
        self.findings.append(
            Finding(
                about=about,
                what=what,
                outcome=said.outcome,
                found=shown(said.found),
                instead=shown(said.instead),
                todo=shown(said.todo),
            )
        )

    def _fails(self, about: str, what: str, error: PolewrightError) -> None:
        self._add(about, what, _Said(str(error), "failed", todo=error.advice))
        if self.code is ExitCode.OK:
            self.code = error.exit_code

    def _ask(self, about: str, questions: Iterable[tuple[str, Callable[[], _Said | None]]]) -> None:
        """Ask a device one thing after another; one that has gone is not asked on."""
        for what, question in questions:
            self.cancel.check()
            try:
                said = question()
            except Cancelled:
                raise
            except PolewrightError as error:
                self._fails(about, what, error)
                if isinstance(error, _NOBODY_THERE):
                    return
            else:
                if said is not None:
                    self._add(about, what, said)

    # -- devices -----------------------------------------------------------------------------

    def _rig(self) -> Rig | None:
        """Connect as every run does; where that fails, look at mount and camera singly."""
        try:
            rig = connect_devices(self.config, self.clock, self.cancel, self.listen)
        except Cancelled:
            raise
        except PolewrightError as error:
            self._fails(say("rig"), say("connect"), error)
            config = self.config
            mount = self._connected(say("mount"), Telescope, config.telescope, ())
            if isinstance(mount, Telescope):
                self._mount(mount)
            beside = () if mount is None else (mount,)
            camera = self._connected(say("camera"), Camera, config.camera, beside)
            if isinstance(camera, Camera):
                self._camera(camera)
            return None
        self._mount(rig.telescope)
        self._camera(rig.camera)
        return rig

    def _connected(
        self, about: str, kind: Any, section: Any, beside: Sequence[Device]
    ) -> Device | None:
        try:
            device: Device = connect_one(kind, section, self.clock, self.cancel, beside)
        except Cancelled:
            raise
        except PolewrightError as error:
            told = (self.shown or shareable)(str(error))
            if all(told != finding.found for finding in self.findings):
                self._fails(about, say("connect"), error)
            return None
        return device

    def _mount(self, mount: Telescope) -> None:
        self._ask(
            say("mount"),
            (
                (say("driver"), lambda: _driver(mount)),
                (say("slews"), lambda: _slews(mount)),
                (say("tracking"), lambda: _tracking(mount)),
                (say("park"), lambda: _park(mount)),
                (say("coordinates"), lambda: _coordinates(mount)),
                (say("side of the pier"), lambda: _side(mount)),
                (say("side after a slew"), lambda: _side_after(mount)),
                (say("altitude and azimuth"), lambda: _azalt(mount)),
                (say("state in one answer"), lambda: _one_answer(mount)),
                (say("focal length"), lambda: _focal(mount, self.config)),
            ),
        )

    def _camera(self, camera: Camera) -> None:
        wish = self.config.sweep.exposure_s
        self._ask(
            say("camera"),
            (
                (say("driver"), lambda: _driver(camera)),
                (say("sensor"), lambda: _sensor(camera)),
                (say("pixel size"), lambda: _pixel(camera, self.config)),
                (say("exposure"), lambda: _exposure(camera, wish)),
                (say("gain"), lambda: _gain(camera)),
                (say("end an exposure"), lambda: _abort(camera)),
            ),
        )

    def _others(self, rig: Rig) -> None:
        """Look at what else is configured, and tell what is there and not used."""
        servers = dict.fromkeys(
            (device.where.host, device.where.port) for device in (rig.telescope, rig.camera)
        )
        listings, _silent = list_servers(servers)
        others: tuple[tuple[str, str, type[Device], Callable[[Any], _Said]], ...] = (
            (say("safety monitor"), "safety", SafetyMonitor, _safe),
            (say("weather station"), "observing_conditions", ObservingConditions, _air),
            (say("roof"), "dome", Dome, _roof),
            (say("cover"), "cover", CoverCalibrator, _cover),
            (say("focuser"), "focuser", Focuser, _focuser),
        )
        for about, table, kind, ask in others:
            section = getattr(self.config, table)
            there = [d for one in listings for d in one.of_type(kind.device_type)]
            if section.wanted or (there and kind is Focuser):  # that one is found unasked
                device = self._connected(about, kind, section, (rig.telescope,))
                if device is not None:
                    self._ask(about, ((say("answer"), partial(ask, device)),))
            elif there:
                said = _Said(
                    say("{name} is there, and not used", name=there[0].DeviceName),
                    "missing",
                    todo=say(
                        "[{table}] device_number = {number} has it used",
                        table=table,
                        number=there[0].DeviceNumber,
                    ),
                )
                self._add(about, say("device"), said)

    # -- site, picture, motion ---------------------------------------------------------------

    def _site(self, rig: Rig) -> None:
        def place() -> _Said:
            height = rig.site.elevation_told
            return _Said(
                say(
                    "{latitude:+.1f}°, {longitude:+.1f}° (north and east positive), by the "
                    "{source}",
                    latitude=rig.site.latitude_deg,
                    longitude=float(fold_pi(rig.site.longitude)) / DEG,
                    source=rig.site_source,
                ),
                "ok" if height else "instead",
                instead="" if height else say("the air's pressure is guessed: less certain"),
                todo="" if height else "[site] elevation_m",
            )

        def agreement() -> _Said:
            theirs = mounts_site(rig)
            wrong = theirs.contradictions(SITE_LIMIT_DEG, CLOCK_LIMIT_S, rig.site_source, figures=1)
            if wrong and self.config.accepts_site:
                return _Said(joined("; ", wrong), "instead", say("accepted: ours is used"))
            if wrong:
                self.code = self.code or ExitCode.DEVICE
                todo = say("correct the mount's site and clock, or [site] and this clock")
                return _Said(joined("; ", wrong), "failed", todo=todo)
            off = theirs.contradictions(
                SITE_TOLERANCE_DEG, CLOCK_NOTE_S, rig.site_source, figures=1
            )
            if off:
                return _Said(joined("; ", off), "instead", say("ours is used"))
            if not theirs.told:
                return _Said(
                    say("the mount tells neither site nor clock"),
                    "instead",
                    say("ours is used, unchecked: a wrong sign or clock goes unseen"),
                )
            told = joined(", ", theirs.told)
            return _Said(say("{told} agree with the mount's", told=told))

        def zone() -> _Said | None:
            doubt = zone_against_site(rig.site, own_zone_s())
            return _Said(doubt, "instead", say("the site is used as given")) if doubt else None

        self._ask(
            say("site"),
            (
                (say("place"), place),
                (say("mount and clock"), agreement),
                (say("time zone"), zone),
            ),
        )

    def _picture(self, rig: Rig, about: str) -> CheckResult | None:
        """Take a picture where the telescope points, and say what it is good for."""
        seen: list[Frame] = []
        rig.on_frame = lambda frame, _stars: seen.append(frame)
        began_s = self.clock.monotonic_s()
        try:
            done = check(rig, rig.exposure_s)
        except ImageError as error:
            self._add(about, say("frame"), _Said(str(error), "missing", todo=error.advice))
            return None
        except Cancelled:
            raise
        except PolewrightError as error:
            self._fails(about, say("frame"), error)
            return None
        took_s = self.clock.monotonic_s() - began_s
        frame = seen[-1]
        self._add(
            about,
            say("frame"),
            _Said(
                say(
                    "{width} x {height} pixels, {exposure_s:g} s; {took_s:.1f} s with reading "
                    "and solving",
                    width=frame.width,
                    height=frame.height,
                    exposure_s=done.exposure_s,
                    took_s=took_s,
                )
            ),
        )
        self._add(about, say("stars"), _stars(done))
        self._add(about, say("solved"), self._solved(rig, done, frame))
        return done

    def _solved(self, rig: Rig, done: CheckResult, frame: Frame) -> _Said:
        if not done.solved:
            dark = done.star_count < STARS_ENOUGH
            if not dark:
                self.code = self.code or ExitCode.SOLVE
            return _Said(
                say("no: {trouble}", trouble=done.trouble),
                "missing" if dark else "failed",
                todo=say("look again by night, cover off, in focus")
                if dark
                else say("`polewright profile --solve` finds the focal length"),
            )
        scale = rig.plates.scale or 0.0
        corrected = rig.plates.claim_corrected
        found = say(
            "yes, by {matched} stars; field {width:.2f} by {height:.2f} degrees, {scale} a pixel",
            matched=done.matched,
            width=frame.width * scale / DEG,
            height=frame.height * scale / DEG,
            scale=angle_text(scale),
        )
        if corrected:
            todo = say("`polewright profile --solve` writes it down")
            return _Said(found, "instead", corrected, todo)
        return _Said(found)

    def _motion(self, rig: Rig) -> None:
        """Turn the mount a little and back, and stop it on its way."""
        about = say("motion")
        stop_began_s = math.nan

        def hear(event: Event) -> None:
            nonlocal stop_began_s
            self.listen(event)
            state = getattr(event, "state", None)
            if event.kind == "motion_stopped" and state is not None:
                self.motion = state

        def enough() -> None:
            nonlocal stop_began_s
            if rig.telescope.slewing():
                stop_began_s = self.clock.monotonic_s()
                raise _Enough(say("to see that a stop ends a slew"))

        rig.emit = hear
        try:
            with watched(rig), motion_stopped_on_trouble(rig.telescope, self.clock, hear):
                rig.guards.begin()
                parked = bool(rig.telescope.at_park())
                if parked:
                    rig.note(say("The mount is parked: it is unparked, and not parked again."))
                ready_mount(rig)
                if parked:
                    said = _Said(say("unparked for this"), todo=say("park it when you are done"))
                    self._add(about, say("park"), said)
                start, goal = self._way(rig)
                self.moved = True
                began_s = self.clock.monotonic_s()
                go_to(rig, goal, 1, 2, first=True)
                self._add(about, say("slew"), self._slewed(rig, start, began_s))
                settle(rig, 1, 2)
                self._picture(rig, about)
                go_to(rig, start, 2, 2, first=True, beside=enough)
                stop_now(rig.telescope, say("the trial is over"))
                self.motion = "stopped"
                self._add(about, say("stop"), _Said(say("stands still; tracking is off")))
        except _Enough:
            self._add(
                about,
                say("stop"),
                _Said(
                    say(
                        "a slew under way was stopped, and the mount seen to stand, within "
                        "{seconds:.0f} s; tracking is off",
                        seconds=self.clock.monotonic_s() - stop_began_s,
                    )
                ),
            )
        except (Cancelled, MotionUnknown) as error:
            self._fails(about, say("stop"), error)
            raise
        except PolewrightError as error:
            self._fails(about, say("slew"), error)

    def _slewed(self, rig: Rig, start: Pointing, began_s: float) -> _Said:
        now = self._pointing(rig)
        turned_deg = abs(float(fold_pi(now.hour_angle - start.hour_angle))) / DEG
        return _Said(
            say(
                "{turned:.2f}° in right ascension, by the mount's own word, in {seconds:.1f} s",
                turned=turned_deg,
                seconds=self.clock.monotonic_s() - began_s,
            )
        )

    def _pointing(self, rig: Rig) -> Pointing:
        return pointing_from_mount(
            rig.sky_now(),
            rig.equatorial_system,
            rig.telescope.right_ascension_hours(),
            rig.telescope.declination_deg(),
        )

    def _way(self, rig: Rig) -> tuple[Pointing, Pointing]:
        """Return where the trial ends and where it turns to: away from the meridian, if it may.

        Raises:
            GuardError: a guard lets it go neither way.
        """
        now = self._pointing(rig)
        limit = NEAREST_POLE_DEG * DEG
        start = Pointing(now.hour_angle, min(max(now.declination, -limit), limit))
        away = math.copysign(MOVE_DEG * DEG, math.sin(start.hour_angle))
        refused: GuardError | None = None
        for step in (away, -away):
            goal = Pointing(float(fold_pi(start.hour_angle + step)), start.declination)
            if goal.hour_angle * start.hour_angle < 0.0:
                continue  # not across the meridian
            try:
                rig.guards.before_slew(1, goal, first=True)
            except GuardError as error:
                refused = refused or error
            else:
                return start, goal
        raise refused or GuardError(say("no way to turn that stays on this side of the meridian"))


_ADDRESS = re.compile(r"(?:\[[\w:.%]+\]|[\w-]+(?:\.[\w-]+)+|localhost):\d{2,5}\b")
_FOLDER_OF = re.compile(r"(/home/|[/\\]Users[/\\])[^/\\\s]+")
_HOLDER = re.compile(r"(\bprocess \d+ of )[^\s,]+")


def shareable(text: str, hosts: Iterable[str] = ()) -> str:
    """Return a text without network addresses, and without names of users and their folders.

    Args:
        text: what is to be shown to others.
        hosts: names of computers on the network, for where one stands without its port.
    """
    home = str(Path.home())
    kept = text.replace(home, "~") if len(home) > 1 else text
    kept = _FOLDER_OF.sub(r"\1(user)", _HOLDER.sub(r"\1(user)", kept))
    for host in hosts:
        kept = re.sub(rf"(?<![\w.-]){re.escape(host)}(?::\d+)?(?![\w-]|\.\w)", "(address)", kept)
    kept = _ADDRESS.sub("(address)", kept)
    return text if kept == text else kept  # a sentence stays one that can be translated


def _driver(device: Device) -> _Said:
    return _Said(
        say(
            "{name}; driver {driver}, interface {version}",
            name=device.name(),
            driver=device.driver_version() or "?",
            version=device.interface_version(),
        )
    )


def _slews(mount: Telescope) -> _Said:
    match mount.way_to_slew():
        case "async":
            return _Said(say("begin at once, and are followed"))
        case "try":
            return _Said(
                say("it does not say which slews it has"),
                "instead",
                say("the slew that begins at once is tried first"),
            )
    return _Said(
        say("are answered on arrival only"),
        "instead",
        say("watched and stopped by a second connection"),
        say("keep the first slew in sight"),
    )


def _tracking(mount: Telescope) -> _Said:
    now, settable = mount.tracking(), mount.can_set_tracking()
    if now is None:
        return _Said(
            say("it does not tell"), "instead", say("it is taken to track"), say("see that it does")
        )
    if not settable and not now:
        return _Said(
            say("off, and cannot be switched on from here"),
            "failed",
            todo=say("switch it on at the mount"),
        )
    return _Said(say("can be read; on") if now else say("can be read and switched; off"))


def _park(mount: Telescope) -> _Said:
    parked = mount.at_park()
    if parked is None:
        return _Said(say("it does not tell"), "instead", say("it is taken as not parked"))
    if parked and not mount.can_unpark():
        return _Said(
            say("parked, and cannot be unparked from here"),
            "failed",
            todo=say("unpark it at the mount"),
        )
    return _Said(say("parked; can be unparked") if parked else say("not parked"))


def _coordinates(mount: Telescope) -> _Said:
    system = mount.equatorial_system()
    if system is EquatorialSystem.TOPOCENTRIC:
        return _Said(say("of date (topocentric)"))
    if system is EquatorialSystem.OTHER:
        return _Said(
            say("it does not say which"),
            "instead",
            say("topocentric ones are assumed"),
            say("set its driver to coordinates of date (JNow)"),
        )
    return _Said(
        say("those of {system}", system=system.name),
        "instead",
        say("they are converted"),
        say("coordinates of date (JNow) are surer"),
    )


def _side(mount: Telescope) -> _Said:
    if mount.side_of_pier() in (None, PierSide.UNKNOWN):
        return _Said(
            say("it does not tell"),
            "instead",
            say("hour angle and stars tell whether it changed sides"),
        )
    return _Said(say("it tells"))


def _side_after(mount: Telescope) -> _Said:
    told = mount.destination_side_of_pier(mount.right_ascension_hours(), mount.declination_deg())
    if told in (None, PierSide.UNKNOWN):
        return _Said(
            say("it does not tell beforehand"),
            "instead",
            say("points keep clear of the meridian"),
            say("raise [sweep] meridian_buffer_deg if it changes sides early"),
        )
    return _Said(say("it tells beforehand"))


def _azalt(mount: Telescope) -> _Said:
    if mount.altitude_deg() is None or mount.azimuth_deg() is None:
        return _Said(
            say("it does not tell"),
            "instead",
            say("computed from right ascension, declination, site and clock"),
        )
    return _Said(say("it tells"))


def _one_answer(mount: Telescope) -> _Said:
    if mount.device_state() is None:
        return _Said(say("not offered"), "instead", say("values are asked for one by one"))
    return _Said(say("offered"))


def _focal(mount: Telescope, config: Config) -> _Said:
    ours, theirs = config.optics.focal_length_mm, mount_focal_length_mm(mount)
    if ours is None and theirs is None:
        return _Said(
            say("unknown"),
            "instead",
            say("the stars of the first frame tell the scale, which takes longer"),
            say("`polewright profile --solve` writes it down"),
        )
    return _Said(
        say("{focal_mm:.0f} mm, by the configuration", focal_mm=ours)
        if ours is not None
        else say("{focal_mm:.0f} mm, by the mount", focal_mm=theirs)
    )


def _sensor(camera: Camera) -> _Said:
    info = camera.info()
    return _Said(
        say(
            "{sensor} {width} x {height} pixels, {kind}, binning up to {binning}",
            sensor=info.sensor_name,
            width=info.width,
            height=info.height,
            kind=info.sensor_type.name.lower(),
            binning=info.max_binning,
        ).strip()
    )


def _pixel(camera: Camera, config: Config) -> _Said:
    told, ours = camera.info().pixel_um, config.optics.pixel_um
    if told is None and ours is None:
        return _Said(
            say("it does not tell"),
            "instead",
            say("the stars of the first frame tell the scale"),
            say("[optics] pixel_um, from its data sheet"),
        )
    pixel_um = ours or (told or (0.0,))[0]
    return _Said(say("{pixel_um:.2f} µm", pixel_um=pixel_um))


def _exposure(camera: Camera, wish_s: float) -> _Said:
    info = camera.info()
    least, most = info.exposure_min_s, info.exposure_max_s
    if (least or 0.0) > wish_s or (most is not None and 0.0 < most < wish_s):
        return _Said(
            say("{wish_s:g} s of [sweep] is not within its limits", wish_s=wish_s),
            "failed",
            todo=say("[sweep] exposure_s from {least:g} to {most:g}", least=least, most=most),
        )
    return _Said(say("{wish_s:g} s of [sweep] is within its limits", wish_s=wish_s))


def _gain(camera: Camera) -> _Said:
    info = camera.info()
    if info.gains is None and info.gain_range is None:
        return _Said(say("cannot be set"), "instead", say("it stays as the camera has it"))
    return _Said(say("can be set"))


def _abort(camera: Camera) -> _Said:
    info = camera.info()
    if info.can_abort or info.can_stop:
        return _Said(say("possible"))
    return _Said(
        say("not possible"),
        "instead",
        say("a stop stops the mount at once; the exposure runs out by itself"),
    )


def _stars(done: CheckResult) -> _Said:
    if done.hfd_px is None:
        return _Said(say("none"), "missing", todo=joined(" ", done.advice))
    return _Said(
        say(
            "{count}, half-flux diameter {hfd_px:.1f} px",
            count=done.star_count,
            hfd_px=done.hfd_px,
        ),
        todo=joined(" ", done.advice),
    )


def _safe(monitor: SafetyMonitor) -> _Said:
    if monitor.is_safe():
        return _Said(say("it says safe"))
    return _Said(say("it says UNSAFE: no run begins"), "missing")


def _air(station: ObservingConditions) -> _Said:
    temperature_c, pressure_hpa = station.temperature_c(), station.pressure_hpa()
    if temperature_c is None or pressure_hpa is None:
        return _Said(
            say("it tells not both temperature and pressure"),
            "instead",
            say("what is missing follows from season and height"),
        )
    return _Said(
        say(
            "{temperature_c:.1f} °C, {pressure_hpa:.0f} hPa",
            temperature_c=temperature_c,
            pressure_hpa=pressure_hpa,
        )
    )


def _roof(dome: Dome) -> _Said:
    state = dome.shutter_status()
    return _Said(say("it does not tell") if state is None else state.name.lower())


def _cover(cover: CoverCalibrator) -> _Said:
    state = cover.cover_state()
    return _Said(say("it does not tell") if state is None else state.name.lower())


def _focuser(focuser: Focuser) -> _Said:
    if not focuser.absolute():
        return _Said(
            say("it knows no positions"),
            "instead",
            say("focus by hand, with `polewright check --loop`"),
        )
    return _Said(say("position {steps}", steps=focuser.position()))
