from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sep

from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE, azalt_from_enu
from polewright.foundation.errors import ConfigError
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec, pixel_scale
from polewright_sim.sky.silhouette import Silhouette
from polewright_sim.sky.stars import SkyModel
from polewright_sim.sky.tracks import star_tracks

UTC_S = 1_790_000_000.0
POLARIS_LIKE = (0.0, 48.0)
SITE = Site(48.0, 11.0, 500.0)


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def detect(frame: np.ndarray, threshold: float = 8.0):
    data = frame.astype(np.float32)
    background = sep.Background(data)
    data -= background.back()
    stars = sep.extract(data, threshold, err=background.globalrms)
    x, y, _ = sep.winpos(data, stars["x"], stars["y"], np.full(len(stars), 1.2))
    return stars, x, y, data


def match(x, y, found_x, found_y):
    """Index of and distance to the nearest detection of each place."""
    distance = np.hypot(x[:, None] - found_x[None], y[:, None] - found_y[None])
    return distance.argmin(axis=1), distance.min(axis=1)


def isolated(x, y, sensor, reach=25.0):
    """Stars well inside the frame with no neighbour of any brightness within reach."""
    distance = np.hypot(x[:, None] - x[None], y[:, None] - y[None])
    np.fill_diagonal(distance, 1e9)
    inside = (x > reach) & (x < sensor.width - reach) & (y > reach) & (y < sensor.height - reach)
    return inside & (distance.min(axis=1) > reach)


@pytest.fixture
def wide(sensor) -> SensorSpec:
    """Large enough for a few dozen bright stars."""
    return sensor.model_copy(update={"width": 3200, "height": 2400})


def test_stars_stand_where_the_tracks_say(sky, optics, wide, pointed) -> None:
    """Windowed centroids of bright, unsaturated stars agree with the truth without bias."""
    attitude = pointed(120.0, 50.0, 20.0)
    frame = render_frame(sky, optics, wide, attitude, UTC_S, 2.0, rng())
    tracks = star_tracks(sky, optics, wide, attitude[None], UTC_S, 2.0)
    x, y = tracks.x[0], tracks.y[0]
    good = isolated(x, y, wide) & (tracks.mag < 10.0) & (tracks.mag > 7.5)
    _, found_x, found_y, _ = detect(frame)
    at, distance = match(x[good], y[good], found_x, found_y)

    assert good.sum() >= 5
    assert distance.max() < 0.1
    assert abs((found_x[at] - x[good]).mean()) < 0.02
    assert abs((found_y[at] - y[good]).mean()) < 0.02


def test_the_air_moves_stars_one_by_one(sky, optics, wide, pointed) -> None:
    """With image motion on, stars scatter about their true places by 0.6 arcsec (0.3 pixel) over
    the square root of the exposure, differently in each frame."""
    restless = replace(sky, spec=sky.spec.model_copy(update={"image_motion_arcsec": 1.2}))
    attitude = pointed(120.0, 50.0, 20.0)
    tracks = star_tracks(restless, optics, wide, attitude[None], UTC_S, 4.0)
    x, y = tracks.x[0], tracks.y[0]
    good = isolated(x, y, wide) & (tracks.mag < 10.3) & (tracks.mag > 8.0)
    offsets = []
    for seed in (1, 2):
        frame = render_frame(restless, optics, wide, attitude, UTC_S, 4.0, rng(seed))
        _, found_x, found_y, _ = detect(frame)
        at, distance = match(x[good], y[good], found_x, found_y)
        offsets.append(np.concatenate([found_x[at] - x[good], found_y[at] - y[good]]))
        assert distance.max() < 1.8
    expected = 0.6 / (3.76e-3 / 400.0 / ARCSEC)

    assert good.sum() >= 15
    assert np.std(offsets[0]) == pytest.approx(expected, rel=0.35)
    assert abs(np.corrcoef(offsets)[0, 1]) < 0.5


