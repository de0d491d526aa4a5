"""The axis at one frame with its noise, and the turn that is left over about RA.

`calculation.geometry.axis_from_one_frame` derives it, and what a single turn can and cannot tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.adjusting.observation import CameraAttitude
from polewright.calculation.geometry.axis_from_one_frame import (
    TurnSplit,
    carry_axis,
    carry_axis_covariance,
    split_turn,
)
from polewright.foundation.angles import Matrix, Vector


@dataclass(frozen=True, eq=False)
class Carried:
    """The axis at one frame, seen from the reference frame. Radians."""

    axis: Vector
    """(3,) unit vector, observed east-north-up."""
    frame_covariance: Matrix
    """(3, 3) rad^2, from the noise of this frame's attitude only: for comparing two frames."""
    covariance: Matrix
    """(3, 3) rad^2, from the sweep and both attitudes."""
    split: TurnSplit
    """The turn since the reference."""
    ra_sigma: float
    """1-sigma of the RA part of ``split`` from the noise of both attitudes."""

    def base_turn_since(self, before: Carried) -> float:
        """Size (rad) of the base's turn between two frames carried from the same reference."""
        return math.hypot(
            self.split.altitude - before.split.altitude, self.split.azimuth - before.split.azimuth
        )

    @property
    def base_turn(self) -> float:
        """Size (rad) of the base's turn since the reference."""
        return math.hypot(self.split.altitude, self.split.azimuth)


@dataclass(frozen=True, eq=False)
class Reference:
    """The axis from the sweep and the frame that it is carried from."""

    axis: Vector
    covariance: Matrix
    attitude: CameraAttitude
    southern: bool
    floor: float = 0.0
    """rad, added in square to every attitude's noise across the boresight: what star residuals do
    not show."""

    def carry(self, current: CameraAttitude, expected_ra_turn: float | None) -> Carried:
        """Carry the axis to ``current``.

        The attitudes' noise is taken as independent of the sweep's: the reference must not be one
        of the sweep's own frames.
        """
        nothing = np.zeros((3, 3))
        before, now = self._noise(self.attitude), self._noise(current)
        start, end = self.attitude.matrix, current.matrix
        frame = carry_axis_covariance(self.axis, nothing, start, nothing, end, now)
        live = carry_axis_covariance(self.axis, nothing, start, before, end, now)
        axis = carry_axis(self.axis, start, end)
        split = split_turn(
            self.axis,
            start,
            end,
            expected_ra_turn=expected_ra_turn,
            southern=self.southern,
        )
        # The RA part is the turn about the axis less the azimuth turn's share of it.
        level = np.array([axis[1], -axis[0], 0.0]) / math.hypot(axis[0], axis[1])
        steep = float(axis[2]) / math.hypot(axis[0], axis[1])
        about = float(axis @ end @ (before + now) @ end.T @ axis)
        return Carried(
            axis=axis,
            frame_covariance=frame,
            covariance=carry_axis_covariance(self.axis, self.covariance, start, before, end, now),
            split=split,
            ra_sigma=math.sqrt(about) + steep * math.sqrt(float(level @ live @ level)),
        )

    def _noise(self, attitude: CameraAttitude) -> Matrix:
        noise: Matrix = attitude.covariance + np.diag([self.floor**2, self.floor**2, 0.0])
        return noise
