"""Detection on invented star fields with known truth (see starfield.py)."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from images.starfield import Array, Field, expose, ideal, mono_frame, random_stars
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.images.detect import DetectOptions, detect_stars
from polewright.calculation.images.errors import BadFrame, EmptyFrame
from polewright.calculation.images.frame import Frame, SensorKind, StarList


def match(
    stars: StarList, x: Array, y: Array, near: float = 3.0
) -> tuple[NDArray[np.int64], Array]:
    """For each true star the index of the detection (-1: none) and its offset (N, 2)."""
    if len(stars) == 0:
        return np.full(len(x), -1), np.zeros((len(x), 2))
    distance, index = cKDTree(np.stack([stars.x, stars.y], 1)).query(np.stack([x, y], 1))
    index = np.where(distance < near, index, -1)
    return index, np.stack([stars.x[index] - x, stars.y[index] - y], 1)


def frame_of(pixels: NDArray[np.generic], **kwargs: object) -> Frame:
    return Frame(pixels=pixels, utc_mid_s=0.0, exposure_s=1.0, **kwargs)  # type: ignore[arg-type]


def two_hundred_stars(
    fwhm: float, seed: int = 1, **spec: float
) -> tuple[Field, np.random.Generator]:
    rng = np.random.default_rng(seed)
    apart, edge = max(25.0, 6 * fwhm), max(15.0, 3 * fwhm)
    width, height = int(55 * apart), int(36 * apart) // 2
    x, y, flux = random_stars(rng, 200, width, height, apart_px=apart, edge_px=edge)
    return Field(width, height, x, y, flux, fwhm_px=fwhm, **spec), rng


@pytest.mark.parametrize("fwhm", [1.2, 1.5, 2.0, 3.0, 5.0])
def test_centroid_errors_are_what_sigma_says(fwhm: float) -> None:
    """(measured - true) / sigma has unit spread within 15 % from very narrow to wide stars,
    without the floor and leaving out saturated stars."""
    pulls = []
    for seed in range(3):
        spec, rng = two_hundred_stars(fwhm, seed)
        stars = detect_stars(mono_frame(spec, rng), DetectOptions(floor_px=0.0))
        index, offset = match(stars, spec.x, spec.y)
        ok = (index >= 0) & ~stars.saturated[index]
        assert ok.sum() > 150
        pulls.append((offset[ok] / stars.sigma_px[index[ok], None]).ravel())

    spread = float(np.std(np.concatenate(pulls)))
    assert spread == pytest.approx(1.0, abs=0.15)


def test_bright_stars_are_placed_to_a_hundredth_of_a_pixel() -> None:
    """No pixel-phase bias: bright stars of FWHM 1.3 px err by less than 0.01 px rms."""
    spec, rng = two_hundred_stars(1.3)
    spec = replace(spec, flux_e=np.full(200, 6e4))
    stars = detect_stars(mono_frame(spec, rng))
    index, offset = match(stars, spec.x, spec.y)

    assert (index >= 0).all()
    assert float(np.sqrt(np.mean(offset**2))) < 0.01
    assert np.abs(offset.mean(axis=0)).max() < 0.002


def test_no_spurious_and_few_lost_stars() -> None:
    """All of 200 stars from 2,000 electrons on are found and nothing else."""
    spec, rng = two_hundred_stars(2.6)
    stars = detect_stars(mono_frame(spec, rng))
    index, _ = match(stars, spec.x, spec.y)

    assert (index >= 0).sum() >= 198
    assert len(stars) == len(np.unique(index[index >= 0]))
    assert (np.diff(stars.flux) <= 0).all()


def test_flux_peak_width_and_background_are_right() -> None:
    """Flux to 2 %, FWHM (pixel included) to 3 %, half-flux diameter to 5 %, noise to 3 %."""
    spec, rng = two_hundred_stars(3.0)
    stars = detect_stars(mono_frame(spec, rng))
    index, _ = match(stars, spec.x, spec.y)
    bright = (index >= 0) & (spec.flux_e > 3e4)
    ratio = stars.flux[index[bright]] * spec.gain_e_per_adu / spec.flux_e[bright]
    seen = np.sqrt(3.0**2 + 8 * np.log(2) / 12)  # a pixel has variance 1/12

    assert np.median(ratio) == pytest.approx(1.0, abs=0.02)
    assert np.median(stars.fwhm_px) == pytest.approx(seen, rel=0.03)
    # For a Gaussian the half-flux diameter is the FWHM.
    assert np.median(stars.hfd_px) == pytest.approx(seen, rel=0.05)
    assert stars.background_adu == pytest.approx(500 + 300 / 0.8, rel=0.02)
    assert stars.noise_adu == pytest.approx(np.sqrt(309) / 0.8, rel=0.03)


def test_a_transposed_view_gives_the_same_stars() -> None:
    """Column-ordered memory, as cameras deliver it, changes nothing but the speed."""
    spec, rng = two_hundred_stars(2.4, elongation=1.6, theta=0.5)
    frame = mono_frame(spec, rng)
    view = frame.pixels.T.copy().T
    view.flags.writeable = False
    assert not view.flags.c_contiguous
    ours, theirs = detect_stars(frame), detect_stars(replace(frame, pixels=view))
    index, offset = match(ours, theirs.x, theirs.y)

    assert len(ours) == len(theirs)
    assert (index >= 0).all()
    assert np.abs(offset).max() < 0.02
    assert np.median(theirs.theta) == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(
    "dtype", ["uint8", "int16", ">u2", "int32", "uint32", "float32", "float64"]
)
def test_other_pixel_types_give_the_same_places(dtype: str) -> None:
    """Signed, big-endian, 32-bit and floating frames are measured like 16-bit ones."""
    spec, rng = two_hundred_stars(2.6)
    spec = replace(spec, flux_e=np.clip(spec.flux_e, 0, 4e4))
    frame = mono_frame(spec, rng)
    pixels = frame.pixels.astype(np.float64)
    scale = 1.0
    if dtype == "uint8":
        pixels, scale = np.rint((pixels - 400) / 32), 32.0
    elif dtype == "int16":
        pixels, scale = np.rint(pixels / 2), 2.0
    other = detect_stars(frame_of(pixels.astype(dtype), gain_e_per_adu=0.8 * scale))
    index, offset = match(other, spec.x, spec.y)
    bright = spec.flux_e > 2e4

    assert (index[bright] >= 0).mean() > 0.97
    assert np.std(offset[bright & (index >= 0)]) < 0.03


def test_floats_scaled_to_one_with_holes_are_measured() -> None:
    """Counts in 0...1 with pixels that are not numbers: no NaN comes out, stars stay in place."""
    spec, rng = two_hundred_stars(2.6)
    pixels = mono_frame(spec, rng).pixels.astype(np.float32) / 65535.0
    pixels[::97, ::89] = np.nan
    pixels[50, 60] = np.inf
    stars = detect_stars(frame_of(pixels))
    index, offset = match(stars, spec.x, spec.y)

    assert (index >= 0).mean() > 0.95
    assert np.median(np.abs(offset[index >= 0])) < 0.05
    for name in ("x", "y", "flux", "peak", "sigma_px", "hfd_px", "fwhm_px", "elongation", "theta"):
        assert np.isfinite(getattr(stars, name)).all(), name


@pytest.mark.parametrize("fwhm", [1.3, 2.5, 5.0])
def test_hot_pixels_and_cosmic_specks_are_not_stars(fwhm: float) -> None:
    """2,000 hot pixels and 30 two-pixel specks: under 2 % of the list, no star lost to them."""
    spec, rng = two_hundred_stars(fwhm)
    frame = mono_frame(spec, rng)
    pixels = frame.pixels.copy()
    free = np.ones(pixels.shape, dtype=bool)
    for x, y in zip(spec.x, spec.y, strict=True):
        free[max(0, int(y) - 12) : int(y) + 13, max(0, int(x) - 12) : int(x) + 13] = False
    spots = rng.permutation(np.flatnonzero(free.ravel()))[:2000]
    pixels.ravel()[spots] = rng.uniform(2_000, 60_000, 2000)
    rows, columns = np.nonzero(free[:, :-1] & free[:, 1:])
    for k in rng.permutation(rows.size)[:30]:
        pixels[rows[k], columns[k] : columns[k] + 2] = 20_000
    stars = detect_stars(replace(frame, pixels=pixels))
    index, _ = match(stars, spec.x, spec.y)
    spurious = len(stars) - len(np.unique(index[index >= 0]))

    assert (index >= 0).mean() > 0.97
    # Two-pixel specks look like stars that fall between two pixels when stars are that narrow.
    assert spurious <= (30 if fwhm < 2.0 else 4)


def test_saturated_stars_are_flagged_and_still_placed() -> None:
    """Full stars carry the flag, an honest (larger) sigma and a place within half a pixel."""
    spec, rng = two_hundred_stars(2.6)
    spec = replace(spec, flux_e=np.where(np.arange(200) < 20, 4e6, spec.flux_e))
    stars = detect_stars(mono_frame(spec, rng))
    index, offset = match(stars, spec.x[:20], spec.y[:20])
    rest, _ = match(stars, spec.x[20:], spec.y[20:])
    rest = rest[rest >= 0]
    peaks = stars.peak[rest]

    assert (index >= 0).all()
    assert stars.saturated[index].all()
    assert np.abs(offset).max() < 0.5
    assert np.std(offset / stars.sigma_px[index, None]) < 1.5
    assert not stars.saturated[rest[peaks < 50_000]].any()


def test_saturation_is_recognised_when_the_camera_does_not_tell() -> None:
    """Several stars ending at one value of a 12-bit converter are full there."""
    spec, rng = two_hundred_stars(2.6)
    spec = replace(spec, flux_e=spec.flux_e * 3, full_adu=4095.0)
    stars = detect_stars(replace(mono_frame(spec, rng), saturation_adu=None))

    assert stars.saturated.sum() > 5
    assert (stars.peak[~stars.saturated] + stars.background_adu < 4095).all()


@pytest.mark.parametrize("offset_xy", [(0, 0), (1, 0), (0, 1), (1, 1)])
def test_colour_does_not_shift_stars_in_a_mosaic(offset_xy: tuple[int, int]) -> None:
    """Red and blue stars of a one-shot-colour frame lie where they are, for all four mosaics."""
    rng = np.random.default_rng(4)
    x, y, flux = random_stars(rng, 120, 900, 640, faint_e=4e4, bright_e=3e5)
    red = np.arange(120) % 2 == 0
    share = np.where(red[:, None], [1.0, 0.5, 0.1], [0.1, 0.5, 1.0])
    spec = Field(900, 640, x, y, flux, fwhm_px=3.0)
    planes = [ideal(replace(spec, flux_e=flux * share[:, c])) for c in range(3)]
    column = (np.arange(900) - offset_xy[0]) % 2
    row = (np.arange(640) - offset_xy[1])[:, None] % 2
    light = np.where(
        row + column == 0, planes[0], np.where(row * column == 1, planes[2], planes[1])
    )
    frame = frame_of(
        expose(light, spec, rng),
        sensor=SensorKind.BAYER,
        bayer_offset=offset_xy,
        saturation_adu=65535.0,
        gain_e_per_adu=0.8,
    )
    stars = detect_stars(frame)
    index, offset = match(stars, x, y)
    shift = np.abs(offset[red].mean(axis=0) - offset[~red].mean(axis=0))

    assert (index >= 0).all()
    assert shift.max() < 0.006
    assert np.sqrt(np.mean(offset**2)) < 0.03


def test_wide_stars_in_a_mosaic_are_not_shifted_either() -> None:
    """Defocused red stars, measured on the binned picture, stay in place too."""
    rng = np.random.default_rng(5)
    x, y, flux = random_stars(rng, 60, 900, 640, faint_e=3e5, bright_e=2e6, apart_px=60, edge_px=30)
    spec = Field(900, 640, x, y, flux, fwhm_px=9.0)
    light = np.full((640, 900), 300.0)
    light[0::2, 0::2] = ideal(spec)[0::2, 0::2]  # nothing but red light
    frame = frame_of(expose(light, spec, rng), sensor=SensorKind.BAYER, gain_e_per_adu=0.8)
    stars = detect_stars(frame)
    index, offset = match(stars, x, y)

    assert (index >= 0).mean() > 0.95
    assert np.abs(offset[index >= 0].mean(axis=0)).max() < 0.03


def test_colour_planes_are_averaged() -> None:
    """A frame of three full planes (as a column-ordered view) is measured like a grey one."""
    spec, rng = two_hundred_stars(2.6)
    light = ideal(spec)
    planes = np.stack([expose(light * part, spec, rng) for part in (0.8, 1.0, 1.2)])
    view = planes.transpose(2, 1, 0).copy().transpose(1, 0, 2)  # memory: columns, rows, colours
    stars = detect_stars(frame_of(view, sensor=SensorKind.PLANES, gain_e_per_adu=2.4))
    index, offset = match(stars, spec.x, spec.y)

    assert (index >= 0).mean() > 0.98
    assert np.std(offset / stars.sigma_px[index, None]) < 1.3


@pytest.mark.parametrize(("fwhm", "elongation"), [(2.5, 2.5), (4.0, 4.0)])
def test_trailed_stars_show_length_and_direction(fwhm: float, elongation: float) -> None:
    """Trailing is measured, and centroids stay within their errors."""
    spec, rng = two_hundred_stars(fwhm, elongation=elongation, theta=-0.7)
    stars = detect_stars(mono_frame(spec, rng))
    index, offset = match(stars, spec.x, spec.y)

    assert (index >= 0).mean() > 0.95
    assert np.median(stars.theta) == pytest.approx(-0.7, abs=0.05)
    assert np.median(stars.elongation) == pytest.approx(elongation, rel=0.15)
    assert np.std(offset[index >= 0] / stars.sigma_px[index[index >= 0], None]) < 1.3


def test_defocused_rings_are_one_star_each() -> None:
    """Rings of 40 px outer diameter with a 40 % hole are found whole and centred."""
    rng = np.random.default_rng(6)
    x, y, flux = random_stars(
        rng, 40, 1800, 1200, faint_e=1e6, bright_e=6e6, apart_px=120, edge_px=60
    )
    light = np.full((1200, 1800), 300.0)
    grid = np.arange(-25, 26)
    for cx, cy, f in zip(x, y, flux, strict=True):
        ix, iy = round(cx), round(cy)
        r = np.hypot(grid[None, :] + ix - cx, grid[:, None] + iy - cy)
        ring = np.clip(20.5 - r, 0, 1) * np.clip(r - 7.5, 0, 1)
        light[iy - 25 : iy + 26, ix - 25 : ix + 26] += f * ring / ring.sum()
    stars = detect_stars(frame_of(expose(light, Field(), rng), gain_e_per_adu=0.8))
    index, offset = match(stars, x, y, near=6.0)

    assert (index >= 0).all()
    assert len(stars) <= 42
    assert np.sqrt(np.mean(offset**2)) < 0.25
    # Half the light of a ring from 8 to 20 px lies within sqrt((8^2 + 20^2) / 2) = 15.2 px.
    assert np.median(stars.hfd_px) == pytest.approx(30.5, rel=0.2)


def test_vignetting_gradient_and_offset_do_not_make_or_lose_stars() -> None:
    """A sky that doubles across the frame and 40 % dark corners."""
    spec, rng = two_hundred_stars(2.6, vignetting=0.4, gradient=1.0)
    stars = detect_stars(mono_frame(spec, rng))
    index, _ = match(stars, spec.x, spec.y)

    assert (index >= 0).mean() > 0.95
    assert len(stars) - (index >= 0).sum() <= 2


def test_stars_at_the_border_are_inside_or_left_out() -> None:
    """Stars cut by the border are either placed rightly or missing, never outside."""
    rng = np.random.default_rng(7)
    x = np.concatenate([np.full(10, 0.0), np.full(10, 599.0), np.full(10, 2.0)])
    y = np.tile(np.linspace(30, 370, 10), 3)
    y[20:] += 18
    spec = Field(600, 400, x, y, np.full(30, 5e4), fwhm_px=3.0)
    stars = detect_stars(mono_frame(spec, rng))
    index, offset = match(stars, x, y)

    assert (stars.x >= -0.5).all()
    assert (stars.x <= 599.5).all()
    assert (index[20:] >= 0).all()
    assert np.abs(offset[index >= 0] / stars.sigma_px[index[index >= 0], None]).max() < 5


@pytest.mark.parametrize("shape", [(64, 48), (65, 49), (401, 603), (1501, 2203)])
def test_odd_sizes_are_fine(shape: tuple[int, int]) -> None:
    """Odd numbers of rows and columns, small and binned."""
    rng = np.random.default_rng(8)
    spec = Field(shape[1], shape[0], np.array([20.3]), np.array([30.7]), np.array([5e4]))
    stars = detect_stars(mono_frame(spec, rng))

    assert len(stars) == 1
    assert stars.x[0] == pytest.approx(20.3, abs=0.05)
    assert stars.y[0] == pytest.approx(30.7, abs=0.05)


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((400, 600), np.uint16),
        np.full((400, 600), 65535, np.uint16),
        np.full((400, 600), 1234.5, np.float32),
        np.random.default_rng(1).poisson(800, (400, 600)).astype(np.uint16),
        np.random.default_rng(2).poisson(3, (1500, 1600)).astype(np.uint16),
        np.random.default_rng(3).normal(0, 1e-4, (400, 600)).astype(np.float32),
    ],
    ids=["zero", "full", "constant", "noise", "faint-noise", "float-noise"],
)
def test_a_frame_without_stars_gives_an_empty_list(pixels: NDArray[np.generic]) -> None:
    """Dark, overexposed and noise-only frames hold no star."""
    stars = detect_stars(frame_of(pixels))

    assert len(stars) == 0
    assert stars.x.shape == stars.saturated.shape == (0,)
    assert (stars.width, stars.height) == (pixels.shape[1], pixels.shape[0])
    assert np.isfinite([stars.background_adu, stars.noise_adu]).all()


def test_a_bright_area_does_not_break_detection() -> None:
    """A full disc of 300 px, as of the Moon, leaves the stars elsewhere measurable."""
    spec, rng = two_hundred_stars(2.6)
    frame = mono_frame(spec, rng)
    yy, xx = np.mgrid[0 : spec.height, 0 : spec.width]
    pixels = np.where((yy - 220) ** 2 + (xx - 300) ** 2 < 150**2, 65535, frame.pixels)
    away = (spec.y - 220) ** 2 + (spec.x - 300) ** 2 > 400**2
    stars = detect_stars(replace(frame, pixels=pixels.astype(np.uint16)))
    index, _ = match(stars, spec.x[away], spec.y[away])

    assert (index >= 0).mean() > 0.9


@pytest.mark.parametrize(
    ("pixels", "sensor"),
    [
        (np.zeros((40, 60, 3), np.uint16), SensorKind.MONO),
        (np.zeros((40, 60), np.uint16), SensorKind.PLANES),
        (np.zeros((40, 60), np.complex64), SensorKind.MONO),
        (np.zeros((4, 60), np.uint16), SensorKind.MONO),
    ],
)
def test_impossible_frames_are_refused(pixels: NDArray[np.generic], sensor: SensorKind) -> None:
    """Wrong shape or type is an error that says what came."""
    with pytest.raises(BadFrame, match="cannot be measured") as caught:
        detect_stars(frame_of(pixels, sensor=sensor))

    assert caught.value.advice
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@pytest.mark.parametrize(
    "pixels", [np.zeros((0, 60), np.uint16), np.full((40, 60), np.nan)], ids=["none", "nan"]
)
def test_frames_without_any_number_are_refused(pixels: NDArray[np.generic]) -> None:
    """No pixels, or no finite one."""
    with pytest.raises(EmptyFrame) as caught:
        detect_stars(frame_of(pixels))

    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)