def test_counts_follow_the_zero_point(sky, optics, wide, pointed) -> None:
    """A star's counts are photons x area x transmission x efficiency x time x extinction."""
    attitude = pointed(120.0, 50.0)
    frame = render_frame(sky, optics, wide, attitude, UTC_S, 2.0, rng())
    tracks = star_tracks(sky, optics, wide, attitude[None], UTC_S, 2.0)
    x, y = tracks.x[0], tracks.y[0]
    good = isolated(x, y, wide) & (tracks.mag < 9.5) & (tracks.mag > 7.5)
    *_, data = detect(frame)
    counts, _, _ = sep.sum_circle(data, x[good], y[good], 12.0)
    area_cm2 = np.pi / 4.0 * 7.2**2
    at_zenith = 3.0e6 * area_cm2 * 0.85 * 0.6 * 2.0 / 0.25 * 10.0 ** (-0.4 * tracks.mag[good])
    air = 1.0 / np.sin(50.0 * DEG)

    assert good.sum() >= 3
    assert counts == pytest.approx(at_zenith * 10.0 ** (-0.4 * 0.2 * air), rel=0.03)


def test_photon_transfer(optics, sensor, pointed) -> None:
    """Variance of the difference of two frames grows with the mean as 1/gain says, from the
    read noise of a dark frame on; the skewness of a faint sky is Poisson's."""
    glow = SkySpec(faintest_mag=0.0, faint_stars=False, city_glow=0.0, sky_mag_per_arcsec2=19.0)
    sky = SkyModel(SITE, Atmosphere.none(), glow)
    attitude = pointed(0.0, 89.0)
    for exposure_s in (1.0, 20.0, 400.0):
        pair = [
            render_frame(sky, optics, sensor, attitude, UTC_S, exposure_s, rng(i)).astype(float)
            for i in (1, 2)
        ]
        electrons = (pair[0].mean() - 500.0) * 0.25
        expected_adu2 = (electrons + 1.6**2) / 0.25**2 + 1.0 / 12.0

        assert 0.5 * np.var(pair[0] - pair[1]) == pytest.approx(expected_adu2, rel=0.01)
        skew = np.mean((pair[0] - pair[0].mean()) ** 3) / pair[0].std() ** 3
        assert skew == pytest.approx(electrons / (electrons + 1.6**2) ** 1.5, abs=0.02)
    dark = [
        render_frame(sky, optics, sensor, attitude, UTC_S, 0.0, rng(i), light=False).astype(float)
        for i in (1, 2)
    ]

    assert dark[0].mean() == pytest.approx(500.0, abs=0.05)
    assert np.std(dark[0] - dark[1]) / np.sqrt(2.0) * 0.25 == pytest.approx(1.6, rel=0.01)


def test_noise_is_white(optics, sensor, sky, pointed) -> None:
    """Neighbouring pixels and rows of a dark frame are uncorrelated: nothing repeats."""
    dark = render_frame(sky, optics, sensor, pointed(0, 60), UTC_S, 1.0, rng(), light=False)
    z = (dark - dark.mean()) / dark.std()
    for shift in ((0, 1), (1, 0), (1, 1), (16, 0), (0, 16), (32, 0)):
        both = (z * np.roll(z, shift, axis=(0, 1))).mean()

        assert abs(both) < 5.0 / np.sqrt(z.size)


def test_sky_level_is_surface_brightness_times_solid_angle(optics, sensor, pointed) -> None:
    """At the zenith a sky of 20 mag per square arcsec gives its electrons per pixel."""
    spec = SkySpec(faintest_mag=0.0, faint_stars=False, city_glow=0.0, sky_mag_per_arcsec2=20.0)
    sky = SkyModel(SITE, Atmosphere.none(), spec)
    frame = render_frame(sky, optics, sensor, pointed(0.0, 89.9), UTC_S, 100.0, rng())
    zero_point = 3.0e6 * np.pi / 4.0 * 7.2**2 * 0.85 * 0.6
    pixel_arcsec = 3.76e-3 / 400.0 / ARCSEC
    dark_e = 0.01 * 100.0
    expected_e = zero_point * 1e-8 * pixel_arcsec**2 * 100.0 + dark_e

    assert (frame[500:700, 700:900].mean() - 500.0) * 0.25 == pytest.approx(expected_e, rel=0.01)


