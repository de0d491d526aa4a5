"""Whether the axis stood still during a frame: smear, light elsewhere, and the frame before."""

from __future__ import annotations

import statistics
from collections import deque
from dataclasses import dataclass
from enum import Enum

import numpy as np

from polewright.calculation.adjusting.observation import CameraAttitude, Light, Observation
from polewright.calculation.geometry.rotation import rotation_vector
from polewright.foundation.angles import Matrix, Vector

#: A chi-square of two degrees of freedom exceeds this once in a hundred times.
CHI2_TWO_99 = 9.210
#: Smear thresholds over the round stars of the reference frame (own choice).
ELONGATION_FACTOR = 1.3
ELONGATION_STEP = 0.25
HFD_FACTOR = 1.6
#: A frame is settled where at least this share of its light may be trusted to lie (own choice).
LEAST_SHARE = 0.95
#: Stars that lost more of their light than this from one frame to the next are under a cloud, or
#: their light lies elsewhere. A little less than 1 - `LEAST_SHARE`, for the noise of both frames.
DIMMED = 0.04
#: The brightness of so many confirmed frames shows whether the sky is steady.
SKY_FRAMES = 10
#: Light beside the stars that is there at rest (a ghost in the optics) may grow so much.
MORE_ELSEWHERE = 1.5
#: So many frames in a row that agree with each other show that the smear is not the adjusters'.
REBASELINE_FRAMES = 4


class State(Enum):
    """What a reading is worth."""

    MOVING = "moving"
    """Smeared, or elsewhere than the frame before: something is turning."""
    SETTLING = "settling"
    """Clean, but the frame before was not, so nothing confirms it yet."""
    SETTLED = "settled"
    """Two clean frames in a row agree within their uncertainty."""
    LOST = "lost"
    """No attitude from this frame; the numbers are the last known ones."""
    BUMPED = "bumped"
    """Settled, but something moved that should not have: see the notices."""


@dataclass(frozen=True, eq=False)
class _Kept:
    axis: Vector
    covariance: Matrix
    smeared: bool
    elongation: float | None
    hfd_px: float | None
    light: Light


class MotionDetector:
    """Judges frames in the order taken. Keeps the shape of round stars as its yardstick."""

    def __init__(self, reference: Observation) -> None:
        self._elongation = reference.elongation
        self._hfd_px = reference.hfd_px
        self._elsewhere = _light(reference).elsewhere
        self._run: list[_Kept] = []
        self._sky: deque[float] = deque(maxlen=SKY_FRAMES)
        self.rebaselined = False
        """Whether the last frame changed the yardstick (stars stay long although nothing moves)."""

    def lose(self) -> None:
        """A frame gave nothing: the next one has no neighbour to agree with."""
        self._run.clear()
        self.rebaselined = False

    def judge(self, observation: Observation, axis: Vector, live_covariance: Matrix) -> State:
        """Return MOVING, SETTLING or SETTLED for a frame with that axis (3,) and noise (3, 3)."""
        self.rebaselined = False
        smeared, light = not self.sharp(observation), _light(observation)
        kept = _Kept(
            axis,
            live_covariance,
            smeared,
            observation.elongation,
            observation.hfd_px,
            light,
        )
        agrees = bool(self._run) and _agree(self._run[-1], kept)
        if not agrees:
            fresh = not self._run
            self._run = [kept]
            return State.SETTLING if fresh and not smeared else State.MOVING
        before = self._run[-1]
        self._run = [*self._run[1 - REBASELINE_FRAMES :], kept]
        if smeared:
            if len(self._run) >= REBASELINE_FRAMES and all(k.smeared for k in self._run):
                self._rebaseline()
                return State.SETTLED
            return State.MOVING
        if before.light.brightness is not None:  # this frame shows that nothing had moved there
            self._sky.append(before.light.brightness)
        if before.smeared or self._dimmed(light):
            return State.SETTLING
        return State.SETTLED

    def sharp(self, observation: Observation) -> bool:
        """Whether stars are as round as those of the reference, with no more light beside them."""
        elsewhere = _light(observation).elsewhere > MORE_ELSEWHERE * self._elsewhere
        return not elsewhere and not self.smeared(observation.elongation, observation.hfd_px)

    def _dimmed(self, now: Light) -> bool:
        """Whether light is missing that may lie elsewhere in the frame without being found.

        If more is missing than could be hidden like that, or if the sky's brightness wavers anyway,
        it is a cloud.
        """
        levels = [b for k in self._run[-4:-1] if (b := k.light.brightness) is not None]
        if not levels or now.brightness is None:
            return bool(levels)  # too few of the stars that the frames before showed
        usual = min(levels[-1], statistics.median(levels))  # one bright by noise does not count
        missing, spare = 1.0 - now.brightness / usual, 1.0 - LEAST_SHARE
        if missing <= DIMMED or now.hidden <= spare:
            return False
        if now.hidden >= 1.0:
            return True
        wavers = min(self._sky) < (1.0 - DIMMED) * max(self._sky)
        return missing < now.hidden + spare and not wavers

    def smeared(self, elongation: float | None, hfd_px: float | None = None) -> bool:
        """Whether stars of that shape are longer or larger than those of the reference."""
        long = (
            elongation is not None
            and self._elongation is not None
            and elongation
            > max(ELONGATION_FACTOR * self._elongation, self._elongation + ELONGATION_STEP)
        )
        large = (
            hfd_px is not None and self._hfd_px is not None and hfd_px > HFD_FACTOR * self._hfd_px
        )
        return long or large

    def _rebaseline(self) -> None:
        longs = [k.elongation for k in self._run if k.elongation is not None]
        larges = [k.hfd_px for k in self._run if k.hfd_px is not None]
        if longs and self._elongation is not None:
            self._elongation = max(self._elongation, statistics.median(longs))
        if larges and self._hfd_px is not None:
            self._hfd_px = max(self._hfd_px, statistics.median(larges))
        self._elsewhere = max(
            self._elsewhere, statistics.median(k.light.elsewhere for k in self._run)
        )
        self.rebaselined = True


def _light(observation: Observation) -> Light:
    return observation.light if observation.light is not None else Light(None, 0.0, 1.0)


def _agree(a: _Kept, b: _Kept) -> bool:
    """Whether two axes agree within the noise of both, tested in the plane square to them."""
    return mahalanobis2(b.axis - a.axis, a.covariance + b.covariance, b.axis) <= CHI2_TWO_99


def mahalanobis2(difference: Vector, covariance: Matrix, axis: Vector) -> float:
    """Squared distance in sigmas of a small displacement (3,) across ``axis`` (chi-square of 2)."""
    _, _, rows = np.linalg.svd(axis.reshape(1, 3))
    plane = rows[1:]
    flat = plane @ difference
    cov = plane @ covariance @ plane.T
    return float(flat @ np.linalg.solve(cov, flat))


def turned_between(
    before: CameraAttitude, after: CameraAttitude, axis: Vector
) -> tuple[float, float]:
    """Return by how much a camera turned between two frames, but about the mount's axis.

    Tracking and the clutch turn it about that axis alone, an adjuster across it as well.

    Args:
        before: the earlier frame.
        after: the later one.
        axis: of the mount, unit vector (3,).

    Returns:
        The turn across the axis, and its 1 sigma, rad.
    """
    turn = rotation_vector(after.matrix @ before.matrix.T)
    across = np.eye(3) - np.outer(axis, axis)
    covariance = sum(
        across @ seen.matrix @ seen.covariance @ seen.matrix.T @ across for seen in (before, after)
    )
    return float(np.linalg.norm(across @ turn)), float(np.sqrt(np.trace(covariance)))
