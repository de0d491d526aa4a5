"""Glances: short exposures of a part of the frame between the full frames of an adjustment.

Where a camera or its driver does not lend itself to them, all frames are full ones, and that is
said once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.base_turn import BaseTurn, Picture, fit_base_turn
from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading
from polewright.calculation.adjusting.glance_choice import (
    FLOOR,
    LEAST_STARS,
    Ability,
    Bright,
    Glance,
    Pace,
    choose_glance,
    star_air,
)
from polewright.calculation.adjusting.glance_follow import GlanceFollower, Moving
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.geometry.attitude import camera_vectors
from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.images.detect import DetectOptions, detect_stars
from polewright.calculation.images.frame import Frame, StarList
from polewright.devices.alpaca.errors import (
    BadGeometry,
    InvalidValue,
    MislabelledImage,
    NotImplementedByDevice,
    StaleImage,
)
from polewright.foundation.angles import SIDEREAL_RATE, Matrix
from polewright.foundation.errors import GeometryError, PolewrightError
from polewright.foundation.language import say
from polewright.observing.rig.plate_solver import Plate
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.settle_memory import NO_SUBFRAMES, OLDER_IMAGES

_OPTIONS = DetectOptions(max_stars=60)
#: Before a glance was taken: requests to the camera and reading, s; megapixels a second of reading.
FIRST_FIXED_S, READING_S_PER_PX = 0.08, 3e-8
#: Brightest stars compared; shifts within so many pixels are alike; a star is the same within so
#: many of where the others put it; and this share of those that must be there has to be found.
MOST_COMPARED, ALIKE_PX, SAME_PX, COMMON_SHARE = 24, 2.0, 3.0, 0.6
#: Farthest that the stars may have moved since the glance before, as a share of the subframe.
REACH_SHARE = 0.6
#: The subframe follows its stars when they have moved by this share of its shorter side.
FOLLOW_SHARE = 0.15
#: Reference stars taken: no glance shows fainter ones.
MOST_STARS = 120
#: Glances are of no use where one takes longer than this share of a full frame, or than so many
#: seconds, so many times in a row (own choices).
WORTH_SHARE, SLOW_S, SLOW_GLANCES = 0.6, 2.0, 3
#: A driver starts the camera anew where a changed subframe costs so much more, s, so often in a row
#: (own choices).
RESTART_S, RESTARTS = 0.7, 2
#: Glances that failed in a row, and contradictions, after which there are no more.
FAILED_GLANCES, CONTRADICTIONS = 3, 2
#: Error of a star's place in the full frame where it is saturated, pixels (own choice).
SATURATED_PX = 0.3


@dataclass(frozen=True, eq=False)
class _AtRest:
    """A full frame at rest: what glances are compared with."""

    reading: Reading
    camera: Matrix
    utc_s: float
    tracking: bool
    icrs: NDArray[np.float64]
    """(N, 3) of its stars, as it shows them, brightest first."""
    sigma_px: NDArray[np.float64]
    stars: StarList
    bright: Bright
    picture: Picture


class Glances:
    """Chooses, reads and judges glances; belongs to the run's own thread.

    Args:
        rig: the rig.
        engine: of this pass.
        setting: [adjusting] glances.
    """

    def __init__(self, rig: Rig, engine: AdjustmentEngine, setting: str) -> None:
        self._rig, self._engine = rig, engine
        self.follower = GlanceFollower()
        self._rest: _AtRest | None = None
        self._glance: Glance | None = None
        self._turn: BaseTurn | None = None
        self._beside: list[tuple[float, float]] = []
        self._full: tuple[float, float] | None = None
        """Pixels of a full frame, and seconds that it takes beside its exposure."""
        self._full_s = math.inf
        self._slow = self._restarts = self._failed = self._contradictions = 0
        self._middle_icrs: NDArray[np.float64] | None = None
        self._middle_was: tuple[float, NDArray[np.float64]] | None = None
        if rig.glances_off:
            return
        if setting == "auto" and rig.camera.has_shutter():
            rig.glances_off = say(
                "the camera has a mechanical shutter, and glances would move it thousands of "
                'times a night; [adjusting] glances = "on" takes them all the same'
            )
            self._tell_off()
        elif setting == "off":
            rig.glances_off = say("glances are switched off")
        elif rig.camera.has_shutter():
            rig.note(
                say(
                    "Glances move the camera's mechanical shutter, some hundred times a minute: "
                    "it wears."
                ),
                warning=True,
            )

    def _tell_off(self) -> None:
        self._rig.note(
            say("The reading follows by full frames only: {reason}.", reason=self._rig.glances_off),
            warning=True,
        )

    def stop(self, why: str) -> None:
        """Take no more glances in this run, and say why."""
        self._rig.glances_off = why
        self._tell_off()
        self._glance = None

    @property
    def stopped(self) -> bool:
        """Whether there are none in this run."""
        return bool(self._rig.glances_off)

    # -- full frames -----------------------------------------------------------------------

    def full(
        self,
        frame: Frame,
        plate: Plate | None,
        seen: Observation | NoReading,
        reading: Reading,
        took_s: float,
    ) -> None:
        """Take in a full frame and its reading.

        Args:
            frame: the frame.
            plate: its solution; None: there is none.
            seen: what the engine was fed with.
            reading: what it made of it.
            took_s: from when the frame was begun until it was read.
        """
        if self.stopped:
            return
        self._full = float(frame.width * frame.height), max(0.0, took_s - frame.exposure_s)
        self._full_s = took_s
        if plate is None or isinstance(seen, NoReading) or not self._engine.sharp(seen):
            self.follower.nothing(smeared=reading.state is State.MOVING)
            return
        if self.follower.full(reading.axis, took_s, settled=reading.settled):
            self._contradicted()
        self._rest = self._at_rest(frame, plate, reading, seen.tracking is True)
        self._turn = None
        self._choose(frame.utc_mid_s)

    def _contradicted(self) -> None:
        self._contradictions += 1
        if self._contradictions >= CONTRADICTIONS:
            self.stop(say("glances showed the axis elsewhere than the full frames, again"))
            return
        self._rig.note(
            say(
                "Glances showed the axis elsewhere than the full frames before and after them: "
                "the full frames count."
            ),
            warning=True,
        )

    def _at_rest(self, frame: Frame, plate: Plate, reading: Reading, tracking: bool) -> _AtRest:
        stars, attitude = plate.stars.take(slice(0, MOST_STARS)), plate.attitude
        places = np.column_stack([stars.x, stars.y])
        picture = Picture(
            frame.width, frame.height, attitude.parity, attitude.scale, attitude.distortion
        )
        vectors = self._camera_vectors(places, picture)
        sigma = np.where(stars.saturated, np.maximum(stars.sigma_px, SATURATED_PX), stars.sigma_px)
        return _AtRest(
            reading=reading,
            camera=attitude.matrix,
            utc_s=frame.utc_mid_s,
            tracking=tracking,
            icrs=plate.sky.to_icrs(vectors @ attitude.matrix.T),
            sigma_px=np.hypot(sigma, star_air(frame.exposure_s) / attitude.scale),
            stars=stars,
            bright=Bright.of(frame, stars),
            picture=picture,
        )

    # -- the next one ------------------------------------------------------------------------

    def next(self) -> Glance | None:
        """Return the glance to be taken now; None: a full frame."""
        if self.stopped:
            return None
        now_s = self._rig.clock.monotonic_s()
        if self._glance is None or self._rest is None or self.follower.full_due(now_s):
            self.follower.full_begun(now_s)
            return None
        return self._glance

    def _pace(self) -> Pace:
        """How long the camera takes, as full frames and glances of this run have shown."""
        pixels, beside_s = self._full or (1e6, 0.0)
        if not self._beside:
            per_pixel_s = max(beside_s - FIRST_FIXED_S, 0.0) / pixels
            return Pace(FIRST_FIXED_S, max(per_pixel_s, READING_S_PER_PX))
        small, small_s = (float(np.median(v)) for v in zip(*self._beside, strict=True))
        if small_s >= beside_s:  # the link has become slower since the full frame
            pixels, beside_s, small, small_s = small, small_s, 0.0, min(small_s, FIRST_FIXED_S)
        per_pixel_s = max(0.0, beside_s - small_s) / max(pixels - small, 1.0)
        per_pixel_s = max(per_pixel_s, READING_S_PER_PX)
        return Pace(max(small_s - per_pixel_s * small, 0.01), per_pixel_s)

    def _choose(self, utc_s: float) -> None:
        """Choose where glances go from now on, with the axis where it was seen last."""
        rest = self._rest
        if rest is None:
            return
        camera, directions, places = self._expected(rest, utc_s)
        now = camera if self._turn is None else self._turn.turn @ camera
        axis = rest.reading.axis if self._turn is None else self._turn.axis
        info = self._rig.camera.info()
        binned = self._rig.config.camera.binning
        ability = Ability(info.exposure_min_s or 0.0, max(1, info.max_binning // binned))
        self._glance = choose_glance(
            rest.bright,
            places,
            directions,
            now,
            axis,
            rest.picture,
            self._pace(),
            ability,
        )
        self._middle_was = self._middle_icrs = None
        if self._glance is not None:
            middle = self._camera_vectors(self._glance.middle[None], rest.picture) @ now.T
            self._middle_icrs = self._rig.plates.sky_at(utc_s).to_icrs(middle)[0]
        elif self._turn is not None:
            self.follower.forget()  # the stars have left the frame: others are needed
        else:
            self._rig.note(
                say(
                    "Too few bright stars here for glances: the reading follows by full frames "
                    "until the telescope points elsewhere."
                )
            )

    @staticmethod
    def _camera_vectors(places: NDArray[np.float64], picture: Picture) -> NDArray[np.float64]:
        return camera_vectors(
            places, picture.width, picture.height, picture.parity, picture.scale, picture.distortion
        )

    def _expected(
        self, rest: _AtRest, utc_s: float
    ) -> tuple[Matrix, NDArray[np.float64], NDArray[np.float64]]:
        """The camera (3, 3) by tracking alone, the stars (N, 3) observed, and where (N, 2)."""
        camera = rest.camera
        if rest.tracking:
            way = 1.0 if self._rig.site.southern else -1.0
            turned = way * SIDEREAL_RATE * (utc_s - rest.utc_s)
            camera = rotation_about(rest.reading.axis, turned) @ camera
        directions = self._rig.plates.sky_at(utc_s).observe(rest.icrs)
        now = camera if self._turn is None else self._turn.turn @ camera
        return camera, directions, rest.picture.pixels(directions @ now)

    # -- reading -----------------------------------------------------------------------------

    def read(self, frame: Frame, glance: Glance, took_s: float, *, changed: bool) -> Moving | None:
        """Return what a glance shows; None where it does not show enough stars.

        Args:
            frame: as it came.
            glance: what was asked for.
            took_s: from when it was begun until it came.
            changed: whether the exposure before it had another subframe or binning.

        Raises:
            ImageError: the image is none.
        """
        rest = self._rest
        if rest is None or self.stopped:
            return None
        began_s = self._rig.clock.monotonic_s()
        turn = self._fitted(rest, frame, glance)
        self._failed = 0  # once the image could be read
        self._kept_pace(glance, took_s + self._rig.clock.monotonic_s() - began_s, changed)
        if turn is None:
            self.follower.unseen()
            return None
        self._turn = turn
        self.follower.seen(turn, frame.utc_mid_s)
        if self._slow:
            self._choose(frame.utc_mid_s)
        else:
            self._follow(rest, glance, frame.utc_mid_s)
        moving = self._engine.glance(
            rest.reading,
            turn,
            frame.utc_mid_s,
            turning=self.follower.turning,
            resting=self.follower.turning and self.follower.let_go,
            odd=self.follower.odd,
        )
        advice = moving.advice
        self.follower.told(there=advice is None or advice.action is Action.WAIT)
        return moving

    def _fitted(self, rest: _AtRest, frame: Frame, glance: Glance) -> BaseTurn | None:
        elapsed_s = frame.utc_mid_s - rest.utc_s
        if not 0.0 <= elapsed_s < 600.0:  # a clock that was set, or nobody looked for long
            self.follower.forget()
            return None
        camera, directions, places = self._expected(rest, frame.utc_mid_s)
        reach = REACH_SHARE * min(glance.width, glance.height)
        expected = np.isfinite(rest.bright.sigma_px(frame.exposure_s, glance.binning))
        here = np.flatnonzero(expected & glance.holds(places, -reach))
        found = detect_stars(frame, _OPTIONS)
        if here.size < LEAST_STARS or len(found) < LEAST_STARS:
            return None
        at = glance.to_frame(found.x, found.y)
        shift = common_shift(places[here], at, reach, glance)
        if shift is None:
            return None
        mine, theirs = _paired(places[here] + shift, at)
        if mine.size < LEAST_STARS:
            return None
        stars = here[mine]
        sigma = np.hypot(rest.sigma_px[stars], glance.binning * found.sigma_px[theirs])
        sigma = np.hypot(sigma, star_air(frame.exposure_s) / rest.picture.scale)
        try:
            return fit_base_turn(
                camera,
                rest.reading.axis,
                directions[stars],
                at[theirs],
                sigma,
                rest.picture,
                elapsed_s=elapsed_s,
                floor=FLOOR,
                start=None if self._turn is None else self._turn.turn,
            )
        except GeometryError:
            return None

    def _follow(self, rest: _AtRest, glance: Glance, utc_s: float) -> None:
        """Move the subframe along with its stars; choose another where they leave the frame."""
        aim, now = self._glance, self._turn
        if aim is None or now is None or self._middle_icrs is None:
            return
        camera = self._expected(rest, utc_s)[0]
        direction = self._rig.plates.sky_at(utc_s).observe(self._middle_icrs[None])
        middle = rest.picture.pixels(direction @ (now.turn @ camera))[0]
        last, self._middle_was = self._middle_was, (utc_s, middle)
        if last is not None and 0.0 < utc_s - last[0] < 2.0:
            middle = middle + (middle - last[1]) / (utc_s - last[0]) * glance.expected_s
        if np.max(np.abs(middle - aim.middle)) < FOLLOW_SHARE * min(aim.width, aim.height):
            return
        moved = aim.moved_to(middle, rest.picture)
        off = np.abs(moved.middle - middle)
        if np.all(off < FOLLOW_SHARE * np.array([aim.width, aim.height])):
            self._glance = moved
        else:
            self._choose(utc_s)

    def _kept_pace(self, glance: Glance, took_s: float, changed: bool) -> None:
        beside_s = max(0.0, took_s - glance.exposure_s)
        if not changed:
            self._beside = [*self._beside[-8:], (float(glance.pixels), beside_s)]
        elif self._beside:
            usual_s = float(np.median([s for _, s in self._beside]))
            self._restarts = self._restarts + 1 if beside_s > usual_s + RESTART_S else 0
        slow = took_s > min(SLOW_S, WORTH_SHARE * self._full_s)
        if slow and not changed:  # by the present pace another part may be quick enough
            self._beside = self._beside[-1:]
        if not slow:
            self._slow = 0
        elif self._glance is None or glance.pixels == self._glance.pixels:
            self._slow += 1
        if self._restarts >= RESTARTS:
            self.stop(say("the camera's driver starts it anew whenever the subframe changes"))
        elif self._slow >= SLOW_GLANCES:
            self.stop(
                say(
                    "a glance takes {took_s:.1f} s with this camera, a full frame {full_s:.1f} s",
                    took_s=took_s,
                    full_s=self._full_s,
                )
            )

    def failed(self, error: PolewrightError) -> None:
        """Take in that a glance did not come."""
        self.follower.unseen()
        self._failed += 1
        if isinstance(error, StaleImage):
            self.stop(OLDER_IMAGES)
        elif isinstance(error, InvalidValue):  # the part, or so short a time: its own words tell
            self.stop(say("the camera refuses them: {error}", error=error))
        elif isinstance(error, (BadGeometry, MislabelledImage, NotImplementedByDevice)):
            self.stop(NO_SUBFRAMES)
        elif self._failed >= FAILED_GLANCES:
            self.stop(say("{count} of them failed: {error}", count=self._failed, error=error))


def common_shift(
    wanted: NDArray[np.float64], seen: NDArray[np.float64], reach_px: float, glance: Glance
) -> NDArray[np.float64] | None:
    """Return by how much (2,) the stars lie elsewhere than they should; None where they do not.

    Args:
        wanted: (N, 2) where they should be, brightest first.
        seen: (M, 2) what was found.
        reach_px: farthest that is looked for.
        glance: the part of the frame that was looked at.
    """
    a, b = wanted[:MOST_COMPARED], seen[:MOST_COMPARED]
    off = (b[None] - a[:, None]).reshape(-1, 2)
    off = off[np.hypot(off[:, 0], off[:, 1]) <= reach_px]
    if len(off) == 0:
        return None
    tree = cKDTree(off)
    near = tree.query_ball_point(off, ALIKE_PX, return_length=True)
    shift = np.median(off[tree.query_ball_point(off[int(np.argmax(near))], ALIKE_PX)], axis=0)
    there = a[glance.holds(a + shift, ALIKE_PX)] + shift
    if len(there) < LEAST_STARS:
        return None
    found = cKDTree(seen).query(there, distance_upper_bound=SAME_PX)[0]
    common = int(np.isfinite(found).sum())
    return shift if common >= max(LEAST_STARS, COMMON_SHARE * len(there)) else None


def _paired(
    places: NDArray[np.float64], found: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return which places (N, 2) and found stars (M, 2) belong together, each at most once."""
    off, which = cKDTree(found).query(places, distance_upper_bound=SAME_PX)
    near = np.flatnonzero(np.isfinite(off))
    near = near[np.argsort(off[near], kind="stable")]
    _, first = np.unique(which[near], return_index=True)
    mine = near[np.sort(first)]
    return mine.astype(np.int64), np.asarray(which[mine], dtype=np.int64)
