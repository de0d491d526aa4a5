"""Catalogues: format, cones, proper motion, layers."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from polewright.foundation.angles import ARCSEC, DEG, separation, unit_vector
from polewright.foundation.errors import ConfigError
from polewright.solving.catalogue.catalogue import (
    Catalogue,
    Layered,
    StarColumns,
    are_proper_motions,
    bundled_catalogue,
)
from polewright_sim.sky.stars import catalogue as rig_stars
from polewright_sim.sky.stars import move


@pytest.mark.parametrize(
    "centre", [(0.0, 90.0), (0.0, -90.0), (0.01, 0.0), (200.0, 45.0), (83.0, -89.5)]
)
@pytest.mark.parametrize("radius_deg", [0.5, 12.0])
def test_a_cone_holds_exactly_the_stars_within_its_radius(
    centre: tuple[float, float], radius_deg: float
) -> None:
    """Against a plain search through all stars."""
    catalogue = bundled_catalogue()
    middle = unit_vector(centre[0] * DEG, centre[1] * DEG)
    found = catalogue.cone(middle, radius_deg * DEG, 2026.0)
    expected = np.count_nonzero(catalogue.vectors @ middle >= math.cos(radius_deg * DEG))

    assert len(found) == expected > 0
    assert np.all(np.diff(found.magnitude) >= 0.0)
    # chosen where they stood in 2016: the fastest (10.4 arcsec a year) has gone 104 since
    assert np.all(separation(found.vectors, middle) <= radius_deg * DEG + 110.0 * ARCSEC)


def test_sirius_and_its_neighbours_stand_where_they_should() -> None:
    """Sirius, J2000 RA 6h 45m 08.917s, Dec -16 42 58.02, moving -546.0 and -1223.1 mas a year
    (SIMBAD, from memory), is listed where it has moved to, but not to be fitted."""
    years = 26.0
    ra = (6 + 45 / 60 + 8.917 / 3600) * 15 * DEG
    dec = -(16 + 42 / 60 + 58.02 / 3600) * DEG
    dec += -1.2231 * years * ARCSEC
    ra += -0.5460 * years * ARCSEC / math.cos(dec)
    sirius = unit_vector(ra, dec)
    brightest = bundled_catalogue().cone(sirius, 0.1 * DEG, 2026.0).take(slice(0, 1))

    assert separation(brightest.vectors[0], sirius) < 1.0 * ARCSEC
    assert brightest.magnitude[0] < 0.0
    assert not brightest.fit[0]


def test_columns_that_cannot_be_proper_motions_are_not_used() -> None:
    """The bundled file of version 0.1.2 holds magnitudes where motions should be: those would
    move every star east, by 100 mas in ten years."""
    rng = np.random.default_rng(0)
    motion = bundled_catalogue().motion

    assert motion is not None
    assert 0.2 < np.count_nonzero(np.any(motion, axis=1)) / len(motion) < 0.25
    ra, dec = (rng.normal(mean, 20, 1000).astype(np.float32) for mean in (-2, -5))
    colour = rng.uniform(5, 11, 1000).astype(np.float32)

    assert are_proper_motions(ra, dec)
    assert not are_proper_motions(colour, ra)


def test_proper_motion_is_applied_to_the_epoch() -> None:
    """A star at declination 60 moving 1 arcsec a year east has moved 10.5 arcsec by 2026.5."""
    catalogue = Catalogue.from_columns(
        "one",
        StarColumns(
            np.array([1.0]),
            np.array([60.0 * DEG]),
            np.array([5.0], dtype=np.float32),
            pm_ra=np.array([1.0 * ARCSEC]),
            pm_dec=np.array([0.0]),
        ),
    )
    start = unit_vector(1.0, 60.0 * DEG)
    moved = catalogue.cone(start, 1.0 * DEG, 2026.5).vectors[0]
    east = np.array([-math.sin(1.0), math.cos(1.0), 0.0])

    assert moved @ east == pytest.approx(10.5 * ARCSEC, rel=1e-6)
    assert np.linalg.norm(moved) == pytest.approx(1.0)


def test_a_file_in_the_known_format_is_read(tmp_path: Path) -> None:
    """Header, then records of id, right ascension, declination (degrees), magnitude and two more,
    little-endian; stars that nobody knows stay where they are."""
    ra_deg, dec_deg = np.array([10.0, 10.5, 11.0]), np.array([-5.0, -5.2, -4.9])
    rows = [
        struct.pack("<qddfff", number, *place, 7.0 + number, 0.0, 0.0)
        for number, place in enumerate(zip(ra_deg, dec_deg, strict=True), start=1)
    ]
    path = tmp_path / "stars.bin"
    path.write_bytes(struct.pack("<4sIQ", b"GDR3", 1, 3) + b"".join(rows))
    back = Catalogue.read(path, "back").cone(unit_vector(0.18, -0.09), 3.1 * DEG, 2026.0)

    assert np.array_equal(back.ids, [1, 2, 3])
    places = unit_vector(ra_deg * DEG, dec_deg * DEG)
    assert np.max(separation(back.vectors, places)) < 1e-9
    assert (back.drift > 0.0).all()


#: Proper motions of Gaia DR3 (Gaia Collaboration 2023), mas a year, RA with cos dec, from memory;
#: right ascension and declination (degrees) of 2016.0 rounded.
FAST = {
    "61 Cygni A": (316.748, 38.764, 4164.2, 3249.6),
    "Groombridge 1830": (178.262, 37.694, 4002.7, -5817.8),
    "Lacaille 9352": (346.503, -35.847, 6765.9, 1330.3),
}


@pytest.mark.parametrize("name", FAST)
def test_fast_stars_have_moved(name: str) -> None:
    """What Gaia tells, to 25 mas a year: the table is of Hipparcos, 25 years before, and 61 Cygni
    is a pair that turns."""
    ra_deg, dec_deg, pm_ra, pm_dec = FAST[name]
    ra, dec = ra_deg * DEG, dec_deg * DEG
    then, now = (
        bundled_catalogue().cone(unit_vector(ra, dec), 200.0 * ARCSEC, year, faintest=8.0)
        for year in (2016.0, 2026.0)
    )
    went = (now.vectors[0] - then.vectors[0]) / (10.0 * 1e-3 * ARCSEC)
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    north = np.array([-math.sin(dec) * math.cos(ra), -math.sin(dec) * math.sin(ra), math.cos(dec)])

    assert [went @ east, went @ north] == pytest.approx([pm_ra, pm_dec], abs=25.0)
    assert now.drift[0] == 0.0


def test_bright_stars_stand_where_the_rig_sees_them() -> None:
    """The rig takes the way from Hipparcos to Gaia, the catalogue the motion Hipparcos told: of
    those to magnitude 6 that either knows, half agree to 0.02 arcsec and all but one in a hundred
    to 0.2, ten years on. Left where they stood in 2016, half are 0.4 arcsec off."""
    rig = rig_stars()
    bright = (rig.mag < 6.0) & np.isfinite(rig.motion_mas[:, 0])
    seen = move(rig.icrs[bright], rig.motion_mas[bright], 10.9)
    ours = bundled_catalogue().cone(unit_vector(0.0, 0.5 * math.pi), math.pi, 2026.9, faintest=6.5)
    away, _ = cKDTree(ours.vectors).query(seen)

    assert np.count_nonzero(bright) > 6000
    assert np.median(away) < 0.02 * ARCSEC
    assert np.percentile(away, 99.0) < 0.2 * ARCSEC


def test_a_deeper_layer_adds_only_new_stars() -> None:
    """Stars within 3 arcsec of one already known are the same star."""
    bundled = bundled_catalogue()
    centre = unit_vector(2.0, 0.3)
    known = bundled.cone(centre, 1.0 * DEG, 2026.0)
    rng = np.random.default_rng(0)
    ra = np.concatenate([np.arctan2(known.vectors[:, 1], known.vectors[:, 0]), [2.0, 2.001]])
    dec = np.concatenate([np.arcsin(known.vectors[:, 2]), [0.3, 0.3005]])
    deeper = Catalogue.from_columns(
        "deep",
        StarColumns(
            ra + rng.normal(0, 0.3 * ARCSEC, ra.size),
            dec,
            np.full(ra.size, 11.0, dtype=np.float32),
        ),
    )
    both = Layered((bundled, deeper)).cone(centre, 1.0 * DEG, 2026.0)

    assert len(both) == len(known) + 2
    assert Layered((bundled, deeper)).limit == pytest.approx(11.0)


@pytest.mark.parametrize("content", [b"", b"GDR3", b"nonsense" * 10])
def test_files_of_another_kind_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "stars.bin"
    path.write_bytes(content)

    with pytest.raises(ConfigError, match=r"stars\.bin"):
        Catalogue.read(path, "x")
    with pytest.raises(ConfigError, match="cannot be read"):
        Catalogue.read(tmp_path / "missing.bin", "x")
