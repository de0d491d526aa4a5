"""Runs a session step by step; everybody else looks at its snapshot and events."""

from __future__ import annotations

import math
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import replace
from enum import Enum
from typing import Any

from polewright.calculation.adjusting.axis_at_rest import State, turned_between
from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading
from polewright.calculation.adjusting.engine import Settings as EngineSettings
from polewright.calculation.adjusting.errors import FramesOutOfOrder
from polewright.calculation.adjusting.glance_follow import Moving
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.quality import frame_quality
from polewright.calculation.planning.request import PlanRequest, SweepPlan
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, DEG, SIDEREAL_RATE
from polewright.foundation.clock import CancelToken, Clock, threads_of
from polewright.foundation.config import Config
from polewright.foundation.errors import (
    DeviceError,
    ExitCode,
    ImageError,
    PolewrightError,
    SolveError,
)
from polewright.foundation.language import capitalised, joined, say, say_count
from polewright.observing.capture.frame_quality import measure_stars, tell_frame
from polewright.observing.capture.glances import Glances
from polewright.observing.capture.live_frames import Live, LiveFrames
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.plan.plan_from_config import (
    Circle,
    planned_sweep,
    pointing_now,
    sweep_points,
)
from polewright.observing.rig.patience import OutOfPatience, Patience
from polewright.observing.rig.plate_solver import Plate
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.measurement import Measured, measure, ready_mount
from polewright.observing.safety.guard_errors import ClockWasSet, MovedBySomebodyElse
from polewright.observing.safety.keep_clear import keep_clear
from polewright.observing.safety.retry_policy import RULES
from polewright.observing.safety.stopping import motion_stopped_on_trouble, stop_now
from polewright.observing.safety.watchdog_client import watched
from polewright.observing.sweep.solve_point import SolvedPoint, report_plate
from polewright.observing.sweep.sweep import AtRest
from polewright.records.events import (
    Event,
    EventSink,
    MotionStopped,
    Note,
    Progress,
    ReadingTaken,
    StepChanged,
)
from polewright.records.history.run_record import RunRecord
from polewright.records.history.run_recorder import RunRecorder
from polewright.session.hands_free import HandsFree
from polewright.session.journal import SITE_ACCEPTED, Journal, JournalUnusable, read_journal
from polewright.session.resume import Anchor, CannotTakeUp, anchor_record, recall
from polewright.session.snapshot import SessionSnapshot
from polewright.session.snapshot_builder import Board
from polewright.session.states import ENDED, Happening, NotNow, Step, follow

Connect = Callable[[Config, Clock, CancelToken, EventSink], Rig]
WAIT_TICK_S = 0.2
MAX_SWEEPS = 8
"""After so many a session gives up: something moves the axis by itself (own choice)."""
#: A turn between the sweep's last frame and the first live one that is no noise, rad (own choice:
#: some times what settling and air move it).
TURNED_SINCE = 0.5 * ARCMIN
#: A frame that takes so long to come from the camera makes hands wait, s (own choice).
SLOW_FETCH_S = 10.0
#: Frames after a sweep of which one must solve.
REFERENCE_TRIES = 1 + RULES["reference"].times


class Command(Enum):
    """What a person may ask of a running session."""

    SWEEP = "sweep"
    PAUSE = "pause"
    RESUME = "resume"
    SNUGGED = "snugged"
    TURNS = "turns"


class MountBusy(DeviceError):
    """The mount is slewing before the session has asked for anything."""

    code = "mount_busy"
    advice = say("Let the other program finish, or end it; two programs must not drive one mount.")

    def __str__(self) -> str:
        return say(
            "the mount is already slewing, and no run of Polewright on this computer drives it: "
            "another program, another computer or a hand controller does"
        )


class NoReference(SolveError):
    """No frame after the sweep could be solved, so nothing can be followed."""

    code = "no_reference"
    advice = say("Wait for clouds to clear, or expose longer; then start again.")

    def __init__(self, tries: int, why: str) -> None:
        super().__init__(tries, why)
        self.tries, self.why = tries, why

    def __str__(self) -> str:
        return say(
            "{tries} frames after the sweep were not solved; the last one: {why}",
            tries=self.tries,
            why=self.why,
        )


