"""Every run ends: what gets nowhere is warned of and ended in time; a lens cap ends at once."""

from __future__ import annotations

import dataclasses
from contextlib import nullcontext
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import Mock

import numpy as np
import pytest

from polewright.calculation.images.detector import EmbeddedDetector
from polewright.calculation.images.frame import Frame
from polewright.calculation.planning.alternative_points import REACH
from polewright.calculation.planning.errors import NoSweepFits
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import DEG
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import Cancelled
from polewright.observing.capture import lens_cap as light
from polewright.observing.rig.patience import Patience
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.settle_memory import SettleMemory
from polewright.observing.safety.guard_errors import NoLight, PointNotSolved, TooBright
from polewright.observing.sweep import recovery
from polewright.observing.sweep import sweep as sweeping
from polewright.observing.sweep import visit_point as visiting
from polewright.solving.errors import NoMatch, TooFewStars

POINTS = [Pointing(angle * DEG, 60.0 * DEG) for angle in (-30.0, -50.0, -70.0)]
SLEW_S = 30.0


@dataclass
class Clock:
    """Goes on when something takes its time."""

    now_s: float = 0.0

    def utc_s(self) -> float:
        return 1795210200.0 + self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        self.now_s += seconds


@dataclass
class Night:
    """A rig whose frames are solved or not as `solve` says; everything takes its time."""

    config: Config
    clock: Clock = field(default_factory=Clock)
    cancel: CancelToken = field(default_factory=CancelToken)
    slewed_deg: list[float] = field(default_factory=list)
    exposed_s: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    patience: Patience | None = None
    light_seen: bool = True
    at: float = 80.0 * DEG

    def __post_init__(self) -> None:
        self.settle_memory = SettleMemory()
        self.exposure_s, self.exposure_open = self.config.sweep.exposure_s, False
        self.plates = SimpleNamespace(learned=False)
        self.telescope = self.camera = SimpleNamespace(told=())
        self.guards = SimpleNamespace(begin=lambda: None, wary=lambda: True)
        self.site = Site(44.6, 9.0, 400.0)

    def emit(self, event) -> None:
        self.notes.append(event.text)

    def note(self, text: str, *, warning: bool = False) -> None:
        self.notes.append(text)

    def goes_by(self, seconds: float) -> None:
        """Let time pass as the product does: telling progress all the while."""
        for _ in range(int(seconds)):
            self.clock.now_s += 1.0
            Rig.progress(self, "slew", 1, 3, 0.0, None)  # type: ignore[arg-type]


@pytest.fixture
def night(monkeypatch):
    """Make a rig of settings of [recovery] and of what becomes of each frame."""

    def make(solve, **settings) -> Night:
        rig = Night(Config.model_validate({"recovery": settings}))

        def go_to(_rig, target, *_args, **_kinds) -> None:
            rig.slewed_deg.append(abs(target.hour_angle - rig.at) / DEG)
            rig.goes_by(SLEW_S)
            rig.at = target.hour_angle

        def take_frame(_rig, exposure_s, *_args):
            rig.exposed_s.append(exposure_s)
            rig.goes_by(exposure_s + 2.0)
            return SimpleNamespace(exposure_s=exposure_s)

        def solve_taken(_rig, _target, number, _total, frame, **_more):
            solve(rig, number)
            rig.plates.learned = True
            cast("Any", rig.patience).solved()
            return SimpleNamespace(target=_target, number=number)

        def no_plan(_request):
            raise NoSweepFits(4.0, 3, {})

        noise: Any = SimpleNamespace(sigmas=lambda _altitude: (1e-6, 1e-5), field=(0.04, 0.03))
        for name, value in {
            "go_to": go_to,
            "settle": lambda _rig, *_args: rig.goes_by(15.0),
            "take_frame": take_frame,
            "solve_taken": solve_taken,
            "goes_at_once": lambda *_args: False,
            "pointing_now": lambda _rig: Pointing(rig.at, 60.0 * DEG),
            "plan_sweep": no_plan,
            "plan_request": lambda _rig: PlanRequest(rig.site, rig.clock.utc_s(), noise),
        }.items():
            where = recovery if hasattr(recovery, name) else sweeping
            monkeypatch.setattr(where, name, value)
        return rig

    return make


def nothing(rig: Night, _number: int) -> None:
    """No frame has stars."""
    rig.goes_by(5.0)
    raise TooFewStars(0, 6)


