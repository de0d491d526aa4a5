"""Motion of one axis or knob as pieces of constant acceleration, readable at any past time.

The camera asks after an exposure where the axes were during it, so motion is written down as it
is commanded and never thrown away (but for the very old). After the motor comes the gear: play
(backlash), and for a screw that carries weight, sticking when lowered.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, replace

_KEPT = 4000
_SMALLEST_JUMP = 1e-9


@dataclass(frozen=True)
class Piece:
    """From ``start_s`` on: constant acceleration, until the next piece starts."""

    start_s: float
    position: float
    rate: float
    acceleration: float
    play: float
    """Full width of the gear's play."""
    output: float
    """Where the output stands when this piece starts."""

    def at(self, time_s: float) -> tuple[float, float]:
        """Position and rate of the input."""
        dt = time_s - self.start_s
        return (
            self.position + (self.rate + 0.5 * self.acceleration * dt) * dt,
            self.rate + self.acceleration * dt,
        )

    def output_at(self, time_s: float, jump: float) -> float:
        """Position of the output; the input does not turn back within a piece."""
        position, _ = self.at(time_s)
        if position >= self.position:
            return max(self.output, position - 0.5 * self.play)
        pulled = min(self.output, position + 0.5 * self.play)
        if jump < _SMALLEST_JUMP:
            return pulled
        return self.output - jump * math.floor((self.output - pulled) / jump)


#: A way shorter than this, in whatever unit, is none: its ramp would take no time at all.
_NO_WAY = 1e-200


class Track:
    """The motion of one axis. Units are the caller's; time in seconds."""

    def __init__(
        self, start_s: float, position: float, *, play: float = 0.0, jump: float = 0.0
    ) -> None:
        """Rest at ``position`` from ``start_s`` on; ``jump`` is the drop when lowered."""
        self._jump = jump
        self._play = play
        self._pieces = [Piece(start_s, position, 0.0, 0.0, play, position)]

    def _piece(self, time_s: float) -> Piece:
        index = bisect.bisect_right(self._pieces, time_s, key=lambda piece: piece.start_s)
        return self._pieces[max(0, index - 1)]

    def at(self, time_s: float) -> tuple[float, float]:
        """Position and rate of the input (what an encoder on the motor reads)."""
        return self._piece(time_s).at(max(time_s, self._pieces[0].start_s))

    def output(self, time_s: float) -> float:
        """Position of the output, behind the gear's play."""
        piece = self._piece(time_s)
        return piece.output_at(max(time_s, piece.start_s), self._jump)

    def add(self, time_s: float, rate: float, acceleration: float = 0.0) -> None:
        """From ``time_s`` on go on with this rate and acceleration; later pieces are dropped."""
        position, _ = self.at(time_s)
        output = self.output(time_s)
        while len(self._pieces) > 1 and self._pieces[-1].start_s >= time_s:
            self._pieces.pop()
        if self._pieces[-1].start_s >= time_s:
            self._pieces.pop()
        self._pieces.append(Piece(time_s, position, rate, acceleration, self._play, output))
        if rate * acceleration < 0.0:
            # The input turns back here, and the play needs to know.
            turn_s = time_s - rate / acceleration
            turned = self._pieces[-1]
            self._pieces.append(
                Piece(
                    turn_s,
                    turned.at(turn_s)[0],
                    0.0,
                    acceleration,
                    self._play,
                    turned.output_at(turn_s, self._jump),
                )
            )
        if len(self._pieces) > _KEPT:
            del self._pieces[: _KEPT // 2]

    def set_play(self, time_s: float, play: float) -> None:
        """Change the play from ``time_s`` on; motion already planned is kept."""
        self._play = play
        later = [piece for piece in self._pieces if piece.start_s > time_s]
        current = self._piece(time_s)
        position, rate = current.at(time_s)
        kept = [piece for piece in self._pieces if piece.start_s <= time_s]
        kept.append(Piece(time_s, position, rate, current.acceleration, play, self.output(time_s)))
        for piece in later:
            output = kept[-1].output_at(piece.start_s, self._jump)
            kept.append(replace(piece, play=play, output=output))
        self._pieces = kept

    def stop(self, time_s: float, acceleration: float) -> float:
        """Brake to rest; return when that is done."""
        _, rate = self.at(time_s)
        return self.change_rate(time_s, 0.0, acceleration) if rate else self._rest(time_s)

    def _rest(self, time_s: float) -> float:
        self.add(time_s, 0.0)
        return time_s

    def change_rate(self, time_s: float, rate: float, acceleration: float) -> float:
        """Ramp to another rate and keep it; return when it is reached."""
        _, before = self.at(time_s)
        if before == rate:
            self.add(time_s, rate)
            return time_s
        end_s = time_s + abs(rate - before) / acceleration
        self.add(time_s, before, math.copysign(acceleration, rate - before))
        self.add(end_s, rate)
        return end_s

    def go_to(self, time_s: float, position: float, rate: float, acceleration: float) -> float:
        """Go from rest to rest with a trapezoid of speed; return when it is there."""
        distance = position - self.at(time_s)[0]
        if abs(distance) < _NO_WAY:
            return self._rest(time_s)
        ramp_s = min(rate / acceleration, math.sqrt(abs(distance) / acceleration))
        peak = ramp_s * acceleration
        even_s = abs(distance) / peak - ramp_s
        sign = math.copysign(1.0, distance)
        self.add(time_s, 0.0, sign * acceleration)
        self.add(time_s + ramp_s, sign * peak)
        self.add(time_s + ramp_s + even_s, sign * peak, -sign * acceleration)
        end_s = time_s + 2.0 * ramp_s + even_s
        self.add(end_s, 0.0)
        return end_s


def trapezoid_s(distance: float, rate: float, acceleration: float) -> float:
    """Duration of `Track.go_to` over ``distance``."""
    if abs(distance) < _NO_WAY:
        return 0.0
    ramp_s = min(rate / acceleration, math.sqrt(abs(distance) / acceleration))
    return ramp_s + abs(distance) / (ramp_s * acceleration)