class GaveUp(PolewrightError):
    """The session swept as often as it may and the axis is still outside the tolerance."""

    code = "gave_up"
    exit_code = ExitCode.OUT_OF_TOLERANCE
    advice = say(
        "Look for play in the base, an adjuster at its stop, or a tripod foot that sinks; or "
        "widen [pole] tolerance_arcmin."
    )

    def __init__(self, sweeps: int) -> None:
        super().__init__(sweeps)
        self.sweeps = sweeps

    def __str__(self) -> str:
        return say(
            "after {sweeps} sweeps the axis is still outside the tolerance",
            sweeps=self.sweeps,
        )


class AlignSession:
    """One alignment from the first look to the confirming sweep.

    `run` blocks until the end; every other method may be called from any thread.

    Args:
        connect: makes a connected rig, such as `polewright.observing.runs.connect.connect_rig`.
        config: the configuration.
        clock: shared with the rig.
        journal: where the session is written down.
        listener: hears every event, in the session's own thread.
        anchor: where an interrupted session was adjusting; None starts with a sweep.
        resumed: whether an interrupted session goes on; a mount found slewing is then stopped.
        attended: whether a person is there to turn the adjusters and press for a new sweep;
            otherwise [adjuster] has to name what turns them.
    """

    def __init__(
        self,
        connect: Connect,
        config: Config,
        clock: Clock,
        journal: Journal,
        listener: EventSink,
        *,
        session_id: str,
        anchor: Anchor | None = None,
        resumed: bool = False,
        attended: bool = True,
    ) -> None:
        self.config, self.clock, self.journal = config, clock, journal
        self._attended = attended
        self._hands_free: HandsFree | None = None
        self.cancel = CancelToken()
        self.session_id = session_id
        self.engine: AdjustmentEngine | None = None
        self.rig: Rig | None = None
        self._connect, self._listener, self._anchor = connect, listener, anchor
        self._resumed = resumed or anchor is not None
        self._by_itself = config.adjusting.sweep_by_itself or not attended
        self._board = Board(session_id, config.pole.tolerance_arcmin, clock)
        self._step = Step.IDLE
        self._commands: queue.SimpleQueue[tuple[Command, Mapping[str, Any]]] = queue.SimpleQueue()
        self._sweep_wanted = threading.Event()
        self._begun = False
        """Whether the session came beyond its first look."""
        self._crossing_told = self._slow_told = False
        self._paused = False
        self._unread, self._why_unread = 0, ""
        self._last_frame: tuple[int, Frame, StarList] | None = None
        self._last_plan: tuple[PlanRequest, SweepPlan] | None = None
        self._circle: Circle | None = None
        self._at_rest: AtRest | None = None
        """The last full frame, while it shows the axis at rest and nothing is known to have touched
        the adjusters since."""
        self._sweeps = 0
        self._journal_troubled = False
        self._recorder = RunRecorder(config, clock, "align", session_id=session_id)
        self._trouble: PolewrightError | None = None
        self.outcome: ExitCode | None = None

    # -- what others see and ask -----------------------------------------------------------

    @property
    def step(self) -> Step:
        """Where the session is."""
        return self._step

    def snapshot(self) -> SessionSnapshot:
        """Return everything worth showing, as of now."""
        return self._board.snapshot()

    def wait_for_change(self, version: int, timeout_s: float) -> SessionSnapshot:
        """Return the snapshot as soon as it is newer than ``version``, or after the timeout."""
        return self._board.wait_for_change(version, timeout_s)

    @property
    def record(self) -> RunRecord | None:
        """The whole session as one record, once it has ended."""
        return self._recorder.run

    @property
    def kept_as(self) -> str | None:
        """What a report finds this run by; see `RunRecorder.kept_as`."""
        return self._recorder.kept_as

    @property
    def last_frame(self) -> tuple[int, Frame, StarList] | None:
        """Number, frame and stars of the last exposure."""
        return self._last_frame

    @property
    def last_plan(self) -> tuple[PlanRequest, SweepPlan] | None:
        """The last sweep and the sky it was planned for, for whoever draws a chart."""
        return self._last_plan

    def stop(self, reason: str = say("stopped by the user")) -> None:
        """End the session; motion is stopped. Safe to call in any step, more than once."""
        self.cancel.cancel(reason)

    def command(self, command: Command, **details: Any) -> None:
        """Ask for something while the session adjusts.

        Raises:
            NotNow: the session is in another step.
        """
        if self._step is not Step.ADJUSTING:
            raise NotNow(self._step, command.value)
        self._commands.put((command, details))
        if command is Command.SWEEP:
            self._sweep_wanted.set()

    # -- the run ---------------------------------------------------------------------------

    def run(self) -> ExitCode:
        """Run to the end and return how it ended; never raises a `PolewrightError`."""
        with threads_of(self.clock).taking_part():
            return self._run()

    def _run(self) -> ExitCode:
        try:
            self._go(Happening.START, "")
            if self._resumed:
                before = recall(read_journal(self.journal.path))
                self._sweeps = before.sweeps
                self._board.recalled(before.result, before.sweeps, before.moves)
            self.rig = rig = self._connect(self.config, self.clock, self.cancel, self._hear)
            if rig.site_accepted:
                self._write(SITE_ACCEPTED, {"what": rig.site_accepted})
            self._know_tolerance(rig)
            rig.on_frame = self._keep_frame
            rig.on_plan = self._keep_plan
            self._board.knows_site(rig.site.southern)
            self._board.knows_motion(rig.telescope)
            if not self._attended:
                self._hands_free = HandsFree.of(rig, self.clock, self._write)
                self._board.knows_motors()
            motors = self._hands_free.told_when_stopped() if self._hands_free else nullcontext()
            with watched(rig):
                # Another program's slew is its own business: not stopped.
                self._check_still(rig)
                with motors, motion_stopped_on_trouble(rig.telescope, rig.clock, self._hear):
                    self._align(rig)
            self.outcome = ExitCode.OK
        except PolewrightError as error:
            asked = error.exit_code is ExitCode.INTERRUPTED
            self._end(Happening.STOP if asked else Happening.TROUBLE, error)
        except BaseException as error:
            self._end(Happening.TROUBLE, PolewrightError(say("unexpected: {error!r}", error=error)))
            raise
        outcome = self.outcome if self.outcome is not None else ExitCode.UNEXPECTED
        untold = self._recorder.finish(outcome, self._trouble)
        if untold:
            self._hear(Note(utc_s=self.clock.utc_s(), severity="warning", text=untold))
        # One that was refused before it could go on is interrupted as before: it may try again.
        if self._begun or not self._resumed or isinstance(self._trouble, CannotTakeUp):
            self._write("end", {"outcome": int(outcome), "step": self._step.value})
        return outcome

    def _align(self, rig: Rig) -> None:
        if self._anchor is not None:
            self._adjust(rig, self._take_up(rig, self._anchor))
        else:
            self._go(Happening.CHECKED, say("devices are connected"))
        while self._step is not Step.FINISHED:
            if self._sweeps >= MAX_SWEEPS:
                raise GaveUp(self._sweeps)
            measured = self._sweep(rig)
            if measured.result.within_tolerance:
                if self.config.run.afterwards == "stop":
                    stop_now(
                        rig.telescope,
                        say("the run is over and the mount does not confirm its stop"),
                    )
                self._go(Happening.MEASURED_WITHIN, say("the sweep confirms the axis"))
                self._board.knows_motion(rig.telescope)
                return
            self._go(
                Happening.MEASURED_OUTSIDE,
                say(
                    "{total_arcmin} off",
                    total_arcmin=arcmin_text(measured.result.axis.total_arcmin),
                ),
            )
            self._adjust(rig, self._begin_adjusting(rig, measured))

    def _check_still(self, rig: Rig) -> None:
        """Refuse to begin while somebody else moves the mount; stop what a crash left moving."""
        if not rig.telescope.slewing():
            return
        if not self._resumed:
            raise MountBusy
        rig.note(say("The mount was still slewing when the session was resumed: stopping it."))
        stop_now(rig.telescope, say("the mount was moving and did not confirm that it stopped"))

    def _sweep(self, rig: Rig) -> Measured:
        told = self._crossing_told
        self._forget_wishes()
        plan = self._planned(rig)
        at_rest, self._at_rest = (self._at_rest if plan.begins_here else None), None
        self._go(Happening.PLANNED, say_count("{count} point", "{count} points", len(plan.points)))
        if self._attended and not told:
            keep_clear(rig, crosses_meridian=plan.crosses_meridian)
        self._board.sweeps_for(plan.duration_s)
        self._sweeps += 1
        measured = measure(rig, sweep_points(plan), at_rest)
        self._remember_circle(plan, measured.solved[-1])
        self._know_tolerance(rig)
        self._board.measured(measured.result, self._sweeps)
        self._recorder.measured(measured.result)
        self._write("measured", measured.result.model_dump(mode="json"))
        return measured

    def _planned(self, rig: Rig, *, quiet: bool = False) -> SweepPlan:
        circle = None if self._at_rest is None else self._circle
        return planned_sweep(rig, again=self._sweeps > 0, quiet=quiet, circle=circle)

    def _remember_circle(self, plan: SweepPlan, last: SolvedPoint) -> None:
        searched = self._circle.searched if plan.begins_here and self._circle else plan
        self._circle = (
            None
            if last.mount_declination is None
            else Circle(searched, last.target.declination, last.mount_declination)
        )

    def _know_tolerance(self, rig: Rig) -> None:
        """Take over the tolerance that the exposures of the night demand, by all that is known."""
        self._board.knows_tolerance(rig.tolerance_arcmin)

    def _forget_wishes(self) -> None:
        """Drop what was asked for in the pass that is over: none of it is meant for the next.

        Not when a pass begins: what is asked for during its reference frame counts.
        """
        self._sweep_wanted.clear()
        self._crossing_told = False
        while not self._commands.empty():
            self._commands.get_nowait()
        self._paused = False
        self._board.paused(False)
        self._board.offers("")

    # -- adjusting -------------------------------------------------------------------------

    def _begin_adjusting(self, rig: Rig, measured: Measured) -> AdjustmentEngine:
        """Take the reference frame where the sweep ended and make the engine from it.

        Where the axis was turned since, the sweep's last frame is the reference instead, and the
        turn counts like any other.
        """
        reference, last = self._until_observed(rig), _last_of_sweep(measured)
        turned, sigma = turned_between(last.attitude, reference.attitude, measured.fit.axis)
        if turned > max(TURNED_SINCE, 3.0 * sigma):
            far = angle_text(turned)
            if _declination_stands(rig, measured.solved[-1], turned):
                reference = last
                text = say(
                    "The axis was turned by about {turned} between the sweep and the first "
                    "live frame: the turn counts.",
                    turned=far,
                )
                if self._hands_free is None:
                    text += say(" Next time wait for the first reading.")
            else:
                text = say(
                    "The telescope moved by about {turned} between the sweep and the first live "
                    "frame, and no adjuster did it: start a new sweep.",
                    turned=far,
                )
            rig.note(text, warning=True)
        anchor = Anchor.from_sweep(rig, measured.fit.axis, measured.fit.covariance, reference)
        return self._make_engine(rig, anchor)

    def _take_up(self, rig: Rig, anchor: Anchor) -> AdjustmentEngine:
        """Go on adjusting from the reference of an interrupted session."""
        rig.guards.begin()  # asks the safety monitor, before the mount is unparked
        ready_mount(rig)
        anchor.check_unmoved(rig)
        self._go(
            Happening.TAKEN_UP, say("the interrupted session resumes from its reference frame")
        )
        return self._make_engine(rig, anchor, interrupted=True)

    def _make_engine(
        self, rig: Rig, anchor: Anchor, *, interrupted: bool = False
    ) -> AdjustmentEngine:
        self._write("anchor", anchor_record(anchor))
        self.engine = AdjustmentEngine(
            anchor.axis,
            anchor.covariance,
            anchor.observation(interrupted=interrupted),
            rig.site,
            rig.pole,
            rig.atmosphere,
            self.config.profile,
            EngineSettings(
                tolerance_arcmin=rig.tolerance_arcmin, by_motor=self._hands_free is not None
            ),
            learned_from=self.engine,
        )
        self._board.begins_pass(self.engine)
        return self.engine

    def _until_observed(self, rig: Rig) -> Observation:
        """Expose until a frame solves.

        Raises:
            NoReference: several in a row did not.
        """
        why = ""
        for last in (*[False] * (REFERENCE_TRIES - 1), True):
            seen = self._look(rig)
            if isinstance(seen, Observation):
                if last or seen.light is None or not seen.light.elsewhere:
                    return seen
                rig.note(
                    say(
                        "The stars of the reference frame are doubled or trailed to one "
                        "side, as if the axis had moved: taking it again. If an adjuster was "
                        "touched since the sweep, make a new one."
                    ),
                    warning=True,
                )
                continue
            why = seen.reason
            rig.note(say("The reference frame was not solved ({why}); trying again.", why=why))
        raise NoReference(REFERENCE_TRIES, why)

    def _adjust(self, rig: Rig, engine: AdjustmentEngine) -> None:
        """Read frame after frame until a new sweep is wanted.

        While one is read the next is exposed already, unless a motor may turn in between. What
        is asked for during an exposure counts from the next one on.
        """
        if self._hands_free is not None:
            self._hands_free.begin_pass()
        live = LiveFrames(rig, lambda: self._live_exposure_s(rig))
        # Motors turn between frames, and need no reading meanwhile.
        asked = self.config.adjusting.glances if self._hands_free is None else "off"
        glances = Glances(rig, engine, asked)
        try:
            self._read_on(rig, engine, live, glances)
        except BaseException:
            live.stop(hurry=True)
            raise
        live.stop()
        self._go(Happening.SWEEP_WANTED, say("a new sweep measures the axis again"))

    def _read_on(
        self, rig: Rig, engine: AdjustmentEngine, live: LiveFrames, glances: Glances
    ) -> None:
        limit_s = self.config.recovery.nowhere_s
        patience = Patience(rig.clock, limit_s, lambda text: self._warn(rig, text), "frame")
        patience.begin()
        self._unread = 0
        while True:
            try:
                rig.guards.while_tracking()
                if self._sweep_wanted.is_set() or not live.under_way:
                    self._obey(engine, glances, self._asked())
                if self._sweep_wanted.is_set() and self._clear_to_sweep(rig):
                    if self._at_rest is not None:  # hands may have been there since
                        self._at_rest = replace(self._at_rest, frame=None)
                    return
                if self._paused:
                    live.stop()  # begun before the pause was heard of, and old when it ends
                    rig.clock.sleep(WAIT_TICK_S, self.cancel)
                    continue
                live.begin(glances.next)
                shot = live.next(glances.next if self._goes_on(()) else None)
            except (ClockWasSet, MovedBySomebodyElse) as error:
                self._interfered(rig, engine, error)
                continue
            asked = self._asked()
            if self._hands_free is None and self._goes_on(asked):
                live.begin(glances.next)
            if shot.glance is not None or shot.frame is None:
                self._glance(glances, shot)
                self._obey(engine, glances, asked)
                continue
            reading = self._full(rig, engine, glances, shot, shot.frame)
            if not self._attended:
                self._bear_with(patience)
            self._obey(engine, glances, asked)
            if self._hands_free is not None and self._hands_free.act(reading):
                self._at_rest = None
            wants = reading.advice.action in (Action.STOP_AND_SWEEP, Action.DONE)
            if self._by_itself and reading.settled and wants and self._clear_to_sweep(rig):
                return

    def _full(
        self, rig: Rig, engine: AdjustmentEngine, glances: Glances, shot: Live, frame: Frame
    ) -> Reading:
        """Read a full frame and tell what it shows."""
        plate, seen = self._read(rig, frame, quick=True)
        reading = self._updated(rig, engine, seen)
        self._why_unread = seen.reason if isinstance(seen, NoReading) else ""
        self._tell(rig, reading)
        self._at_rest = None
        if reading.state is State.SETTLED and isinstance(seen, Observation):
            self._at_rest = AtRest(seen.attitude, reading.axis, frame)
        took_s = rig.clock.monotonic_s() - shot.began_s
        glances.full(frame, plate, seen, reading, took_s)
        self._tell_slow(rig, shot.took_s - frame.exposure_s)
        return reading

    def _tell_slow(self, rig: Rig, fetch_s: float) -> None:
        """Say once what helps where a frame takes long to come."""
        if fetch_s < SLOW_FETCH_S or self._slow_told or self._hands_free is not None:
            return
        self._slow_told = True
        text = say(
            "A frame takes {fetch_s:.0f} s to come from the camera: after a turn, hands have to be "
            "off for two of them.",
            fetch_s=fetch_s,
        )
        binning = 2 * self.config.camera.binning
        if binning <= rig.camera.info().max_binning:
            text += say(
                " [camera] binning = {binning} makes it a quarter of that; a cable in the place of "
                "Wi-Fi may do more.",
                binning=binning,
            )
        else:
            text += say(" A cable in the place of Wi-Fi may be quicker.")
        rig.note(text, warning=True)

    def _bear_with(self, patience: Patience) -> None:
        """With nobody there, give up when frames tell nothing for too long."""
        if not self._why_unread:
            patience.solved()
            self._unread = 0
            return
        self._unread += 1
        try:
            patience.check()
        except OutOfPatience:
            raise NoReference(self._unread, self._why_unread) from None

    def _updated(
        self, rig: Rig, engine: AdjustmentEngine, seen: Observation | NoReading
    ) -> Reading:
        """Feed a full frame to the engine, over a step back of the clock if there was one."""
        try:
            return engine.update(seen)
        except FramesOutOfOrder as error:
            back_s = error.utc_s - error.previous_utc_s
            text = say(
                "This computer's clock was set back by {back_s:.1f} s or a little more",
                back_s=-back_s,
            )
            text = say("{text} ({error}).", text=text, error=error)
            self._clock_set(rig, engine, text, back_s, error.utc_s)
            return engine.update(seen)

    def _glance(self, glances: Glances, shot: Live) -> None:
        """Read a glance and show it; nothing is written down of it."""
        moving: Moving | None = None
        if shot.trouble is not None:
            glances.failed(shot.trouble)
        elif shot.frame is not None and shot.glance is not None:
            try:
                moving = glances.read(shot.frame, shot.glance, shot.took_s, changed=shot.changed)
            except ImageError as error:
                glances.failed(error)
        if glances.stopped:
            self._board.glances_ended()
        elif moving is not None:
            self._board.glanced(moving)
            if moving.turning or moving.odd:
                self._at_rest = None

    def _warn(self, rig: Rig, text: str) -> None:
        """Tell a sentence, again where it was told before."""
        rig.emit(Note(utc_s=self.clock.utc_s(), severity="warning", text=text))

    def _clear_to_sweep(self, rig: Rig) -> bool:
        """Whether a new sweep may begin: one that crosses the meridian has to be asked for twice.

        The second time after it was told; a sweep that nobody asked for waits for somebody. With
        nobody there no hands are near the mount: then plan and guard only tell it.
        """
        if not self._attended:
            return True
        asked = self._sweep_wanted.is_set()
        if self._crossing_told:
            return asked
        if not self._planned(rig, quiet=True).crosses_meridian:
            return True
        text = say(
            "The next sweep takes the mount across the meridian: on this side none fits now, "
            "or none nearly as good. It may swing to the other side of the pier. Keep hands, "
            "cables and tripod clear, then ask for the new sweep once more."
        )
        self._warn(rig, text)
        self._board.offers(text)
        self._crossing_told = True
        self._sweep_wanted.clear()
        return False

    def _interfered(
        self, rig: Rig, engine: AdjustmentEngine, error: ClockWasSet | MovedBySomebodyElse
    ) -> None:
        """Go on with a person there, whoever sets clocks or moves the mount."""
        self._at_rest = None
        if isinstance(error, ClockWasSet):
            self._clock_set(rig, engine, _sentence(error), error.jump_s, -math.inf)
            return
        if self._hands_free is not None:
            raise error
        rig.note(say("{error} {advice}", error=_sentence(error), advice=error.advice), warning=True)
        engine.mount_was_moved(error.moved_deg * DEG)

    def _clock_set(
        self, rig: Rig, engine: AdjustmentEngine, what: str, jump_s: float, from_s: float
    ) -> None:
        """Go on with a clock that was set, with frames from then on, and say what that means."""
        turned_deg = abs(jump_s) * SIDEREAL_RATE / DEG
        rig.note(
            say(
                "{event} The reading goes on; the direction of the error may be wrong by "
                "{turned_deg:.2g}°, which matters less the smaller the error is. Check that "
                "the clock is right now, and make a new sweep before you trust the last "
                "arcminutes.",
                event=what,
                turned_deg=turned_deg,
            ),
            warning=True,
        )
        engine.go_on_from(from_s)

    def _asked(self) -> list[tuple[Command, Mapping[str, Any]]]:
        """Return what was asked for since."""
        asked = []
        while not self._commands.empty():
            asked.append(self._commands.get_nowait())
        return asked

    def _goes_on(self, asked: Sequence[tuple[Command, Mapping[str, Any]]]) -> bool:
        """Whether another frame is wanted, with what is asked for."""
        last = [command for command, _ in asked if command in (Command.PAUSE, Command.RESUME)]
        paused = last[-1] is Command.PAUSE if last else self._paused
        return not paused and not self._sweep_wanted.is_set()

    def _obey(
        self,
        engine: AdjustmentEngine,
        glances: Glances,
        asked: Sequence[tuple[Command, Mapping[str, Any]]],
    ) -> None:
        for command, details in asked:
            self._write("command", {"command": command.value, **details})
            if command is not Command.SWEEP:
                self._at_rest = None
            if command is Command.PAUSE:
                self._paused = True
            elif command is Command.RESUME:
                self._paused = False
            elif command is Command.SNUGGED:
                engine.note_snugged()
                glances.follower.unsettled()
            elif command is Command.TURNS:
                engine.note_turns(Axis(details["axis"]), float(details["turns"]))
            self._board.paused(self._paused)

    def _live_exposure_s(self, rig: Rig) -> float:
        # The rig's: the sweep may have found the exposure itself.
        return rig.config.adjusting.exposure_s or rig.exposure_s

    def _look(self, rig: Rig) -> Observation | NoReading:
        """Take one live frame and read all of it."""
        return self._read(rig, take_frame(rig, self._live_exposure_s(rig)), quick=False)[1]

    def _read(
        self, rig: Rig, frame: Frame, *, quick: bool
    ) -> tuple[Plate | None, Observation | NoReading]:
        """Read a live frame; one that tells nothing says why.

        ``quick`` looks only where stars are expected, and at the whole frame if they are not
        there.
        """
        tracking = rig.telescope.tracking()
        elongation: float | None = None
        try:
            near = rig.plates.look_near(frame, tracking=tracking is True) if quick else None
            if near is None:
                stars, quality = measure_stars(rig, frame)
            else:
                stars, quality = near.stars, frame_quality(near.stars)
            tell_frame(rig, frame, stars, quality)
            elongation = quality.elongation
            plate = rig.plates.follow(
                stars,
                frame,
                rig.mount_icrs(rig.plates.sky_at(frame.utc_mid_s)),
                self.cancel,
                tracking=tracking is True,
                near=near,
                soon_again=True,
            )
        except (ImageError, SolveError) as error:
            return None, NoReading(
                str(error), frame.utc_mid_s, elongation=elongation, tracking=tracking
            )
        report_plate(rig, plate, 0, 0)
        return plate, Observation(
            plate.attitude,
            elongation=quality.elongation,
            star_count=quality.star_count,
            hfd_px=quality.hfd_px,
            light=plate.light,
            tracking=tracking,
        )

    def _tell(self, rig: Rig, reading: Reading) -> None:
        moves = self._board.snapshot().moves
        self._board.read(reading)
        if self._board.snapshot().moves != moves:
            self._write("moved", {"moves": self._board.snapshot().moves})
        error = reading.error
        arcmin = self._board.arcmin
        rig.emit(
            ReadingTaken(
                utc_s=reading.utc_s,
                state=reading.state.value,
                d_alt_arcmin=arcmin(error.d_alt),
                d_az_sky_arcmin=arcmin(error.d_az_sky),
                total_arcmin=arcmin(error.total),
                sigma_alt_arcmin=arcmin(error.sigma_alt),
                sigma_az_sky_arcmin=arcmin(error.sigma_az_sky),
                upper95_arcmin=arcmin(reading.bound),
                verdict=reading.verdict.value,
                action=reading.advice.action.value,
                sentence=reading.advice.sentence,
                notices=tuple(notice.sentence for notice in reading.notices),
            )
        )

    # -- book-keeping ----------------------------------------------------------------------

    def _keep_frame(self, frame: Frame, stars: StarList) -> None:
        number = 1 if self._last_frame is None else self._last_frame[0] + 1
        self._last_frame = (number, frame, stars)
        self._board.frame(number, frame, stars)
        self._recorder.saw(frame, stars)

    def _keep_plan(self, request: PlanRequest, plan: SweepPlan) -> None:
        self._last_plan = (request, plan)

    def _hear(self, event: Event) -> None:
        self._board.hears(event)
        self._recorder(event)
        if not isinstance(event, Progress):
            self._write("event", event.to_dict())
        self._listener(event)

    def stopped_from_outside(self, state: MotionState, reason: str) -> None:
        """Show what became of a stop that was sent beside the session's own thread."""
        self._board.hears(MotionStopped(utc_s=self.clock.utc_s(), state=state.value, reason=reason))

    def _go(self, happening: Happening, why: str) -> None:
        was, self._step = self._step, follow(self._step, happening)
        self._begun |= happening in (Happening.CHECKED, Happening.TAKEN_UP)
        self._board.goes(self._step)
        self._write("step", {"step": self._step.value, "was": was.value, "why": why})
        event = StepChanged(utc_s=self.clock.utc_s(), step=self._step.value, was=was.value, why=why)
        self._listener(event)

    def _end(self, happening: Happening, error: PolewrightError) -> None:
        self.outcome = error.exit_code
        self._trouble = error
        self._board.fails(error)
        if self._step not in ENDED:
            self._go(happening, str(error))

    def _write(self, kind: str, data: Mapping[str, Any]) -> None:
        # A reading must not wait for the disk, and a power cut may cost the last of them.
        wait = kind not in ("event", "moved") or self._step is not Step.ADJUSTING
        try:
            self.journal.write(self.clock.utc_s(), kind, data, wait=wait)
        except JournalUnusable as error:
            # An alignment is worth more than its record: told once, and written when there is room.
            if not self._journal_troubled:
                self._journal_troubled = True
                text = say(
                    "{error}. What is missing stays in memory. {advice}",
                    error=error,
                    advice=error.advice,
                )
                note = Note(utc_s=self.clock.utc_s(), severity="warning", text=text)
                self._board.hears(note)
                self._listener(note)


def _sentence(error: PolewrightError) -> str:
    return joined("", (capitalised(str(error)), "."))


def _last_of_sweep(measured: Measured) -> Observation:
    """Return the last frame of a sweep as the engine takes it."""
    quality = measured.solved[-1].quality
    return Observation(
        measured.attitudes[-1],
        elongation=quality.elongation,
        star_count=quality.star_count,
        hfd_px=quality.hfd_px,
        tracking=True,
    )


def _declination_stands(rig: Rig, last: SolvedPoint, turned: float) -> bool:
    """Whether the mount's declination axis stands since a point, beside such a turn (rad)."""
    now = pointing_now(rig)
    if now is None or last.mount_declination is None:
        return False
    return abs(now.declination - last.mount_declination) < 0.25 * turned