def test_no_transparency_ends_in_time_with_what_was_tried(night) -> None:
    """Cloud after the first point: the run ends within its time, warned at half, without far
    slews; the message says what was tried, and what to change."""

    def cloud(rig, number) -> None:
        if number > 1:
            nothing(rig, number)

    rig = night(cloud)

    with pytest.raises(PointNotSolved) as caught:
        sweeping.sweep(rig, POINTS)

    error = caught.value
    first_solved_s = SLEW_S + 15.0 + 6.0
    assert rig.clock.now_s == pytest.approx(first_solved_s + 240.0, abs=3.0)
    assert error.point == 2
    assert error.after_s == 240.0
    assert "within 240 s" in str(error)
    assert "0 stars found" in str(error)
    assert any("moved along its declination circle" in line for line in error.story)
    assert "nowhere_s" in error.advice
    assert sum("No point solved for 121 s" in note for note in rig.notes) == 1
    assert max(rig.slewed_deg[1:]) <= REACH / DEG + 0.5
    assert rig.patience is None


def test_a_solver_that_never_ends_is_ended(night) -> None:
    """The time is over in the middle of a solve: the solver's token says so."""

    def hang(rig, _number) -> None:
        token = rig.patience.token(rig.cancel)
        while not token.wait(0.0):
            rig.clock.now_s += 1.0
        token.check()

    rig = night(hang)

    with pytest.raises(PointNotSolved) as caught:
        sweeping.sweep(rig, POINTS)

    assert rig.clock.now_s < SLEW_S + 242.0
    assert caught.value.after_s == 240.0


def test_a_stop_by_the_user_is_no_lack_of_patience(night) -> None:
    """Stopped while a solve runs: it is told as what it is."""

    def stopped(rig, _number) -> None:
        rig.cancel.cancel("enough")
        rig.patience.token(rig.cancel).check()

    rig = night(stopped)
    with pytest.raises(Cancelled, match="enough"):
        sweeping.sweep(rig, POINTS)


def test_a_sweep_that_makes_progress_is_not_cut_off(night) -> None:
    """Each point takes long, all three longer than the limit: what counts is the last one."""
    rig = night(lambda rig, _number: rig.goes_by(170.0))

    swept = sweeping.sweep(rig, POINTS)

    assert len(swept.points) == 3
    assert rig.clock.now_s > 3 * 200.0


def test_one_place_does_not_use_up_the_time_of_all(night) -> None:
    """After half of the time a place is left for another one, whatever tries it has left."""

    def slow(rig, _number) -> None:
        if len(rig.slewed_deg) < 2:
            rig.goes_by(45.0)
            raise NoMatch("anywhere in the sky", None, 30)

    rig = night(slow, tries=10, nowhere_s=200.0)

    swept = sweeping.sweep(rig, POINTS)

    assert rig.exposed_s[:2] == [4.0, 8.0]
    assert len(swept.points) == 3
    assert any("moved along its declination circle" in line for line in swept.story)


# -- light ----------------------------------------------------------------------------------------


def frame(rng, exposure_s: float, rate_adu_s: float, noise_adu: float, hot: int = 50) -> Frame:
    """A frame without stars: bias 500, light or dark current, noise, hot pixels."""
    pixels = 500.0 + rate_adu_s * exposure_s + noise_adu * rng.standard_normal((300, 400))
    place = rng.integers(0, pixels.size, hot)
    pixels.ravel()[place] += 900.0 * exposure_s
    return Frame(np.round(pixels).astype(np.uint16), 0.0, exposure_s)


@pytest.mark.parametrize(
    ("rate_adu_s", "noise_adu", "dark"),
    [(0.0, 6.0, True), (0.0, 0.4, True), (0.2, 6.0, True), (3.0, 6.0, False), (80.0, 20.0, False)],
    ids=["cap", "cap with little noise", "dark current", "a house at night", "sky"],
)
def test_a_lens_cap_is_told_from_a_sky_without_stars(
    monkeypatch, rate_adu_s, noise_adu, dark
) -> None:
    """By the level of a second, much shorter frame; dark current and hot pixels are no light."""
    rng = np.random.default_rng(3)
    rig = SimpleNamespace(
        detector=EmbeddedDetector(),
        plates=SimpleNamespace(learned=False),
        light_seen=False,
        camera=SimpleNamespace(info=lambda: SimpleNamespace(exposure_min_s=0.001)),
        config=Config(),
    )
    taken: list[float] = []

    def take(_rig, exposure_s):
        taken.append(exposure_s)
        return frame(rng, exposure_s, rate_adu_s, noise_adu)

    monkeypatch.setattr(light, "take_frame", take)
    shown = frame(rng, 4.0, rate_adu_s, noise_adu)
    if dark:
        with pytest.raises(NoLight) as caught:
            light.check_light(rig, shown)  # type: ignore[arg-type]
        assert "lens cap" in caught.value.likely
        assert "4 s" in str(caught.value)
        assert taken == [pytest.approx(0.2), 10.0]
    else:
        light.check_light(rig, shown)  # type: ignore[arg-type]
        light.check_light(rig, shown)  # type: ignore[arg-type]
        assert taken == [pytest.approx(0.2)]


