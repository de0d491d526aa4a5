"""A session's motors: every turn only while it is safe, and written down before it is made."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from polewright.calculation.adjusting.closed_loop import ClosedLoop
from polewright.calculation.adjusting.engine import Reading
from polewright.calculation.adjusting.errors import TravelAtEnd
from polewright.calculation.adjusting.motor import MotorLimits
from polewright.devices.motors.base import Adjuster, NeedsHands
from polewright.devices.motors.registry import load_adjuster
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN
from polewright.foundation.clock import Clock
from polewright.foundation.language import say
from polewright.observing.rig.rig import Rig

MOST_MOVES = 60
"""Turns after which a session gives up: with much play up to 40 are needed (own choice)."""

Write = Callable[[str, Mapping[str, Any]], None]


class HandsFree:
    """The closed loop on a connected rig.

    Args:
        rig: asked for safety before and during every turn.
        adjuster: what turns.
        write: keeps a record of every turn, before it is made.
    """

    def __init__(self, rig: Rig, adjuster: Adjuster, write: Write) -> None:
        self._rig, self._adjuster, self._write = rig, adjuster, write
        section = rig.config.adjuster
        travel = {
            Axis.ALTITUDE: section.altitude_travel_arcmin,
            Axis.AZIMUTH: section.azimuth_travel_arcmin,
        }
        limits = {
            axis: MotorLimits(
                section.first_step_arcmin * ARCMIN,
                section.largest_step_arcmin * ARCMIN,
                travel[axis] * ARCMIN,
            )
            for axis in Axis
        }
        self.loop = ClosedLoop(limits, self._turn, MOST_MOVES)

    @classmethod
    def of(cls, rig: Rig, clock: Clock, write: Write) -> HandsFree:
        """Return what the configuration names. Raises `NeedsHands`, or another `ConfigError`."""
        section = rig.config.adjuster
        adjuster = load_adjuster(section.name, section.options, clock)
        if not adjuster.automatic:
            raise NeedsHands
        return cls(rig, adjuster, write)

    def begin_pass(self) -> None:
        """Tell that a new sweep was made."""
        self.loop.begin_pass()

    def act(self, reading: Reading) -> bool:
        """Turn what the reading asks for; return whether anything was turned.

        Raises as `ClosedLoop.act`, adjuster and guards do.
        """
        turned = self.loop.act(reading)
        if turned is not None:
            motor = self.loop.motors[turned.axis]
            self._rig.note(
                say(
                    "Turn {moves}: {axis} motor told {asked} (it stands at {position}).",
                    moves=self.loop.moves,
                    axis=turned.axis.value,
                    asked=angle_text(turned.asked, signed=True),
                    position=angle_text(motor.position, signed=True),
                )
            )
        return turned is not None

    def _turn(self, axis: Axis, asked: float) -> None:
        self._check()
        arcmin = asked / ARCMIN
        position = self._adjuster.position_arcmin(axis.value, self._check)
        travel = self._adjuster.travel_arcmin(axis.value)
        if position is not None and travel is not None:
            low, high = travel
            if not low <= position + arcmin <= high:
                raise TravelAtEnd(axis.value, position + arcmin, high if arcmin > 0 else -low)
        self._write("turn", {"axis": axis.value, "asked_arcmin": arcmin, "position": position})
        self._adjuster.turn(axis.value, arcmin, self._check)

    @contextmanager
    def told_when_stopped(self) -> Iterator[None]:
        """Tell, when the block is left by any exception, of a motor that may not have stopped."""
        try:
            yield
        except BaseException:
            ask: Callable[[], str | None] = getattr(self._adjuster, "stop_trouble", lambda: None)
            trouble = ask()
            if trouble is not None:
                self._rig.note(
                    say(
                        "An adjuster's motor may still be turning: {trouble}. Go and look.",
                        trouble=trouble,
                    ),
                    warning=True,
                )
            raise

    def _check(self) -> None:
        """Never while unsafe, nor after a stop was asked for; a sign of life besides."""
        rig = self._rig
        rig.cancel.check()
        rig.guards.while_tracking(at_once=True)
        rig.clock.sleep(0.0, rig.cancel)
