"""What a reading brought to light besides its numbers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class NoticeKind(Enum):
    """Kinds of notices."""

    OVERSHOT = "overshot"
    WRONG_WAY = "wrong_way"
    OTHER_AXIS_MOVED = "other_axis_moved"
    MOVED_UNASKED = "moved_unasked"
    SLIPPED = "slipped"
    LARGE_MOVE = "large_move"
    STARS_LONG = "stars_long"
    LOST_LONG = "lost_long"


@dataclass(frozen=True)
class Notice:
    """One of them, with a complete sentence."""

    kind: NoticeKind
    sentence: str
    amount: float = 0.0
    """rad, where there is an angle."""
