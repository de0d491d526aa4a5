"""Finds solvers and star detectors by entry point, so that any installed package can bring one."""

from __future__ import annotations

from collections.abc import Mapping

from polewright.calculation.images.detector import StarDetector
from polewright.foundation.language import say
from polewright.foundation.plug_ins import PlugInBroken, load_plug_in, plug_in_names
from polewright.solving.base import Solver
from polewright.solving.errors import SolverMissing

ENTRY_POINT_GROUP = "polewright.solvers"
DETECTORS = "polewright.detectors"


def load_solver(name: str, options: Mapping[str, object] | None = None) -> Solver:
    """Return the solver ``name``, made with ``options``.

    Raises:
        ConfigError: no solver has that name; says which there are. Also what the solver's own
            ``create`` raises for an option it does not know.
        SolverMissing: it is registered, but its package cannot be imported.
    """
    try:
        create = load_plug_in(ENTRY_POINT_GROUP, "solver", name)
    except PlugInBroken as broken:
        others = ", ".join(plug_in_names(ENTRY_POINT_GROUP))
        raise SolverMissing(
            name,
            say("its code could not be loaded ({why})", why=broken.why),
            say("Install what it needs, or choose another solver: {others}.", others=others),
        ) from broken
    solver: Solver = create(dict(options or {}))
    return solver


def load_detector(name: str) -> StarDetector:
    """Return the star detector ``name``.

    Raises:
        ConfigError: no detector has that name, or its package cannot be imported.
    """
    detector: StarDetector = load_plug_in(DETECTORS, say("star detector"), name)()
    return detector
