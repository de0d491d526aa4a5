"""The contract of an adjuster."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, Protocol

from polewright.foundation.errors import ConfigError, DeviceError
from polewright.foundation.language import say

AxisName = Literal["altitude", "azimuth"]
Tick = Callable[[], None]


class AdjusterTrouble(DeviceError):
    """An adjuster did not turn as it was told to."""

    code = "adjuster_trouble"
    advice = say("Look at the adjuster's motor, power and cable; then start the session again.")

    def __init__(self, axis: str, why: str) -> None:
        super().__init__(axis, why)
        self.axis, self.why = axis, why

    def __str__(self) -> str:
        return say("the {axis} adjuster could not be turned: {why}", axis=self.axis, why=self.why)


class NeedsHands(ConfigError):
    """Nothing is configured that could turn the adjusters by itself."""

    code = "needs_hands"
    advice = say(
        "Give [adjuster] name and options (`polewright handbook unattended`), or align "
        "without --unattended."
    )

    def __str__(self) -> str:
        return say("the adjusters are turned by hand ([adjuster] name is manual): nobody is there")


class Adjuster(Protocol):
    """Turns the axis in altitude and azimuth.

    What "plus" does to the axis, by how much, and with which lost motion is not promised: the
    closed loop learns it. Angles are arcminutes as the adjuster itself counts them.
    """

    automatic: bool
    """Whether it turns by itself."""

    def turn(self, axis: AxisName, arcmin: float, tick: Tick) -> None:
        """Turn by so much and return when at rest.

        ``tick`` must be called at least once a second; whatever it raises must stop the motor
        and be let through at once, since the mount is stopped after that. A motor that needs
        longer is told of by a method ``stop_trouble() -> str | None``, if there is one: it waits
        for the motor's stop and says why that is not certain.

        Raises:
            AdjusterTrouble: it did not turn, or nobody knows.
        """

    def position_arcmin(self, axis: AxisName, tick: Tick) -> float | None:
        """Where it stands, by its own count; None when it does not know.

        ``tick`` as in `turn`, where finding out takes longer than a second.
        """

    def travel_arcmin(self, axis: AxisName) -> tuple[float, float] | None:
        """Smallest and largest position; None when unknown."""


def known_options(name: str, options: Mapping[str, object], allowed: set[str]) -> None:
    """Raise `ConfigError` for an option that an adjuster does not have."""
    for key in options:
        if key not in allowed:
            known = ", ".join(sorted(allowed)) or say("none")
            raise ConfigError(
                say(
                    "[adjuster.options] {key}: unknown to {name!r}; known: {known}",
                    key=key,
                    name=name,
                    known=known,
                )
            )
