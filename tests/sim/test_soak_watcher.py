"""What the soak holds against every night is noticed where it is broken."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import requests
import soak_night
from soak_night import NIGHT_UTC_S, Outcome, Watcher

from polewright.foundation.angles import DEG
from polewright.foundation.config import Config
from polewright.records.events import MotionStopped, ReadingTaken
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import MisalignmentSpec, MountSpec, RigSpec, RoofSpec, SiteSpec

OFF_ARCMIN = 8.0


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    clock = SimulatedClock(NIGHT_UTC_S)
    spec = RigSpec(
        site=SiteSpec(latitude_deg=45.0),
        misalignment=MisalignmentSpec(alt_arcmin=OFF_ARCMIN),
        mount=MountSpec(altitude_min_deg=-20.0, starts_parked=False),
        roof=RoofSpec(starts_open=False, move_s=10.0),
    )
    rig = SimulatedRig(spec, clock=clock)
    with serve(rig) as running:
        running.load_faults(soak_night.Scenario())
        yield Watcher(rig, running, Outcome(1, "measure", []))
    clock.close()


def reading(utc_s: float, d_alt_arcmin: float) -> ReadingTaken:
    return ReadingTaken(
        utc_s=utc_s,
        state="settled",
        d_alt_arcmin=d_alt_arcmin,
        d_az_sky_arcmin=0.0,
        total_arcmin=abs(d_alt_arcmin),
        sigma_alt_arcmin=0.2,
        sigma_az_sky_arcmin=0.2,
        upper95_arcmin=abs(d_alt_arcmin) + 0.4,
        verdict="outside",
        action="lower",
        sentence="",
    )


def test_a_reading_or_figure_far_from_the_truth_is_noticed(watcher) -> None:
    """Half a sigma off passes; five arcminutes off do not."""
    watcher(reading(NIGHT_UTC_S, OFF_ARCMIN + 0.1))
    figure = {
        "d_alt_arcmin": OFF_ARCMIN + 0.1,
        "d_az_sky_arcmin": 0.0,
        "sigma_alt_arcmin": 0.2,
        "sigma_az_sky_arcmin": 0.2,
        "correlation": 0.0,
    }
    watcher.figure(figure, watcher.rig.truth())
    assert watcher.outcome.broken == []

    watcher(reading(NIGHT_UTC_S, OFF_ARCMIN + 5.0))
    watcher.figure({**figure, "d_alt_arcmin": OFF_ARCMIN - 5.0}, watcher.rig.truth())

    assert [told.split(" ")[1] for told in watcher.outcome.broken] == ["live", "figure"]
    assert watcher.outcome.readings == 2


def test_what_moves_when_it_must_not_is_noticed(watcher) -> None:
    """A slew under the closed roof to below the limit (5 degrees), a command after the end, motion
    after a stop that was said."""
    rig, clock = watcher.rig, watcher.rig.clock
    for member, form in (
        ("connected", {"Connected": "True"}),
        ("tracking", {"Tracking": "True"}),
    ):
        url = f"{watcher.running.url}/api/v1/telescope/0/{member}"
        requests.put(url, {**form, "ClientID": "1"}, timeout=5)
    ended_s = clock.utc_s() + 120.0
    ra = rig.mount.belief.sidereal_time(clock.utc_s()) + 85.0 * DEG
    rig.mount.slew_ra_dec(ra, -10.0 * DEG, clock.utc_s())
    clock.sleep(60.0)
    watcher.heard.append(MotionStopped(utc_s=clock.utc_s(), state="stopped", reason="a test"))
    clock.sleep(61.0)
    requests.put(url, {"Tracking": "False", "ClientID": "1"}, timeout=5)

    watcher.look_back(ended_s, Config())

    told = " / ".join(watcher.outcome.broken)
    assert "under the roof" in told
    assert "the tube at " in told
    assert "after the stop" in told
    assert "told to telescope/tracking after the end" in told