def test_sky_is_brighter_low_down_and_towards_the_city(sky, optics, sensor, pointed) -> None:
    """Glow grows with air mass, and with the city's azimuth."""
    city = replace(sky, spec=sky.spec.model_copy(update={"city_glow": 2.0}))

    def level(model: SkyModel, azimuth: float, altitude: float) -> float:
        attitude = pointed(azimuth, altitude)
        return float(np.median(render_frame(model, optics, sensor, attitude, UTC_S, 20.0, rng())))

    assert level(sky, 0.0, 20.0) > level(sky, 0.0, 80.0) + 20.0
    assert level(sky, 90.0, 20.0) == pytest.approx(level(sky, 270.0, 20.0), abs=2.0)
    assert level(city, 90.0, 20.0) > level(city, 270.0, 20.0) + 50.0


@pytest.mark.parametrize("parity", [1, -1])
def test_a_star_right_above_and_left_lands_as_the_camera_sees_it(
    sky, sensor, pointed, parity: int
) -> None:
    """Level camera: higher stars are nearer the top row; looking north, a star further east (to
    the right) is right in the image, or left when it is mirrored. Both by spherical trigonometry
    on small offsets, not by the renderer's own projection."""
    optics = OpticsSpec(parity=parity)
    attitude = pointed(0.0, 50.0)
    tracks = star_tracks(sky, optics, sensor, attitude[None], UTC_S, 2.0)
    azimuth, altitude = azalt_from_enu(tracks.enu)
    offset = (azimuth + np.pi) % (2.0 * np.pi) - np.pi
    near = np.hypot(offset * np.cos(altitude), altitude - 50.0 * DEG) < 0.25 * DEG
    scale = 3.76e-3 / 400.0
    right = offset * np.cos(altitude) / scale
    up = (altitude - 50.0 * DEG) / scale
    frame = render_frame(sky, optics, sensor, attitude, UTC_S, 2.0, rng())
    _, found_x, found_y, _ = detect(frame)
    bright = near & (tracks.mag < 10.5)
    _, distance = match(799.5 + parity * right[bright], 599.5 - up[bright], found_x, found_y)

    assert bright.sum() >= 2
    assert distance.max() < 3.0  # the flat formula is good to that


def test_roll_turns_the_image_about_its_centre(sky, optics, sensor, pointed) -> None:
    """A quarter roll moves a star from the right of the centre to above it: with x' = x cos + y
    sin in image coordinates."""
    level = star_tracks(sky, optics, sensor, pointed(200.0, 40.0)[None], UTC_S, 1.0)
    rolled = star_tracks(sky, optics, sensor, pointed(200.0, 40.0, 90.0)[None], UTC_S, 1.0)
    common, at_level, at_rolled = np.intersect1d(level.ids, rolled.ids, return_indices=True)

    assert common.size > 10
    assert rolled.x[0, at_rolled] - 799.5 == pytest.approx(level.y[0, at_level] - 599.5, abs=1e-6)
    assert rolled.y[0, at_rolled] - 599.5 == pytest.approx(799.5 - level.x[0, at_level], abs=1e-6)


