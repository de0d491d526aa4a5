"""A toy mount on a base with two coarse adjusters, and a hand that obeys the advice.

Invented rigs: every figure is drawn from a random generator. The base is built from its own
rotations (scipy), not from the code under test: axis = Tilt Rz(azimuth) Rx(altitude) y.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading, Settings
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE, Matrix, Vector


def turn(axis: Vector, angle: float) -> Matrix:
    return np.asarray(Rotation.from_rotvec(np.asarray(axis) * angle).as_matrix())


Z = np.array([0.0, 0.0, 1.0])
X = np.array([1.0, 0.0, 0.0])


@dataclass
class ToyMount:
    """Base out of level, RA turn, declination slip, a camera with noise."""

    latitude: float
    tilt: Matrix
    azimuth: float
    altitude: float
    camera: Matrix
    """Attitude on the mount at RA turn 0, with the axis along the mount's own +y."""
    declination_axis: Vector
    rng: np.random.Generator
    boresight_sigma: float = 1.5 * ARCSEC
    roll_sigma: float = 6.0 * ARCSEC
    tracking: bool = True
    utc_s: float = 1.8e9
    ra: float = 0.0
    slip: float = 0.0
    kick: Matrix = field(default_factory=lambda: np.eye(3))
    reports_tracking: bool = True

    @property
    def southern(self) -> bool:
        return self.latitude < 0.0

    @property
    def pole(self) -> Vector:
        s = math.copysign(1.0, self.latitude)
        return np.array([0.0, s * math.cos(self.latitude), s * math.sin(self.latitude)])

    @property
    def base(self) -> Matrix:
        level: Matrix = self.kick @ self.tilt
        return level @ turn(Z, self.azimuth) @ turn(X, self.altitude)

    @property
    def axis(self) -> Vector:
        return self.base @ np.array([0.0, 1.0, 0.0])

    def error(self) -> float:
        """True distance (rad) of the axis from the pole."""
        return math.atan2(
            float(np.linalg.norm(np.cross(self.axis, self.pole))), float(self.axis @ self.pole)
        )

    def wait(self, seconds: float) -> None:
        self.utc_s += seconds
        if self.tracking:
            # From the east over the meridian to the west: about +y, pointing to the northern
            # pole, left-handed; about the southern pole right-handed.
            self.ra += (1.0 if self.southern else -1.0) * SIDEREAL_RATE * seconds

    def true_attitude(self) -> Matrix:
        mount: Matrix = self.base @ turn(np.array([0.0, 1.0, 0.0]), self.ra)
        return mount @ turn(self.declination_axis, self.slip) @ self.camera

    def look(self, elongation: float = 1.1, stars: int = 60) -> Observation:
        sigmas = np.array([self.boresight_sigma, self.boresight_sigma, self.roll_sigma])
        noise = self.rng.normal(size=3) * sigmas
        measured = self.true_attitude() @ np.asarray(Rotation.from_rotvec(noise).as_matrix())
        attitude = Attitude(
            matrix=measured,
            covariance=np.diag(sigmas**2),
            utc_s=self.utc_s,
            parity=1,
            scale=2.0 * ARCSEC,
            matched=stars,
            chi2_per_dof=1.0,
            rms_px=0.2,
        )
        return Observation(
            attitude,
            elongation=elongation,
            star_count=stars,
            hfd_px=3.0,
            tracking=self.tracking if self.reports_tracking else None,
        )

    def swept(self, sigma: float) -> tuple[Vector, Matrix]:
        """The axis as a sweep with that noise (rad, per direction) would give it."""
        axis = self.axis
        plane = np.eye(3) - np.outer(axis, axis)
        measured = axis + plane @ self.rng.normal(size=3) * sigma
        return measured / np.linalg.norm(measured), plane * sigma**2


