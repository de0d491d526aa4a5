"""What looks at the stars teach from one slew to the next; without a camera."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from polewright.calculation.images.stillness import Look
from polewright.observing.rig.settle_memory import SettleMemory
from polewright.observing.settling import still_stars as settling
from polewright.observing.settling.still_stars import _Wait

SCALE = 2.0 / 206265.0
LIMIT_PX = 1.0  # four floors of 0.5 arcsec


class Clock:
    """Time that passes when somebody says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, _cancel: Any = None) -> None:
        self.now_s += seconds


class Mount:
    """Waits at points of a mount whose stars lie at ``swing(t)`` pixels after a slew."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, cost_s: float) -> None:
        self.clock, self.cost_s = Clock(), cost_s
        self.swing: Any = lambda _t: 0.0
        self.rng = np.random.default_rng(5)
        self.rig: Any = SimpleNamespace(
            clock=self.clock,
            settle_memory=SettleMemory(),
            cancel=None,
            guards=SimpleNamespace(while_tracking=lambda: None),
            progress=lambda *_: None,
            config=SimpleNamespace(sweep=SimpleNamespace(exposure_s=4.0, frame_floor_arcsec=0.5)),
            plates=SimpleNamespace(scale=SCALE),
        )
        monkeypatch.setattr(
            settling, "placed", lambda _first, _stars, t: Look(self.swing(t), 0.0, 0.01, 2.5, t)
        )

    def wait(self) -> tuple[int, float]:
        """Looks and seconds of one wait that ends with still stars."""
        wait = _Wait(self.rig, 1, 3, 15.0)

        def look() -> list[int]:
            exposure_s = self.rig.settle_memory.exposure_s
            self.clock.sleep(exposure_s + self.cost_s * float(self.rng.uniform(0.8, 1.3)))
            wait.looks.taken += 1
            return [0] * 20

        wait.looks.take = look  # type: ignore[assignment,method-assign]
        began_s = self.clock.now_s
        ended = wait.run()
        assert ended.still
        return ended.looks, self.clock.now_s - began_s


@pytest.mark.parametrize(
    ("cost_s", "shorter"), [(0.05, 1.0), (0.15, 1.0), (0.35, 0.75), (0.6, 1.0)]
)
def test_a_mount_that_does_not_ring_is_looked_at_less_after_the_first_slew(
    monkeypatch: pytest.MonkeyPatch, cost_s: float, shorter: float
) -> None:
    """The first wait teaches; later ones are shorter where two looks span half a second but not a
    whole one, and never longer."""
    mount = Mount(monkeypatch, cost_s)

    first_looks, first_s = mount.wait()
    later = [mount.wait() for _ in range(40)]

    assert mount.rig.settle_memory.calm
    assert max(looks for looks, _ in later) <= first_looks
    assert np.mean([taken_s for _, taken_s in later]) < shorter * 1.02 * first_s


def test_a_mount_that_rings_is_never_called_calm(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is waited for until the swing is small, at every point alike."""
    mount = Mount(monkeypatch, 0.3)
    mount.swing = lambda t: 8.0 * np.exp(-t / 0.6) * np.sin(2 * np.pi * 1.7 * t)

    for _ in range(20):
        looks, taken_s = mount.wait()
        assert looks >= 3
        assert taken_s > 1.2
        assert not mount.rig.settle_memory.calm


def test_a_calm_mount_that_rings_once_is_not_believed_any_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One bump: looks go on until it is over, and the next wait is a whole one again."""
    mount = Mount(monkeypatch, 0.35)
    mount.wait()
    assert mount.rig.settle_memory.calm

    mount.swing = lambda t: 6.0 * np.exp(-t / 0.8) * np.cos(2 * np.pi * 1.3 * t)
    looks, taken_s = mount.wait()

    assert looks >= 4
    assert taken_s > 1.5
    assert not mount.rig.settle_memory.calm
