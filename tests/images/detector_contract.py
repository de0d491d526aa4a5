"""What every star detector must do, to be run by the tests of each implementation.

Use: ``class TestMine(DetectorContract)`` with a fixture ``detector`` that returns one.
"""

from __future__ import annotations

import pickle
import threading
from dataclasses import fields, replace

import numpy as np
import pytest
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.images.detector import StarDetector
from polewright.calculation.images.errors import BadFrame, EmptyFrame
from polewright.calculation.images.frame import Frame, StarList


def field_of_stars(seed: int = 7, **changes: object) -> tuple[Frame, Field]:
    """Forty stars of known places and brightness."""
    rng = np.random.default_rng(seed)
    x, y, flux = random_stars(rng, 40, 900, 600, faint_e=2e4)
    spec = Field(x=x, y=y, flux_e=flux, **changes)  # type: ignore[arg-type]
    return mono_frame(spec, rng), spec


def same(one: StarList, other: StarList) -> bool:
    names = [item.name for item in fields(StarList)]
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


class DetectorContract:
    """Inherit and provide the fixture ``detector``."""

    #: Most that a bright star's centroid may be off, pixels.
    accuracy_px = 0.1

    def test_finds_the_stars_where_they_are(self, detector: StarDetector) -> None:
        """All of them but one or two, hardly anything else, to a tenth of a pixel."""
        frame, spec = field_of_stars()
        stars = detector.detect(frame)
        off = np.hypot(stars.x[:, None] - spec.x, stars.y[:, None] - spec.y)

        assert np.sum(off.min(axis=0) < 1.0) >= 38
        assert np.sum(off.min(axis=1) > 1.0) <= 2
        assert np.median(off.min(axis=1)) < self.accuracy_px
        assert (stars.width, stars.height) == (900, 600)

    def test_its_form_is_what_the_solvers_take(self, detector: StarDetector) -> None:
        """Brightest first, one value a star, positive sizes and errors, no NaN."""
        frame, _spec = field_of_stars()
        stars = detector.detect(frame)

        assert detector.name
        assert np.all(np.diff(stars.flux) <= 0.0)
        for name in ("x", "y", "flux", "peak", "hfd_px", "fwhm_px", "elongation", "theta"):
            values = getattr(stars, name)
            assert values.shape == (len(stars),), name
            assert np.isfinite(values).all(), name
        assert stars.saturated.dtype == np.bool_
        assert (stars.sigma_px > 0.0).all()
        assert (stars.hfd_px > 0.0).all()
        assert (stars.elongation >= 1.0).all()

    def test_its_errors_are_honest(self, detector: StarDetector) -> None:
        """Places scatter by what it says, within a factor of two, over several exposures."""
        ratios = []
        for seed in range(4):
            frame, spec = field_of_stars(seed)
            stars = detector.detect(frame)
            off = np.hypot(stars.x[:, None] - spec.x, stars.y[:, None] - spec.y)
            nearest = off.argmin(axis=1)
            true = off.min(axis=1) < 1.0
            ratios.append(((stars.x - spec.x[nearest]) / stars.sigma_px)[true])
        scatter = 1.4826 * np.median(np.abs(np.concatenate(ratios)))

        assert 0.5 < scatter < 2.0

    def test_a_blank_frame_has_no_stars(self, detector: StarDetector) -> None:
        """Noise alone is an empty list, not an error and not a handful of false stars."""
        frame = mono_frame(Field(), np.random.default_rng(3))

        assert len(detector.detect(frame)) <= 1

    def test_pixels_are_only_read(self, detector: StarDetector) -> None:
        """A read-only view, as a download hands it out, does; it is as it was afterwards."""
        frame, _spec = field_of_stars()
        pixels = np.array(frame.pixels)
        pixels.flags.writeable = False
        before = pixels.copy()
        stars = detector.detect(replace(frame, pixels=pixels))

        assert np.array_equal(pixels, before)
        assert same(stars, detector.detect(frame))

    def test_two_threads_may_ask_at_once(self, detector: StarDetector) -> None:
        """A frame is solved behind the slew while the next is looked at."""
        frames = [field_of_stars(seed)[0] for seed in (1, 2)]
        alone = [detector.detect(frame) for frame in frames]
        found: dict[int, StarList] = {}
        threads = [
            threading.Thread(target=lambda k=k: found.update({k: detector.detect(frames[k])}))
            for k in (0, 1)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        assert all(same(found[k], alone[k]) for k in (0, 1))

    def test_what_is_no_image_is_refused(self, detector: StarDetector) -> None:
        """With advice, and in a form that survives a process."""
        frame, _spec = field_of_stars()
        for pixels, error in (
            (np.zeros((40, 60), np.complex64), BadFrame),
            (np.zeros((0, 60), np.uint16), EmptyFrame),
        ):
            with pytest.raises(error) as caught:
                detector.detect(replace(frame, pixels=pixels))
            assert caught.value.advice
            assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)