def test_refraction_squeezes_the_field(sky, optics, wide, pointed) -> None:
    """Near 20 deg the field is squeezed vertically by the slope of Bennett's formula (Meeus,
    Astronomical Algorithms, 2nd ed., eq. 16.3), 1010 hPa and 10 C, and not sideways."""

    def bennett(altitude_deg: float) -> float:
        return 1.0 / np.tan((altitude_deg + 7.31 / (altitude_deg + 4.4)) * DEG) / 60.0

    slope = (bennett(20.5) - bennett(19.5)) / 1.0
    attitude = pointed(180.0, 20.0)
    vacuum = replace(sky, atmosphere=Atmosphere.none())
    air = replace(sky, atmosphere=Atmosphere(1010.0, 10.0, 0.0, 0.55))
    lift = bennett(20.0)
    bare = star_tracks(vacuum, optics, wide, pointed(180.0, 20.0 - lift)[None], UTC_S, 1.0)
    squeezed = star_tracks(air, optics, wide, attitude[None], UTC_S, 1.0)
    _, a, b = np.intersect1d(bare.ids, squeezed.ids, return_indices=True)
    inside = (np.abs(bare.x[0, a] - 1199.5) < 1600) & (np.abs(bare.y[0, a] - 1199.5) < 1200)
    a, b = a[inside], b[inside]
    vertical = np.polyfit(bare.y[0, a], squeezed.y[0, b], 1)[0]
    sideways = np.polyfit(bare.x[0, a], squeezed.x[0, b], 1)[0]

    assert inside.sum() > 20
    # d(apparent) / d(true) = 1 / (1 - dR/d(apparent))
    assert 1.0 - vertical == pytest.approx(1.0 - 1.0 / (1.0 - slope), rel=0.03)
    assert abs(1.0 - vertical) > 0.002
    assert abs(1.0 - sideways) < 0.0005


def test_a_standing_camera_draws_trails_of_the_right_length(optics, sensor, pointed) -> None:
    """Near the equator stars run 15.04 arcsec per second: a line that long, blurred."""
    sky = SkyModel(SITE, Atmosphere.none(), SkySpec(faintest_mag=9.0, faint_stars=False))
    still = np.repeat(pointed(180.0, 42.0)[None], 6, axis=0)
    exposure_s = 8.0
    frame = render_frame(sky, optics, sensor, still, UTC_S, exposure_s, rng())
    tracks = star_tracks(sky, optics, sensor, still, UTC_S, exposure_s)
    stars, *_ = detect(frame, 4.0)
    middle_x, middle_y = tracks.x.mean(axis=0), tracks.y.mean(axis=0)
    good = isolated(middle_x, middle_y, sensor, 90.0)
    at, distance = match(middle_x[good], middle_y[good], stars["x"], stars["y"])
    length_px = SIDEREAL_RATE * exposure_s / pixel_scale(optics, sensor)

    assert good.sum() >= 2
    assert distance.max() < 1.0
    # Standard deviation of a uniform line is its length over sqrt(12); the blur adds under 1 px.
    expected = np.hypot(length_px / np.sqrt(12.0), 0.8)
    assert np.median(stars["a"][at]) == pytest.approx(expected, rel=0.05)
    assert np.median(stars["b"][at]) < 1.5


def test_trail_samples_reach_both_ends(sky, optics, sensor, pointed) -> None:
    """However coarse the attitudes, the trail starts at the first and ends at the last moment."""
    still = pointed(180.0, 42.0)
    exposure_s = 8.0
    coarse = star_tracks(sky, optics, sensor, np.repeat(still[None], 3, 0), UTC_S, exposure_s)
    first, last = (
        star_tracks(sky, optics, sensor, still[None], UTC_S + dt, 1.0) for dt in (-4.0, 4.0)
    )
    step = np.hypot(np.diff(coarse.x, axis=0), np.diff(coarse.y, axis=0))
    star = coarse.ids[np.argmin(np.abs(coarse.x.mean(0) - 799.5) + np.abs(coarse.y[0] - 599.5))]
    i = int(np.flatnonzero(coarse.ids == star)[0])

    assert step[:, i].max() <= 0.71
    for tracks, row in ((first, 0), (last, -1)):
        j = int(np.flatnonzero(tracks.ids == star)[0])
        gap = np.hypot(tracks.x[0, j] - coarse.x[row, i], tracks.y[0, j] - coarse.y[row, i])
        assert gap == pytest.approx(step[:, i].mean() / 2.0, rel=0.1)


