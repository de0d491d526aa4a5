"""`polewright check` and the V-curve on the simulated rig."""

from __future__ import annotations

import pytest

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.focuser import Focuser
from polewright.foundation.errors import Cancelled
from polewright.observing.capture import auto_exposure
from polewright.observing.capture.auto_exposure import choose_exposure
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.focus_run import FocusNotFound, FocusRun
from polewright.observing.runs.frame_check import check
from polewright.observing.runs.measurement import measure_axis, ready_mount

pytestmark = pytest.mark.e2e


def looking_up(night, changes=None):
    """A rig that tracks above the pole, from the park position."""
    rig = night.connect(changes)
    ready_mount(rig)
    return rig


def focuser_of(night, rig) -> Focuser:
    focuser = Focuser(AlpacaConnection(night.running.host, night.running.port), clock=rig.clock)
    focuser.connect()
    return focuser


def test_a_good_frame_is_solved_and_a_dark_one_says_why(start_night) -> None:
    """Stars, size, sky and solve; with the cover closed no star and a word about the cover."""
    night = start_night({"cover": {"move_s": 0.1}})
    rig = looking_up(night)

    good = check(rig, 2.0)
    night.running.cover.put_closecover()
    night.clock.sleep(1.0)
    dark = check(rig, 2.0)

    assert good.solved is True
    assert good.star_count > 30
    assert 1.0 < (good.hfd_px or 0.0) < 6.0
    assert dark.solved is False
    assert "is the cover off" in dark.advice[0]


def test_the_exposure_is_found_by_itself(start_night, monkeypatch) -> None:
    """From far too short, it ends longer, within the limits, and with stars enough."""
    night = start_night({})
    monkeypatch.setattr(auto_exposure, "LEAST_EXPOSURE_S", 0.004)
    short = {"sweep.exposure_s": 0.004}
    rig = looking_up(night, short)

    choose_exposure(rig)
    assert rig.exposure_s == 0.004  # not asked for
    rig.exposure_open = True
    choose_exposure(rig)
    exposure_s = rig.exposure_s

    assert 0.004 < exposure_s <= 20.0
    assert check(rig, exposure_s, solve=False).star_count >= 30


def test_the_shortest_exposure_that_does_is_forecast(start_night, monkeypatch) -> None:
    """From a frame that shows more stars than needed: what is left at the exposure chosen is what
    was forecast, or more, and the first frame is not taken again."""
    monkeypatch.setattr(auto_exposure, "LEAST_EXPOSURE_S", 0.05)
    night = start_night({"mount": {"vibration_arcsec": 0.0}})
    rig = night.connect(
        {
            "sweep.exposure_s": 3.0,
            "sweep.exposure_auto": True,
            "sweep.settle_s": 0.0,
        }
    )

    result = measure_axis(rig, planned_points(rig))

    first, *others = result.points
    assert first.exposure_s == pytest.approx(3.0)
    (chosen_s,) = {point.exposure_s for point in others}
    assert chosen_s < 1.5
    assert all(point.star_count >= 36 for point in others)
    (told,) = [note for note in result.notes if "instead of 3 s" in note]
    assert "1 sigma" in told
    assert len(night.rig.recorded) == 3
    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.4)


def test_the_v_curve_finds_the_focus(start_night) -> None:
    """60 um of blur at the start: it ends at the sharpest position, from below."""
    night = start_night({"optics": {"defocus_um": 60.0}})
    rig = looking_up(night)
    told: list[str] = []

    result = FocusRun(rig, focuser_of(night, rig), 20, 2.0, told.append).run()

    # 60 um of defocus at f/3.33 and 4 um a step are gone 50 steps down: the rig's own geometry.
    assert result.best == pytest.approx(9950, abs=12)
    assert night.running.focuser.get_position() == result.best
    assert result.after_px < 0.6 * result.before_px
    assert len(told) >= 7


def test_a_stop_brings_the_focuser_back(start_night) -> None:
    """Cancelled in the middle, or clouded out: it stands where it stood."""
    night = start_night({})
    rig = looking_up(night)
    focuser = focuser_of(night, rig)

    def stop_at_the_third(_sentence: str, seen: list[int] = []) -> None:  # noqa: B006
        seen.append(1)
        if len(seen) == 3:
            rig.cancel.cancel("stopped by the user")

    with pytest.raises(Cancelled):
        FocusRun(rig, focuser, 40, 1.0, stop_at_the_third).run()
    assert night.running.focuser.get_position() == 10_000


def test_no_focus_is_told_and_the_focuser_brought_back(start_night) -> None:
    """The cover closes after the first frame: no star, no focus, the old position."""
    night = start_night({"cover": {"move_s": 0.1}})
    rig = looking_up(night)

    def close(_sentence: str) -> None:
        night.running.cover.put_closecover()

    with pytest.raises(FocusNotFound) as caught:
        FocusRun(rig, focuser_of(night, rig), 40, 1.0, close).run()

    assert caught.value.restored
    assert night.running.focuser.get_position() == 10_000
