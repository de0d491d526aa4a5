"""Waits for still stars, and what looks teach from one slew to the next; without a camera."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from support.stars import star_list

from polewright.calculation.images.frame import StarList
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.observing.rig.settle_memory import SettleMemory
from polewright.observing.rig.timings import SweepTimes
from polewright.observing.settling import still_stars as settling
from polewright.observing.settling.settle import settle
from polewright.observing.settling.still_stars import wait_for_still_stars

SCALE = 2.0 / 206265.0


class Clock:
    """Time that passes when somebody says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, _cancel: Any = None) -> None:
        self.now_s += seconds


class Mount:
    """A mount whose stars lie ``swing(t)`` pixels to one side so long after a slew (s)."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, cost_s: float, settle_s: float = 15.0
    ) -> None:
        self.clock, self.cost_s = Clock(), cost_s
        self.swing: Callable[[float], float] = lambda _t: 0.0
        self.rng = np.random.default_rng(5)
        self.field = self.rng.uniform(100.0, 1100.0, (2, 20))
        self.arrived_s = 0.0
        self.looks = 0
        self.told: list[str] = []
        config = {"sweep": {"settle": "measured", "settle_s": settle_s, "frame_floor_arcsec": 0.5}}
        self.rig: Any = SimpleNamespace(
            clock=self.clock,
            settle_memory=SettleMemory(),
            cancel=CancelToken(),
            guards=SimpleNamespace(while_tracking=lambda: None),
            progress=lambda *_: None,
            note=lambda text, **_more: self.told.append(text),
            config=Config.model_validate(config),
            exposure_s=Config.model_validate(config).sweep.exposure_s,
            plates=SimpleNamespace(scale=SCALE),
            times=SweepTimes(),
        )
        monkeypatch.setattr(settling, "Looks", lambda _rig, watch: StarLooks(self, watch))

    def wait(self) -> tuple[int, float]:
        """Looks and seconds of one wait that ends with still stars."""
        self.arrived_s = self.clock.now_s
        ended = wait_for_still_stars(self.rig, 1, 3, self.rig.config.sweep.settle_s)
        assert ended.still
        return ended.looks, self.clock.now_s - self.arrived_s


class StarLooks:
    """Looks at the stars of such a mount."""

    def __init__(self, mount: Mount, watch: Callable[[], None]) -> None:
        self.mount, self.watch, self.taken = mount, watch, 0

    def take(self, exposure_s: float) -> StarList:
        self.watch()
        mount = self.mount
        cost_s = mount.cost_s * float(mount.rng.uniform(0.8, 1.3))
        mount.clock.sleep(exposure_s + cost_s)
        self.taken += 1
        # The wait takes the middle of all of it for the middle of the exposure.
        middle_s = mount.clock.now_s - mount.arrived_s - 0.5 * (exposure_s + cost_s)
        x, y = mount.field
        return star_list(x + mount.swing(middle_s), y)

    def more_light(self, *, at_once: bool) -> bool:
        return False

    def done(self) -> None:
        pass


def test_a_mount_that_rings_is_waited_for_at_every_point(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the swing is small, at every point alike: none is believed for the one before."""
    mount = Mount(monkeypatch, 0.3)
    mount.swing = lambda t: float(8.0 * np.exp(-t / 0.6) * np.sin(2 * np.pi * 1.7 * t))

    for _ in range(20):
        looks, taken_s = mount.wait()
        assert looks >= 3
        assert taken_s > 1.2


@pytest.mark.parametrize(
    ("cost_s", "why"),
    [(0.3, "still moving, last by"), (3.0, "too few settle frames to compare")],
)
def test_stars_that_never_stand_still_do_not_make_it_wait_for_ever(
    monkeypatch: pytest.MonkeyPatch, cost_s: float, why: str
) -> None:
    """A tube that the wind carries off at 10 arcsec a second is exposed after the fixed wait all
    the same, and that is told; so it is where looks come so slowly that no two fit into it."""
    mount = Mount(monkeypatch, cost_s, settle_s=5.0)
    mount.swing = lambda t: 5.0 * t

    settle(mount.rig, 2, 3)

    assert mount.clock.now_s == pytest.approx(5.0)
    assert mount.rig.times.settle == mount.rig.times.settle_fixed
    (told,) = mount.told
    assert told.startswith("Point 2: stars not seen at rest after 5 s")
    assert why in told
