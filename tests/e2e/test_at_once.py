"""A frame exposed right after a slew counts when the stars are seen to rest where it shows them."""

from __future__ import annotations

import math
from itertools import groupby

import numpy as np
import pytest

from polewright.calculation.images.detect import detect_stars
from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.frame_check import check
from polewright.observing.runs.measurement import measure_axis, ready_mount
from polewright.observing.settling import expose_on_arrival as at_once
from polewright.observing.settling.expose_on_arrival import (
    QUICK_FETCH_S,
    expose_at_once,
    goes_at_once,
)
from polewright.observing.sweep import sweep as sweeping
from polewright.records.events import Note, Progress
from polewright_sim.mount.mount_model import _Ring
from polewright_wire.errors import ValueRefused

pytestmark = pytest.mark.e2e

MEASURED = {"sweep.settle": "measured", "sweep.settle_s": 15.0, "sweep.exposure_s": 3.0}
#: Half a second is a share of a swing at this clock rate too.


def ringing(night, arcsec: float, changes=None, *, solve: bool = True):
    """A rig that has solved once (unless it need not), tracks, and rings as after a slew."""
    rig = night.connect({**MEASURED, **(changes or {})})
    ready_mount(rig)
    assert not solve or check(rig, 3.0).solved
    night.rig.recorded.clear()
    night.rig.mount._rings = [_Ring(night.clock.utc_s(), arcsec * ARCSEC)]
    return rig


def exposures(night):
    """What was exposed long enough to be no look."""
    return [one.exposure for one in night.rig.recorded if one.exposure.duration_s > 2.0]


def shift_arcsec(night, exposure) -> float:
    """How far the middle of an exposure lies from where the tube rests."""
    mount = night.rig.mount
    times = (exposure.start_s + np.linspace(0.0, exposure.duration_s, 500)).tolist()
    rung = mount.attitudes(times)[:, :, 2].mean(axis=0)
    rings, mount._rings = mount._rings, []
    calm = mount.attitudes(times)[:, :, 2].mean(axis=0)
    mount._rings = rings
    return float(np.linalg.norm(rung - calm)) / ARCSEC


def told(night) -> str:
    return " ".join(note.text for note in night.of_kind(Note))


def test_a_usual_swing_averages_out(start_night) -> None:
    """One exposure right away is enough, and no time is spent on waiting."""
    night = start_night({"mount": {"vibration_decay_s": 1.2, "vibration_hz": 2.3}})
    rig = ringing(night, 15.0)

    frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert rest is not None
    assert rest.good
    assert frame.pixels.shape == (1200, 1600)
    (only,) = exposures(night)
    assert shift_arcsec(night, only) < 0.5
    assert rig.times.settle < 4.0
    assert rig.times.settle_saved == pytest.approx(15.0 - rig.times.settle)
    assert "exposing again" not in told(night)


def test_looks_that_may_do_with_less_sky_are_compared_with_the_same_sky(start_night) -> None:
    """Plenty of stars in a large look: the next one may be smaller, this one is not."""
    night = start_night({"mount": {"vibration_arcsec": 0.0}})
    rig = ringing(night, 0.0)
    rig.settle_memory.pixels = 1.6e6

    _frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert rest is not None
    assert rest.good
    assert len(exposures(night)) == 1
    assert rig.settle_memory.pixels == 0.4e6


def test_longer_looks_see_the_middle_of_a_swing_that_lasts(start_night) -> None:
    """One exposure is enough, its point is less sure by what the looks leave open, and the next
    one begins after the first swings."""
    night = start_night({"mount": {"vibration_decay_s": 3.0, "vibration_hz": 1.2}})
    rig = ringing(night, 50.0)
    exposed_s = rig.times.expose

    _frame, rest = expose_at_once(rig, 1.0, 2, 3)

    (only,) = exposures(night)
    assert only.duration_s == 3.0
    assert shift_arcsec(night, only) < 2.0
    assert rest is not None
    assert rest.good
    assert rest.sigma_px is not None
    assert rest.sigma_px * 6.0 > 0.7
    assert rig.settle_memory.sharp_px is not None
    assert rig.times.expose - exposed_s < 2.0  # what was exposed for averaging is settling

    began_s = night.clock.utc_s()
    expose_at_once(rig, 1.0, 3, 3)
    assert exposures(night)[1].start_s > began_s + 0.9