def toy_mount(
    rng: np.random.Generator,
    *,
    latitude_deg: float | None = None,
    error_deg: float = 2.0,
    tilt_deg: float = 3.0,
    tracking: bool | None = None,
) -> ToyMount:
    """A random rig, in either hemisphere, out of level by up to ``tilt_deg``."""
    if latitude_deg is None:
        latitude_deg = float(rng.uniform(12.0, 66.0) * rng.choice([-1.0, 1.0]))
    latitude = latitude_deg * DEG
    lean = rng.uniform(0.0, 2.0 * math.pi)
    tilt = turn(
        np.array([math.cos(lean), math.sin(lean), 0.0]), tilt_deg * DEG * math.sqrt(rng.random())
    )
    place = rng.uniform(0.0, 2.0 * math.pi)
    off = error_deg * DEG
    s = math.copysign(1.0, latitude)
    pole_az = 0.0 if s > 0 else math.pi
    altitude = abs(latitude) + off * math.sin(place)
    azimuth = pole_az + off * math.cos(place) / math.cos(latitude)
    wanted = np.array(
        [
            math.sin(azimuth) * math.cos(altitude),
            math.cos(azimuth) * math.cos(altitude),
            math.sin(altitude),
        ]
    )
    inside = tilt.T @ wanted  # the adjusters that put the axis there although the base leans
    ra_start = rng.uniform(-1.5, 1.5)
    pointing = turn(np.array([0.0, 1.0, 0.0]), ra_start) @ turn(X, rng.uniform(-1.2, 1.2))
    camera = pointing @ np.asarray(
        Rotation.random(random_state=int(rng.integers(2**31))).as_matrix()
    )
    declination_axis = turn(np.array([0.0, 1.0, 0.0]), ra_start) @ X
    return ToyMount(
        latitude=latitude,
        tilt=tilt,
        azimuth=math.atan2(-inside[0], inside[1]),
        altitude=math.asin(inside[2]),
        camera=camera,
        declination_axis=declination_axis,
        rng=rng,
        tracking=bool(rng.random() < 0.5) if tracking is None else tracking,
    )


@dataclass
class ToyKnob:
    """One adjuster: lost motion after a reversal, a rate, jumps while going down."""

    arcmin_per_turn: float
    backlash: float
    jumpy: bool = False
    slack: float = 0.0

    def turned(self, turns: float, rng: np.random.Generator) -> float:
        """How far (rad) the base really goes for so many signed turns."""
        wanted = turns * self.arcmin_per_turn * ARCMIN
        # slack runs from 0 (bearing on the minus side) to backlash (bearing on the plus side)
        if wanted > 0.0:
            lost = min(wanted, self.backlash - self.slack)
            self.slack += lost
            return wanted - lost
        lost = min(-wanted, self.slack)
        self.slack -= lost
        moved = wanted + lost
        if self.jumpy and moved < 0.0:
            moved *= float(rng.uniform(0.7, 1.5))  # sticks, then jumps
            moved -= float(rng.uniform(0.0, 2.0)) * ARCMIN
        return moved


