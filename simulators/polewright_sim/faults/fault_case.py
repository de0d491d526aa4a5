"""A fault that has been loaded: when it is on, and what its effects have at hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from polewright.foundation.clock import Signal, threads_of
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault
from polewright_sim.sky.disturbance import Disturbance
from polewright_wire import Call, Device, Reply

Proceed = Callable[[], Reply]


@dataclass
class Case:
    """One fault at work."""

    number: int
    fault: Fault
    rig: SimulatedRig
    devices: Mapping[str, Device]
    """By type name."""
    answer: Callable[[Call], Reply]
    """Answers another call than the one that came."""
    rng: np.random.Generator
    loaded_s: float
    """Rig's clock when it was loaded."""
    began_s: float | None = None
    over: bool = False
    seen: int = 0
    """Calls it is about."""
    hits: int = 0
    """Calls it changed."""
    memory: dict[str, Any] = field(default_factory=dict)
    removed: Signal = field(init=False)

    def __post_init__(self) -> None:
        """The rig's threads wait for it."""
        self.removed = threads_of(self.rig.clock).signal()

    @property
    def on(self) -> bool:
        """Whether it is at work now."""
        return self.began_s is not None and not self.over

    def ends_s(self) -> float | None:
        """Rig's clock when it ends by itself."""
        if self.began_s is None or self.fault.duration_s is None:
            return None
        return self.began_s + self.fault.duration_s

    def report(self) -> dict[str, object]:
        """Everything about it, for the control API."""
        return {
            "number": self.number,
            "fault": self.fault.model_dump(mode="json", exclude_none=True),
            "on": self.on,
            "over": self.over,
            "began_s": self.began_s,
            "calls_seen": self.seen,
            "calls_changed": self.hits,
        }


@dataclass(frozen=True)
class Effect:
    """What a kind does. Each part may be missing."""

    begin: Callable[[Case], None] | None = None
    end: Callable[[Case], None] | None = None
    wire: Callable[[Case, Call, Proceed], Reply] | None = None
    spoil: Callable[[Case, Disturbance, float], Disturbance] | None = None
    """Adds to what spoils a frame with this mid time (Unix seconds UTC)."""
