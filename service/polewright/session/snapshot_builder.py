"""The notice board of a session: gathers events into the snapshot that everybody looks at."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Literal

from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading
from polewright.calculation.adjusting.glance_follow import Moving
from polewright.calculation.adjusting.instructions import BY_HAND, Action, glance_caution
from polewright.calculation.adjusting.tone import spoken, tone_for
from polewright.calculation.adjusting.trail import Trail
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.quality import frame_quality
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import ARCMIN
from polewright.foundation.clock import Clock
from polewright.foundation.errors import MotionUnknown, PolewrightError
from polewright.records import events
from polewright.records.result import MeasurementResult
from polewright.session.snapshot import (
    AdviceNow,
    ErrorNow,
    Failure,
    FailureKind,
    FrameNow,
    MovingNow,
    NoteNow,
    PlanNow,
    ProgressNow,
    SessionSnapshot,
    TrailPoint,
)
from polewright.session.states import ENDED, MAY_MOVE, Step

#: What a reading brought to light stays on show for so long, s of the session's clock, unless the
#: axis is moved again before (own choice: time to read a sentence or two).
NOTICE_S = 20.0
#: A long night tells more than anybody reads on a page; the journal has all of it.
KEPT_NOTES = 300

#: What sort of thing ends a session, by an error's code; others are refusals or failures.
FAILURE_KINDS: Mapping[str, FailureKind] = {
    "safety_unsafe": "unsafe",
    "roof_not_open": "unsafe",
    "too_near_sun": "sun",
    "allowed_sky_left": "limit",
    "too_near_meridian": "limit",
    "beyond_altitude_limit": "limit",
    "would_change_sides": "limit",
    "flips_over": "limit",
    "side_changed": "limit",
    "point_not_solved": "cloud",
    "no_reference": "cloud",
    "no_light": "cloud",
    "too_bright": "sun",
}
#: Before these steps are over the session has asked the mount for no motion.
BEFORE_MOTION = frozenset({Step.IDLE, Step.CHECKING, Step.PLANNING})

Motion = Literal["unasked", "still", "tracking", "slewing", "unknown"]


class Board:
    """Thread-safe; every change makes a new snapshot with a higher version."""

    def __init__(self, session_id: str, tolerance_arcmin: float, clock: Clock) -> None:
        self._clock = clock
        self._changed = threading.Condition()
        self._trail = Trail()
        self._goal_arcmin = tolerance_arcmin
        self._noticed: tuple[str, ...] = ()
        self._noticed_utc_s = 0.0
        self._in_hand: Action | None = None
        self._begin_arcmin = 0.0
        self._tries = (0, 0)
        """Point of the sweep, and how many of its frames were looked at."""
        self._now = SessionSnapshot(
            session_id=session_id,
            version=1,
            step=Step.IDLE,
            utc_s=clock.utc_s(),
            tolerance_arcmin=tolerance_arcmin,
            began_utc_s=clock.utc_s(),
        )

    def knows_tolerance(self, tolerance_arcmin: float) -> None:
        """Take the tolerance that counts, which may follow from what the devices told."""
        self._goal_arcmin = tolerance_arcmin
        self._put(tolerance_arcmin=tolerance_arcmin)

    @staticmethod
    def arcmin(angle: float) -> float:
        """Arcminutes of an angle in rad."""
        return angle / ARCMIN

    def snapshot(self) -> SessionSnapshot:
        """Return the present snapshot, as of now: figures age although nothing new is told."""
        with self._changed:
            return self._as_of_now()

    def wait_for_change(self, version: int, timeout_s: float) -> SessionSnapshot:
        """Return the snapshot once it is newer than ``version``, or after ``timeout_s``."""
        with self._changed:
            self._changed.wait_for(lambda: self._now.version > version, timeout_s)
            return self._as_of_now()

    def _as_of_now(self) -> SessionSnapshot:
        return self._now.model_copy(update={"utc_s": self._clock.utc_s()})

    def _put(self, *, by_glance: bool = False, **changes: Any) -> None:
        with self._changed:
            version = self._now.version + 1
            if not by_glance:
                changes["version_but_moving"] = version
            self._now = self._now.model_copy(
                update={
                    **changes,
                    "version": version,
                }
            )
            self._changed.notify_all()

    # -- what the session tells --------------------------------------------------------------

    def goes(self, step: Step) -> None:
        """The session moved on."""
        changes: dict[str, Any] = {"step": step, "unread": 0, "progress": None, "moving": None}
        if step in MAY_MOVE or step in ENDED:
            changes["advice"] = None
        if step is not Step.SWEEPING:
            changes["sweep_ends_utc_s"] = None
        if step in ENDED:
            changes["ended_utc_s"] = self._clock.utc_s()
            changes["offer"] = ""
        if self._now.noted is not None and (not self._now.noted.warning or step in ENDED):
            changes["noted"] = None
        if step is Step.FINISHED:
            changes["motion"] = "tracking"
        self._put(**changes)

    def offers(self, text: str) -> None:
        """A sweep waits for being asked for once more; empty: none does."""
        self._put(offer=text)

    def sweeps_for(self, duration_s: float) -> None:
        """A sweep begins that is expected to take so long."""
        self._put(sweep_ends_utc_s=self._clock.utc_s() + duration_s)

    def knows_motion(self, telescope: Telescope) -> None:
        """Look once at what the mount is doing."""
        try:
            motion: Motion = "tracking" if telescope.tracking() else "still"
            if telescope.slewing():
                motion = "slewing"
        except AlpacaError:
            motion = "unknown"
        self._put(motion=motion)

    def knows_site(self, southern: bool) -> None:
        """The rig is connected and its hemisphere known."""
        self._put(southern=southern)

    def knows_motors(self) -> None:
        """Motors turn the adjusters: nothing is said to a person who would."""
        self._put(motors=True)

    def paused(self, paused: bool) -> None:
        """The person paused or went on."""
        self._put(paused=paused)

    def frame(self, number: int, frame: Frame, stars: StarList) -> None:
        """A frame came in."""
        quality = frame_quality(stars)
        self._put(
            frame=FrameNow(
                number=number,
                star_count=quality.star_count,
                hfd_px=quality.hfd_px,
                elongation=quality.elongation,
                exposure_s=frame.exposure_s,
            )
        )

    def recalled(self, result: MeasurementResult | None, sweeps: int, moves: int) -> None:
        """An interrupted session goes on: show what it had come to."""
        if result is not None:
            finished = datetime.fromisoformat(result.finished_utc)
            self.measured(result, sweeps, finished.timestamp())
        self._put(sweeps=sweeps, moves=moves)

    def measured(self, result: MeasurementResult, sweeps: int, utc_s: float | None = None) -> None:
        """A sweep was fitted, just now or at ``utc_s``."""
        axis = result.axis
        self._trail = Trail()
        before = self._now.before_arcmin
        self._put(
            result=result,
            before_arcmin=axis.total_arcmin if before is None else before,
            sweeps=sweeps,
            trail=(),
            error=ErrorNow(
                d_alt_arcmin=axis.d_alt_arcmin,
                d_az_sky_arcmin=axis.d_az_sky_arcmin,
                d_az_base_arcmin=axis.d_az_base_arcmin,
                total_arcmin=axis.total_arcmin,
                sigma_alt_arcmin=axis.sigma_alt_arcmin,
                sigma_az_sky_arcmin=axis.sigma_az_sky_arcmin,
                sigma_total_arcmin=axis.sigma_total_arcmin,
                upper95_arcmin=axis.total_upper95_arcmin,
                correlation=axis.correlation,
                state="measured",
                utc_s=self._clock.utc_s() if utc_s is None else utc_s,
            ),
        )

    def begins_pass(self, engine: AdjustmentEngine) -> None:
        """Adjusting begins."""
        kind = engine.pass_kind.value
        self._noticed = ()
        self._in_hand = None
        coarse = kind == "coarse"
        goal = engine.settings.coarse_goal_arcmin
        self._goal_arcmin = goal if coarse else self._now.tolerance_arcmin
        self._put(pass_kind=kind, goal_arcmin=self._goal_arcmin, unread=0, unread_why="")

    def read(self, reading: Reading) -> None:
        """A live frame was read."""
        new_point = self._trail.add(reading)
        lost = reading.state is State.LOST
        # A frame smeared by the motion tells the axis as it was before: a glance since knows more.
        from_s = reading.utc_s if lost else reading.axis_utc_s
        moving = self._now.moving
        if moving is not None and moving.utc_s <= from_s:
            moving = None
        advice = self._now.advice  # the way left that belongs to the glance
        if moving is None or not moving.turning or reading.advice.heading is None:
            advice = self._advice_now(reading.advice, reading.state, self._notices(reading))
        self._put(
            progress=None,
            unread=self._now.unread + 1 if lost else 0,
            unread_why=reading.reason if lost else "",
            moves=self._now.moves + (1 if new_point and len(self._trail.points) > 1 else 0),
            error=ErrorNow(
                **_figures(reading), state=reading.state.value, utc_s=reading.axis_utc_s
            ),
            moving=moving,
            advice=advice,
            trail=tuple(
                TrailPoint(
                    d_az_sky_arcmin=point.east / ARCMIN,
                    d_alt_arcmin=point.up / ARCMIN,
                    settled=True,
                )
                for point in self._trail.points
            ),
        )

    def _begin_of(self, advice: Advice) -> float:
        """Return where the bar of the adjuster in hand begins, arcmin: it never runs backwards."""
        if advice.action is not Action.WAIT:
            told = advice.action if advice.action is advice.heading else None
            if told is not self._in_hand:
                self._in_hand, self._begin_arcmin = told, advice.amount_arcmin
        if self._in_hand is None:
            return 0.0
        if advice.heading is self._in_hand:
            self._begin_arcmin = max(self._begin_arcmin, advice.amount_arcmin)
        return self._begin_arcmin

    def glanced(self, moving: Moving) -> None:
        """A glance was read."""
        changes: dict[str, Any] = {}
        if moving.advice is not None:
            self._noticed = ()
            changes["advice"] = self._advice_now(moving.advice, State.MOVING, ())
        self._put(
            by_glance=True,
            moving=MovingNow(
                **_figures(moving),
                state="moving",
                utc_s=moving.utc_s,
                turning=moving.turning,
                resting=moving.resting,
                hidden=tuple(axis.value for axis in moving.hidden),
                caution=glance_caution(moving.hidden, odd=moving.odd),
            ),
            **changes,
        )

    def glances_ended(self) -> None:
        """There are no more glances: what the last one showed is no reading of now.

        Nor is its advice, and that of the full frame before is of an axis that was turned since.
        """
        moving = self._now.moving
        changes: dict[str, Any] = {"moving": None}
        if moving is not None and moving.turning:
            wait = Advice(Action.WAIT, BY_HAND.wait(State.MOVING, ""))
            changes["advice"] = self._advice_now(wait, State.MOVING, ())
        self._put(**changes)

    def _advice_now(self, advice: Advice, state: State, notices: tuple[str, ...]) -> AdviceNow:
        """Show an advice, with a tone for what the adjuster in hand has yet to do."""
        tone = None
        by_hand = not self._now.motors
        if by_hand and advice.heading and advice.zone_arcmin and state is not State.LOST:
            tone = tone_for(
                advice.amount_arcmin * ARCMIN, advice.zone_arcmin * ARCMIN, passed=advice.passed
            )
        return AdviceNow(
            action=advice.action.value,
            sentence=advice.sentence,
            axis=advice.axis.value if advice.axis is not None else None,
            heading=advice.heading.value if advice.heading is not None else None,
            passed=advice.passed,
            amount_arcmin=advice.amount_arcmin,
            begin_arcmin=self._begin_of(advice),
            zone_arcmin=advice.zone_arcmin,
            doing=advice.doing,
            turns=advice.turns,
            turns_text=advice.turns_text,
            brief=advice.brief,
            cautions=(*advice.cautions, *notices),
            spoken=spoken(advice, state) if by_hand else "",
            tone_hz=tone.frequency_hz if tone else None,
            beat_period_s=tone.beat_period_s if tone else None,
        )

    def _notices(self, reading: Reading) -> tuple[str, ...]:
        """Return what is to be said beside the advice: the engine says each thing only once."""
        new = tuple(item.sentence for item in reading.notices)
        old = reading.utc_s - self._noticed_utc_s > NOTICE_S or reading.state is State.MOVING
        if new or old:
            self._noticed, self._noticed_utc_s = new, reading.utc_s
        return self._noticed

    def fails(self, error: PolewrightError) -> None:
        """The session ended early; the mount is as last seen, unless its stop was not confirmed."""
        early = self._now.step in BEFORE_MOTION and self._now.sweeps == 0
        self._put(
            motion="unknown" if isinstance(error, MotionUnknown) else self._now.motion,
            failure=Failure(
                code=error.code,
                kind=FAILURE_KINDS.get(error.code, "refused" if early else "failed"),
                brief=error.brief,
                message=str(error),
                likely=error.likely,
                advice=error.advice,
                details=error.details,
                exit_code=int(error.exit_code),
            ),
        )

    def hears(self, event: events.Event) -> None:
        """Any event of the run."""
        match event:
            case events.Note():
                warning = event.severity == "warning"
                self._put(
                    notes=(*self._now.notes, event.text)[-KEPT_NOTES:],
                    noted=NoteNow(
                        text=event.text,
                        warning=warning,
                        utc_s=event.utc_s,
                        passing=event.passing,
                    ),
                )
            case events.Progress():
                noted = self._now.noted
                there = self._now.step is Step.SWEEPING and event.step in ("settle", "exposure")
                self._put(
                    noted=None if noted is not None and noted.passing and there else noted,
                    motion="slewing" if event.step == "slew" else "tracking",
                    progress=ProgressNow(
                        step=event.step,
                        point=event.point,
                        points=event.points,
                        done_s=event.done_s,
                        total_s=event.total_s,
                        text=event.text,
                    ),
                )
            case events.FrameMeasured() if event.point:
                point, tries = self._tries
                self._tries = event.point, tries + 1 if point == event.point else 1
                self._put(unread=self._tries[1] - 1)
            case events.SweepPlanned():
                self._put(
                    plan=PlanNow(
                        azimuths_deg=event.azimuths_deg,
                        altitudes_deg=event.altitudes_deg,
                        predicted_sigma_arcsec=event.predicted_sigma_arcsec,
                    )
                )
            case events.PointSolved():
                self._solved(event)
            case events.MotionStopped():
                self._put(motion="still" if event.state == "stopped" else "unknown")

    def _solved(self, event: events.PointSolved) -> None:
        changes: dict[str, Any] = {}
        if self._now.frame is not None:
            changes["frame"] = self._now.frame.model_copy(update={"solved": True})
        if event.point:
            self._tries, changes["unread"] = (0, 0), 0
        if event.point and self._now.plan is not None:
            changes["plan"] = self._now.plan.model_copy(update={"solved": event.point})
        if changes:
            self._put(**changes)


def _figures(reading: Reading | Moving) -> dict[str, float]:
    """Return what full frames and glances both tell of the error, in arcmin."""
    error = reading.error
    spread = error.sigma_alt * error.sigma_az_sky
    return {
        "d_alt_arcmin": error.d_alt / ARCMIN,
        "d_az_sky_arcmin": error.d_az_sky / ARCMIN,
        "d_az_base_arcmin": error.d_az_base / ARCMIN,
        "total_arcmin": error.total / ARCMIN,
        "sigma_alt_arcmin": error.sigma_alt / ARCMIN,
        "sigma_az_sky_arcmin": error.sigma_az_sky / ARCMIN,
        "sigma_total_arcmin": error.sigma_total / ARCMIN,
        "upper95_arcmin": reading.bound / ARCMIN,
        "correlation": float(error.covariance[0, 1]) / spread if spread > 0.0 else 0.0,
    }
