"""The adjusters are turned by hand."""

from __future__ import annotations

from collections.abc import Mapping

from polewright.devices.motors.base import AxisName, NeedsHands, Tick, known_options
from polewright.foundation.clock import Clock


class ManualAdjuster:
    """Turns nothing: the person at the mount does."""

    automatic = False

    def turn(self, axis: AxisName, arcmin: float, tick: Tick) -> None:  # noqa: ARG002
        """Raise `NeedsHands`."""
        raise NeedsHands

    def position_arcmin(self, axis: AxisName, tick: Tick) -> float | None:  # noqa: ARG002
        """Unknown."""
        return None

    def travel_arcmin(self, axis: AxisName) -> tuple[float, float] | None:  # noqa: ARG002
        """Unknown."""
        return None


def create(options: Mapping[str, object], clock: Clock) -> ManualAdjuster:  # noqa: ARG001
    """Return it; it has no options."""
    known_options("manual", options, set())
    return ManualAdjuster()
