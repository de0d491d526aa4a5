from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest
import sep

from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.errors import ConfigError
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec
from polewright_sim.sky.background import daylight, sun_altitude_deg
from polewright_sim.sky.disturbance import Aircraft, Disturbance, SatelliteTrail, Shutter

UTC_S = 1_790_000_000.0
EXPOSURE_S = 6.0


@pytest.fixture
def shot(sky, optics, sensor, pointed):
    """Render one field with a disturbance; returns counts as floats."""

    def shoot(spoil: Disturbance | None = None, *, lens: OpticsSpec = optics, **options):
        frame = render_frame(
            sky,
            lens,
            sensor,
            pointed(120.0, 50.0),
            UTC_S,
            EXPOSURE_S,
            np.random.default_rng(1),
            disturbance=spoil,
            **options,
        )
        return frame.astype(np.float32)

    return shoot


def stars_of(frame):
    background = sep.Background(frame)
    found = sep.extract(frame - background.back(), 10.0, err=background.globalrms)
    return found[np.argsort(-found["flux"])]


def fluxes_at(frame, found):
    clean = frame - sep.Background(frame).back()
    return sep.sum_circle(clean, found["x"], found["y"], 12.0)[0]


def test_no_disturbance_is_a_clear_sky(shot) -> None:
    """None and the default disturbance give the same frame."""
    assert np.array_equal(shot(), shot(Disturbance()))


def test_cloud_dims_stars_and_glows(shot) -> None:
    """Stars keep the transmitted share, the background turns into the cloud's glow."""
    clear = shot()
    cloudy = shot(Disturbance(transmission=0.3, cloud_glow=3.0))
    found = stars_of(clear)[2:10]
    kept = fluxes_at(cloudy, found) / fluxes_at(clear, found)

    assert kept == pytest.approx(0.3, abs=0.03)
    assert np.median(cloudy) - 500.0 > 1.5 * (np.median(clear) - 500.0)


def test_cloud_can_cover_one_side(shot) -> None:
    """A slope of the transmission leaves one edge clear and hides the other's stars."""
    half = shot(Disturbance(transmission=0.5, transmission_slope=(0.7, 0.0)))
    clear = shot()
    found = stars_of(half)["x"]

    assert (found > 1200).sum() >= 0.6 * (stars_of(clear)["x"] > 1200).sum()
    assert (found < 200).sum() == 0
    assert (stars_of(clear)["x"] < 200).sum() > 0


def test_a_closed_sky_has_no_stars(shot) -> None:
    """Thick cloud passes nothing."""
    assert len(stars_of(shot(Disturbance(transmission=0.0)))) == 0


def test_moonlight_lifts_the_background(shot) -> None:
    """Moonlight of four times the dark sky multiplies the glow; stars stay."""
    clear, bright = shot(), shot(Disturbance(moonlight=4.0))
    found = stars_of(clear)[2:8]

    assert np.median(bright) - 500.0 > 3.5 * (np.median(clear) - 500.0)
    assert fluxes_at(bright, found) == pytest.approx(fluxes_at(clear, found), rel=0.05)


@pytest.mark.parametrize("spoil", [Disturbance(extra_blur_px=4.0), Disturbance(dew=1.0)])
def test_blur_and_dew_widen_stars(shot, spoil: Disturbance) -> None:
    """Blurred stars have a larger half-light radius; fogged glass also takes light."""

    def half_light(frame, found):
        clean = frame - sep.Background(frame).back()
        reach = np.full(len(found), 15.0)
        return sep.flux_radius(clean, found["x"], found["y"], reach, 0.5)[0]

    clear, soft = shot(), shot(spoil)
    found = stars_of(clear)[2:6]

    assert np.median(half_light(soft, found)) > 1.7 * np.median(half_light(clear, found))
    if spoil.dew:
        assert np.median(fluxes_at(soft, found) / fluxes_at(clear, found)) < 0.15


def test_a_shutter_stuck_closed_gives_dark_frames(shot) -> None:
    """No light although light was asked for."""
    closed = shot(Disturbance(shutter=Shutter.STUCK_CLOSED))

    assert closed.max() < 560
    assert np.array_equal(closed, shot(light=False))


def test_a_shutter_stuck_open_lights_dark_frames_and_smears(shot) -> None:
    """A dark frame shows stars, and the columns of bright stars are lifted."""
    opened = shot(Disturbance(shutter=Shutter.STUCK_OPEN), light=False)
    found = stars_of(shot())[0]
    columns = np.median(opened, axis=0)
    bright = columns[round(found["x"]) - 1 : round(found["x"]) + 2].max()

    assert len(stars_of(opened)) > 10
    assert bright > np.median(columns) + 1.0


