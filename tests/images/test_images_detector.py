"""The star detector is found by entry point; what the configuration names measures every frame."""

from __future__ import annotations

from dataclasses import replace
from importlib.metadata import EntryPoint
from types import SimpleNamespace

import numpy as np
import pytest
from images.detector_contract import DetectorContract, field_of_stars

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.detector import EmbeddedDetector, StarDetector
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation import plug_ins
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import ConfigError
from polewright.observing.capture.frame_quality import measure_stars
from polewright.solving.registry import DETECTORS, load_detector


class TestEmbedded(DetectorContract):
    @pytest.fixture
    def detector(self) -> StarDetector:
        return load_detector(config_from_text("").solver.detector)


class Brightest:
    """Only the brightest five."""

    name = "brightest"

    def detect(self, frame: Frame) -> StarList:
        return detect_stars(frame).take(slice(0, 5))


def test_another_packages_detector_measures_the_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    own = EntryPoint("brightest", f"{__name__}:Brightest", DETECTORS)
    monkeypatch.setattr(plug_ins, "entry_points", lambda group: [own] if group == DETECTORS else [])
    config = config_from_text('[solver]\ndetector = "brightest"\n')
    rig = SimpleNamespace(detector=load_detector(config.solver.detector))
    frame, _spec = field_of_stars()
    stars, quality = measure_stars(rig, frame)  # type: ignore[arg-type]

    assert len(stars) == quality.star_count == 5
    assert np.array_equal(stars.x, EmbeddedDetector().detect(frame).x[:5])


def test_an_unknown_or_broken_detector_is_a_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ConfigError, match="no star detector named 'nosuch'; available: embedded"):
        load_detector("nosuch")
    broken = EntryPoint("broken", "polewright_no_such_module:create", DETECTORS)
    monkeypatch.setattr(plug_ins, "entry_points", lambda group: [broken])
    with pytest.raises(ConfigError, match="polewright_no_such_module") as caught:
        load_detector("broken")
    assert "Install" in caught.value.advice


def test_the_contract_finds_a_detector_that_breaks_it() -> None:
    """One that shifts its stars, and one that makes them up."""

    class Shifted(EmbeddedDetector):
        def detect(self, frame: Frame) -> StarList:
            stars = super().detect(frame)
            return replace(stars, x=stars.x + 0.5)

    class Loud(EmbeddedDetector):
        def detect(self, frame: Frame) -> StarList:
            return super().detect(field_of_stars()[0])

    contract = DetectorContract()
    with pytest.raises(AssertionError):
        contract.test_finds_the_stars_where_they_are(Shifted())
    with pytest.raises(AssertionError):
        contract.test_a_blank_frame_has_no_stars(Loud())
