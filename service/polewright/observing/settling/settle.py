"""Waits after a slew until the mount has rung out, and tells how that went."""

from __future__ import annotations

from polewright.calculation.images.errors import EmptyFrame
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import measure_stars
from polewright.observing.capture.lens_cap import FEW_STARS, SURE_S, check_light
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.settling.still_stars import LEAST_FIXED_S, Settled, wait_for_still_stars

#: Between two looks at mount and run during a fixed wait, s.
SETTLE_TICK_S = 0.5


def settle(rig: Rig, number: int, total: int) -> None:
    """Wait until the mount has rung out: until the stars stand still, or the fixed time."""
    section = rig.config.sweep
    wait_s = section.settle_s
    began_s = rig.clock.monotonic_s()
    with rig.times.spent("settle", rig.clock):
        looks = section.settle == "measured" and wait_s >= LEAST_FIXED_S
        settled = wait_for_still_stars(rig, number, total, wait_s) if looks else None
        if settled is not None and settled.starless and not rig.plates.learned:
            _look_for_light(rig, number, total)
        if settled is None or not settled.still:
            wait_out(rig, number, total, began_s, wait_s)
    rig.times.settle_fixed += wait_s
    if settled is not None:
        tell_settled(rig, number, settled, rig.clock.monotonic_s() - began_s)


def _look_for_light(rig: Rig, number: int, total: int) -> None:
    """Find out about a lens cap while there is nothing to do but wait. Raises `NoLight`."""
    if rig.light_seen:
        return
    sure_s = max(rig.exposure_s, min(SURE_S, rig.config.sweep.exposure_max_s))
    frame = take_frame(rig, sure_s, number, total)
    try:
        found = len(measure_stars(rig, frame)[0])
    except EmptyFrame:
        found = 0
    if found < FEW_STARS:
        check_light(rig, frame)


def wait_out(rig: Rig, number: int, total: int, began_s: float, wait_s: float) -> None:
    """Wait until ``wait_s`` after ``began_s`` by the run's timer, if that is still to come."""
    while (elapsed := rig.clock.monotonic_s() - began_s) < wait_s:
        rig.guards.while_tracking()
        rig.progress("settle", number, total, elapsed, wait_s)
        rig.clock.sleep(min(SETTLE_TICK_S, wait_s - elapsed), rig.cancel)


def tell_settled(rig: Rig, number: int, settled: Settled, took_s: float) -> None:
    """Say so where it was not seen that the stars stood still."""
    if rig.settle_memory.useless:
        rig.note(
            say(
                "Settle frames do not show when the mount has settled ({useless}): waiting "
                "{settle_s:g} s after each slew.",
                useless=rig.settle_memory.useless,
                settle_s=rig.config.sweep.settle_s,
            )
        )
    elif not settled.still:
        moved = (
            ""
            if settled.moved_arcsec is None
            else say(
                ", last by {moved_arcsec}", moved_arcsec=angle_text(settled.moved_arcsec * ARCSEC)
            )
        )
        rig.note(
            say(
                "Point {point}: stars not seen at rest after {took_s:.0f} s ({why}{moved}); "
                "exposing anyway.",
                point=number,
                took_s=took_s,
                why=settled.why,
                moved=moved,
            ),
            warning=True,
        )
