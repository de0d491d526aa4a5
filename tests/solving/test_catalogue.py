"""Catalogues: format, cones, proper motion, layers."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from polewright.angles import ARCSEC, DEG, separation, unit_vector
from polewright.errors import ConfigError
from polewright.solving.catalogue import (
    Catalogue,
    Layered,
    are_proper_motions,
    bundled_catalogue,
    write_gaia_format,
)


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
    assert np.all(separation(found.vectors, middle) <= radius_deg * DEG + 1e-9)


def test_sirius_and_its_neighbours_stand_where_they_should() -> None:
    """Sirius, J2000 RA 6h 45m 08.92s, Dec -16 42 58.0 (SIMBAD, from memory), epoch 1991.25 in the
    catalogue, is listed but not to be fitted."""
    sirius = unit_vector((6 + 45 / 60 + 8.92 / 3600) * 15 * DEG, -(16 + 42 / 60 + 58 / 3600) * DEG)
    brightest = bundled_catalogue().cone(sirius, 0.1 * DEG, 2026.0).take(slice(0, 1))

    assert separation(brightest.vectors[0], sirius) < 30.0 * ARCSEC
    assert brightest.magnitude[0] < 0.0
    assert not brightest.fit[0]


def test_columns_that_cannot_be_proper_motions_are_not_used() -> None:
    """The bundled file of version 0.1.2 holds magnitudes where motions should be."""
    rng = np.random.default_rng(0)

    assert bundled_catalogue().motion is None
    assert are_proper_motions(rng.normal(-2, 20, 1000), rng.normal(-5, 20, 1000))
    assert not are_proper_motions(rng.uniform(5, 11, 1000), rng.normal(0, 20, 1000))


def test_proper_motion_is_applied_to_the_epoch() -> None:
    """A star at declination 60 moving 1 arcsec a year east has moved 10.5 arcsec by 2026.5."""
    catalogue = Catalogue.from_columns(
        "one",
        np.array([1.0]),
        np.array([60.0 * DEG]),
        np.array([5.0], dtype=np.float32),
        pm_ra=np.array([1.0 * ARCSEC]),
        pm_dec=np.array([0.0]),
    )
    start = unit_vector(1.0, 60.0 * DEG)
    moved = catalogue.cone(start, 1.0 * DEG, 2026.5).vectors[0]
    east = np.array([-math.sin(1.0), math.cos(1.0), 0.0])

    assert moved @ east == pytest.approx(10.5 * ARCSEC, rel=1e-6)
    assert np.linalg.norm(moved) == pytest.approx(1.0)


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    stars = bundled_catalogue().cone(unit_vector(2.0, 0.3), 3.0 * DEG, 2026.0)
    path = tmp_path / "stars.bin"
    write_gaia_format(path, stars)
    back = Catalogue.read(path, "back").cone(unit_vector(2.0, 0.3), 3.1 * DEG, 2026.0)

    assert len(back) == len(stars)
    assert np.max(separation(back.vectors, stars.vectors)) < 1e-9
    assert np.array_equal(back.ids, stars.ids)


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
        ra + rng.normal(0, 0.3 * ARCSEC, ra.size),
        dec,
        np.full(ra.size, 11.0, dtype=np.float32),
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