def test_wind_spreads_stars_and_keeps_their_light(shot) -> None:
    """Shaken stars are wider and fainter at the peak, their light is the same."""
    clear, windy = shot(), shot(Disturbance(wind_px=3.0))
    found = stars_of(clear)[2:6]
    spread = stars_of(windy)
    windy_clean = windy - sep.Background(windy).back()
    clear_clean = clear - sep.Background(clear).back()
    reach = 25.0
    lit = sep.sum_circle(windy_clean, found["x"], found["y"], reach)[0]

    assert np.median(spread["a"][2:6]) > 1.5 * np.median(found["a"])
    assert lit == pytest.approx(
        sep.sum_circle(clear_clean, found["x"], found["y"], reach)[0], rel=0.1
    )


def test_a_lamp_glares_where_it_stands(shot) -> None:
    """Stray light is strongest beside the lamp and falls over its reach."""
    glare = shot(Disturbance(lamp_glare=20.0, lamp_px=(0.0, 600.0), lamp_reach=0.2))
    clear = shot()
    beside = slice(560, 640)
    lift = np.median(glare[beside], axis=0) - np.median(clear[beside], axis=0)

    assert lift[10] > 10.0 * max(lift[1590], 0.1)
    assert lift[330] / lift[10] == pytest.approx(np.exp(-1.0), abs=0.15)


def test_a_satellite_draws_its_line(shot) -> None:
    """The line has its light per pixel and runs from start to end."""
    trail = SatelliteTrail((200.0, 100.0), (1400.0, 100.0), e_per_px=800.0)
    lifted = shot(Disturbance(satellites=(trail,))) - shot()
    profile = lifted[85:116, :].sum(axis=0) * 0.25

    assert np.median(profile[250:1350]) == pytest.approx(800.0, rel=0.05)
    assert abs(np.median(profile[1450:])) < 100.0
    assert abs(np.median(profile[:150])) < 100.0


def test_an_aircraft_shows_two_lines_and_flashes(shot) -> None:
    """Steady lights run parallel at their span; the flashes lie between them."""
    craft = Aircraft((100.0, 300.0), (1500.0, 300.0), flashes=4, span_px=60.0)
    lifted = shot(Disturbance(aircraft=(craft,))) - shot()
    down = np.median(lifted[:, 400:1200], axis=1)
    flashes = stars_of(lifted[290:311, :] + 500.0)

    assert set(np.argsort(-down)[:2]) == {270, 330}
    assert (flashes["flux"] > 1e5).sum() == 4


def test_defocus_turns_stars_into_discs(shot) -> None:
    """Out of focus, stars are as wide as the disc and their peaks drop."""
    sharp = shot()
    soft = shot(lens=OpticsSpec(vignetting=0.0, defocus_um=75.2))  # 20 pixels
    found = stars_of(sharp)[2:6]
    clean = soft - sep.Background(soft).back()
    half = sep.flux_radius(clean, found["x"], found["y"], np.full(4, 25.0), 0.5)[0]

    assert np.median(half) == pytest.approx(10.0 / np.sqrt(2.0), rel=0.1)


@pytest.mark.parametrize(
    "bad", [{"transmission": 1.2}, {"dew": -0.1}, {"wind_px": float("nan")}, {"lamp_reach": 0.0}]
)
def test_a_disturbance_out_of_range_is_refused(bad: dict[str, float]) -> None:
    """The message names the value and its range."""
    with pytest.raises(ConfigError, match=next(iter(bad))):
        Disturbance(**cast("Any", bad))


@pytest.mark.parametrize("hours", range(0, 24, 3))
def test_the_suns_light_follows_its_altitude(sky, hours) -> None:
    """Its altitude agrees with the ephemeris to 0.03 degrees; below -18 degrees it adds nothing."""
    utc_s = UTC_S + 3600.0 * hours
    true_deg = np.degrees(
        np.arcsin(sun_enu(ObservedFrame.at(sky.site, Atmosphere.none(), utc_s))[2])
    )

    assert sun_altitude_deg(sky, utc_s) == pytest.approx(true_deg, abs=0.03)
    assert (daylight(sky, utc_s) == 0.0) is bool(true_deg <= -18.0)


def test_by_day_no_star_is_seen(shot, sky) -> None:
    """Two hours before sunset four seconds fill every pixel."""
    frame = shot(Disturbance(sunlight=daylight(sky, UTC_S)))

    assert frame.min() == frame.max() > 60000.0
