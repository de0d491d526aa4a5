"""Finds what installed packages bring, by entry point."""

from __future__ import annotations

from importlib.metadata import entry_points
from typing import Any

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class PlugInBroken(ConfigError):
    """A plug-in is registered, but its package cannot be imported."""

    code = "plug_in_broken"
    advice = say("Install what its package needs, or choose another in the configuration.")

    def __init__(self, kind: str, name: str, why: str) -> None:
        super().__init__(kind, name, why)
        self.kind, self.name, self.why = kind, name, why

    def __str__(self) -> str:
        return say(
            "the {kind} {name!r} could not be loaded ({why})",
            kind=self.kind,
            name=self.name,
            why=self.why,
        )


def plug_in_names(group: str) -> list[str]:
    """Return the names that installed packages have registered in a group."""
    return sorted({point.name for point in entry_points(group=group)})


def load_plug_in(group: str, kind: str, name: str) -> Any:
    """Return what the entry point ``name`` of a group stands for, which usually makes one.

    Args:
        group: of entry points, such as ``polewright.solvers``.
        kind: in words, such as "solver"; for messages.
        name: as the configuration has it.

    Raises:
        ConfigError: no package has registered that name; says which there are.
        PlugInBroken: its code cannot be imported.
    """
    points = {point.name: point for point in entry_points(group=group)}
    if name not in points:
        known = ", ".join(sorted(points)) or say("none is installed")
        raise ConfigError(
            say(
                "there is no {kind} named {name!r}; available: {known}",
                kind=kind,
                name=name,
                known=known,
            )
        )
    try:
        return points[name].load()
    except (ImportError, AttributeError) as exc:
        raise PlugInBroken(kind, name, str(exc)) from exc