def test_a_long_swing_costs_another_exposure(start_night) -> None:
    """The frame that counts is right, the one before it counts as time spent on settling."""
    night = start_night({"mount": {"vibration_decay_s": 3.0, "vibration_hz": 0.8}})
    rig = ringing(night, 150.0)
    exposed_s = rig.times.expose

    _frame, rest = expose_at_once(rig, 3.0, 2, 3)

    taken = exposures(night)
    assert rest is not None
    assert rest.good
    assert 2 <= len(taken) <= 4
    assert shift_arcsec(night, taken[-1]) < 3.0
    assert "Point 2: its stars" in told(night)
    assert "exposing again" in told(night)
    assert rig.times.expose - exposed_s < 6.0
    assert rig.times.settle > 3.0 * (len(taken) - 1)


def test_a_steady_motion_is_no_ringing(start_night) -> None:
    """An axis far off the pole carries the stars along: looks tell, and the next point knows."""
    night = start_night({"mount": {"unsteadiness_arcsec": 0.0}})
    began_s = night.clock.utc_s()
    # In declination: the mount stands at the pole, where motion in hour angle only turns the field.
    night.rig.mount.shake = lambda utc_s: (0.0, 1.0 * ARCSEC * (utc_s - began_s))
    rig = ringing(night, 0.0)

    _frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert rest is not None
    assert rest.good
    assert rest.verdict == "steady"
    assert len(exposures(night)) == 1
    assert "drift steadily" in told(night)
    _frame, rest = expose_at_once(rig, 3.0, 3, 3)
    assert rest is not None
    assert rest.verdict == "rested"


def test_stars_that_never_rest_are_exposed_after_the_fixed_wait(start_night) -> None:
    """A tube that swings for ever: after settle_s the frame is taken as it comes, and that is
    told."""
    night = start_night()
    swing = 60.0 * ARCSEC
    night.rig.mount.shake = lambda utc_s: (0.0, swing * math.sin(2.0 * math.pi * utc_s / 11.0))
    rig = ringing(night, 0.0)
    began_s = night.clock.utc_s()

    _frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert rest is None
    assert 15.0 < night.clock.utc_s() - began_s < 30.0
    assert "Point 2: stars not seen at rest" in told(night)


def test_a_camera_without_subframes_has_the_fixed_wait(start_night, monkeypatch) -> None:
    """No look tells anything: the frame is exposed again after the wait, later ones after it at
    once."""
    night = start_night()

    def whole_only(value: int) -> None:
        if value != 1600:
            raise ValueRefused("no subframes here")

    monkeypatch.setattr(night.running.camera, "put_numx", whole_only)
    rig = ringing(night, 15.0)
    began_s = night.clock.utc_s()
    assert goes_at_once(rig, 3.0) == (rig.settle_memory.fetch_s <= QUICK_FETCH_S)

    _frame, rest = expose_at_once(rig, 3.0, 1, 3)

    assert rest is None
    first, second = exposures(night)
    assert second.start_s - began_s > 15.0
    assert "takes no subframes" in told(night)
    assert not goes_at_once(rig, 3.0)
    assert first.start_s < began_s + 3.0


@pytest.mark.parametrize(
    ("changes", "exposure_s", "fetch_s", "so"),
    [
        ({}, 4.0, None, True),
        ({}, 4.0, 0.3, True),
        ({}, 4.0, 5.0, False),
        ({}, 2.0, 0.3, True),
        ({}, 0.5, 0.3, False),
        ({"sweep.exposure_max_s": 2.5}, 2.0, 0.3, False),
        ({}, 6.5, 0.3, False),
        ({"sweep.settle_s": 5.0}, 4.0, 0.3, False),
        ({"sweep.settle": "fixed"}, 4.0, 0.3, False),
        ({"sweep.exposure_auto": True}, 4.0, 0.3, False),
    ],
)
def test_only_some_exposures_go_first(start_night, changes, exposure_s, fetch_s, so) -> None:
    """Those that average a swing, or may be made so long, that may be repeated within the wait, and
    whose image comes quickly."""
    night = start_night()
    rig = night.connect({**MEASURED, **changes})
    rig.settle_memory.fetch_s = fetch_s

    assert goes_at_once(rig, exposure_s) is so


