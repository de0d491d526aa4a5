"""A hand at the simulated adjusters that does only what the advice says."""

from __future__ import annotations

from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step
from polewright_sim.rig import SimulatedRig

#: What is asked for, and the knob that does it with its sign, in the north.
TURN = {
    "raise": ("altitude_arcmin", 1.0),
    "lower": ("altitude_arcmin", -1.0),
    "east": ("azimuth_arcmin", 1.0),
    "west": ("azimuth_arcmin", -1.0),
}


def knob_for(rig: SimulatedRig, action: str) -> tuple[str, float]:
    """Return knob and sign for an action of `TURN` where this rig stands."""
    knob, sign = TURN[action]
    southern = rig.spec.site.latitude_deg < 0
    return knob, -sign if knob == "azimuth_arcmin" and southern else sign


class Hand:
    """Turns the knobs at settled readings; what else is asked for is the caller's business."""

    def __init__(self, rig: SimulatedRig) -> None:
        self.rig = rig
        self.moves = 0
        self._told: tuple[float, str] | None = None
        self._let_go_s = 0.0

    def follow(self, now: SessionSnapshot) -> str:
        """Turn if that is the advice of a reading that counts.

        Returns:
            The action that is asked for and not done; empty where there is none, or nothing new.
        """
        if now.step is not Step.ADJUSTING or now.advice is None or now.error is None:
            return ""
        stamp = (now.error.utc_s, now.advice.sentence)
        if stamp == self._told or now.error.state not in ("settled", "bumped"):
            return ""
        if now.error.utc_s <= self._let_go_s:  # exposed before it let go: tells nothing of the turn
            return ""
        self._told = stamp
        if now.advice.action not in TURN:
            return now.advice.action
        knob, sign = knob_for(self.rig, now.advice.action)
        self.rig.turn_knobs(**{knob: sign * now.advice.amount_arcmin}, wait=True)
        self.moves += 1
        self._let_go_s = self.rig.clock.utc_s()
        return ""
