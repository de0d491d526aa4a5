"""The adjustment engine: fed with frames in the order taken, answers each with a reading."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.adjusting.advice import Advice, Advisor, PassKind, Verdict
from polewright.calculation.adjusting.axis_at_rest import MotionDetector, State, mahalanobis2
from polewright.calculation.adjusting.axis_average import StillMean
from polewright.calculation.adjusting.axis_propagation import Carried, Reference
from polewright.calculation.adjusting.base_turn import BaseTurn
from polewright.calculation.adjusting.errors import FramesOutOfOrder, TurnsNotUsable
from polewright.calculation.adjusting.expected_turn import ExpectedTurn
from polewright.calculation.adjusting.glance_follow import Moving, hidden_adjusters
from polewright.calculation.adjusting.knobs import KnobLearner
from polewright.calculation.adjusting.moves import BASE_TILT, Move, MoveJudge
from polewright.calculation.adjusting.notices import Notice, NoticeKind
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.axis_from_one_frame import BLIND_BELOW
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis, finite_turns
from polewright.foundation.angles import ARCMIN, ARCSEC, Matrix, Vector, fold_pi

#: Settled readings that differ by more than this many sigmas squared (chi-square of two degrees of
#: freedom; by noise once in 3000), and by more than this angle, are a move.
MOVE_CHI2 = 16.0
MOVE_LEAST = 3.0 * ARCSEC
#: A turn about RA is unexplained when it exceeds the slack by so many sigmas.
SLIP_SIGMAS = 4.0
#: Frames lost in a row after which the reason is worth a look.
LOST_MANY = 4
#: Notices that make a settled reading BUMPED.
BUMPS = (NoticeKind.SLIPPED, NoticeKind.OTHER_AXIS_MOVED, NoticeKind.MOVED_UNASKED)


@dataclass(frozen=True)
class Settings:
    """When to stop. The coarse figures are common practice, no source."""

    tolerance_arcmin: float = 1.0
    coarse_from_arcmin: float = 30.0
    """Initial error above which this pass only comes near."""
    coarse_goal_arcmin: float = 5.0
    large_move_arcmin: float = 30.0
    """Way of the axis after which the end must be confirmed by a new sweep."""
    floor_arcsec: float = 1.0
    """Noise of every attitude that star residuals do not show (wind, slow seeing); own choice."""
    by_motor: bool = False
    """Whether motors turn the adjusters: then nobody is told to."""


@dataclass(frozen=True, eq=False)
class Reading:
    """What one frame told."""

    utc_s: float
    state: State
    axis: Vector
    """(3,) observed east-north-up; when settled the mean over the frames since the last motion,
    when LOST the last known."""
    covariance: Matrix
    """(3, 3) rad^2, sweep and live noise."""
    error: AxisError
    bound: float
    """The total error is below this (rad) with 95 % probability."""
    advice: Advice
    verdict: Verdict
    pass_kind: PassKind
    notices: tuple[Notice, ...]
    """What this frame brought to light; said once, except a slip."""
    axis_utc_s: float
    """When ``axis`` was seen."""
    moved: float
    """Way (rad) that the axis has come since the sweep, all settled moves added."""
    unexplained_turn: float | None
    """Turn about RA (rad) since the reference that tracking does not explain; None: not known."""
    slip_would_show: bool
    """Whether a turn of the declination axis would show in ``unexplained_turn`` in this pose."""
    reason: str = ""
    """Why the frame told nothing; empty where it did."""

    @property
    def settled(self) -> bool:
        """Whether the numbers count: two frames agree."""
        return self.state in (State.SETTLED, State.BUMPED)

    @property
    def age_s(self) -> float:
        """Age of the axis, counted from this frame."""
        return self.utc_s - self.axis_utc_s


@dataclass(frozen=True, eq=False)
class _Anchor:
    """The settled reading that the next move is measured from."""

    carried: Carried
    error: AxisError
    expected_turn: float
    gaps: int


class AdjustmentEngine:
    """Follows the axis from a reference frame taken after the sweep.

    Args:
        axis: (3,) unit vector of the polar axis from the sweep, observed east-north-up,
            towards the visible pole.
        covariance: (3, 3) rad^2 of it.
        reference: a settled frame after the sweep, not one of the sweep's own.
        site: the place; its latitude is the true pole's altitude.
        target: the pole to align on.
        atmosphere: lifts the refracted pole.
        profile: the two adjusters.
        settings: tolerance and when to ask for a new sweep.

    A new sweep needs a new engine; `learned_from` hands on what the user's moves taught.
    """

    def __init__(
        self,
        axis: Vector,
        covariance: Matrix,
        reference: Observation,
        site: Site,
        target: PoleTarget = PoleTarget.TRUE,
        atmosphere: Atmosphere | None = None,
        profile: AdjusterProfile | None = None,
        settings: Settings | None = None,
        learned_from: AdjustmentEngine | None = None,
    ) -> None:
        self.profile = profile if profile is not None else AdjusterProfile()
        self.settings = settings if settings is not None else Settings()
        self._site, self._target = site, target
        self._air = atmosphere if atmosphere is not None else Atmosphere.none()
        self._reference = Reference(
            axis,
            covariance,
            reference.attitude,
            site.southern,
            self.settings.floor_arcsec * ARCSEC,
        )
        carried = self._reference.carry(reference.attitude, 0.0)
        error = axis_error(axis, covariance, site, target, self._air)
        self._expected = ExpectedTurn(reference, southern=site.southern)
        self._detector = MotionDetector(reference)
        self._still = StillMean(self._reference.floor)
        self._anchor = _Anchor(carried, error, 0.0, 0)
        self._known, self._known_utc_s = (carried, error), reference.utc_s
        self._last_utc_s = reference.utc_s
        self._moved = 0.0
        self._doubt: Matrix = np.zeros((3, 3))
        """(3, 3) rad^2, ENU: added for motions that were perhaps not the adjusters'."""
        self._lost = 0
        self._pending_turns: list[tuple[Axis, float]] = []
        self._knobs: dict[Axis, KnobLearner] = (
            learned_from._knobs
            if learned_from is not None
            else {a: KnobLearner(self.profile.adjuster(a)) for a in Axis}
        )
        far = error.total > self.settings.coarse_from_arcmin * ARCMIN
        self._advisor = Advisor(
            self.profile,
            self._knobs,
            PassKind.COARSE if far else PassKind.FINAL,
            self.settings.tolerance_arcmin * ARCMIN,
            self.settings.coarse_goal_arcmin * ARCMIN,
            phrases.BY_MOTOR if self.settings.by_motor else phrases.BY_HAND,
        )
        if learned_from is not None:
            self._advisor.left_loose = learned_from._advisor.loose
        self._judge = MoveJudge(self.profile, self._knobs, self._advisor)
        self._current: Reading | None = None

    @property
    def reading(self) -> Reading | None:
        """The latest reading."""
        return self._current

    @property
    def pass_kind(self) -> PassKind:
        """What this pass aims at."""
        return self._advisor.pass_kind

    def cross_talk(self, axis: Axis) -> tuple[float, float] | None:
        """How far the other component moves on the sky per angle of this one, and its spread."""
        return self._knobs[axis].cross_talk

    def note_turns(self, axis: Axis, turns: float) -> None:
        """The user tells how far the adjuster was turned since the last time it was told.

        Plus raises or moves east. Counted at the next settled reading if the axis moves now.
        """
        if not finite_turns(turns):
            raise TurnsNotUsable(turns)
        if self._current is not None and self._current.settled:
            self._knobs[axis].note_turns(turns)
        else:
            self._pending_turns.append((axis, turns))

    def note_snugged(self) -> None:
        """The user has tightened everything; two fresh frames must agree before it counts."""
        self._advisor.snugged = True
        self._detector.lose()

    def update(self, frame: Observation | NoReading) -> Reading:
        """Return the reading of the next frame.

        Raises:
            FramesOutOfOrder: it is older than the frame before; nothing has changed then. See
                `go_on_from`.
        """
        if frame.utc_s < self._last_utc_s:
            raise FramesOutOfOrder(frame.utc_s, self._last_utc_s)
        self._last_utc_s = frame.utc_s
        self._expected.add(frame)
        if isinstance(frame, NoReading):
            self._current = self._nothing(frame)
        else:
            self._current = self._solved(frame)
        return self._current

    def sharp(self, frame: Observation) -> bool:
        """Whether the axis stood still while a frame was exposed, as far as its stars show."""
        return self._detector.sharp(frame)

    def glance(
        self,
        before: Reading,
        turn: BaseTurn,
        utc_s: float,
        *,
        turning: bool,
        resting: bool,
        odd: bool,
    ) -> Moving:
        """Return the moving reading of a glance; nothing here changes by it.

        Args:
            before: the reading of the frame at rest that the glance was compared with.
            turn: what it told.
            utc_s: middle of its exposure, Unix seconds UTC.
            turning: whether the axis has left its place.
            resting: whether it rests where it went to.
            odd: whether the stars moved as no adjuster moves them.
        """
        axis = turn.axis
        covariance = turn.turn @ before.covariance @ turn.turn.T + turn.axis_noise
        error = axis_error(axis, covariance, self._site, self._target, self._air)
        return Moving(
            utc_s=utc_s,
            axis=axis,
            covariance=covariance,
            error=error,
            bound=error.total_upper(),
            turning=turning,
            resting=resting,
            advice=self._advisor.turning(error, resting=resting) if turning else None,
            hidden=hidden_adjusters(error, turn.covariance, self._advisor.goal),
            odd=odd,
        )

    def go_on_from(self, utc_s: float) -> None:
        """Accept that the clock was set back: frames from ``utc_s`` on are in order.

        Tracking is counted by the same clock as the frames' attitudes, so the axis is still carried
        on. The step turns it about the pole by its error times the angle that the sky turns in the
        step; that is not corrected. Two fresh frames must agree before they count.
        """
        self._last_utc_s = utc_s
        self._detector.lose()
        self._still.restart()

    def mount_was_moved(self, angle: float) -> None:
        """Take in that somebody slewed the mount, by ``angle`` (rad): only a new sweep helps."""
        self._advisor.slipped = phrases.mount_was_moved(angle)

    def _nothing(self, frame: NoReading) -> Reading:
        self._detector.lose()
        self._still.restart()
        self._lost += 1
        smeared = self._detector.smeared(frame.elongation)
        state = State.MOVING if smeared else State.LOST
        carried, error = self._known
        advice = self._advisor.unsettled(state, error, frame.reason)
        notices: list[Notice] = []
        if self._lost >= LOST_MANY and not self._advisor.slipped:
            notices.append(Notice(NoticeKind.LOST_LONG, phrases.lost_long(self._lost)))
        reading = self._reading(frame.utc_s, state, carried, error, advice, notices)
        return replace(reading, reason=frame.reason)

    def _solved(self, frame: Observation) -> Reading:
        self._lost = 0
        expected = self._expected.turn if self._expected.gaps == 0 else None
        carried = self._reference.carry(frame.attitude, expected)
        error = axis_error(carried.axis, carried.covariance, self._site, self._target, self._air)
        self._known, self._known_utc_s = (carried, error), frame.utc_s
        state = self._detector.judge(frame, carried.axis, carried.frame_covariance)
        notices: list[Notice] = []
        if self._detector.rebaselined:
            notices.append(Notice(NoticeKind.STARS_LONG, phrases.stars_long()))
        if state is not State.SETTLED:
            self._still.restart()
            advice = self._advisor.unsettled(state, error)
            return self._reading(frame.utc_s, state, carried, error, advice, notices)

        notices += self._settle(carried, error)
        carried, error = self._averaged(carried)
        self._known = (carried, error)
        advice = self._advisor.settled(error)
        if any(n.kind in BUMPS for n in notices):
            state = State.BUMPED
        return self._reading(frame.utc_s, state, carried, error, advice, notices)

    def _averaged(self, carried: Carried) -> tuple[Carried, AxisError]:
        """The mean over the frames since the last motion, with what noise is left."""
        mean, noise = self._still.add(carried.axis, carried.frame_covariance)
        covariance = carried.covariance - carried.frame_covariance + noise
        error = axis_error(mean, covariance, self._site, self._target, self._air)
        return replace(carried, axis=mean, covariance=covariance), error

    def _settle(self, carried: Carried, error: AxisError) -> list[Notice]:
        """Book what happened since the last settled reading."""
        notices = self._look_for_slip(carried)
        before = self._anchor
        difference = carried.axis - before.carried.axis
        noise = carried.frame_covariance + before.carried.frame_covariance
        far = float(np.linalg.norm(difference)) > MOVE_LEAST
        if far and mahalanobis2(difference, noise, carried.axis) > MOVE_CHI2:
            move = Move.between(before.error, error, noise, carried.axis)
            self._moved += move.length
            odd = self._judge.judge(move)
            if any(n.kind in BUMPS for n in odd):
                # A slip of the declination axis looks like this, and leaves the axis where it was.
                self._doubt = self._doubt + np.outer(difference, difference)
            notices += odd
            if self._moved > self.settings.large_move_arcmin * ARCMIN:
                if not self._advisor.sweep_wanted:
                    notices.append(
                        Notice(NoticeKind.LARGE_MOVE, phrases.large_move_notice(), self._moved)
                    )
                self._advisor.sweep_wanted = phrases.large_move(self._moved)
            self._anchor = _Anchor(carried, error, self._expected.turn, self._expected.gaps)
            self._still.restart()
        for axis, turns in self._pending_turns:
            self._knobs[axis].note_turns(turns)
        self._pending_turns.clear()
        return notices

    def _look_for_slip(self, carried: Carried) -> list[Notice]:
        """A turn about RA beyond slack, tilt and noise, since the reference or the last move."""
        before = self._anchor
        found = 0.0
        if self._expected.gaps == 0:
            rest = carried.split.unexpected
            if abs(rest) > self._allowed_turn(carried.base_turn, carried.axis, carried.ra_sigma):
                found = rest
        if self._expected.gaps == before.gaps:
            turned = carried.split.right_ascension - before.carried.split.right_ascension
            rest = fold_pi(turned - (self._expected.turn - before.expected_turn))
            base = carried.base_turn_since(before.carried)
            sigma = math.hypot(carried.ra_sigma, before.carried.ra_sigma)
            if abs(rest) > self._allowed_turn(base, carried.axis, sigma):
                found = rest
        if found and not self._advisor.slipped:
            self._advisor.slipped = phrases.slipped(found)
            if abs(carried.split.sensitivity) >= BLIND_BELOW:
                off = found / carried.split.sensitivity  # if it was the declination axis
                plane = np.eye(3) - np.outer(carried.axis, carried.axis)
                self._doubt = self._doubt + off**2 * plane
        if self._advisor.slipped:
            return [Notice(NoticeKind.SLIPPED, self._advisor.slipped, abs(found))]
        return []

    def _allowed_turn(self, base_turn: float, axis: Vector, sigma: float) -> float:
        """Turn about RA (rad) that slack, a base out of level and noise together excuse.

        A base tilted by e turns by b about an axis e off the assumed one; written in turns about
        vertical, hinge and RA, up to ``b e / cos(altitude)`` of it lands in RA.
        """
        cos_altitude = math.hypot(axis[0], axis[1])
        tilt = BASE_TILT
        slack = self.profile.ra_slack_arcmin * ARCMIN
        return slack + 1.5 * tilt * base_turn / cos_altitude + SLIP_SIGMAS * sigma

    def _reading(
        self,
        utc_s: float,
        state: State,
        carried: Carried,
        error: AxisError,
        advice: Advice,
        notices: list[Notice],
    ) -> Reading:
        counts = state in (State.SETTLED, State.BUMPED)
        rest = None
        if self._expected.gaps == 0 and state is not State.LOST:
            rest = carried.split.unexpected
        covariance, verdict = carried.covariance, Verdict.UNKNOWN
        if counts:
            verdict = self._advisor.verdict(error)
        if self._doubt.any():  # what is to be turned stays the same, what may be claimed does not
            covariance = covariance + self._doubt
            error = axis_error(carried.axis, covariance, self._site, self._target, self._air)
        return Reading(
            utc_s=utc_s,
            state=state,
            axis=carried.axis,
            covariance=covariance,
            error=error,
            bound=error.total_upper(),
            advice=advice,
            verdict=verdict,
            pass_kind=self._advisor.pass_kind,
            notices=tuple(notices),
            axis_utc_s=self._known_utc_s,
            moved=self._moved,
            unexplained_turn=rest,
            slip_would_show=rest is not None and abs(carried.split.sensitivity) >= BLIND_BELOW,
        )
