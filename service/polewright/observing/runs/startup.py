"""Observatory start: look at everything, check the alignment, leave the mount as asked.

Nothing moves before everything that can be read has been found in order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from polewright.calculation.images.quality import FrameQuality
from polewright.calculation.planning.limits import SUN_COUNTS_ABOVE_DEG
from polewright.devices.alpaca.cover_calibrator import CoverCalibrator
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.dome import Dome
from polewright.devices.alpaca.mount_state import MountState
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.config import Config, SafetySection
from polewright.foundation.errors import DeviceError, PolewrightError, SolveError
from polewright.foundation.language import say
from polewright.observing.plan.plan_from_config import plan_request, planned_points, planned_sweep
from polewright.observing.plan.star_coverage import check_field
from polewright.observing.rig.mount_site import SITE_TOLERANCE_DEG, check_site_and_clock
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.connect import connect_devices, connect_one
from polewright.observing.runs.measurement import Measured, begin, measured_axis, ready_mount
from polewright.observing.runs.startup_errors import FocusWrong, NeverDark
from polewright.observing.runs.startup_site import (
    check_sun,
    dark_utc_s,
    look_at_cover,
    look_at_roof,
    ready_cover,
    ready_roof,
)
from polewright.observing.safety.stopping import motion_stopped_on_trouble, stop_now
from polewright.observing.safety.watchdog_client import watched
from polewright.observing.settling.blur_weighting import swung_px
from polewright.observing.sweep.solve_point import SolvedPoint
from polewright.observing.sweep.sweep import Swept, sweep
from polewright.records.events import Event, EventSink, FrameMeasured, Note
from polewright.records.result import MeasurementResult

#: Between two tries to connect, s.
AGAIN_S = 5.0
#: The quick check begins with the fewest points that can contradict each other, and may grow so
#: far while it is not sure or not trusted (own choice: a minute each).
POINTS, MOST_POINTS = 3, 5
#: Long over short axis of stars above which tracking, wind or a bumped tube is to blame (own
#: choice: coma and tilt stay below in a tube that works).
MOST_ELONGATION = 2.5
#: The longest piece of a wait for the dark, s of the run's clock: then the clock is read anew.
DARK_LOOK_S = 60.0
Outcome = Literal["ok", "warning", "skipped", "failed"]
D = TypeVar("D", bound=Device)


class StartupStep(BaseModel):
    """One thing that was looked at or done."""

    model_config = ConfigDict(frozen=True)

    name: str
    outcome: Outcome
    text: str
    took_s: float = Field(0.0, description="seconds of the run's clock")


@dataclass
class Startup:
    """One startup; ``steps`` tells how far it came, whatever happens.

    Args:
        config: the configuration.
        clock: shared with the rig.
        cancel: stops it.
        listen: hears every event.
    """

    config: Config
    clock: Clock
    cancel: CancelToken
    listen: EventSink
    steps: list[StartupStep] = field(default_factory=list)
    quality: FrameMeasured | None = None
    """The last frame."""
    _dark_s: float | None = field(default=None, init=False)
    """Until when `run` would wait, Unix seconds UTC; None: not at all."""

    def run(self, *, wait_for_dark: bool = False) -> MeasurementResult:
        """Do all of it and return the measurement; the mount is then as [startup] afterwards says.

        Args:
            wait_for_dark: wait, once devices, site and clock are in order, until the Sun no longer
                counts.

        Raises:
            PolewrightError: what it met; the mount has been stopped if it had been moved.
        """
        rig = self._found(wait_for_dark=wait_for_dark, dry=False)
        cover = self._small("cover", self.config.cover, CoverCalibrator, rig)
        dome = self._small("dome", self.config.dome, Dome, rig)
        if dome is not None:
            self._step("roof", lambda: ready_roof(rig, dome))
            rig.guards.watch_roof(dome)
        if cover is not None:
            self._step("cover", lambda: ready_cover(rig, cover))
        with watched(rig), motion_stopped_on_trouble(rig.telescope, rig.clock, rig.emit):
            self._step("mount", lambda: self._mount(rig))
            result = self._check(rig)
            self._step("afterwards", lambda: self._leave(rig))
        return result

    def dry_run(self, *, wait_for_dark: bool = False) -> None:
        """Look at everything and plan the sweep; nothing is moved, opened or switched.

        Args:
            wait_for_dark: say until when `run` would wait.

        Raises:
            PolewrightError: what would keep `run` from moving the mount.
        """
        rig = self._found(wait_for_dark=wait_for_dark, dry=True)
        cover = self._small("cover", self.config.cover, CoverCalibrator, rig)
        dome = self._small("dome", self.config.dome, Dome, rig)
        if dome is not None:
            self._step("roof", lambda: look_at_roof(rig, dome))
        if cover is not None:
            self._step("cover", lambda: look_at_cover(rig, cover))
        self._step("mount", lambda: self._look_at_mount(rig))
        self._step("plan", lambda: self._plan(rig))

    # -- before anything moves --------------------------------------------------------------

    def _found(self, *, wait_for_dark: bool, dry: bool) -> Rig:
        """Connect, compare, wait for the dark, and ask the safety monitor."""
        rig = self._step("devices", self._devices)
        self._step(say("site and clock"), lambda: self._compare(rig))
        if wait_for_dark:
            self._step("dark", lambda: self._dark(rig, dry=dry))
        self._step("safety", lambda: self._safety(rig))
        return rig

    def _dark(self, rig: Rig, *, dry: bool) -> str:
        """Wait until the Sun no longer counts; say until when before."""
        now_s = rig.clock.utc_s()
        dark_s = dark_utc_s(rig.site, now_s)
        if dark_s is None:
            raise NeverDark(SUN_COUNTS_ABOVE_DEG)
        limit = f"{SUN_COUNTS_ABOVE_DEG:g}"
        if dark_s <= now_s:
            return say("the Sun is below {limit} deg", limit=limit)
        until = datetime.fromtimestamp(dark_s, UTC).strftime("%H:%M")
        if dry:
            self._dark_s = dark_s
            return say(
                "it would wait until {until} UTC, when the Sun is below {limit} deg",
                until=until,
                limit=limit,
            )
        rig.note(
            say(
                "Waiting until {until} UTC, when the Sun is below {limit} deg: {minutes:.0f} min. "
                "Ctrl-C ends the wait.",
                until=until,
                limit=limit,
                minutes=(dark_s - now_s) / 60.0,
            )
        )
        while rig.clock.utc_s() < dark_s:  # by the clock itself: it may be set meanwhile
            left_s = max(0.0, dark_s - rig.clock.utc_s())
            rig.clock.sleep(min(DARK_LOOK_S, left_s), self.cancel)
        return say("waited until {until} UTC for the dark", until=until)

    def _look_at_mount(self, rig: Rig) -> str:
        if self._dark_s is None:  # else the Sun is down by then
            check_sun(rig, say("before the mount is unparked"))
        check_field(plan_request(rig), rig.plates.solver)
        rig.telescope.way_to_slew()
        if rig.telescope.slewing():
            return say("slewing by somebody else's order")
        return say("parked") if rig.telescope.at_park() else say("not parked")

    def _plan(self, rig: Rig) -> str:
        plan = planned_sweep(rig, at_utc_s=self._dark_s)
        told = say(
            "{points} points fit; about {minutes:.0f} min",
            points=len(plan.points),
            minutes=plan.duration_s / 60.0,
        )
        if self._dark_s is None:
            return told
        begins = datetime.fromtimestamp(self._dark_s, UTC).strftime("%H:%M")
        return say("at {begins} UTC {told}", begins=begins, told=told)

    def _devices(self) -> Rig:
        """Connect, and again until the devices are there or the time is over."""
        sweep_section = self.config.sweep.model_copy(update={"points": POINTS})
        config = self.config.model_copy(update={"sweep": sweep_section})
        end_s = self.clock.monotonic_s() + config.startup.wait_s
        while True:
            try:
                return connect_devices(config, self.clock, self.cancel, self._hear)
            except DeviceError as error:
                left_s = end_s - self.clock.monotonic_s()
                if left_s <= 0.0:
                    raise
                text = say(
                    "{error}; waiting for up to {left_s:.0f} s more.", error=error, left_s=left_s
                )
                self._hear(Note(utc_s=self.clock.utc_s(), severity="info", text=text))
                self.clock.sleep(min(AGAIN_S, left_s), self.cancel)

    def _compare(self, rig: Rig) -> str:
        """Nobody is there who would notice: stricter than in a session."""
        return check_site_and_clock(
            rig,
            site_deg=SITE_TOLERANCE_DEG,
            clock_s=self.config.startup.clock_tolerance_s,
        )

    def _safety(self, rig: Rig) -> str | None:
        rig.guards.begin()
        if not self.config.safety.wanted:
            return None
        return say("the safety monitor says safe")

    def _small(self, name: str, section: SafetySection, kind: type[D], rig: Rig) -> D | None:
        """Connect a cover or a dome where one is configured."""
        if not section.wanted:
            self.steps.append(
                StartupStep(
                    name=name, outcome="skipped", text=say("no [{name}] is configured", name=name)
                )
            )
            return None
        try:
            return self._connected(section, kind, rig)
        except PolewrightError as error:
            self.steps.append(StartupStep(name=name, outcome="failed", text=str(error)))
            raise

    def _connected(self, section: SafetySection, kind: type[D], rig: Rig) -> D:
        return connect_one(kind, section, rig.clock, self.cancel, (rig.telescope,))

    # -- the mount ---------------------------------------------------------------------------

    def _mount(self, rig: Rig) -> str:
        rig.guards.begin()  # roof and cover may have taken minutes: what was safe then may not be
        parked = rig.telescope.at_park()
        check_sun(rig, say("before the mount is unparked"))
        check_field(plan_request(rig), rig.plates.solver)
        ready_mount(rig)
        return say("unparked and tracking") if parked else "tracking"

    def _check(self, rig: Rig) -> MeasurementResult:
        """Measure with few points, and one more at a time while that is not enough."""
        started = begin(rig)
        came: list[Swept] = []

        def go() -> str:
            came.append(sweep(rig, planned_points(rig)))
            return say("{points} points are solved", points=len(came[0].points))

        try:
            self._step("sweep", go)
        except SolveError as unsolved:
            self._focus_of_unsolved(unsolved)
            raise
        swept = came[0]
        self._step("focus", lambda: self._focus([_at_rest(point) for point in swept.points]))
        measured: list[Measured] = []

        def align() -> str:
            measured.append(measured_axis(rig, started, swept, most_points=MOST_POINTS))
            return self._verdict(measured[0])

        self._step("alignment", align)
        return measured[0].result

    def _focus(self, seen: list[FrameQuality]) -> str:
        limit_px = self.config.startup.max_hfd_px
        sizes = sorted(item.hfd_px for item in seen if item.hfd_px is not None)
        stretched = [item.elongation for item in seen if item.elongation is not None]
        if not sizes:
            return say("no star was fit to judge the focus by")
        hfd_px = sizes[len(sizes) // 2]
        if hfd_px > limit_px:
            raise FocusWrong(hfd_px, limit_px)
        longest = max(stretched, default=1.0)
        if longest > MOST_ELONGATION:
            raise _Doubt(
                say(
                    "half-flux diameter {hfd_px:.1f} px, but stars are drawn out "
                    "{longest:.1f} to 1: tracking, wind or a bumped tube",
                    hfd_px=hfd_px,
                    longest=longest,
                )
            )
        return say(
            "half-flux diameter {hfd_px:.1f} px, elongation {longest:.2f}",
            hfd_px=hfd_px,
            longest=longest,
        )

    def _focus_of_unsolved(self, error: SolveError) -> None:
        """Blame the focus where the last frame shows that it is to blame."""
        seen, limit_px = self.quality, self.config.startup.max_hfd_px
        if seen is not None and seen.hfd_px is not None and seen.hfd_px > limit_px:
            wrong = FocusWrong(seen.hfd_px, limit_px)
            self.steps.append(StartupStep(name="focus", outcome="failed", text=str(wrong)))
            raise wrong from error

    def _verdict(self, measured: Measured) -> str:
        error, points = measured.error, len(measured.solved)
        told = say(
            "{points} points: total {total}, under {total_upper} (95 %), tolerance "
            "{tolerance_arcmin}",
            points=points,
            total=angle_text(error.total),
            total_upper=angle_text(error.total_upper()),
            tolerance_arcmin=arcmin_text(measured.result.tolerance_arcmin),
        )
        if not measured.result.within_tolerance:
            raise _Doubt(told)
        return told

    def _leave(self, rig: Rig) -> str:
        """Park, track or stop."""
        wish, mount = self.config.startup.afterwards, rig.telescope
        if wish == "track":
            return say("the mount tracks the stars")
        if wish == "stop":
            stop_now(mount, say("the mount was told to stop and does not confirm it"))
            return say("the mount is stopped")

        def watch(state: MountState) -> None:
            check_sun(rig, say("on the way to the park position"), state)
            rig.progress("slew", 0, 0, 0.0, None)
            rig.guards.while_parking()

        # Before version 4 Park answers only when the mount has arrived.
        rig.progress("prepare", 0, 0, 0.0, None)
        mount.park(
            timeout_s=rig.config.limits.slew_timeout_s,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=watch,
        )
        return say("the mount is parked")

    # -- telling -----------------------------------------------------------------------------

    def _hear(self, event: Event) -> None:
        if isinstance(event, FrameMeasured):
            self.quality = event
        self.listen(event)

    def _step(self, name: str, work: Callable[[], R]) -> R:
        """Do a step and write down how it went."""
        began_s = self.clock.monotonic_s()

        def note(outcome: Outcome, text: str) -> None:
            took_s = self.clock.monotonic_s() - began_s
            self.steps.append(StartupStep(name=name, outcome=outcome, text=text, took_s=took_s))

        try:
            answer = work()
        except _Doubt as doubt:
            note("warning", str(doubt))
            return None  # type: ignore[return-value] # only steps that return text have doubts
        except PolewrightError as error:
            note("failed", str(error))
            raise
        if answer is None:
            note("skipped", say("no [{name}] is configured", name=name))
        else:
            note("ok", answer if isinstance(answer, str) else say("all connected"))
        return answer


R = TypeVar("R")


class _Doubt(Exception):
    """A step that goes on, but not with an ok."""


def _at_rest(point: SolvedPoint) -> FrameQuality:
    """Return a frame's quality as if the mount had not rung while it was exposed."""
    rest = point.rest
    if rest is None or swung_px(rest) == 0.0:
        return point.quality
    return replace(point.quality, hfd_px=rest.look_hfd_px, elongation=None)
