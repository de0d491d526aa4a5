"""What ends glances for a run: each cause is told once, and full frames go on."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from polewright.calculation.adjusting.glance_choice import Glance
from polewright.devices.alpaca.errors import (
    AlpacaError,
    DeviceSilent,
    InvalidValue,
    MislabelledImage,
    StaleImage,
    Where,
)
from polewright.foundation.errors import ImageError
from polewright.observing.capture.glances import Glances, common_shift

WHERE = Where("camera.local", 80, "camera", 0)
GLANCE = Glance(0, 0, 320, 320, 1, 0.05, 0.0, 0.15)


class FakeRig:
    """As much of a rig as decides about glances."""

    def __init__(self, *, shutter: bool = False) -> None:
        self.glances_off = ""
        self.notes: list[str] = []
        self.clock = SimpleNamespace(monotonic_s=lambda: 0.0)
        self.camera = SimpleNamespace(has_shutter=lambda: shutter)

    def note(self, text: str, *, warning: bool = False) -> None:
        if warning and text not in self.notes:
            self.notes.append(text)


def made(rig: FakeRig, setting: str = "auto") -> Glances:
    glances = Glances(rig, None, setting)  # type: ignore[arg-type]
    glances._full_s = 2.0
    return glances


@pytest.mark.parametrize(
    ("shutter", "setting", "taken", "told"),
    [
        (False, "auto", True, ""),
        (False, "off", False, ""),
        (True, "auto", False, "mechanical shutter"),
        (True, "on", True, "it wears"),
        (True, "off", False, ""),
    ],
)
def test_a_mechanical_shutter_is_spared_unless_asked_for(
    shutter: bool, setting: str, taken: bool, told: str
) -> None:
    rig = FakeRig(shutter=shutter)
    assert made(rig, setting).stopped is not taken
    made(rig, setting)  # the next pass of the same session
    assert len(rig.notes) == bool(told)
    assert not told or told in rig.notes[0]


@pytest.mark.parametrize(
    ("error", "times", "why"),
    [
        (InvalidValue(WHERE, "startexposure", "too short", 0x401), 1, "too short"),
        (MislabelledImage(WHERE, "imagearray", "another size"), 1, "takes no subframes"),
        (StaleImage(WHERE, "imagearray", "the same again"), 1, "older image"),
        (DeviceSilent(WHERE, "imageready", "no answer"), 3, "3 of them failed"),
    ],
)
def test_a_camera_that_refuses_ends_them(error: AlpacaError, times: int, why: str) -> None:
    rig = FakeRig()
    glances = made(rig)
    for number in range(times):
        assert not glances.stopped, number
        glances.failed(error)
    assert glances.stopped
    assert glances.next() is None
    assert len(rig.notes) == 1
    assert why in rig.notes[0]


def test_images_that_cannot_be_read_end_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each comes over the line, so none of them is the first of a row."""

    def unreadable(*_: object) -> None:
        raise ImageError("no picture")

    rig = FakeRig()
    glances = made(rig)
    glances._rest = cast("Any", object())
    monkeypatch.setattr(glances, "_fitted", unreadable)
    for number in range(3):
        assert not glances.stopped, number
        with pytest.raises(ImageError) as caught:
            glances.read(cast("Any", None), GLANCE, 0.2, changed=False)
        glances.failed(caught.value)
    assert glances.stopped
    assert "3 of them failed" in rig.notes[0]


def paced(glances: Glances, took: list[tuple[float, bool]]) -> int:
    """Return after how many glances, each so long and with or without another subframe, it ends."""
    for number, (took_s, changed) in enumerate(took):
        if glances.stopped:
            return number
        glances._kept_pace(GLANCE, took_s, changed)
    return len(took) if glances.stopped else -1


@pytest.mark.parametrize(
    ("took", "ends", "why"),
    [
        ([(0.2, True), *[(0.2, False)] * 30, (0.3, True)] * 4, -1, ""),
        ([(1.6, False)] * 9, 3, "a glance takes"),
        ([(0.2, False), (1.6, False)] * 9, -1, ""),  # one now and then is late
        ([(0.2, False), *[(1.4, True), (0.2, False), (0.2, False)] * 9], 5, "starts it anew"),
    ],
)
def test_a_slow_camera_ends_them(took: list[tuple[float, bool]], ends: int, why: str) -> None:
    rig = FakeRig()
    assert paced(made(rig), took) == ends
    assert (why in rig.notes[0]) if why else not rig.notes


def test_a_link_that_slows_down_is_met_by_less_of_the_frame() -> None:
    """A large glance that was quick until now takes seconds: it does not end them, and its time is
    counted on its pixels, so that a smaller one is chosen."""
    glances = made(FakeRig())
    large = Glance(0, 0, 1280, 1280, 1, 0.05, 0.0, 0.15)
    glances._full = 2e6, 0.15
    for took_s in (0.18, 0.18, 0.18, 1.7):
        glances._kept_pace(large, took_s, changed=False)
    pace = glances._pace()
    small_s = pace.fixed_s + pace.per_pixel_s * 256 * 256

    assert not glances.stopped
    assert pace.per_pixel_s == pytest.approx(1e-6, rel=0.1)
    assert small_s < 0.2


def test_contradicting_full_frames_twice_ends_them() -> None:
    rig = FakeRig()
    glances = made(rig)
    glances._contradicted()
    assert not glances.stopped
    assert "full frames count" in rig.notes[0]
    glances._contradicted()
    assert glances.stopped


def test_the_common_shift_is_that_of_the_stars_and_not_of_noise() -> None:
    rng = np.random.default_rng(4)
    glance = Glance(1000, 500, 640, 640, 1, 0.05, 0.0, 0.1)
    wanted = rng.uniform([950, 450], [1690, 1190], (14, 2))
    shift = np.array([61.0, -33.0])
    there = wanted[glance.holds(wanted + shift)] + shift + 0.1 * rng.normal(size=2)
    others: Any = rng.uniform([1000, 500], [1640, 1140], (12, 2))
    seen = np.concatenate([there[:-1], others])  # one is missing, a dozen is not expected
    found = common_shift(wanted, seen, 300.0, glance)
    assert found is not None
    assert np.allclose(found, shift, atol=0.5)
    assert common_shift(wanted, others, 300.0, glance) is None
    assert common_shift(wanted, seen[:2], 300.0, glance) is None
