"""`polewright examine`: what a rig can, what is made up for, and a trial of its motion."""

from __future__ import annotations

from typing import Any

import pytest
from support.printed import printed

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, ExitCode
from polewright.observing.runs.examination import Examination, Examiner
from polewright.records.events import Event, MotionStopped, Note, Progress
from polewright_sim.scenario import Fault, Scenario

pytestmark = pytest.mark.e2e


def examiner_of(night, changes: dict[str, Any] | None = None) -> Examiner:
    return Examiner(night.config(changes), night.clock, night.cancel, night.events.append)


def outcomes(result: Examination) -> dict[str, str]:
    return {f"{item.about}: {item.what}": item.outcome for item in result.findings}


def test_a_good_rig_is_asked_and_photographed_and_nothing_moves(start_night) -> None:
    """All that is asked works; the mount stays parked, and the site is told to 0.1 degree."""
    night = start_night()
    examiner = examiner_of(night)

    examiner.run()
    result = examiner.result()

    assert result.ok, [item for item in result.findings if item.outcome == "failed"]
    told = outcomes(result)
    assert {key for key, outcome in told.items() if outcome != "ok"} == {
        "safety monitor: device", "cover: device"
    }  # there, and not configured  # fmt: skip
    for key in ("mount: slews", "camera: sensor", "site: mount and clock", "picture: solved"):
        assert told[key] == "ok"
    assert (result.moved, result.motion, result.exit_code) == (False, "untouched", 0)
    assert night.truth["mount"]["at_park"]
    text = result.model_dump_json()
    printed("examine", text)
    assert "+44.6°, +9.3°" in text
    assert "44.62" not in text
    assert "9.31" not in text


def test_what_is_missing_is_told_with_what_is_done_instead(start_night) -> None:
    """A bare mount and camera: nothing is in the way, and each gap has its substitute."""
    night = start_night(
        {
            "mount": {
                "reports_pier_side": False,
                "reports_destination_side": False,
                "slews_asynchronously": False,
                "interface_version": 3,
                "equatorial_system": 0,
            },
            "camera": {"can_abort": False, "can_stop": False, "gain_mode": "none"},
        }
    )
    names = "utcdate siderealtime altitude azimuth atpark sitelatitude sitelongitude siteelevation"
    missing = {"kind": "members_missing", "device": "telescope"}
    night.running.load_faults(
        Scenario(
            fault=tuple(
                Fault.model_validate({**missing, "member": name}) for name in names.split()
            ),
            seed=5,
        )
    )
    examiner = examiner_of(night)

    examiner.run()
    result = examiner.result()

    assert result.ok, [item for item in result.findings if item.outcome == "failed"]
    instead = {f"{item.about}: {item.what}" for item in result.findings if item.instead}
    assert instead >= {
        "mount: slews", "mount: park", "mount: coordinates", "mount: side of the pier",
        "mount: side after a slew", "mount: altitude and azimuth", "camera: gain",
        "camera: end an exposure", "site: mount and clock",
    }  # fmt: skip


def test_a_site_of_the_wrong_sign_is_in_the_way(start_night) -> None:
    """Both figures, to 0.1 degree, the cause, and the code of a device that refuses; nothing moves
    although it was asked for."""
    night = start_night({"mount": {"site_longitude_deg": -9.31}})
    examiner = examiner_of(night)

    examiner.run(move=True)
    result = examiner.result()

    assert not result.moved
    assert night.truth["mount"]["at_park"]
    assert outcomes(result)["motion: slew"] == "missing"

    (wrong,) = (item for item in result.findings if item.outcome == "failed")
    assert result.exit_code == ExitCode.DEVICE
    assert "-9.3°, ours 9.3°" in wrong.found
    assert "east and west look exchanged" in wrong.found
    assert "9.31" not in result.model_dump_json()


def test_a_camera_that_is_not_there_leaves_the_mount_examined(start_night) -> None:
    """The failure is told once; what can be asked is asked."""
    night = start_night()
    examiner = examiner_of(night, {"camera.device_number": 7})

    examiner.run()
    result = examiner.result()

    failed = [item for item in result.findings if item.outcome == "failed"]
    assert len(failed) == 1
    assert "camera" in failed[0].found
    assert outcomes(result)["mount: slews"] == "ok"
    assert result.exit_code == ExitCode.DEVICE


def test_a_trial_turns_the_mount_a_little_and_stops_it_on_its_way(start_night) -> None:
    """From a park at the pole; it ends standing, with a picture solved where it went."""
    night = start_night({"mount": {"pointing_offset_ra_arcmin": 5.0}})
    before = night.truth["mount"]
    examiner = examiner_of(night)

    examiner.run(move=True)
    result = examiner.result()

    assert result.ok, [item for item in result.findings if item.outcome == "failed"]
    after = night.truth["mount"]
    assert (result.moved, result.motion) == (True, "stopped")
    assert not after["moving"]
    assert not after["tracking"]
    assert before["at_park"]
    assert 0.0 < abs(after["hour_angle_deg"] - before["hour_angle_deg"]) < 10.0
    assert [item.outcome for item in result.findings if item.what == "solved"] == ["ok", "ok"]
    (park,) = (item for item in result.findings if (item.about, item.what) == ("motion", "park"))
    assert "park it when you are done" in park.todo
    notes = [event.text for event in night.of_kind(Note)]
    assert any("not parked again" in text for text in notes)
    (stop,) = (item for item in result.findings if item.what == "stop")
    assert "a slew under way was stopped" in stop.found
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]


def test_an_interrupted_trial_ends_with_the_mount_stopped(start_night) -> None:
    """What was found so far is kept."""
    night = start_night({"mount": {"slew_deg_per_s": 1.0}})
    cancel = CancelToken()

    def listen(event: Event) -> None:
        night.events.append(event)
        if isinstance(event, Progress) and event.step == "slew" and event.done_s > 1.0:
            cancel.cancel("Ctrl-C")

    examiner = Examiner(night.config(), night.clock, cancel, listen)

    with pytest.raises(Cancelled):
        examiner.run(move=True)

    result = examiner.result()
    assert result.motion == "stopped"
    assert not night.truth["mount"]["moving"]
    assert result.exit_code == ExitCode.INTERRUPTED
    assert outcomes(result)["picture: solved"] == "ok"
