"""Frames in order of time, put into groups in which the camera's roll towards the axis must stay.

A new group begins with another target, another side of the pier, another angle of the camera, or
another camera. Where nobody guided, a run ends where the mount was moved.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.field_rotation.roll import distance_to_axis, roll_to_axis
from polewright.calculation.field_rotation.tracked_axis import TrackedFrame
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    SIDEREAL_RATE,
    Vector,
    fold_pi,
    separation,
)

CAMERA_JUMP = 3.0 * ARCMIN
"""A roll that differs by more from the group's last frame, beyond what an axis wrong by
`WORST_AXIS` does in the time between, is a camera that was turned (own choice)."""
WORST_AXIS = 1.0 * DEG
OTHER_SIDE = 20.0 * DEG
"""A roll within this of 180 degrees from another's is the other side of the pier (own choice)."""
OTHER_SCALE = 0.02
"""Pixels that differ by more are another camera or binning."""
RECENTRED = 4.0 * ARCSEC
"""A boresight that jumps by more, and by six times what it usually does, was moved by the mount
(own choice)."""


@dataclass(frozen=True, eq=False)
class SkyFrame:
    """A solved frame and what its header says of the rig."""

    attitude: Attitude
    icrs: Vector
    """(3,) where its centre lies among the stars."""
    field: float
    """Rad, the shorter side."""
    camera: str = ""
    """Which camera; frames of different ones are never compared."""
    pier_side: str = ""
    """EAST or WEST, of the pier, where the header tells."""
    rotator_deg: float | None = None
    """The rotator's angle, where the header tells."""


@dataclass(frozen=True, eq=False)
class Group:
    """Frames of one target, side of the pier and camera angle."""

    icrs: Vector
    """(3,) the centre of its first frame."""
    members: tuple[int, ...]
    """Which frames, in order of time."""
    turned_over: bool
    other_angle: bool
    """Whether it began because the camera had turned."""


@dataclass
class _Open:
    first: SkyFrame
    last: SkyFrame
    roll: float
    """Rad, towards the pole, of its last frame."""
    members: list[int]
    turned_over: bool
    other_angle: bool = False


def night_of(utc_s: float, longitude_deg: float) -> int:
    """Return the number of the night, which ends at mean solar noon: days since 1970."""
    return math.floor((utc_s + longitude_deg * 240.0 - 43200.0) / 86400.0)


def group_frames(frames: Sequence[SkyFrame], pole: Vector, site: Site) -> list[Group]:
    """Return the groups, in the order in which they began.

    Args:
        frames: of one night, oldest first.
        pole: the visible pole, ENU unit vector (3,).
        site: where.
    """
    if not frames:
        return []
    matrices = np.array([frame.attitude.matrix for frame in frames])
    rolls = roll_to_axis(matrices, pole)
    distances = distance_to_axis(matrices, pole)
    groups: list[_Open] = []
    for i, frame in enumerate(frames):
        turned = _turned_over(frame, float(rolls[i]), groups, site)
        fitting = [group for group in groups if _same_place(group, frame, turned)]
        kept = [g for g in fitting if not _camera_turned(g, frame, rolls[i], distances[i])]
        if kept:
            group = kept[-1]
            group.last, group.roll = frame, float(rolls[i])
            group.members.append(i)
        else:
            groups.append(_Open(frame, frame, float(rolls[i]), [i], turned, bool(fitting)))
    return [
        Group(group.first.icrs, tuple(group.members), group.turned_over, group.other_angle)
        for group in groups
    ]


def _same_place(group: _Open, frame: SkyFrame, turned_over: bool) -> bool:
    attitude, first = frame.attitude, group.first.attitude
    return (
        group.turned_over == turned_over
        and group.first.camera == frame.camera
        and first.parity == attitude.parity
        and abs(attitude.scale / first.scale - 1.0) <= OTHER_SCALE
        and float(separation(group.first.icrs, frame.icrs)) <= 0.5 * frame.field
    )


def _camera_turned(group: _Open, frame: SkyFrame, roll: float, distance: float) -> bool:
    if _rotator_moved(group.last, frame):
        return True
    turn = abs(frame.attitude.utc_s - group.last.attitude.utc_s) * SIDEREAL_RATE
    allowed = CAMERA_JUMP + WORST_AXIS * min(turn, math.pi) / max(math.sin(distance), 0.02)
    return abs(fold_pi(roll - group.roll)) > allowed


def _rotator_moved(one: SkyFrame, other: SkyFrame) -> bool:
    if one.rotator_deg is None or other.rotator_deg is None:
        return False
    return abs(fold_pi((one.rotator_deg - other.rotator_deg) * DEG)) > CAMERA_JUMP


def _turned_over(frame: SkyFrame, roll: float, groups: Sequence[_Open], site: Site) -> bool:
    """Whether the declination axis is past the pole.

    The header tells, or the camera's roll beside that of frames before; where neither does, a
    German mount looks east with its declination axis past the pole. Only that frames agree
    matters.
    """
    if frame.pier_side in ("EAST", "WEST"):
        return frame.pier_side == "WEST"
    for group in reversed(groups):
        if group.first.camera != frame.camera or group.first.pier_side:
            continue
        apart = abs(fold_pi(roll - group.roll))
        if apart < OTHER_SIDE:
            return group.turned_over
        if apart > math.pi - OTHER_SIDE:
            return not group.turned_over
    return float(hour_angle_dec(site, frame.attitude.boresight)[0]) < 0.0


def tracked(
    frames: Sequence[SkyFrame], groups: Sequence[Group], pole: Vector, *, unguided: bool
) -> list[TrackedFrame]:
    """Return the grouped frames in order of time, ready to be fitted.

    Args:
        frames: all frames.
        groups: as `group_frames` made them; groups of one frame are left out, as they tell nothing.
        pole: the visible pole, ENU unit vector (3,).
        unguided: whether nothing but tracking moved the mount within a run.
    """
    found: list[tuple[int, TrackedFrame]] = []
    runs = 0
    for number, group in enumerate(groups):
        if len(group.members) < 2:
            continue
        made = [
            TrackedFrame(frames[i].attitude, number, None, group.turned_over) for i in group.members
        ]
        if unguided:
            starts = np.cumsum(_moved_before([frame.attitude for frame in made], pole))
            made = [
                replace(frame, run=runs + int(start))
                for frame, start in zip(made, starts, strict=True)
            ]
            runs += int(starts[-1]) + 1
        found += list(zip(group.members, made, strict=True))
    return [frame for _, frame in sorted(found, key=lambda item: item[0])]


def _moved_before(attitudes: Sequence[Attitude], pole: Vector) -> NDArray[np.bool_]:
    """Whether (n,) the mount was moved between the frame before and this one."""
    matrices = np.array([attitude.matrix for attitude in attitudes])
    utc_s = np.array([attitude.utc_s for attitude in attitudes])
    moved = np.zeros(len(attitudes), dtype=bool)
    steps = np.diff(distance_to_axis(matrices, pole))
    waits = np.diff(utc_s)
    rate = float(np.median(steps / waits))
    off = steps - rate * waits
    usual = 1.4826 * float(np.median(np.abs(off)))
    moved[1:] = np.abs(off) > max(RECENTRED, 6.0 * usual)
    return moved
