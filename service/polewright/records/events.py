"""What a run tells while it runs. Terminal, page, journal and tests are all just listeners."""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Literal


@dataclass(frozen=True, kw_only=True)
class Event:
    """Base of all events; ``kind`` names it on the wire and in the journal."""

    kind: ClassVar[str] = "event"
    utc_s: float
    """When it happened, Unix seconds UTC."""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, ``kind`` included."""
        values = {"kind": self.kind}
        for field in dataclasses.fields(self):
            values[field.name] = _plain(getattr(self, field.name))
        return values


def _plain(value: Any) -> Any:
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


EventSink = Callable[[Event], None]
"""Whoever listens. Must not block and must not raise."""


@dataclass(frozen=True, kw_only=True)
class Note(Event):
    """Something worth knowing that does not stop the run."""

    kind: ClassVar[str] = "note"
    severity: Literal["info", "warning"]
    text: str
    passing: bool = False
    """Whether it is about one motion that is to come: of no use once the mount is there."""


@dataclass(frozen=True, kw_only=True)
class Connected(Event):
    """A device answered and is connected."""

    kind: ClassVar[str] = "connected"
    device: str
    """``telescope`` or ``camera``."""
    name: str
    address: str
    interface_version: int


@dataclass(frozen=True, kw_only=True)
class SweepPlanned(Event):
    """The points are known and judged safe."""

    kind: ClassVar[str] = "sweep_planned"
    hour_angles_deg: tuple[float, ...]
    declination_deg: float
    altitudes_deg: tuple[float, ...]
    azimuths_deg: tuple[float, ...]
    predicted_sigma_arcsec: float | None = None
    crosses_meridian: bool = False
    """Whether the mount crosses the meridian on the way to the first point, or in the sweep."""


@dataclass(frozen=True, kw_only=True)
class Progress(Event):
    """A slow step is under way. ``done_s`` of ``total_s`` (None: unknown)."""

    kind: ClassVar[str] = "progress"
    step: Literal["slew", "settle", "exposure", "download", "solve", "prepare"]
    point: int
    """Number of the point, from 1; 0 outside the sweep."""
    points: int
    done_s: float
    total_s: float | None
    text: str = ""
    """What it waits for, when it is longer than it should be: instead of the time left."""


@dataclass(frozen=True, kw_only=True)
class FrameMeasured(Event):
    """Stars were looked for in a frame."""

    kind: ClassVar[str] = "frame_measured"
    point: int
    star_count: int
    hfd_px: float | None
    elongation: float | None
    background_adu: float
    exposure_s: float


@dataclass(frozen=True, kw_only=True)
class PointSolved(Event):
    """A point has its attitude."""

    kind: ClassVar[str] = "point_solved"
    point: int
    points: int
    ra_deg: float
    """ICRS right ascension of the frame's centre."""
    dec_deg: float
    azimuth_deg: float
    altitude_deg: float
    scale_arcsec_per_px: float
    parity: int
    matched: int
    rms_arcsec: float
    sigma_pointing_arcsec: float
    sigma_roll_arcsec: float
    solve_s: float
    mount_offset_arcmin: float
    """How far the mount's own idea of its pointing is from the solved one."""


@dataclass(frozen=True, kw_only=True)
class AxisMeasured(Event):
    """The axis is fitted."""

    kind: ClassVar[str] = "axis_measured"
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    total_arcmin: float
    sigma_total_arcmin: float
    chi2: float
    dof: int
    p_value: float | None
    trusted: bool


@dataclass(frozen=True, kw_only=True)
class StepChanged(Event):
    """A session moved on."""

    kind: ClassVar[str] = "step_changed"
    step: str
    was: str
    why: str


@dataclass(frozen=True, kw_only=True)
class ReadingTaken(Event):
    """A live frame told where the axis is now. Signs: + too high, + too far east."""

    kind: ClassVar[str] = "reading_taken"
    state: str
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    total_arcmin: float
    sigma_alt_arcmin: float
    sigma_az_sky_arcmin: float
    upper95_arcmin: float
    verdict: str
    action: str
    sentence: str
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class MotionStopped(Event):
    """The run ended early and the mount was told to stop; ``state`` says what is known."""

    kind: ClassVar[str] = "motion_stopped"
    state: Literal["stopped", "moving", "unknown"]
    reason: str


@dataclass(frozen=True, kw_only=True)
class Finished(Event):
    """The run came to its end."""

    kind: ClassVar[str] = "finished"
    text: str
