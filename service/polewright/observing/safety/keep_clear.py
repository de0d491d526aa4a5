"""Time to step back before a slew takes the mount across the meridian."""

from __future__ import annotations

from polewright.foundation.language import say
from polewright.observing.rig.rig import Rig
from polewright.records.events import Note

#: From the warning to the motion, s of the run's clock (own choice: read it, and step back).
CLEAR_S = 10.0


def keep_clear(rig: Rig, *, crosses_meridian: bool) -> None:
    """Warn of motion that crosses the meridian, and wait before anything moves.

    Raises:
        Cancelled: stopped meanwhile.
    """
    if not crosses_meridian:
        return
    text = say(
        "In {clear_s:.0f} s the mount moves and crosses the meridian: it may swing to the other "
        "side of the pier. Keep hands, cables and tripod clear, or stop it now.",
        clear_s=CLEAR_S,
    )
    rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=text, passing=True))
    rig.clock.sleep(CLEAR_S, rig.cancel)
