"""An adjuster behind a command of the user's own: `mymotor {axis} {arcmin}`."""

from __future__ import annotations

import threading
from collections.abc import Mapping

from polewright.devices.motors.base import AdjusterTrouble, AxisName, Tick, known_options
from polewright.foundation.clock import Clock
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say
from polewright.foundation.programs import Program
from polewright.foundation.user_commands import CommandFailed, UserCommand

KEY = "[adjuster.options] command"
STOP_S = 15.0
"""Real seconds after which a stop command counts as failed and is ended (own choice)."""


class CommandAdjuster:
    """Runs a command for every turn; the command must end only when the motor is at rest.

    Args:
        command: with ``{axis}`` (altitude or azimuth) and ``{arcmin}`` (signed).
        timeout_s: longest a turn may take.
        stop: command that stops the motors, run when a turn is broken off; optional.
        position: command that prints a position in arcminutes, given ``{axis}``; optional.
    """

    automatic = True

    def __init__(
        self,
        command: str,
        timeout_s: float = 120.0,
        stop: str | None = None,
        position: str | None = None,
    ) -> None:
        self._turn = UserCommand(command, KEY, frozenset({"axis", "arcmin"}))
        for place in ("{axis}", "{arcmin}"):
            if not any(place in word for word in self._turn.words):
                raise ConfigError(say("{key} must hold {place}", key=KEY, place=place))
        self._stop = None
        if stop is not None:
            self._stop = UserCommand(stop, "[adjuster.options] stop", frozenset())
        self._position = None
        if position is not None:
            key = "[adjuster.options] position"
            self._position = UserCommand(position, key, frozenset({"axis"}))
        self._timeout_s = timeout_s
        self._ending: threading.Thread | None = None
        self._trouble: str | None = None

    def turn(self, axis: AxisName, arcmin: float, tick: Tick) -> None:
        """Run the command; when it is broken off or fails, the motors are stopped at once."""
        try:
            program = self._turn.start({"axis": axis, "arcmin": f"{arcmin:.3f}"})
        except CommandFailed as exc:
            raise AdjusterTrouble(axis, str(exc)) from exc
        try:
            in_time = program.wait(self._timeout_s, tick)
            self._turn.checked(program.end(children=False) if in_time else None, self._timeout_s)
        except BaseException as exc:
            self._break_off(program)
            if isinstance(exc, CommandFailed):
                raise AdjusterTrouble(axis, str(exc)) from exc
            raise

    def _break_off(self, turning: Program) -> None:
        """Start the stop command, and do the rest beside whoever stops the mount meanwhile."""
        stopping = None
        self._trouble = None
        try:
            if self._stop is not None:
                stopping = self._stop.start({})
        except CommandFailed as exc:
            self._trouble = str(exc)
        self._ending = threading.Thread(target=self._end, args=(turning, stopping))
        self._ending.start()

    def _end(self, turning: Program, stopping: Program | None) -> None:
        """End the turning command, then stop once more: it may have turned on in between."""
        was_turning = not turning.has_ended()
        turning.end()
        if self._stop is None or stopping is None:
            return
        try:
            self._stop.finish(stopping, STOP_S)
            if was_turning:
                self._stop.finish(self._stop.start({}), STOP_S)
        except CommandFailed as exc:
            self._trouble = str(exc)

    def stop_trouble(self) -> str | None:
        """Wait until the last turn that was broken off is stopped; say why it may not be."""
        if self._ending is not None:
            self._ending.join()
        return self._trouble

    def position_arcmin(self, axis: AxisName, tick: Tick) -> float | None:
        """Ask the position command, if there is one."""
        if self._position is None:
            return None
        try:
            told = self._position.run({"axis": axis}, timeout_s=self._timeout_s, tick=tick)
            return float(told.split()[0])
        except (CommandFailed, ValueError, IndexError) as exc:
            raise AdjusterTrouble(axis, say("its position is not known: {exc}", exc=exc)) from exc

    def travel_arcmin(self, axis: AxisName) -> tuple[float, float] | None:  # noqa: ARG002
        """Unknown; [adjuster] altitude_travel_arcmin and azimuth_travel_arcmin hold."""
        return None


def create(options: Mapping[str, object], clock: Clock) -> CommandAdjuster:  # noqa: ARG001
    """Make one from the options ``command``, ``timeout_s``, ``stop`` and ``position``."""
    known_options("command", options, {"command", "timeout_s", "stop", "position"})
    texts = {key: options.get(key) for key in ("command", "stop", "position")}
    for key, text in texts.items():
        if text is not None and not isinstance(text, str):
            raise ConfigError(say("[adjuster.options] {key} must be text", key=key))
    timeout_s = options.get("timeout_s", 120.0)
    if isinstance(timeout_s, bool) or not isinstance(timeout_s, int | float) or timeout_s <= 0:
        raise ConfigError(say("[adjuster.options] timeout_s must be a positive number, seconds"))
    command, stop, position = texts["command"], texts["stop"], texts["position"]
    if not isinstance(command, str):
        raise ConfigError(say("{key} is missing: the program that turns the adjusters", key=KEY))
    return CommandAdjuster(
        command,
        float(timeout_s),
        stop if isinstance(stop, str) else None,
        position if isinstance(position, str) else None,
    )
