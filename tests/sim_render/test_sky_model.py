from __future__ import annotations

import numpy as np
import pytest

from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, azalt_from_enu, separation, unit_vector
from polewright_sim.camera_spec import SkySpec
from polewright_sim.sky.stars import (
    SkyModel,
    catalogue,
    catalogue_stars,
    invented_stars,
    move,
    star_colours,
    ut1_minus_utc,
)
from polewright_sim.sky.tracks import relative_air_mass

UTC_S = 1_790_000_000.0


@pytest.mark.parametrize("latitude", [48.0, -33.0, 1.0])
@pytest.mark.parametrize("air", [Atmosphere.standard(0.0), Atmosphere.none()])
def test_both_ways_to_the_observed_sky_agree(latitude: float, air: Atmosphere) -> None:
    """The simulator's chain and the product's, written apart, differ by under 0.02 arcsec
    above 10 deg."""
    sky = SkyModel(Site(latitude, 11.0, 200.0), air)
    moment = sky.moment(UTC_S)
    stars = np.random.default_rng(1).normal(size=(500, 3))
    stars /= np.linalg.norm(stars, axis=-1, keepdims=True)
    ours = moment.observed(moment.cirs(stars))
    product = ObservedFrame.at(sky.site, air, UTC_S).observe(stars)
    high = ours[:, 2] > np.sin(10.0 * DEG)

    assert high.sum() > 100
    assert separation(ours, product)[high].max() < 0.02 * ARCSEC


