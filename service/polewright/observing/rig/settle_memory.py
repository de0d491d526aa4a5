"""What a run learns about short frames that tell when the mount has settled."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.calculation.images.frame import StarList
from polewright.foundation.language import say

#: Why exposures of a part of the frame are of no use on a rig.
NO_SUBFRAMES = say("the camera takes no subframes")
OLDER_IMAGES = say("the camera returns an older image for them")

#: First and longest exposure of a look, s. Short ones show a swing, long ones average it away.
LOOK_S, LONGEST_LOOK_S = 0.2, 0.8
#: Stars wanted in a look, and so many that less of the sky or of the time would do.
STARS_WANTED, STARS_PLENTY = 12, 48
#: Pixels of a look's subframe, at first and at most.
LOOK_PIXELS, MOST_PIXELS = 0.4e6, 6.4e6


@dataclass
class SettleMemory:
    """What a run has learnt about looks at its stars."""

    exposure_s: float = LOOK_S
    pixels: float = LOOK_PIXELS
    useless: str = ""
    """Why looks are of no use on this rig; empty while they are."""
    fetch_s: float | None = None
    """The least that a whole frame took to download, s; None before there was one."""
    looks_first: bool = False
    """Whether this sweep has shown that looks after an exposure save nothing on this rig."""
    sharp_px: float | None = None
    """Half-flux diameter of stars in a short look, pixels, once the mount has been seen to swing
    when the exposure after a slew was over; None: it was not."""
    drift: tuple[float, float] = (0.0, 0.0)
    """Steady motion seen at the point before, of an axis far from the pole; pixels per second."""

    def new_sweep(self) -> None:
        """Forget what an axis that has come nearer to the pole since makes different."""
        self.looks_first, self.drift = False, (0.0, 0.0)

    def fetched(self, took_s: float) -> None:
        """Keep how long a whole frame took to download (s)."""
        self.fetch_s = took_s if self.fetch_s is None else min(self.fetch_s, took_s)

    def seen(self, stars: StarList) -> None:
        """Let less of the sky or of the time do from now on where a look shows plenty of stars."""
        if len(stars) >= STARS_PLENTY:
            self.exposure_s = max(LOOK_S, 0.5 * self.exposure_s)
            self.pixels = max(LOOK_PIXELS, 0.25 * self.pixels)
