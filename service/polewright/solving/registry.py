"""Finds solvers by entry point, so that any installed package can bring one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.metadata import EntryPoint, entry_points

from polewright.foundation.errors import ConfigError
from polewright.solving.base import Solver
from polewright.solving.errors import SolverMissing

ENTRY_POINT_GROUP = "polewright.solvers"


def _points() -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}


def load_solver(name: str, options: Mapping[str, object] | None = None) -> Solver:
    """Return the solver ``name``, made with ``options``.

    Raises:
        ConfigError: no solver has that name; says which there are. Also what the solver's own
            ``create`` raises for an option it does not know.
        SolverMissing: it is registered, but its package cannot be imported.
    """
    points = _points()
    if name not in points:
        known = ", ".join(sorted(points)) or "none is installed"
        raise ConfigError(f"there is no solver named {name!r}; available: {known}")
    try:
        create: Callable[[Mapping[str, object]], Solver] = points[name].load()
    except (ImportError, AttributeError) as exc:
        raise SolverMissing(
            name,
            f"its code could not be loaded ({exc})",
            f"Install what it needs, or choose another solver: {', '.join(sorted(points))}.",
        ) from exc
    return create(dict(options or {}))
