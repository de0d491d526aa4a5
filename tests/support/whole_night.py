"""Two checks of a whole night on the simulated rig, by what it did in truth.

No slew crosses the meridian unless the user was told before; nothing moves after the product has
said that all stands still.
"""

from __future__ import annotations

from collections.abc import Sequence

from polewright.records.events import Event, MotionStopped, Note, StepChanged, SweepPlanned
from polewright_sim.rig import SimulatedRig
from support.movements import commanded_across, moves_again, slews

#: The axes are looked at so far ahead of the end of a test, s: as far as a slew may be commanded.
AFTER_S = 40.0
#: What is told of a slew comes at most so long before it, s: a mount may be slow to start.
TOLD_S = 30.0


def crossed_untold(rig: SimulatedRig, events: Sequence[Event]) -> list[str]:
    """Say every slew of a night that crossed the meridian though the user was not told before.

    By where the axes stood in truth, and by what the mount was told. Told is told by the note
    that comes right before such a slew; a session's sweep also by its plan.
    """
    if not rig.mount.told:
        return []
    since_s = rig.mount.told[0].utc_s
    slewed = slews(rig.mount, since_s, rig.clock.utc_s() + AFTER_S)
    times = [item.start_s for item in slewed if item.crosses_meridian]
    notes = [
        event.utc_s
        for event in events
        if isinstance(event, Note) and "crosses the meridian" in event.text
    ]
    in_session = any(isinstance(event, StepChanged) for event in events)
    wrong = []
    for time_s in sorted({*times, *commanded_across(rig.mount)}):
        told = any(time_s - TOLD_S <= noted_s <= time_s + 0.5 for noted_s in notes)
        plans = [e for e in events if isinstance(e, SweepPlanned) and e.utc_s <= time_s]
        if not told or (in_session and not (plans and plans[-1].crosses_meridian)):
            wrong.append(f"{time_s - since_s:.1f} s after the mount was first told to move")
    return wrong


def moved_after_stop(rig: SimulatedRig, events: Sequence[Event]) -> list[str]:
    """Say every motion of a night that came after the product had said that all stands still."""
    stops = [e.utc_s for e in events if isinstance(e, MotionStopped) and e.state == "stopped"]
    now_s = rig.clock.utc_s()
    again = [(stop_s, moves_again(rig.mount, stop_s, now_s + AFTER_S)) for stop_s in stops]
    return [f"{at_s - stop_s:.1f} s after the stop" for stop_s, at_s in again if at_s is not None]
