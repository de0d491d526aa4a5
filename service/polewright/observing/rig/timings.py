"""Where the time of a measurement went, added up while it goes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from polewright.foundation.clock import Clock

Spending = Literal["slew", "settle", "expose", "download", "solve"]


@dataclass
class SweepTimes:
    """Seconds of the run's clock. Only the run's own thread adds to them."""

    began_s: float = 0.0
    """By the clock's timer."""
    slew: float = 0.0
    settle: float = 0.0
    """Waiting for the mount to ring out, by whatever way."""
    expose: float = 0.0
    """Exposures and readout; those of no use too, unless the mount still moved: they count as
    settling."""
    download: float = 0.0
    """Downloads that the run waited for."""
    solve: float = 0.0
    """Finding stars and solving, as far as the run waited for it."""
    hidden: float = 0.0
    """Download and solve that went on while the mount slewed: saved by overlapping."""
    settle_fixed: float = 0.0
    """What the same settles would have taken with the fixed wait."""

    @contextmanager
    def spent(self, on: Spending, clock: Clock) -> Iterator[None]:
        """Add the time that the block takes, however it ends."""
        began_s = clock.monotonic_s()
        try:
            yield
        finally:
            setattr(self, on, getattr(self, on) + clock.monotonic_s() - began_s)

    @property
    def settle_saved(self) -> float:
        """What measuring the settling has saved; negative where it took longer."""
        return self.settle_fixed - self.settle
