"""An observatory's start on the whole simulated rig."""

from __future__ import annotations

import pytest

from polewright.foundation.errors import ExitCode, PolewrightError
from polewright.observing.rig.mount_site import MountContradicts
from polewright.observing.runs.startup import Startup
from polewright.observing.runs.startup_errors import CoverClosed
from polewright.observing.safety.guard_errors import RoofNotOpen, SafetyUnsafe
from polewright.records.events import MotionStopped, PointSolved

#: 2026-11-20 21:30 UTC, as the rig's nights begin.
NIGHT_UTC_S = 1795210200.0
pytestmark = pytest.mark.e2e

CLOSED = {"cover": {"starts_open": False, "move_s": 3.0}}
NEAR_POLE = {"misalignment": {"alt_arcmin": 0.2, "az_arcmin": -0.3}}


def startup(night, changes=None) -> Startup:
    here = {
        f"{kind}.{key}": value
        for kind in ("cover", "safety")
        for key, value in (("host", night.running.host), ("port", night.running.port))
    }
    config = night.config({**here, "startup.wait_s": 0.0, **(changes or {})})
    return Startup(config, night.clock, night.cancel, night.events.append)


def outcomes(run: Startup) -> dict[str, str]:
    return {step.name: step.outcome for step in run.steps}


def test_a_good_start_opens_the_cover_measures_and_parks(start_night) -> None:
    """Cover opened since that is allowed, light switched off, axis within tolerance, parked."""
    night = start_night({**CLOSED, **NEAR_POLE})
    night.running.cover.put_calibratoron(100)
    run = startup(night, {"startup.open_cover": True})

    result = run.run()

    assert result.within_tolerance, result.axis
    assert abs(result.axis.total_arcmin - night.truth["axis"]["total_arcmin"]) < 0.3
    assert outcomes(run) == {
        "devices": "ok",
        "site and clock": "ok",
        "safety": "ok",
        "dome": "skipped",
        "cover": "ok",
        "mount": "ok",
        "sweep": "ok",
        "focus": "ok",
        "alignment": "ok",
        "afterwards": "ok",
    }
    cover = next(step for step in run.steps if step.name == "cover")
    assert cover.text == "the light was on and is off now, the cover was opened"
    assert night.truth["mount"]["at_park"]
    assert not night.truth["mount"]["moving"]


def test_a_dry_run_looks_at_everything_and_touches_nothing(start_night) -> None:
    """Cover closed and light on: what would be done is told, and all stays as it was."""
    night = start_night(CLOSED)
    night.running.cover.put_calibratoron(100)
    run = startup(night, {"startup.open_cover": True})

    run.dry_run(wait_for_dark=True)

    told = {step.name: step.text for step in run.steps}
    assert set(outcomes(run).values()) == {"ok", "skipped"}
    assert told["dark"] == "the Sun is below -6 deg"
    assert told["cover"].endswith("the cover is closed and would be opened")
    assert "3 points fit" in told["plan"]
    assert all(step.took_s >= 0.0 for step in run.steps)
    assert not night.rig.cover_open()
    assert night.truth["mount"]["at_park"]
    assert not night.truth["mount"]["tracking"]
    assert not night.rig.recorded


def test_a_dry_run_by_day_plans_for_the_night_it_would_wait_for(start_night) -> None:
    """At 14:30 UTC in November no sweep fits beside the Sun; two hours later one does."""
    night = start_night(CLOSED, NIGHT_UTC_S - 7.0 * 3600.0)
    run = startup(night, {"startup.open_cover": True})

    run.dry_run(wait_for_dark=True)

    told = {step.name: step.text for step in run.steps}
    assert told["dark"].startswith("it would wait until 16:")
    assert told["plan"].startswith("at 16:")
    assert night.truth["mount"]["at_park"]


