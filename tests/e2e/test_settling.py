"""Short looks at the stars tell when the mount has settled; else the fixed wait is what is left."""

from __future__ import annotations

import math

import pytest

from polewright.foundation.angles import ARCSEC
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.runs.measurement import ready_mount
from polewright.observing.settling.settle import settle
from polewright.observing.settling.still_stars import LIMIT_OF_FLOOR
from polewright.records.events import Note, Progress
from polewright_sim.mount.mount_model import _Ring
from polewright_wire.errors import ValueRefused

pytestmark = pytest.mark.e2e

MEASURED = {"sweep.settle": "measured", "sweep.settle_s": 20.0}
DECAY_S, SWING_ARCSEC = 1.2, 20.0
RINGING = {"mount": {"vibration_decay_s": DECAY_S, "vibration_hz": 1.7}}


def ringing(night, changes=None):
    """A rig that tracks above the pole and rings as after a slew."""
    rig = night.connect({**MEASURED, **(changes or {})})
    ready_mount(rig)
    ring = _Ring(night.clock.utc_s(), SWING_ARCSEC * ARCSEC)
    night.rig.mount._rings = [ring]
    return rig


def told(night) -> str:
    return " ".join(note.text for note in night.of_kind(Note))


def test_it_exposes_as_soon_as_the_stars_stand_still(start_night) -> None:
    """Later than the swing became harmless, much sooner than the fixed wait; and the frame after
    it is a whole one again."""
    night = start_night(RINGING)
    rig = ringing(night)

    settle(rig, 1, 3)

    # Looks agree once what is left swings by less than the limit, both ways together.
    limit_arcsec = LIMIT_OF_FLOOR * rig.config.sweep.frame_floor_arcsec
    rung_out_s = DECAY_S * math.log(2.0 * SWING_ARCSEC / limit_arcsec)
    assert 0.5 * rung_out_s < rig.times.settle < 15.0
    assert rig.times.settle_saved == pytest.approx(20.0 - rig.times.settle)
    assert not [note for note in night.of_kind(Note) if "not seen at rest" in note.text]
    steps = {event.step for event in night.of_kind(Progress)}
    assert steps == {"settle"}
    assert take_frame(rig, 0.5).pixels.shape == (1200, 1600)


def whole_only(value: int) -> None:
    if value != 1600:
        raise ValueRefused("no subframes here")


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        ("no subframes", "takes no subframes"),
        ("whole frames", "takes no subframes"),
        ("no stars", "shows too few stars"),
    ],
)
def test_where_looks_tell_nothing_the_fixed_wait_is_left(
    start_night, monkeypatch, spoil, why
) -> None:
    """A camera that refuses subframes or ignores them, and a sky without stars."""
    night = start_night({"optics": {"transmission": 1e-6}} if spoil == "no stars" else {})
    camera = night.running.camera
    if spoil == "no subframes":
        monkeypatch.setattr(camera, "put_numx", whole_only)
    if spoil == "whole frames":
        monkeypatch.setattr(camera, "_checked_subframe", lambda: (0, 0, 1600, 1200))
    rig = ringing(night, {"sweep.settle_s": 12.0})
    rig.light_seen = True  # else this sky is taken for a lens cap

    settle(rig, 1, 3)

    assert 12.0 <= rig.times.settle < 15.0
    assert why in told(night)