def test_a_camera_that_follows_the_stars_draws_points(sky, optics, sensor, pointed) -> None:
    """Attitudes that turn with the sky about the pole leave every star in one place."""
    from scipy.spatial.transform import Rotation

    vacuum = replace(sky, atmosphere=Atmosphere.none())
    pole = np.array([0.0, np.cos(48.0 * DEG), np.sin(48.0 * DEG)])
    start = pointed(150.0, 45.0)
    times = (np.arange(5) + 0.5) / 5.0 * 10.0 - 5.0
    following = np.array(
        [Rotation.from_rotvec(-pole * SIDEREAL_RATE * t).as_matrix() @ start for t in times]
    )
    tracked = star_tracks(vacuum, optics, sensor, following, UTC_S, 10.0)
    still = star_tracks(vacuum, optics, sensor, start[None], UTC_S, 10.0)
    common, a, b = np.intersect1d(tracked.ids, still.ids, return_indices=True)

    assert len(tracked.x) == 1
    assert common.size > 10
    assert np.hypot(tracked.x[0, a] - still.x[0, b], tracked.y[0, a] - still.y[0, b]).max() < 0.02


def test_hot_pixels_belong_to_the_sensor(sky, optics, pointed) -> None:
    """The same pixels are hot in every frame, light or dark; another sensor has others."""

    def hot(sensor: SensorSpec, seed: int, **options) -> set[int]:
        frame = render_frame(
            sky, optics, sensor, pointed(30.0, 60.0), UTC_S, 10.0, rng(seed), **options
        )
        return set(np.flatnonzero(frame.ravel() > 500 + 100 * 4))

    sensor = SensorSpec(width=800, height=600, hot_pixel_count=50)
    first, second = hot(sensor, 1, light=False), hot(sensor, 2, light=False)
    other = hot(sensor.model_copy(update={"seed": 9}), 1, light=False)

    assert 40 <= len(first) <= 50
    assert first == second
    assert len(first & other) <= 1
    assert first <= hot(sensor, 3)


def test_dark_frames_have_no_stars(sky, optics, sensor, pointed) -> None:
    """Without light only bias, dark current and noise are left."""
    dark = render_frame(sky, optics, sensor, pointed(90, 50), UTC_S, 10.0, rng(), light=False)

    assert dark.mean() == pytest.approx(500.0 + 0.1 / 0.25, abs=0.1)
    assert dark.max() < 560


def test_bright_stars_saturate_at_the_full_well(sky, optics, sensor, pointed) -> None:
    """No pixel exceeds bias plus full well over gain, nor the converter's top."""
    attitude = pointed(*POLARIS_LIKE)
    frame = render_frame(sky, optics, sensor, attitude, UTC_S, 60.0, rng())
    low = sensor.model_copy(update={"max_adu": 4095})
    clipped = render_frame(sky, optics, low, attitude, UTC_S, 60.0, rng())

    assert frame.max() == 500 + 64_000
    assert (frame == 64_500).sum() > 5
    assert clipped.max() == 4095


def test_the_mosaic_is_red_green_blue(sky, optics, sensor, pointed) -> None:
    """Sky level per filter has the ratio of the filters' shares, at the declared offset."""
    for offset in ((0, 0), (1, 0), (0, 1), (1, 1)):
        colour = sensor.model_copy(update={"bayer": True, "bayer_offset": offset})
        frame = render_frame(sky, optics, colour, pointed(10, 60), UTC_S, 100.0, rng())
        level = {
            (j, i): float(np.median(frame[i::2, j::2])) - 500.0 - 1.0 / 0.25
            for i in (0, 1)
            for j in (0, 1)
        }
        x, y = offset
        red, blue = level[x, y], level[1 - x, 1 - y]
        greens = level[1 - x, y], level[x, 1 - y]

        assert red / greens[0] == pytest.approx(0.28 / 0.40, rel=0.02)
        assert blue / greens[0] == pytest.approx(0.30 / 0.40, rel=0.02)
        assert greens[0] == pytest.approx(greens[1], rel=0.01)