def test_what_has_shown_to_be_slow_or_unknown_waits(start_night, monkeypatch) -> None:
    """An unknown scale, a large image over a network not measured yet, a sweep that lost by it."""
    night = start_night()
    rig = night.connect(MEASURED)
    assert goes_at_once(rig, 3.0)

    monkeypatch.setattr(at_once, "QUICK_PIXELS", 1.0e6)
    assert goes_at_once(rig, 3.0)  # from this computer
    monkeypatch.setattr(at_once, "is_loopback", lambda _host: False)
    assert not goes_at_once(rig, 3.0)
    rig.settle_memory.fetched(0.2)
    rig.settle_memory.fetched(3.0)  # a hiccup
    assert goes_at_once(rig, 3.0)

    rig.settle_memory.looks_first = True
    assert not goes_at_once(rig, 3.0)
    rig.settle_memory.looks_first = False
    rig.plates.scale = None
    assert not goes_at_once(rig, 3.0)


@pytest.mark.parametrize("spoil", ["guard", "stop"])
def test_on_the_way_out_the_camera_is_asked_nothing(start_night, monkeypatch, spoil) -> None:
    """A guard or a stop during a look: the mount comes first; the next frame is whole again."""
    night = start_night()
    rig = ringing(night, 0.0)
    sent: list[int] = []
    put = night.running.camera.put_numx
    monkeypatch.setattr(
        night.running.camera,
        "put_numx",
        lambda value: sent.append(value) or put(value),  # type: ignore[func-returns-value]
    )

    class Objection(Exception):
        pass

    def watch() -> None:
        if sent[-1:] != [1600] and sent:
            if spoil == "stop":
                night.cancel.cancel("enough")
            else:
                raise Objection

    monkeypatch.setattr(rig.guards, "while_tracking", watch)
    with pytest.raises(Cancelled if spoil == "stop" else Objection):
        expose_at_once(rig, 3.0, 2, 3)
    assert sent[-1] != 1600

    monkeypatch.undo()
    rig.cancel = CancelToken()
    assert take_frame(rig, 0.5).pixels.shape == (1200, 1600)


def test_full_stars_do_not_pass_for_motion(start_night) -> None:
    """A sensor that is soon full: the brightest stars of the frame are full, those of looks not."""
    night = start_night(
        {
            "optics": {"aperture_mm": 100.0},
            "sensor": {"max_adu": 3000},
            "mount": {"vibration_arcsec": 0.0},
        },
    )
    rig = ringing(night, 0.0)

    frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert int(detect_stars(frame).saturated[:60].sum()) > 24
    assert rest is not None
    assert rest.good
    assert len(exposures(night)) == 1


@pytest.mark.parametrize("binning", [1, 2], ids=["mosaic", "binned"])
def test_looks_lie_where_the_frame_was_cut(start_night, binning) -> None:
    """With colours and with binning: no shift where nothing moves."""
    night = start_night(
        {
            "optics": {"focal_length_mm": 200.0 * binning, "aperture_mm": 60.0 * binning},
            "sensor": {"bayer": binning == 1},
            "mount": {"vibration_arcsec": 0.0},
        },
    )
    rig = ringing(
        night,
        0.0,
        {"camera.binning": binning, "optics.focal_length_mm": 202.0 * binning},
        solve=False,
    )

    _frame, rest = expose_at_once(rig, 3.0, 2, 3)

    assert rest is not None
    assert rest.moved_px < 0.3
    assert len(exposures(night)) == 1


def test_a_whole_sweep_exposes_before_it_looks(start_night, monkeypatch) -> None:
    """At each point: slew, exposure, then looks; overlap and axis as ever."""
    night = start_night(
        {
            "mount": {
                "slew_deg_per_s": 30.0,
                "acceleration_deg_per_s2": 20.0,
                "vibration_decay_s": 0.5,
            }
        }
    )
    # At this clock rate the image of this computer's own rig comes too slowly.
    monkeypatch.setattr(sweeping, "goes_at_once", lambda _rig, _exposure_s: True)
    rig = night.connect({**MEASURED, "sweep.settle_s": 30.0})
    night.solves_in(rig, 1.0)

    result = measure_axis(rig, planned_points(rig))

    truth = night.truth["axis"]
    assert result.axis.total_arcmin == pytest.approx(truth["total_arcmin"], abs=0.5)
    steps = [(event.point, event.step) for event in night.of_kind(Progress)]
    for number in (1, 2, 3):
        of_point = [step for point, step in steps if point == number and step != "solve"]
        kinds = [step for step, _run in groupby(of_point) if step != "download"]
        assert kinds[:3] == ["slew", "exposure", "settle"]
    assert result.time is not None
    assert result.time.overlap_saved_s > 0.0
