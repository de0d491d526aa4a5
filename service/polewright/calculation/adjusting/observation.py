"""What the engine is fed with: solved frames, and frames that gave nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from polewright.foundation.angles import Matrix


class CameraAttitude(Protocol):
    """The part of an attitude that is used here (`calculation.geometry.attitude.Attitude`)."""

    @property
    def matrix(self) -> Matrix:
        """Camera x, y, boresight as columns (3, 3), observed east-north-up frame."""

    @property
    def covariance(self) -> Matrix:
        """(3, 3) rad^2 of a small rotation about the camera's x, y, z."""

    @property
    def utc_s(self) -> float:
        """Unix seconds, UTC, mid-exposure."""


@dataclass(frozen=True)
class Light:
    """Whether the stars' light lies where a frame was solved, or the axis moved meanwhile."""

    brightness: float | None
    """Of the stars, over what the same stars had in the first frame of this field; None when there
    are too few to tell."""
    elsewhere: float
    """Share of the light that was found beside the stars, or in the same stars again farther off;
    0 when none was."""
    hidden: float
    """Share that could be elsewhere all the same without being seen; 1 if nobody looked."""


@dataclass(frozen=True)
class Observation:
    """A solved frame. None means that this was not measured or not reported."""

    attitude: CameraAttitude
    elongation: float | None = None
    """Median long over short axis of the stars, 1 when round."""
    star_count: int | None = None
    hfd_px: float | None = None
    """Median half-flux diameter."""
    light: Light | None = None
    tracking: bool | None = None
    """Whether the mount says that it tracks."""
    mount_hour_angle: float | None = None
    """Hour angle (rad, growing westward) that the mount reports for itself, or None."""

    @property
    def utc_s(self) -> float:
        """Unix seconds, UTC, mid-exposure."""
        return self.attitude.utc_s


@dataclass(frozen=True)
class NoReading:
    """A frame from which no attitude came."""

    reason: str
    """Plain words, such as "12 stars found, 15 needed"."""
    utc_s: float
    elongation: float | None = None
    tracking: bool | None = None
    mount_hour_angle: float | None = None