def test_stars_have_colours(sky, optics, wide, pointed) -> None:
    """Red over blue light differs from star to star, and not from frame to frame."""
    colour = wide.model_copy(update={"bayer": True})
    attitude = pointed(120.0, 50.0)
    tracks = star_tracks(sky, optics, colour, attitude[None], UTC_S, 4.0)
    x, y = tracks.x[0], tracks.y[0]
    good = isolated(x, y, wide) & (tracks.mag < 9.5)

    def ratios(seed: int) -> np.ndarray:
        frame = render_frame(sky, optics, colour, attitude, UTC_S, 4.0, rng(seed)).astype(float)
        result = []
        even = np.stack([x[good], y[good]], axis=-1).round().astype(int)
        for column, row in even // 2 * 2:
            part = frame[row - 10 : row + 12, column - 10 : column + 12]
            red = (part[::2, ::2] - np.median(frame[::2, ::2])).sum()
            blue = (part[1::2, 1::2] - np.median(frame[1::2, 1::2])).sum()
            result.append(red / blue)
        return np.array(result)

    first, second = ratios(1), ratios(2)

    assert good.sum() >= 4
    assert first.max() / first.min() > 1.5
    assert first == pytest.approx(second, rel=0.12)  # photon noise of the faintest: 5 per cent


def test_the_same_seed_gives_the_same_frame(sky, optics, sensor, pointed) -> None:
    """Frames repeat bit by bit with the generator's state, and differ without."""
    frames = [
        render_frame(sky, optics, sensor, pointed(10, 60), UTC_S, 2.0, rng(seed))
        for seed in (4, 4, 5)
    ]

    assert np.array_equal(frames[0], frames[1])
    assert (frames[0] != frames[2]).mean() > 0.5


def test_the_silhouette_is_dark_and_hides_stars(sky, optics, sensor, pointed) -> None:
    """A wall up to 45 deg across a field at 45 deg blackens the lower half, gradually at its
    edge; stars shine above only."""
    wall = replace(sky, horizon=Silhouette.from_pairs([(0.0, 45.0)], distance_m=60.0))
    attitude = pointed(180.0, 45.0)
    frame = render_frame(wall, optics, sensor, attitude, UTC_S, 30.0, rng())
    open_sky = render_frame(sky, optics, sensor, attitude, UTC_S, 30.0, rng())
    rows = np.median(frame, axis=1) - 500.0
    free = np.median(open_sky, axis=1) - 500.0
    tracks = star_tracks(wall, optics, sensor, attitude[None], UTC_S, 30.0)
    inside = (np.abs(tracks.x[0] - 799.5) < 800) & (np.abs(tracks.y[0] - 599.5) < 600)

    assert rows[1100] < 0.1 * free[1100]
    assert rows[100] == pytest.approx(free[100], rel=0.03)
    # An aperture of 72 mm before a wall 60 m off makes an edge 0.0012 rad, 128 pixels, wide.
    assert rows[600] == pytest.approx(0.5 * free[600], rel=0.1)
    assert rows[599 - 100] == pytest.approx(free[599 - 100], rel=0.05)
    assert inside.sum() > 2
    assert tracks.y[0][inside].max() < 600.0 + 70.0


def test_an_overhang_hides_the_top(sky, optics, sensor, pointed) -> None:
    """A balcony above 45 deg blackens the upper half."""
    balcony = Silhouette.from_pairs([(0.0, 0.0)], [(0.0, 45.0)])
    model = replace(sky, horizon=balcony)
    frame = render_frame(model, optics, sensor, pointed(180.0, 45.0), UTC_S, 30.0, rng())
    rows = np.median(frame, axis=1) - 500.0

    assert rows[50] < 0.1 * rows[1150]


def test_the_ground_is_always_there(sky, optics, sensor, pointed) -> None:
    """Pointed below the horizon the frame is dark and empty, without any horizon given."""
    frame = render_frame(sky, optics, sensor, pointed(180.0, -5.0), UTC_S, 5.0, rng())

    assert frame.max() < 700


