"""The two knobs under the mount: turn them, and the base follows with play, stops and jumps."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from polewright_sim.mount.motion import Track
from polewright_sim.spec import AdjustersSpec, KnobSpec


@dataclass(frozen=True)
class Turn:
    """One turn of a knob, as it was done."""

    utc_s: float
    knob: str
    asked_arcmin: float
    done_arcmin: float
    """Less than asked where the end of the travel was reached; gain included."""
    done_s: float
    """Unix time at which the knob comes to rest."""


class Knob:
    """One adjuster. Positive raises the axis, or turns it to larger azimuth."""

    def __init__(self, name: str, spec: KnobSpec, start_s: float) -> None:
        self.name = name
        self.spec = spec
        self._track = Track(start_s, 0.0, play=spec.backlash_arcmin, jump=spec.lowering_jump_arcmin)
        self._rest_s = start_s

    def turn(self, arcmin: float, utc_s: float) -> Turn:
        """Turn by so many arcminutes of the axis, before play and gain.

        Starts when any turn still under way has ended.
        """
        start_s = max(utc_s, self._rest_s)
        before, _ = self._track.at(start_s)
        travel = self.spec.travel_arcmin
        target = min(travel, max(-travel, before + arcmin * self.spec.gain))
        done = target - before
        rate = self.spec.rate_arcmin_per_s
        if done:
            self._track.add(start_s, rate if done > 0.0 else -rate)
            self._rest_s = start_s + abs(done) / rate
            self._track.add(self._rest_s, 0.0)
        return Turn(utc_s, self.name, arcmin, done, self._rest_s)

    def position_arcmin(self, utc_s: float) -> float:
        """Where the knob stands, seen from its start."""
        return self._track.at(utc_s)[0]

    def axis_arcmin(self, utc_s: float) -> float:
        """How far the base has followed."""
        return self._track.output(utc_s)

    def moving(self, utc_s: float) -> bool:
        """Whether it is being turned."""
        return self._track.at(utc_s)[1] != 0.0

    def quiet_since(self, utc_s: float) -> bool:
        """Whether nothing has moved since ``utc_s``."""
        return self._rest_s <= utc_s


class Adjusters:
    """Both knobs and the record of their turns."""

    def __init__(self, spec: AdjustersSpec, start_s: float) -> None:
        self.altitude = Knob("altitude", spec.altitude, start_s)
        self.azimuth = Knob("azimuth", spec.azimuth, start_s)
        self.history: list[Turn] = []
        self._lock = threading.Lock()

    def turn(
        self, utc_s: float, *, altitude_arcmin: float = 0.0, azimuth_arcmin: float = 0.0
    ) -> list[Turn]:
        """Turn one knob or both at once.

        Args:
            utc_s: now.
            altitude_arcmin: positive raises the axis.
            azimuth_arcmin: turn of the base; positive to larger azimuth.
        """
        turns: list[Turn] = []
        with self._lock:
            for knob, amount in (
                (self.altitude, altitude_arcmin),
                (self.azimuth, azimuth_arcmin),
            ):
                if amount:
                    turns.append(knob.turn(amount, utc_s))
            self.history += turns
        return turns

    def moving(self, utc_s: float) -> bool:
        """Whether a knob is being turned."""
        return self.altitude.moving(utc_s) or self.azimuth.moving(utc_s)

    def quiet_since(self, utc_s: float) -> bool:
        """Whether no knob has moved since ``utc_s``."""
        return self.altitude.quiet_since(utc_s) and self.azimuth.quiet_since(utc_s)
