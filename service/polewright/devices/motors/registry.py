"""Finds an adjuster by its name or entry point."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.metadata import entry_points

from polewright.devices.motors import by_hand, command
from polewright.devices.motors.base import Adjuster
from polewright.foundation.clock import Clock
from polewright.foundation.errors import ConfigError

ENTRY_POINT_GROUP = "polewright.adjusters"


def load_adjuster(name: str, options: Mapping[str, object], clock: Clock) -> Adjuster:
    """Return the adjuster ``name``.

    Its entry point is a function ``create(options, clock) -> Adjuster``.

    Raises:
        ConfigError: there is none of that name, it cannot be imported, or an option is wrong.
    """
    create: Callable[[Mapping[str, object], Clock], Adjuster]
    if name == "manual":
        create = by_hand.create
    elif name == "command":
        create = command.create
    else:
        points = {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}
        if name not in points:
            known = ", ".join(sorted({"manual", "command", *points}))
            raise ConfigError(f"there is no adjuster named {name!r}; available: {known}")
        try:
            create = points[name].load()
        except (ImportError, AttributeError) as exc:
            raise ConfigError(f"the adjuster {name!r} cannot be loaded: {exc}") from exc
    return create(options, clock)
