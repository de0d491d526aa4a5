"""The small picture of a frame: right way up, right place, any sensor."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image
from support.stars import star_list

from polewright.calculation.images.frame import Frame, SensorKind
from polewright.calculation.images.preview import frame_picture, shrunk, stretched


def sky(height: int, width: int, seed: int = 5) -> np.ndarray:
    return np.random.default_rng(seed).normal(900.0, 12.0, (height, width)).astype(np.uint16)


def frame_of(pixels: np.ndarray, sensor: SensorKind = SensorKind.MONO) -> Frame:
    return Frame(pixels=pixels, utc_mid_s=0.0, exposure_s=1.0, sensor=sensor)


@pytest.mark.parametrize("columns_first", [False, True])
@pytest.mark.parametrize("sensor", list(SensorKind))
def test_a_star_is_where_it_was(columns_first, sensor) -> None:
    """However the pixels lie in memory and whatever the sensor, rows stay rows."""
    pixels = sky(1500, 2600)
    pixels[300:312, 2000:2012] = 60000
    if columns_first:
        pixels = np.asfortranarray(pixels)
    if sensor is SensorKind.PLANES:
        pixels = np.repeat(pixels[:, :, None], 3, axis=2)

    small, factor = shrunk(frame_of(pixels, sensor), 1200)

    assert factor == (4 if sensor is SensorKind.BAYER else 3)
    assert small.shape == (1500 // factor, 2600 // factor)
    row, column = np.unravel_index(int(small.argmax()), small.shape)
    assert row in range(300 // factor, 312 // factor)
    assert column in range(2000 // factor, 2012 // factor)
    assert np.median(small) == pytest.approx(900.0, abs=2.0)


def test_the_sky_comes_out_dark_and_faint_stars_visible() -> None:
    """A star of twenty sigmas stands out of a dark grey sky by far more than the noise."""
    pixels = sky(600, 800)
    pixels[100:103, 200:203] += 240

    grey = stretched(shrunk(frame_of(pixels))[0]).astype(float)

    assert 20.0 < np.median(grey) < 60.0
    assert grey[101, 201] > np.median(grey) + 5.0 * np.std(grey[300:, 400:])


@pytest.mark.parametrize(
    "pixels",
    [
        np.full((64, 64), 7, np.uint16),
        np.full((64, 64), np.nan, np.float32),
        np.zeros((16, 5000), np.float64),
    ],
    ids=["flat", "no number", "a strip"],
)
def test_a_frame_without_anything_still_makes_a_picture(pixels) -> None:
    """Caps on, broken or odd: a picture comes, not an error."""
    with Image.open(io.BytesIO(frame_picture(frame_of(pixels), None, "png"))) as image:
        assert max(image.size) <= 1200


def test_rings_are_round_the_stars_in_colour() -> None:
    """The ring's middle is the star's centroid, to a pixel of the picture."""
    frame = frame_of(sky(1200, 2400))
    data = frame_picture(frame, star_list([1810.0], [410.0], hfd_px=4.0, width=2400), "png")

    with Image.open(io.BytesIO(data)) as image:
        rgb = np.asarray(image.convert("RGB")).astype(int)
    rows, columns = np.nonzero(rgb[:, :, 0] - rgb[:, :, 2] > 60)
    assert columns.mean() == pytest.approx((1810.0 + 0.5) / 2.0 - 0.5, abs=0.6)
    assert rows.mean() == pytest.approx((410.0 + 0.5) / 2.0 - 0.5, abs=0.6)
    plain = dataclasses.replace(frame)
    with Image.open(io.BytesIO(frame_picture(plain, None, "png"))) as image:
        assert image.mode == "L"
