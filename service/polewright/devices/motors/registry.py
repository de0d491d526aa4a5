"""Finds adjusters by entry point, so that any installed package can bring one."""

from __future__ import annotations

from collections.abc import Mapping

from polewright.devices.motors.base import Adjuster
from polewright.foundation.clock import Clock
from polewright.foundation.plug_ins import load_plug_in

ENTRY_POINT_GROUP = "polewright.adjusters"


def load_adjuster(name: str, options: Mapping[str, object], clock: Clock) -> Adjuster:
    """Return the adjuster ``name``.

    Its entry point is a function ``create(options, clock) -> Adjuster``.

    Raises:
        ConfigError: there is none of that name, it cannot be imported, or an option is wrong.
    """
    adjuster: Adjuster = load_plug_in(ENTRY_POINT_GROUP, "adjuster", name)(options, clock)
    return adjuster