def test_observed_places_agree_with_astropy() -> None:
    """Astropy's own AltAz transform, with its polar motion (below 0.6 arcsec), says the same."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    sky = SkyModel(Site(48.0, 11.0, 500.0), Atmosphere(950.0, 5.0, 0.3))
    moment = sky.moment(UTC_S)
    stars = unit_vector(np.array([10.0, 200.0, 300.0]) * DEG, np.array([80.0, 60.0, 30.0]) * DEG)
    azimuth, altitude = azalt_from_enu(moment.observed(moment.cirs(stars)))
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        frame = AltAz(
            obstime=Time(UTC_S, format="unix"),
            location=EarthLocation(11.0 * u.deg, 48.0 * u.deg, 500.0 * u.m),
            pressure=950.0 * u.hPa,
            temperature=5.0 * u.deg_C,
            relative_humidity=0.3,
            obswl=0.55 * u.um,
        )
        place = SkyCoord([10.0, 200.0, 300.0] * u.deg, [80.0, 60.0, 30.0] * u.deg)
        other = place.transform_to(frame)

    assert np.abs(altitude - other.alt.rad).max() < 0.6 * ARCSEC
    assert np.abs((azimuth - other.az.rad) * np.cos(altitude)).max() < 0.6 * ARCSEC


def test_catalogue_direction_comes_back() -> None:
    """Observed to ICRS undoes ICRS to observed."""
    moment = SkyModel(Site(-33.0, 18.0), Atmosphere.standard(0.0)).moment(UTC_S)
    enu = np.array([0.3, 0.4, np.sqrt(0.75)])
    again = moment.observed(moment.cirs(moment.icrs(enu)[None]))[0]

    assert separation(enu, again) < 1e-3 * ARCSEC


def test_the_sky_turns_at_the_sidereal_rate() -> None:
    """A later moment and the same moment turned on agree: precession in 10 s is nothing."""
    sky = SkyModel(Site(48.0, 11.0), Atmosphere.none())
    stars = unit_vector(np.array([0.0, 2.0, 4.0]), np.array([1.2, 0.3, -0.2]))
    first, later = sky.moment(UTC_S), sky.moment(UTC_S + 10.0)
    turned = first.observed(first.cirs(stars), 10.0)

    assert separation(turned, later.observed(later.cirs(stars))).max() < 1e-3 * ARCSEC


def test_proper_motion_moves_a_star_as_barnards_moves() -> None:
    """Barnard's star, ICRS epoch 2000 and motion (-801.6, 10362.4 mas per year; Gaia DR3, from
    memory), goes where spherical trigonometry on right ascension and declination takes it."""
    ra, dec, years = 269.4521 * DEG, 4.6934 * DEG, 26.0
    moved = move(unit_vector(ra, dec)[None], np.array([[-801.6, 10362.4]]), years)
    mas = 1e-3 * ARCSEC * years
    expected = unit_vector(ra - 801.6 * mas / np.cos(dec), dec + 10362.4 * mas)

    assert separation(moved[0], expected) < 0.001 * ARCSEC * years
    assert separation(moved[0], unit_vector(ra, dec)) == pytest.approx(
        np.hypot(801.6, 10362.4) * mas, rel=1e-6
    )


def test_catalogue_stars_move_between_epochs() -> None:
    """Stars stand still at the catalogue's epoch and drift evenly away from it, some 14 mas per
    year at G = 9 to 10, the same way each time they are asked for."""
    centre, radius = unit_vector(1.0, 0.5), 3.0 * DEG
    start, early, late = (catalogue_stars(centre, radius, y) for y in (2016.0, 2026.0, 2036.0))
    again = catalogue_stars(centre, radius, 2026.0)
    one, two = separation(start.icrs, early.icrs), separation(start.icrs, late.icrs)

    assert np.array_equal(early.icrs, again.icrs)
    assert two == pytest.approx(2.0 * one, rel=1e-3, abs=1e-12)
    assert 0.03 * ARCSEC < np.median(one) < 0.5 * ARCSEC
    assert one.max() > 0.5 * ARCSEC


def test_colours_are_the_catalogues_where_it_has_them() -> None:
    """61 Cygni A and B are orange dwarfs: BP - RP 1.46 and 1.72 (Gaia DR3, as in the file)."""
    stars = catalogue_stars(unit_vector(316.75 * DEG, 38.76 * DEG), 0.02 * DEG, 2016.0)

    if catalogue().bp_rp is None:
        pytest.skip("the installed catalogue has no colours")
    assert np.sort(stars.colour) == pytest.approx([1.46 - 0.8, 1.72 - 0.8], abs=0.01)


def test_bright_fill_ins_are_drawn() -> None:
    """Stars too bright for Gaia are on the sky, Sirius among them."""
    stars = catalogue_stars(unit_vector(101.287 * DEG, -16.716 * DEG), 0.1 * DEG, 2026.0)

    assert stars.mag.min() < -1.0
    assert stars.ids[stars.mag.argmin()] < 0


def test_a_cone_holds_what_a_search_through_everything_finds() -> None:
    """At the pole, across 0 h, and elsewhere, the quick cut loses nothing."""
    everything = catalogue()
    for ra, dec in ((0.0, 89.9), (0.05, 10.0), (200.0, -89.5), (123.0, -40.0)):
        centre = unit_vector(ra * DEG, dec * DEG)
        expected = np.sort(everything.ids[everything.icrs @ centre >= np.cos(2.0 * DEG)])
        found = np.sort(catalogue_stars(centre, 2.0 * DEG, 2016.0).ids)

        assert expected.size > 10
        assert np.array_equal(found, expected)


@pytest.mark.parametrize(("ra", "dec"), [(0.0, 89.5), (0.3, 12.0), (120.0, -89.0), (266.0, -29.0)])
def test_the_same_patch_always_shows_the_same_invented_stars(ra: float, dec: float) -> None:
    """Two pointings that overlap see identical stars where they overlap."""
    here, there = unit_vector(ra * DEG, dec * DEG), unit_vector((ra + 0.7) * DEG, (dec - 0.8) * DEG)
    first, second = (invented_stars(c, 2.0 * DEG, 12.0, 5) for c in (here, there))
    in_second = first.icrs @ there >= np.cos(2.0 * DEG)
    in_first = second.icrs @ here >= np.cos(2.0 * DEG)

    assert in_second.sum() > 50
    assert np.array_equal(np.sort(first.ids[in_second]), np.sort(second.ids[in_first]))
    assert np.unique(first.ids).size == first.ids.size


def test_a_fainter_limit_only_adds_stars_and_another_seed_changes_all() -> None:
    """Deeper frames of a patch keep the stars of the shallower ones."""
    centre = unit_vector(1.0, 0.5)
    shallow, deep = (invented_stars(centre, 2.0 * DEG, m, 5) for m in (11.0, 12.3))
    other = invented_stars(centre, 2.0 * DEG, 11.0, 6)

    assert set(shallow.ids) < set(deep.ids)
    assert deep.mag.max() <= 12.3
    assert shallow.mag.min() >= 10.0
    assert not np.isin(other.icrs[:, 0], shallow.icrs[:, 0]).any()


def test_star_counts_grow_as_the_law_says() -> None:
    """Over a large patch the invented stars continue the catalogue's counts: 10 to the 0.417
    (the slope 0.4255 - 0.0085) times as many to magnitude 11 as to 10, within 5 per cent."""
    centre = unit_vector(3.0, 0.3)
    radius = 14.0 * DEG
    bright = catalogue_stars(centre, radius, 2016.0)
    faint = invented_stars(centre, radius, 11.0, 1)
    expected = (10.0 ** (0.4255 - 0.0085) - 1.0) * len(bright)

    assert len(bright) > 2500
    assert len(faint) == pytest.approx(expected, rel=0.05)


def test_faint_stars_can_be_switched_off_and_the_limit_cuts_the_catalogue() -> None:
    """`faint_stars` off leaves catalogue stars only; `faintest_mag` cuts those too."""
    site, air, centre = Site(48.0, 11.0), Atmosphere.none(), unit_vector(1.0, 0.5)
    real = SkyModel(site, air, SkySpec(faintest_mag=12.0, faint_stars=False))
    bright = SkyModel(site, air, SkySpec(faintest_mag=8.0))

    assert real.stars(centre, 2.0 * DEG, 2026.0).ids.min() > -(10**15)
    assert real.stars(centre, 2.0 * DEG, 2026.0).mag.max() > 9.5
    assert bright.stars(centre, 2.0 * DEG, 2026.0).mag.max() <= 8.0


def test_colours_belong_to_stars() -> None:
    """A star keeps its colour in any company; colours scatter by about 0.4 mag."""
    ids = np.arange(10_000, dtype=np.int64) * 7919 - 10**16
    colours = star_colours(ids, 1)

    assert np.array_equal(star_colours(ids[50:60], 1), colours[50:60])
    assert abs(colours.mean()) < 0.02
    assert colours.std() == pytest.approx(0.4, abs=0.03)


def test_air_mass_at_published_altitudes() -> None:
    """Kasten and Young 1989, table II (from memory): 1 at the zenith, 5.5841 at 10 deg, 37.92
    at the horizon."""
    mass = relative_air_mass(np.array([90.0, 10.0, 0.0]) * DEG)

    assert mass == pytest.approx([1.0, 5.584, 37.92], rel=1e-3)


def test_the_earths_turn_agrees_with_astropys_reading_of_the_table() -> None:
    """UT1 - UTC as astropy interpolates it, before and after leap seconds and into the
    predictions, within a millisecond (0.015 arcsec of turn)."""
    import astropy_iers_data
    from astropy.utils import iers

    table = iers.IERS_A.open(astropy_iers_data.IERS_A_FILE)
    for utc_s in (8.0e8, 1.2305e9, 1.48322e9, 1.7e9, UTC_S):
        known = table.ut1_utc(2440587.5 + utc_s // 86400.0, utc_s % 86400.0 / 86400.0)

        assert ut1_minus_utc(utc_s) == pytest.approx(known.to_value("s"), abs=1e-3)


def test_dates_beyond_the_table_still_render() -> None:
    """Far beyond the bundled table UT1 - UTC stays small and nothing fails."""
    assert abs(ut1_minus_utc(3.0e9)) < 0.9
    assert SkyModel(Site(48.0, 11.0), Atmosphere.none()).moment(3.0e9).julian_year > 2064.0