@pytest.mark.parametrize(
    ("full_adu", "noise_adu"), [(65535.0, 30.0), (None, 0.0)], ids=["told", "not told"]
)
def test_daylight_is_no_lens_cap(full_adu, noise_adu) -> None:
    """Full pixels do not grow with the exposure either; the error says what it is."""
    rng = np.random.default_rng(3)
    rig = SimpleNamespace(plates=SimpleNamespace(learned=False), light_seen=False)
    bright = frame(rng, 4.0, 16000.0, noise_adu, hot=0)

    with pytest.raises(TooBright) as caught:
        light.check_light(rig, dataclasses.replace(bright, saturation_adu=full_adu))  # type: ignore[arg-type]
    assert "Sun" in caught.value.likely


def test_a_dark_sky_that_shows_stars_late_is_no_lens_cap(monkeypatch) -> None:
    """A long focal length under a dark sky: 4 s show neither, a longer frame has some stars."""
    rng = np.random.default_rng(5)
    rig = SimpleNamespace(
        detector=EmbeddedDetector(),
        plates=SimpleNamespace(learned=False),
        light_seen=False,
        camera=SimpleNamespace(info=lambda: SimpleNamespace(exposure_min_s=0.001)),
        config=Config(),
    )

    def take(_rig, exposure_s):
        taken = frame(rng, exposure_s, 0.2, 6.0, hot=0)
        y, x = np.indices(taken.pixels.shape)
        for k in range(5):
            star = np.exp(-((x - 60 - 60 * k) ** 2 + (y - 150) ** 2) / 8.0)
            cast("Any", taken.pixels)[:] += (7.0 * max(0.0, exposure_s - 4.0) * star).astype(
                np.uint16
            )
        return taken

    monkeypatch.setattr(light, "take_frame", take)
    light.check_light(rig, frame(rng, 4.0, 0.2, 6.0, hot=0))  # type: ignore[arg-type]

    assert rig.light_seen


@pytest.mark.parametrize(("found", "asked"), [(3, True), (5, False)])
def test_a_frame_with_some_stars_has_light(night, monkeypatch, found: int, asked: bool) -> None:
    """Too few to solve it, but nobody is sent to the lens cap."""
    looked: list[object] = []
    monkeypatch.setattr(
        "polewright.observing.sweep.recovery.check_light", lambda _rig, shown: looked.append(shown)
    )

    def few(_rig, _number) -> None:
        raise TooFewStars(found, 6)

    with pytest.raises(PointNotSolved):
        sweeping.sweep(night(few, tries=1, other_places=False), POINTS)

    assert bool(looked) is asked


def test_light_is_not_in_doubt_once_a_frame_was_solved(monkeypatch) -> None:
    """Then what is dark is a cloud or a house, and another place may serve."""
    level = Mock()
    monkeypatch.setattr(light, "level", level)
    rig = SimpleNamespace(plates=SimpleNamespace(learned=True), light_seen=False)

    light.check_light(rig, frame(np.random.default_rng(1), 4.0, 0.0, 6.0))  # type: ignore[arg-type]

    level.assert_not_called()


def test_wide_stars_that_match_nothing_are_out_of_focus(monkeypatch) -> None:
    """Not a wrong focal length: the error says what is seen."""

    def no_match(*_args):
        raise NoMatch("anywhere in the sky", (2.7, 2.0), 5)

    rig = SimpleNamespace(
        progress=lambda *_args: None,
        times=SimpleNamespace(spent=lambda *_args: nullcontext()),
        clock=None,
        patience=None,
        cancel=CancelToken(),
    )
    monkeypatch.setattr(visiting, "solve_frame", no_match)
    monkeypatch.setattr(visiting, "mounts_word", lambda _rig: (0.0, 0.0))
    for hfd_px, told in ((30.0, "out of focus"), (3.0, "focal length")):
        quality = SimpleNamespace(hfd_px=hfd_px)
        monkeypatch.setattr(visiting, "look_at", lambda *_args, q=quality: (None, q))
        with pytest.raises(NoMatch) as caught:
            visiting.solve_taken(cast("Any", rig), POINTS[0], 1, 3, cast("Any", None))
        assert told in caught.value.likely