@dataclass
class Hand:
    """Turns what the advice says, and nothing else; judges angles only roughly."""

    mount: ToyMount
    altitude: ToyKnob
    azimuth: ToyKnob
    tells_turns: bool = True
    skill: float = 0.15
    sweep_sigma: float = 3.0 * ARCSEC
    profile: AdjusterProfile = field(default_factory=AdjusterProfile)
    settings: Settings = field(default_factory=lambda: Settings(tolerance_arcmin=0.5))
    cross_talk: float = 0.03
    snug_jump: float = 12.0 * ARCSEC
    frame_s: float = 3.0
    moves: int = 0
    sweeps: int = 0
    readings: list[Reading] = field(default_factory=list)
    truths: list[tuple[Reading, Vector]] = field(default_factory=list)

    def sweep(self, before: AdjustmentEngine | None) -> AdjustmentEngine:
        self.sweeps += 1
        axis, covariance = self.mount.swept(self.sweep_sigma)
        self.mount.wait(60.0)
        return AdjustmentEngine(
            axis,
            covariance,
            self.mount.look(),
            Site(self.mount.latitude / DEG, 0.0),
            PoleTarget.TRUE,
            Atmosphere.none(),
            self.profile,
            self.settings,
            learned_from=before,
        )

    def feed(self, engine: AdjustmentEngine, elongation: float = 1.1) -> Reading:
        self.mount.wait(self.frame_s)
        reading = engine.update(self.mount.look(elongation))
        self.readings.append(reading)
        if reading.settled:
            self.truths.append((reading, self.mount.axis))
        return reading

    def until_settled(self, engine: AdjustmentEngine) -> Reading:
        for _ in range(12):
            reading = self.feed(engine)
            if reading.settled:
                return reading
        raise AssertionError("twelve still frames and not settled")

    def obey(self, engine: AdjustmentEngine, reading: Reading) -> None:
        """One move as told, with smeared and lost frames on the way."""
        advice = reading.advice
        assert advice.axis is not None
        knob = self.altitude if advice.axis is Axis.ALTITUDE else self.azimuth
        sign = 1.0 if advice.action in (Action.RAISE, Action.EAST) else -1.0
        rng = self.mount.rng
        self.moves += 1
        if advice.turns is None and not self.tells_turns:
            self.feel(engine, reading, knob, sign)
            return
        if advice.turns is not None:
            turns = advice.turns * (1.0 + self.skill * float(rng.normal()) * 0.5)
        else:
            # Nothing is known yet: the hand guesses a rate and may be off by half.
            guess = knob.arcmin_per_turn * float(rng.uniform(0.7, 1.6))
            turns = advice.amount_base_arcmin / guess * (1.0 + self.skill * float(rng.normal()))
        turns = abs(turns)
        self.turn(engine, advice.axis, sign * turns)
        if self.tells_turns:
            engine.note_turns(advice.axis, sign * max(0.02, round(turns * 16.0) / 16.0))

    def feel(self, engine: AdjustmentEngine, told: Reading, knob: ToyKnob, sign: float) -> None:
        """Turn in small steps with an eye on what is left, until little is or the mark is past."""
        advice = told.advice
        assert advice.axis is not None
        start = left = advice.amount_arcmin
        base = advice.amount_base_arcmin / advice.amount_arcmin
        boost = 1.0
        for _ in range(15):
            share = float(self.mount.rng.uniform(0.25, 0.7))
            turns = boost * share * left * base / knob.arcmin_per_turn
            moved = knob.turned(sign * turns, self.mount.rng)
            self.push(advice.axis, moved)
            now = self.feed(engine, elongation=1.8 if abs(moved) > 3.0 * ARCSEC else 1.1).advice
            if now.heading is not advice.heading or now.amount_arcmin < 0.15 * start:
                return
            # Nothing bites yet: a hand then turns further at a time.
            boost = 1.5 * boost if now.amount_arcmin > 0.9 * left else 1.0
            left = now.amount_arcmin

    def turn(self, engine: AdjustmentEngine, axis: Axis, turns: float) -> None:
        knob = self.altitude if axis is Axis.ALTITUDE else self.azimuth
        moved = knob.turned(turns, self.mount.rng)
        for share in (0.4, 0.6):
            self.push(axis, share * moved)
            if self.mount.rng.random() < 0.2:
                self.mount.wait(self.frame_s)
                engine.update(NoReading("4 stars found, 8 needed", self.mount.utc_s, 2.5, None))
            else:
                self.feed(engine, elongation=2.0)

    def push(self, axis: Axis, amount: float) -> None:
        """Turn the base: plus raises, or swings the axis towards the compass's east."""
        mount = self.mount
        if axis is Axis.ALTITUDE:
            mount.altitude += amount
            return
        before = mount.axis[0]
        mount.azimuth += 1e-6
        to_east = math.copysign(1.0, mount.axis[0] - before)
        mount.azimuth += to_east * amount - 1e-6
        mount.altitude += self.cross_talk * amount

    def align(self, most_moves: int = 60) -> AdjustmentEngine:
        """Follow the advice until it says done; return the last engine."""
        engine = self.sweep(None)
        turning = {Action.RAISE, Action.LOWER, Action.EAST, Action.WEST}
        while self.moves < most_moves:
            reading = self.until_settled(engine)
            action = reading.advice.action
            if action in turning:
                self.obey(engine, reading)
            elif action is Action.STOP_AND_SWEEP:
                engine = self.sweep(engine)
            elif action is Action.SNUG_AND_RECHECK:
                self.push(Axis.ALTITUDE, self.snug_jump * float(self.mount.rng.normal()))
                self.push(Axis.AZIMUTH, self.snug_jump * float(self.mount.rng.normal()))
                engine.note_snugged()
            elif action is Action.DONE:
                return engine
            else:
                raise AssertionError(f"{action}: {reading.advice.sentence} {reading.notices}")
            assert self.sweeps < 12, "asks for sweeps without end"
        raise AssertionError(f"{most_moves} moves: {reading.advice.sentence}")


def random_hand(rng: np.random.Generator, **mount: float) -> Hand:
    return Hand(
        toy_mount(rng, **mount),  # type: ignore[arg-type]
        ToyKnob(float(rng.uniform(15.0, 90.0)), float(rng.uniform(0.0, 3.0)) * ARCMIN, jumpy=True),
        ToyKnob(float(rng.uniform(15.0, 90.0)), float(rng.uniform(0.0, 6.0)) * ARCMIN),
        tells_turns=bool(rng.random() < 0.7),
        cross_talk=float(rng.uniform(-0.05, 0.05)),
    )


def still_frames(mount: ToyMount, count: int, every_s: float = 3.0) -> Iterator[Observation]:
    for _ in range(count):
        mount.wait(every_s)
        yield mount.look()