def test_a_binned_frame_averages_the_counts(sky, optics, sensor, pointed) -> None:
    """Average: level stays, noise halves. Sum: level and noise grow. Stars keep their places."""
    attitude = pointed(120.0, 50.0)
    full = render_frame(sky, optics, sensor, attitude, UTC_S, 4.0, rng()).astype(float)
    joined = full.reshape(600, 2, 800, 2).mean(axis=(1, 3))
    binned = render_frame(sky, optics, sensor, attitude, UTC_S, 4.0, rng(2), binning=2)
    total = sensor.model_copy(update={"binning_mode": "sum"})
    summed = render_frame(sky, optics, total, attitude, UTC_S, 4.0, rng(2), binning=2)
    _, x, y, _ = detect(binned)
    _, joined_x, joined_y, _ = detect(joined)
    _, distance = match(x[:20], y[:20], joined_x, joined_y)
    calm = np.median(np.abs(joined - np.median(joined)))

    assert binned.shape == (600, 800)
    assert np.median(binned) == pytest.approx(np.median(joined), abs=1.0)
    assert np.median(np.abs(binned - np.median(binned))) == pytest.approx(calm, rel=0.1)
    assert np.median(summed) == pytest.approx(4.0 * np.median(joined), abs=3.0)
    assert np.median(distance) < 0.1


def test_a_subframe_is_a_cut_of_the_frame(sky, optics, sensor, pointed) -> None:
    """Stars, hot pixels and mosaic stand where the whole frame has them."""
    colour = sensor.model_copy(update={"bayer": True, "hot_pixel_count": 200})
    attitude = pointed(120.0, 50.0)
    full = render_frame(sky, optics, colour, attitude, UTC_S, 20.0, rng(1)).astype(float)
    cut = render_frame(
        sky, optics, colour, attitude, UTC_S, 20.0, rng(2), subframe=(301, 203, 640, 480)
    )
    same = full[203 : 203 + 480, 301 : 301 + 640]
    difference = cut - same
    level = np.maximum((same + cut) / 2.0 - 500.0, 0.0)  # the noise of this estimate adds a little
    noise = np.sqrt(2.0 * (level / 0.25 + 1.6**2 / 0.25**2))

    assert cut.shape == (480, 640)
    assert (same > 2000).sum() > 20
    assert np.std(difference / noise) == pytest.approx(1.0, abs=0.08)
    assert np.abs(difference / noise).max() < 7.0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"binning": 9}, "bins 1 to 4"),
        ({"subframe": (0, 0, 1601, 10)}, "1600 x 1200"),
        ({"subframe": (-1, 0, 10, 10)}, "before the sensor"),
        ({"exposure_s": -1.0}, "between 0 and"),
        ({"attitudes": np.diag([1.0, 1.0, -1.0])}, "determinant"),
        ({"attitudes": np.zeros((0, 3, 3))}, r"\(K, 3, 3\)"),
    ],
)
def test_bad_input_is_named(sky, optics, sensor, pointed, options, says: str) -> None:
    """What cannot be rendered raises an error that says what is wrong."""
    values = {"attitudes": pointed(0, 50), "exposure_s": 1.0, **options}
    attitudes, exposure_s = values.pop("attitudes"), values.pop("exposure_s")
    with pytest.raises(ConfigError, match=says):
        render_frame(sky, optics, sensor, attitudes, UTC_S, exposure_s, rng(), **values)


def test_vignetting_darkens_the_corners(sky, sensor, pointed) -> None:
    """The corner has lost its share of the light, the middle none."""
    optics = OpticsSpec(vignetting=0.4)
    frame = render_frame(sky, optics, sensor, pointed(0.0, 85.0), UTC_S, 100.0, rng())
    dark = 500.0 + 1.0 / 0.25
    middle = np.median(frame[560:640, 760:840]) - dark

    assert (np.median(frame[:40, :40]) - dark) / middle == pytest.approx(0.6, abs=0.03)