def test_an_uncertain_check_takes_a_further_point(start_night, monkeypatch) -> None:
    """A finer uncertainty than three points give: more are taken, up to the limit, and told."""
    monkeypatch.setattr("polewright.observing.runs.startup.MOST_POINTS", 4)
    night = start_night(NEAR_POLE)
    run = startup(
        night,
        {
            "sweep.sigma_arcmin": 0.001,
            "startup.afterwards": "stop",
        },
    )

    result = run.run()

    assert len(result.points) == 4
    assert any("One more point" in line for line in result.story)
    assert not night.truth["mount"]["tracking"]
    assert not night.truth["mount"]["at_park"]


def test_a_closed_cover_is_not_opened_unasked(start_night) -> None:
    """It refuses before the mount is unparked, and the cover stays closed."""
    night = start_night(CLOSED)
    run = startup(night)

    with pytest.raises(CoverClosed) as caught:
        run.run()

    assert caught.value.exit_code is ExitCode.DEVICE
    assert outcomes(run)["cover"] == "failed"
    assert not night.running.cover.open
    assert night.truth["mount"]["at_park"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"site_longitude_deg": -9.31}, "east and west look exchanged"),
        ({"clock_offset_s": 3600.0}, r"\+60.0 min\): daylight saving"),
    ],
    ids=["longitude sign", "clock"],
)
def test_a_mount_that_contradicts_is_refused(start_night, changes, said) -> None:
    """Site or clock wrong: nothing moves, and the sentence names what is wrong."""
    night = start_night({"mount": changes})
    run = startup(night)

    with pytest.raises(MountContradicts, match=said):
        run.run()

    assert night.truth["mount"]["at_park"]


def test_unsafe_ends_it_before_the_cover_is_looked_at(start_night) -> None:
    """The safety monitor's exit code, with the cover still closed."""
    night = start_night(CLOSED)
    night.rig.safe = False
    run = startup(night, {"startup.open_cover": True})

    with pytest.raises(SafetyUnsafe):
        run.run()

    assert outcomes(run)["safety"] == "failed"
    assert not night.running.cover.open


def test_rain_while_the_cover_opens_halts_it(start_night) -> None:
    """What was safe before the cover began to move is asked again while it moves."""
    night = start_night({"cover": {"starts_open": False, "move_s": 30.0}})
    cover = night.running.cover
    told = cover.put_opencover

    def rain() -> None:
        told()
        night.rig.safe = False

    cover.put_opencover = rain
    run = startup(night, {"startup.open_cover": True})

    with pytest.raises(SafetyUnsafe, match="while roof or cover move"):
        run.run()

    assert outcomes(run)["cover"] == "failed"
    night.clock.sleep(40.0)
    assert not cover.open
    assert night.truth["mount"]["at_park"]


def test_a_roof_that_closes_during_the_sweep_stops_the_mount(start_night) -> None:
    """Opened first, since that is allowed; as it begins to close, the mount is stopped."""
    night = start_night({**NEAR_POLE, "roof": {"starts_open": False, "move_s": 20.0}})
    roof = night.running.roof
    dome = {"dome.host": night.running.host, "dome.port": night.running.port}
    run = startup(night, {**dome, "startup.open_roof": True})
    running = night.beside(run.run)
    night.until(lambda: night.of_kind(PointSolved))
    assert roof.lid.open

    roof.put_closeshutter()

    assert running.wait(60.0)
    assert isinstance(running.error, RoofNotOpen)
    assert night.of_kind(MotionStopped)[-1].state == "stopped"
    assert not night.truth["mount"]["tracking"]
    assert not roof.lid.open


def test_it_waits_for_devices_that_come_later(start_night) -> None:
    """A server that is not there yet is waited for, and the wait ends with what was missing."""
    night = start_night({})
    night.running.stop()
    run = startup(night, {"startup.wait_s": 20.0})
    began = night.clock.monotonic_s()

    with pytest.raises(PolewrightError) as caught:
        run.run()

    assert caught.value.exit_code is ExitCode.DEVICE
    assert night.clock.monotonic_s() - began >= 20.0
    assert any("waiting for up to" in getattr(event, "text", "") for event in night.events)
