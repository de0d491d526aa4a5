"""The simulated mount: commands in, attitudes out. Time is passed in as Unix seconds.

The electronics believe in a perfect set-up (`mount_electronics.py`), the axes move by written-down
pieces (`motion.py`), and the truth is what the crooked mechanics make of it (`mechanics.py`).
"""

from __future__ import annotations

import bisect
import math
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    HOUR,
    SIDEREAL_RATE,
    Matrix,
    Vector,
    fold_pi,
)
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mechanics import Mechanics, tilt, turn_by
from polewright_sim.mount.motion import Track, trapezoid_s
from polewright_sim.mount.mount_electronics import Belief
from polewright_sim.spec import MisalignmentSpec, MountSpec, SiteSpec
from polewright_wire.errors import NotNow, Parked, ValueRefused

Shake = Callable[[float], tuple[float, float]]
"""Extra motion (rad) of the RA and declination axis at a time, such as wind."""

_RATES = {0: 1.0, 1: 0.9661, 2: 1.0 / 1.00273791, 3: 15.0369 / 15.0410686}
"""Sidereal, lunar (mean, from memory), solar, King (15.0369 arcsec a second) over sidereal."""


@dataclass(frozen=True)
class _Ring:
    """A vibration that starts when a slew ends."""

    start_s: float
    amplitude: float


@dataclass(frozen=True)
class _Step:
    """A change that happened at once: axis offsets (rad), and the ground's tilt (3, 3)."""

    start_s: float
    theta: float
    d: float
    ground: Matrix


Goal = Callable[[float], tuple[float, float]]
"""Where the axes (rad, as believed) have to be for a target, by the time of arrival."""


@dataclass(frozen=True)
class _Queued:
    """A command that was accepted and has not begun."""

    start_s: float
    goal: Goal
    purpose: str | None


@dataclass(frozen=True)
class Told:
    """Something that makes the mount move, as it was told."""

    utc_s: float
    what: str
    goal: tuple[float, float] | None = None
    """Hour angle and declination (rad) by its own belief, where it was sent to a place."""


