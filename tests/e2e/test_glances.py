"""Glances on a rendered rig: they follow the hand, settle nothing, and give way where they must."""

from __future__ import annotations

import re
from typing import Any

import pytest
from support.night import Night, StartNight

from polewright.observing.runs.connect import connect_rig
from polewright.records.events import Note
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

pytestmark = pytest.mark.e2e

QUICK: dict[str, Any] = {"readout_s": 0.02, "readout_s_per_megapixel": 0.01}


class Adjusting:
    """A session that adjusts, with one settled reading at least; stop it at the end."""

    def __init__(self, night: Night, folder: Any, glances: str = "auto") -> None:
        self.night = night
        self.journal = Journal(folder / "night.jsonl")
        config = night.config({"adjusting.glances": glances, "sweep.exposure_s": 1.0})
        self.session = AlignSession(
            connect_rig, config, night.clock, self.journal, night.events.append, session_id="t"
        )
        self.running = night.beside(self.session.run)
        night.until(lambda: self.now.step is Step.ADJUSTING and self.settled)

    @property
    def now(self) -> SessionSnapshot:
        return self.session.snapshot()

    @property
    def settled(self) -> bool:
        return self.now.error is not None and self.now.error.state == "settled"

    def watch(self, seconds: float) -> list[SessionSnapshot]:
        """Let the night go on for so long; return every snapshot with a glance in it."""
        seen: list[SessionSnapshot] = []
        end_s = self.night.clock.monotonic_s() + seconds
        while self.night.clock.monotonic_s() < end_s:
            now = self.now
            if now.moving and (not seen or seen[-1].version != now.version):
                seen.append(now)
            self.night.clock.sleep(0.02)
        return seen

    def stop(self) -> list[str]:
        """End it; return the notes."""
        self.session.stop()
        assert self.running.wait(60.0)
        self.journal.close()
        return [event.text for event in self.night.of_kind(Note)]


def test_the_reading_moves_with_the_hand(start_night: StartNight, tmp_path: Any) -> None:
    """Five a second, each as true as it says; the settled reading comes from full frames alone.

    The camera sees colour, and tells eight bits of it.
    """
    knob = {"rate_arcmin_per_s": 1.0}
    night = start_night(
        {
            "camera": {**QUICK, "pixel_type": "uint8"},
            "sensor": {"bayer": True},
            "adjusters": {"altitude": knob, "azimuth": knob},
        }
    )
    adjusting = Adjusting(night, tmp_path)
    adjusting.watch(1.0)
    before = adjusting.now.error
    assert before is not None
    night.rig.turn_knobs(altitude_arcmin=-4.0)
    snapshots = adjusting.watch(3.9)
    turning = [s.moving for s in snapshots if s.moving and s.moving.turning]
    times = sorted({moving.utc_s for moving in turning})
    assert len(times) > 5 * (times[-1] - times[0])
    assert times[-1] - times[0] > 2.0
    for moving in turning:
        truth = night.rig.truth(moving.utc_s)
        assert abs(moving.d_alt_arcmin - truth.alt_arcmin) < 4.0 * moving.sigma_alt_arcmin
        assert abs(moving.d_az_sky_arcmin - truth.az_sky_arcmin) < 4.0 * moving.sigma_az_sky_arcmin
    assert not any(moving.resting for moving in turning)
    steered = [s.advice.amount_arcmin for s in snapshots if s.advice and s.moving.turning]  # type: ignore[union-attr]
    assert steered

    night.until(lambda: adjusting.now.moving.resting)  # type: ignore[union-attr]
    night.until(lambda: adjusting.settled and adjusting.now.error.utc_s > times[-1])  # type: ignore[union-attr]
    after = adjusting.now.error
    assert after is not None
    assert after.d_alt_arcmin - before.d_alt_arcmin == pytest.approx(-4.0, abs=0.2)
    assert after.sigma_alt_arcmin <= turning[-1].sigma_alt_arcmin
    assert adjusting.now.moves == 1
    night.until(lambda: night.running.camera.get_numx() < 1600)  # amid a glance
    notes = adjusting.stop()
    camera = night.running.camera
    left = (camera.get_binx(), camera.get_startx(), camera.get_starty())
    assert (*left, camera.get_numx(), camera.get_numy()) == (1, 0, 0, 1600, 1200)
    assert not [text for text in notes if "full frames only" in text]
    readings = [
        record
        for record in read_journal(adjusting.journal.path)
        if record.kind == "event" and record.data["kind"] == "reading_taken"
    ]
    assert len(readings) < len(times) / 2


@pytest.mark.parametrize(
    ("camera", "why"),
    [
        ({"subframes": "ignored"}, "the camera takes no subframes"),
        ({"subframes": "restart"}, "starts it anew|a glance takes"),
        ({"has_shutter": True}, "mechanical shutter"),
        ({"exposure_min_s": 0.5, "exposure_min_told_s": 0.001}, "refuses them: .*Duration must be"),
    ],
)
def test_a_camera_that_does_not_lend_itself_takes_full_frames_and_says_so_once(
    start_night: StartNight, tmp_path: Any, camera: dict[str, Any], why: str
) -> None:
    knob = {"rate_arcmin_per_s": 30.0}  # so quick that few frames are smeared
    night = start_night({"camera": {**QUICK, **camera}, "adjusters": {"azimuth": knob}})
    adjusting = Adjusting(night, tmp_path)
    rig = adjusting.session.rig
    assert rig is not None
    night.until(lambda: rig.glances_off and adjusting.settled)
    assert adjusting.watch(3.0) == []
    before = adjusting.now.error
    assert before is not None
    night.rig.turn_knobs(azimuth_arcmin=5.0, wait=True)
    night.until(lambda: adjusting.settled and adjusting.now.moves == 1)
    after = adjusting.now.error
    assert after is not None
    assert after.d_az_base_arcmin - before.d_az_base_arcmin == pytest.approx(5.0, abs=0.3)
    notes = [text for text in adjusting.stop() if "full frames only" in text]
    assert len(notes) == 1
    assert re.search(why, notes[0])