class MountModel:
    """An equatorial mount. All methods may be called from any thread."""

    def __init__(
        self,
        spec: MountSpec,
        site: SiteSpec,
        misalignment: MisalignmentSpec,
        adjusters: Adjusters,
        *,
        roll: float,
        utc_s: float,
    ) -> None:
        """Put the mount on its tripod at ``utc_s``; ``roll`` (rad) is the camera's."""
        self.spec = spec
        self.belief = Belief(spec, site)
        self.mechanics = Mechanics(site, misalignment, spec, roll)
        self.shake: Shake | None = None
        """Hook for wind; None is calm."""
        self.settle_time_s = spec.settle_time_s
        self.guide_rates = [spec.guide_rate * SIDEREAL_RATE] * 2
        """RA and declination, rad/s."""
        self.at_park = spec.starts_parked
        self.at_home = True
        self.tracking = False
        self.tracking_rate = 0
        self.park_axes = self.belief.home
        self.told: list[Told] = []
        """Every command that made it move."""
        self._adjusters = adjusters
        self._lock = threading.RLock()
        theta, d = self.belief.home
        self._ra = Track(utc_s, theta, play=spec.ra_backlash_arcsec * ARCSEC)
        self._dec = Track(utc_s, d)
        self._zero = [0.0, 0.0]
        self._steps = [
            _Step(
                utc_s,
                -spec.pointing_offset_ra_arcmin * ARCMIN,
                spec.pointing_offset_dec_arcmin * ARCMIN,
                self.mechanics.level,
            )
        ]
        self._rings: list[_Ring] = []
        self._rest = 0.0
        self._queued: _Queued | None = None
        self._slew_shown_s = -math.inf
        self._slew_end_s = -math.inf
        self._arrive_s = -math.inf
        self._ra_arrive_s = -math.inf
        self._axis_moving = [False, False]
        self._pulse_end_s = -math.inf
        self._pending: str | None = None
        self._limit_s = math.inf

    # The truth

    def attitude(self, utc_s: float) -> Matrix:
        """Camera x, y, boresight as columns in the observed frame (3, 3); past times too."""
        with self._lock:
            self._begin_queued(utc_s)
            theta, d = self._true_axes(utc_s, self._step(utc_s))
        return self.attitude_with(utc_s, theta, d) @ self._unrest(utc_s)

    def attitude_with(self, utc_s: float, theta: float, d: float) -> Matrix:
        """Camera attitude (3, 3) if the axes stood at these angles (rad), in still air."""
        with self._lock:
            step = self._step(utc_s)
            base = self._base(utc_s, step, theta, d)
        rigid = self.mechanics.attitude(base, theta, d)
        return self.mechanics.bent(
            rigid, self.spec.sag_arcsec * ARCSEC, self.spec.roll_flexure_arcsec * ARCSEC
        )

    def attitudes(self, times: Iterable[float]) -> NDArray[np.float64]:
        """Attitudes (K, 3, 3) at several times."""
        return np.stack([self.attitude(time) for time in times])

    def axis(self, utc_s: float) -> Vector:
        """Elevated end of the polar axis (3,), observed frame."""
        with self._lock:
            step = self._step(utc_s)
            theta, d = self._ra.output(utc_s) + step.theta, self._dec.output(utc_s) + step.d
            axis: Vector = self._base(utc_s, step, theta, d)[:, 1]
        return axis

    def _step(self, utc_s: float) -> _Step:
        index = bisect.bisect_right(self._steps, utc_s, key=lambda step: step.start_s)
        return self._steps[max(0, index - 1)]

    def _base(self, utc_s: float, step: _Step, theta: float, d: float) -> Matrix:
        spec, ground = self.spec, step.ground
        if spec.creep_arcsec_per_min:
            sunk = spec.creep_arcsec_per_min * ARCSEC * (utc_s - self._steps[0].start_s) / 60.0
            ground = tilt(sunk, spec.creep_azimuth_deg * DEG) @ ground
        if spec.tipping_arcsec_per_hour:
            past_pole = math.cos(d) < 0.0
            hours = fold_pi(theta + (math.pi if past_pole else 0.0)) / HOUR
            leant = spec.tipping_arcsec_per_hour * ARCSEC * hours
            ground = tilt(leant, spec.tipping_azimuth_deg * DEG) @ ground
        return self.mechanics.base(
            ground,
            self._adjusters.altitude.axis_arcmin(utc_s) * ARCMIN,
            self._adjusters.azimuth.axis_arcmin(utc_s) * ARCMIN,
        )

    def _true_axes(self, utc_s: float, step: _Step) -> tuple[float, float]:
        motor, _ = self._ra.at(utc_s)
        worm = motor / SIDEREAL_RATE / self.spec.periodic_error_period_s
        error = self.spec.periodic_error_arcsec * ARCSEC * math.sin(2.0 * math.pi * worm)
        theta = self._ra.output(utc_s) + step.theta + error
        d = self._dec.output(utc_s) + step.d
        for ring in self._rings:
            since = utc_s - ring.start_s
            if 0.0 <= since < 20.0 * self.spec.vibration_decay_s:
                swing = ring.amplitude * math.exp(-since / self.spec.vibration_decay_s)
                phase = 2.0 * math.pi * self.spec.vibration_hz * since
                theta += swing * math.sin(phase)
                d += 0.7 * swing * math.sin(1.3 * phase)
        if self.shake is not None:
            more_theta, more_d = self.shake(utc_s)
            theta, d = theta + more_theta, d + more_d
        return theta, d

    def _unrest(self, utc_s: float) -> Matrix:
        """What air and gusts do to the picture, as a turn about the camera's axes (3, 3).

        Each second has its own draw, seeded by itself, so that the same night comes out the same
        again; straight lines between.
        """
        spec = self.spec
        if not spec.air_arcsec and not spec.gusts_per_min:
            return np.eye(3)
        second = math.floor(utc_s)
        share = utc_s - second
        shift = (1.0 - share) * self._moved(second) + share * self._moved(second + 1)
        return turn_by(np.array([*shift, 0.0]))

    def _moved(self, second: int) -> Vector:
        rng = np.random.default_rng([second, 31])
        # Straight lines between draws leave 0.74 of their size to the mean over a second.
        moved: Vector = self.spec.air_arcsec * 1.35 * ARCSEC * rng.standard_normal(2)
        if rng.uniform() < self.spec.gusts_per_min / 60.0:
            moved = moved + self.spec.gust_arcsec * ARCSEC * rng.standard_normal(2)
        return moved

    def quiet_between(self, start_s: float, end_s: float) -> bool:
        """Whether the axes did nothing but track, and nothing rang, from start to end."""
        with self._lock:
            self._begin_queued(end_s)
            rates = {track.at(time)[1] for track in (self._dec,) for time in (start_s, end_s)}
            ra = {self._ra.at(time)[1] for time in (start_s, end_s)}
            ringing = any(
                ring.start_s < end_s and start_s - ring.start_s < 6.0 * self.spec.vibration_decay_s
                for ring in self._rings
            )
            return (
                rates == {0.0}
                and len(ra) == 1
                and abs(ra.pop()) < 2.0 * SIDEREAL_RATE
                and not ringing
                and self._arrive_s < start_s
                and self.shake is None
                and not self.spec.air_arcsec
                and not self.spec.gusts_per_min
                and self._step(start_s) is self._step(end_s)
            )

    # What goes wrong

    def slip_declination(self, angle: float, utc_s: float) -> None:
        """The declination clutch slips by ``angle`` (rad): encoders notice nothing."""
        self._add_step(utc_s, d=angle)

    def slip_right_ascension(self, angle: float, utc_s: float) -> None:
        """The RA clutch slips by ``angle`` (rad)."""
        self._add_step(utc_s, theta=angle)

    def sink(self, rotation: Vector, utc_s: float) -> None:
        """The tripod moves by a rotation vector (3,), rad, east-north-up axes."""
        self._add_step(utc_s, ground=turn_by(rotation))

    def _add_step(
        self, utc_s: float, *, theta: float = 0.0, d: float = 0.0, ground: Matrix | None = None
    ) -> None:
        with self._lock:
            last = self._steps[-1]
            moved = last.ground if ground is None else ground @ last.ground
            start_s = max(utc_s, last.start_s)
            self._steps.append(_Step(start_s, last.theta + theta, last.d + d, moved))

    def set_ra_backlash(self, angle: float, utc_s: float) -> None:
        """Change the play of the RA gear (rad, full width)."""
        with self._lock:
            self._ra.set_play(utc_s, angle)

    # What the driver tells

    def _believed_axes(self, utc_s: float) -> tuple[float, float]:
        self._begin_queued(utc_s)
        return self._ra.at(utc_s)[0] + self._zero[0], self._dec.at(utc_s)[0] + self._zero[1]

    def hour_angle_dec(self, utc_s: float) -> tuple[float, float]:
        """Believed hour angle and declination (rad)."""
        with self._lock:
            return self.belief.direction(*self._believed_axes(utc_s))

    def ra_dec(self, utc_s: float) -> tuple[float, float]:
        """Believed right ascension and declination (rad) in the mount's own system."""
        return self.belief.ra_dec(*self.hour_angle_dec(utc_s), utc_s)

    def alt_az(self, utc_s: float) -> tuple[float, float]:
        """Believed altitude and azimuth (rad)."""
        return self.belief.alt_az(*self.hour_angle_dec(utc_s))

    def side(self, utc_s: float) -> int:
        """Pointing state (see `mount_electronics`)."""
        with self._lock:
            return self.belief.side_of(self._believed_axes(utc_s)[1])

    def slewing(self, utc_s: float) -> bool:
        """Whether a slew, its settle time, or an axis move is under way."""
        with self._lock:
            self._keep_house(utc_s)
            slewing = self._slew_shown_s <= utc_s < self._slew_end_s
            return slewing or any(self._axis_moving)

    def pulse_guiding(self, utc_s: float) -> bool:
        """Whether a guide pulse is under way."""
        return utc_s < self._pulse_end_s

    def still_moving(self, utc_s: float) -> bool:
        """Whether an axis turns faster than tracking does (the truth, whatever is reported)."""
        with self._lock:
            self._begin_queued(utc_s)
            return (
                abs(self._ra.at(utc_s)[1]) > 2.0 * SIDEREAL_RATE
                or abs(self._dec.at(utc_s)[1]) > 2.0 * SIDEREAL_RATE
            )

    def true_hour_angle_dec(self, utc_s: float) -> tuple[float, float]:
        """Where the axes stand in truth, as hour angle and declination (rad) about its own axis.

        What the electronics do not know is in it: slips, backlash, the offset of the encoders.
        """
        with self._lock:
            return self.belief.direction(*self._true_axes(utc_s, self._step(utc_s)))

    def axis_rates(self, utc_s: float) -> tuple[float, float]:
        """How fast both axes turn, rad/s (the truth)."""
        with self._lock:
            self._begin_queued(utc_s)
            return self._ra.at(utc_s)[1], self._dec.at(utc_s)[1]

    def keep_house(self, utc_s: float) -> None:
        """Finish what has become due: park, home, limits."""
        with self._lock:
            self._keep_house(utc_s)

    def _begin_queued(self, utc_s: float) -> None:
        """Begin what was queued, at its own time, once that has come."""
        queued = self._queued
        if queued is None or utc_s < queued.start_s:
            return
        self._queued = None
        if queued.purpose is not None:
            self.tracking = False
        self._start_slew(queued.goal, queued.start_s)
        self._pending = queued.purpose

    def drop_queued(self) -> None:
        """Lose what was accepted and has not begun, as a driver that restarts does."""
        with self._lock:
            self._queued = None

    def _queue(self, goal: Goal, utc_s: float, purpose: str | None = None) -> None:
        """Begin after the driver's lag; a later command replaces one that has not begun."""
        self._queued = _Queued(utc_s + self.spec.start_lag_s, goal, purpose)
        self._begin_queued(utc_s)

    def _keep_house(self, utc_s: float) -> None:
        self._begin_queued(utc_s)
        if self._pending is not None and utc_s >= self._slew_end_s:
            if self._pending == "park":
                self.at_park = True
            if self._pending == "home" or self.park_axes == self.belief.home:
                self.at_home = True
            self._pending = None
        if self.tracking and utc_s >= self._limit_s:
            self.tracking = False
        low = self.spec.altitude_min_deg * DEG - 0.02 * DEG
        free = self.tracking or any(self._axis_moving)
        if free and utc_s >= self._slew_end_s and self.alt_az(utc_s)[0] < low:
            before = self.alt_az(utc_s - 1.0)[0]
            if before >= self.alt_az(utc_s)[0]:
                self.tracking = False
                self._axis_moving = [False, False]
                self._brake(utc_s)

    # Commands

    def _check_free(self, utc_s: float) -> None:
        self._keep_house(utc_s)
        if self.at_park:
            raise Parked("the mount is parked; unpark it first")

    def set_tracking(self, on: bool, utc_s: float) -> None:
        """Start or stop following the sky."""
        with self._lock:
            self._keep_house(utc_s)
            if not on:
                self.tracking = False
                if not self._axis_moving[0]:
                    self._coast(max(utc_s, self._ra_arrive_s))
                return
            self._check_free(utc_s)
            if self._pending is not None:
                raise NotNow(f"the mount is on its way to {self._pending}; wait or abort")
            theta, _ = self._believed_axes(utc_s)
            if theta >= self.belief.theta_range[1] - 1e-9:
                raise NotNow("the RA axis is at its limit past the meridian; slew away first")
            self.told.append(Told(utc_s, "track"))
            self.tracking = True
            self.at_home = False
            if not self._axis_moving[0]:
                self._coast(max(utc_s, self._ra_arrive_s))

    @property
    def _track_rate(self) -> float:
        return SIDEREAL_RATE * _RATES[self.tracking_rate] if self.tracking else 0.0

    def set_tracking_rate(self, number: int, utc_s: float) -> None:
        """Choose a drive rate by its number."""
        with self._lock:
            self.tracking_rate = number
            if self.tracking and not self._axis_moving[0]:
                self._coast(max(utc_s, self._ra_arrive_s))

    def _coast(self, utc_s: float) -> None:
        """Track from ``utc_s`` on, up to the limit."""
        self._ra_arrive_s = utc_s
        rate = self._track_rate
        self._ra.add(utc_s, rate)
        self._limit_s = math.inf
        if rate > 0.0:
            room = self.belief.theta_range[1] - (self._ra.at(utc_s)[0] + self._zero[0])
            self._limit_s = utc_s + max(0.0, room) / rate
            self._ra.add(self._limit_s, 0.0)

    def destination_side(self, ra: float, dec: float, utc_s: float) -> int:
        """Pointing state after a slew now to coordinates in the mount's own system (rad)."""
        hour_angle, _ = self.belief.hour_angle_dec(ra, dec, utc_s)
        return self.belief.side_for(hour_angle, self.side(utc_s))

    def slew_ra_dec(self, ra: float, dec: float, utc_s: float, side: int | None = None) -> None:
        """Start to slew; tracking must be on.

        Raises:
            Parked: it is.
            NotNow: tracking is off.
            ValueRefused: the target is below the altitude limit.
        """
        with self._lock:
            self._check_free(utc_s)
            if not self.tracking:
                raise NotNow("tracking is off; switch it on before a slew to RA and declination")
            hour_angle, of_date = self.belief.hour_angle_dec(ra, dec, utc_s)
            self._check_altitude(hour_angle, of_date)
            self.told.append(Told(utc_s, "slew", (hour_angle, of_date)))
            if side is None:
                side = self.belief.side_for(hour_angle, self.side(utc_s))

            def goal(time_s: float) -> tuple[float, float]:
                # The hour angle goes on unfolded, whatever it was when the side was chosen.
                moved = self._track_rate * (time_s - utc_s)
                return self.belief.axes(hour_angle + moved, of_date, side)

            self._queue(goal, utc_s)

    def slew_alt_az(self, altitude: float, azimuth: float, utc_s: float) -> None:
        """Start to slew to a place over the horizon; tracking must be off."""
        with self._lock:
            self._check_free(utc_s)
            if self.tracking:
                raise NotNow("tracking is on; switch it off before a slew to altitude and azimuth")
            hour_angle, dec = self.belief.from_alt_az(altitude, azimuth)
            self._check_altitude(hour_angle, dec)
            self.told.append(Told(utc_s, "slew", (hour_angle, dec)))
            axes = self.belief.axes(
                hour_angle, dec, self.belief.side_for(hour_angle, self.side(utc_s))
            )
            self._queue(lambda _: axes, utc_s)

    def _check_altitude(self, hour_angle: float, dec: float) -> None:
        altitude = self.belief.alt_az(hour_angle, dec)[0] / DEG
        if altitude < self.spec.altitude_min_deg - 1e-6:
            raise ValueRefused(
                f"the target's altitude is {altitude:.2f} deg, below the limit of "
                f"{self.spec.altitude_min_deg:.2f} deg"
            )

    def _start_slew(self, goal: Goal, utc_s: float) -> None:
        speed = self.spec.slew_deg_per_s * DEG
        ramp = self.spec.acceleration_deg_per_s2 * DEG
        self._axis_moving = [False, False]
        self._pending = None
        self.at_home = False
        self._slew_shown_s = utc_s + self.spec.slewing_lag_s
        start_s = self._brake(utc_s)
        theta, d = (track.at(start_s)[0] for track in (self._ra, self._dec))
        arrive_s = start_s
        for _ in range(4):  # the goal moves while the axis is under way: 4e-3 of it at most
            wanted = goal(arrive_s)[0] - self._zero[0]
            arrive_s = start_s + trapezoid_s(wanted - theta, speed, ramp)
        wanted_d = goal(arrive_s)[1] - self._zero[1]
        self._ra.go_to(start_s, wanted, speed, ramp)
        dec_s = self._dec.go_to(start_s, wanted_d, speed, ramp)
        self._coast(arrive_s)
        path = max(abs(wanted - theta), abs(wanted_d - d))
        self._arrived(max(arrive_s, dec_s), path)

    def _arrived(self, arrive_s: float, path: float) -> None:
        self._arrive_s = arrive_s
        self._slew_end_s = arrive_s + self.settle_time_s
        strength = self.spec.vibration_arcsec * ARCSEC * min(1.0, path / DEG)
        self._rings = [*self._rings[-20:], _Ring(arrive_s, strength)]
        if path > 0.1 * DEG:
            # The moment seeds the draw, so that the same night comes out the same again.
            draw = np.random.default_rng(int(arrive_s * 1000.0)).standard_normal()
            rest = float(draw) * self.spec.unsteadiness_arcsec * ARCSEC
            self._add_step(arrive_s, d=rest - self._rest)
            self._rest = rest

    def _brake(self, utc_s: float) -> float:
        """Bring both axes to rest unless they only track; return when they are."""
        ramp = self.spec.acceleration_deg_per_s2 * DEG
        # What was still to come of an interrupted slew never happens, nor does its ringing.
        self._rings = [ring for ring in self._rings if ring.start_s <= utc_s]
        rest_s = utc_s
        for track in (self._ra, self._dec):
            if abs(track.at(utc_s)[1]) > 2.0 * SIDEREAL_RATE:
                rest_s = max(rest_s, track.stop(utc_s, ramp))
            else:
                track.add(utc_s, 0.0)
        return rest_s

    def abort(self, utc_s: float) -> None:
        """Stop slews and axis moves; tracking goes on if it was on."""
        with self._lock:
            self._check_free(utc_s)
            if self.spec.abort_clears_queue:
                self._queued = None
            moving = utc_s < self._slew_end_s or any(self._axis_moving)
            self._pending = None
            self._axis_moving = [False, False]
            self._pulse_end_s = min(self._pulse_end_s, utc_s)
            if not moving:
                return
            fast = max(abs(track.at(utc_s)[1]) for track in (self._ra, self._dec))
            rest_s = self._brake(utc_s)
            self._coast(rest_s)
            self._arrived(rest_s, fast)
            self._slew_end_s = rest_s

    def _go_to_axes(self, axes: tuple[float, float], purpose: str, utc_s: float) -> None:
        self.told.append(Told(utc_s, purpose))
        self._queue(lambda _: axes, utc_s, purpose)

    def park(self, utc_s: float) -> None:
        """Start to go to the park position; tracking ends."""
        with self._lock:
            self._keep_house(utc_s)
            if not self.at_park and self._pending != "park":
                self._go_to_axes(self.park_axes, "park", utc_s)

    def unpark(self, utc_s: float) -> None:
        """Make ready to move; tracking stays off."""
        with self._lock:
            self._keep_house(utc_s)
            self.at_park = False

    def set_park(self, utc_s: float) -> None:
        """Make the present position the park position."""
        with self._lock:
            self._check_free(utc_s)
            self.park_axes = self._believed_axes(utc_s)

    def find_home(self, utc_s: float) -> None:
        """Start to go home; tracking ends."""
        with self._lock:
            self._check_free(utc_s)
            self._go_to_axes(self.belief.home, "home", utc_s)

    def move_axis(self, axis: int, rate: float, utc_s: float) -> None:
        """Turn an axis (0 RA, 1 declination) at ``rate`` (rad/s) until a rate of 0 ends it."""
        with self._lock:
            self._check_free(utc_s)
            ramp = self.spec.acceleration_deg_per_s2 * DEG
            track = (self._ra, self._dec)[axis]
            if rate == 0.0:  # always allowed: it is how clients make sure that nothing moves
                if self._axis_moving[axis]:
                    self._end_move(axis, utc_s)
                return
            if utc_s < self._slew_end_s:
                raise NotNow("a slew is under way; abort it before moving an axis")
            self.told.append(Told(utc_s, "axis"))
            self.at_home = False
            self._axis_moving[axis] = True
            if axis == 0:
                self._limit_s = math.inf
            end_s = track.change_rate(utc_s, rate, ramp)
            low, high = self.belief.theta_range if axis == 0 else self.belief.d_range
            room = (high if rate > 0.0 else low) - self._zero[axis] - track.at(end_s)[0]
            track.add(end_s + max(0.0, room / rate), 0.0)

    def _end_move(self, axis: int, utc_s: float) -> None:
        track = (self._ra, self._dec)[axis]
        fast = abs(track.at(utc_s)[1])
        rest_s = track.stop(utc_s, self.spec.acceleration_deg_per_s2 * DEG)
        if axis == 0:
            self._coast(rest_s)
        self._axis_moving[axis] = False
        self._arrived(rest_s, fast)
        self._slew_end_s = rest_s

    def pulse(self, direction: int, duration_s: float, utc_s: float) -> None:
        """Start a guide pulse: 0 north, 1 south, 2 east, 3 west."""
        with self._lock:
            self._check_free(utc_s)
            if utc_s < self._slew_end_s or any(self._axis_moving):
                raise NotNow("the mount is slewing; guide pulses have to wait")
            self.told.append(Told(utc_s, "pulse"))
            end_s = utc_s + duration_s
            if direction in (2, 3):
                rate = self.guide_rates[0] * (1.0 if direction == 3 else -1.0)
                self._ra.add(utc_s, self._track_rate + rate)
                self._coast(end_s)
            else:
                rate = self.guide_rates[1] * (1.0 if direction == 0 else -1.0)
                if self.side(utc_s) == 1:
                    rate = -rate
                self._dec.add(utc_s, rate)
                self._dec.add(end_s, 0.0)
            self._pulse_end_s = end_s

    def sync(self, ra: float, dec: float, utc_s: float) -> None:
        """Believe from now on to point at these coordinates (rad, own system)."""
        with self._lock:
            self._check_free(utc_s)
            hour_angle, of_date = self.belief.hour_angle_dec(ra, dec, utc_s)
            theta, d = self._believed_axes(utc_s)
            wanted = self.belief.axes(hour_angle, of_date, self.belief.side_of(d))
            self._zero[0] += fold_pi(wanted[0] - theta)
            self._zero[1] += fold_pi(wanted[1] - d)
            if self.tracking and not self._axis_moving[0]:
                self._coast(max(utc_s, self._ra_arrive_s))
