"""Add-on catalogues: built from files of every kind, checked, read by cone, used where needed."""

from __future__ import annotations

import gzip
import hashlib
import json
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree
from solving.synthetic import EPOCH, hint_for, observe
from support.printed import printed
from typer.testing import CliRunner

from polewright.foundation.angles import ARCSEC, DEG, separation, unit_vector
from polewright.interfaces.cli.app import build_app
from polewright.solving.catalogue.addon import AddOn
from polewright.solving.catalogue.addon_build import build, duplicated, files_of
from polewright.solving.catalogue.addon_index import read_index
from polewright.solving.catalogue.addon_place import (
    VARIABLE,
    file_of,
    installed,
    open_addons,
    remove,
)
from polewright.solving.catalogue.addon_read import read_stars
from polewright.solving.catalogue.addon_table import ReadOptions
from polewright.solving.catalogue.catalogue import StarColumns, bundled_catalogue
from polewright.solving.catalogue.density import SkyDensity, bundled_density, narrowest_width_deg
from polewright.solving.embedded import solver as embedded
from polewright.solving.embedded.depth_selection import DeepSolver
from polewright.solving.errors import CatalogueRefused, CatalogueUnusable

CENTRE = unit_vector(80.0 * DEG, 40.0 * DEG)
INDEX = Path("/usr/share/astrometry/index-tycho2-12.littleendian.fits")
MAS = ARCSEC / 1000.0


@dataclass(frozen=True)
class Sky:
    """Invented deep stars about `CENTRE` and the real bright ones, epoch 2016, deg and mas/yr."""

    ra: np.ndarray
    dec: np.ndarray
    mag: np.ndarray
    pm_ra: np.ndarray
    pm_dec: np.ndarray


@pytest.fixture(scope="module")
def sky() -> Sky:
    """70 invented stars of magnitude 10 to 13 per square degree, about 3 degrees around."""
    rng = np.random.default_rng(4)
    bright = bundled_catalogue().cone(CENTRE, 3.0 * DEG, 2016.0)
    apart = cKDTree(bright.vectors).query(bright.vectors, 2)[0][:, 1]
    bright = bright.take(bright.fit & (apart > 5.0 * ARCSEC))
    faint = CENTRE + rng.uniform(-3.0 * DEG, 3.0 * DEG, (2600, 3))
    faint /= np.linalg.norm(faint, axis=1, keepdims=True)
    faint = faint[cKDTree(faint).query(faint, 2)[0][:, 1] > 5.0 * ARCSEC]
    vectors = np.concatenate([bright.vectors, faint])
    mag = np.concatenate([bright.magnitude.astype(float), rng.uniform(10.0, 13.0, len(faint))])
    motions = rng.normal(0.0, 12.0, (2, len(mag)))
    ra = np.arctan2(vectors[:, 1], vectors[:, 0]) / DEG % 360.0
    return Sky(ra, np.arcsin(vectors[:, 2]) / DEG, mag, *motions)


def write_csv(path: Path, sky: Sky, names: str = "ra,dec,mag,pmra,pmdec", epoch: float = 2016.0):
    table = np.column_stack([sky.ra, sky.dec, sky.mag, sky.pm_ra, sky.pm_dec])
    lines = [f"{names},ref_epoch"]
    lines += [",".join(f"{value:.9f}" for value in row) + f",{epoch}" for row in table]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_fits(path: Path, sky: Sky) -> Path:
    from astropy.table import Table

    table = Table(
        {"RAJ2000": sky.ra * DEG, "DEJ2000": sky.dec, "VTmag": sky.mag,
         "pmRA": sky.pm_ra / 1000.0, "pmDE": sky.pm_dec / 1000.0},
        units={"RAJ2000": "rad", "DEJ2000": "deg", "pmRA": "arcsec / yr",
               "pmDE": "arcsec / yr"},
    )  # fmt: skip
    table.write(path)
    return path


def write_parquet(path: Path, sky: Sky) -> Path:
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    columns = {"ra": sky.ra, "dec": sky.dec, "phot_g_mean_mag": sky.mag.astype(np.float32),
               "pmra": sky.pm_ra, "pmdec": sky.pm_dec}  # fmt: skip
    parquet.write_table(pyarrow.table(columns), path)
    return path


def made(tmp_path: Path, source: Path, **options: Any) -> AddOn:
    target = tmp_path / "made.stars"
    build([source], target, "made", ReadOptions(**options), utc_s=1.8e9)
    return AddOn(target)


@pytest.mark.parametrize(
    ("write", "name"),
    [(write_csv, "a.csv"), (write_fits, "a.fits"), (write_parquet, "a.parquet")],
)
def test_stars_come_back_from_every_kind_of_file(
    tmp_path: Path, sky: Sky, write: Callable[[Path, Sky], Path], name: str
) -> None:
    """A cone holds the very stars of the file within it, moved to the year asked for."""
    addon = made(tmp_path, write(tmp_path / name, sky), epoch_year=2016.0)
    found = addon.cone(CENTRE, 1.2 * DEG, 2026.0)

    here = unit_vector(sky.ra * DEG, sky.dec * DEG)
    expected = np.flatnonzero(here @ CENTRE >= math.cos(1.2 * DEG))
    assert len(found) == len(expected) > 200
    assert np.all(np.diff(found.magnitude) >= 0.0)
    years = 10.0 * MAS
    moved = unit_vector(
        sky.ra * DEG + years * sky.pm_ra / np.cos(sky.dec * DEG), sky.dec * DEG + years * sky.pm_dec
    )[expected]
    order = np.argsort(sky.mag[expected], kind="stable")
    nearest = np.array([np.min(separation(moved[order], v)) for v in found.vectors])
    assert np.max(nearest) < 12.0 * MAS  # motions are kept to half a milliarcsecond a year
    assert found.magnitude == pytest.approx(sky.mag[expected][order], abs=6e-4)
    assert addon.header.moving
    assert addon.header.agreeing is not None
    assert addon.header.agreeing > 0.99
    addon.verify()


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "radius_deg"),
    [
        (0.05, 10.0, 1.0),
        (359.9, -60.0, 3.0),
        (200.0, 89.7, 2.0),
        (10.0, -90.0, 5.0),
        (5.0, 0.0, 100),
    ],
)
def test_a_cone_is_whole_over_poles_and_the_zero_of_right_ascension(
    whole_sky: AddOn, ra_deg: float, dec_deg: float, radius_deg: float
) -> None:
    """Against a plain search through all stars; a magnitude limit cuts and nothing else."""
    centre = unit_vector(ra_deg * DEG, dec_deg * DEG)
    every = whole_sky.cone(centre, math.pi, 2016.0)
    found = whole_sky.cone(centre, radius_deg * DEG, 2016.0)
    bright = whole_sky.cone(centre, radius_deg * DEG, 2016.0, faintest=9.0)

    within = every.vectors @ centre >= math.cos(radius_deg * DEG)
    assert len(every) == len(whole_sky)
    assert sorted(found.ids) == sorted(every.ids[within])
    assert len(bright) == np.count_nonzero(within & (every.magnitude <= 9.0))


@pytest.fixture(scope="module")
def whole_sky(tmp_path_factory: pytest.TempPathFactory) -> AddOn:
    """Every thirtieth bundled star, which are real, as an add-on."""
    folder = tmp_path_factory.mktemp("whole")
    stars = bundled_catalogue()
    rows = slice(None, None, 30)
    vectors = stars.vectors[rows]
    sky = Sky(
        np.arctan2(vectors[:, 1], vectors[:, 0]) / DEG % 360.0,
        np.arcsin(vectors[:, 2]) / DEG,
        stars.magnitude[rows].astype(float),
        np.zeros(len(vectors)),
        np.zeros(len(vectors)),
    )
    return made(folder, write_csv(folder / "s.csv", sky))


GOOD = "ra,dec,mag\n" + "".join(f"{10 + k / 100},{20 + k / 100},8.5\n" for k in range(120))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD.replace("10.05,20.05", "10.05,97.2"), ("declination", "row 6", "97.2 deg")),
        (
            GOOD.replace("10.05,20.05", "10.05,97.2").replace("10.07,20.07,8.5", "10.07,20.07,99"),
            ("'declination', row 6: 97.2 deg", "'magnitude', row 8: 99", "1 of 120"),
        ),
        (GOOD.replace("10.07,20.07,8.5", "10.07,20.07,99.9"), ("magnitude", "row 8", "99.9")),
        (GOOD.replace("10.03,", "0:40:07,"), ("'ra'", "row 4", "sexagesimal")),
        (GOOD.replace("10.02,20.02,8.5", "10.02,20.02"), ("row 3", "2 values where 3")),
        (
            GOOD.replace("10.02,20.02,8.5", "10.02,20.02").replace("10.9,", "x,"),
            ("row 3", "2 values where 3", "2 of 120 rows are bad; the others: 91"),
        ),
        (
            GOOD.replace("10.", "x"),
            ("row 1", "100 of 120 rows are bad", "2, 3, 4, 5, 6, 7, 8, 9, ..."),
        ),
        (GOOD.replace("ra,dec,mag", "here,there,mag"), ("right ascension", "here, there")),
        (GOOD.removeprefix("ra,dec,mag\n"), ("numbers where the columns' names belong",)),
        ("ra,dec,mag\n", ("no rows",)),
        ("foo,bar\n1,2\n", ("does not name three columns", "'foo,bar'")),
        (GOOD, ("bundled catalogue has one",)),
        ("ra,dec,mag\n" + "".join(f"{k / 10},{k - 60},8\n" for k in range(120)), ("hours?",)),
        (GOOD.replace(",8.5", ","), ("no position or no magnitude", "row 1")),
        ("\n".join(GOOD.splitlines()[:60]), ("100 are needed",)),
    ],
)
def test_nonsense_is_refused_with_its_place(
    tmp_path: Path, text: str, told: tuple[str, ...]
) -> None:
    """The message names the file, and where it applies the column and the row; nothing is left."""
    source = tmp_path / "bad.csv"
    source.write_text(text)
    with pytest.raises(CatalogueRefused) as caught:
        made(tmp_path, source)

    for words in (str(source), *told):
        assert words in str(caught.value)
    assert caught.value.advice
    assert sorted(tmp_path.iterdir()) == [source]


def test_files_that_are_no_tables_are_refused(tmp_path: Path, sky: Sky) -> None:
    for name, content in (
        ("a.fits", b"SIMPLE  = nothing"), ("a.parquet", b"PAR1"), ("a.csv", b"\xff\xfe\x00"),
        ("a.csv.gz", gzip.compress(b"ra,dec")[:12]),
    ):  # fmt: skip
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(CatalogueRefused, match=name):
            made(tmp_path, path)
    for name in ("b.csv.gz", "b.fits.gz", "index-b.fits.gz"):
        plain = GOOD.encode() if "csv" in name else b"SIMPLE  =".ljust(80) + b"x" * 2800
        packed = bytearray(gzip.compress(plain * 20))
        for place in (12, len(packed) // 2):
            spoilt = packed[:place] + b"\xff" * 9 + packed[place + 9 :]
            path = tmp_path / name
            path.write_bytes(spoilt)
            with pytest.raises(CatalogueRefused, match=name):
                made(tmp_path, path)
    path = write_fits(tmp_path / "c.fits", sky)
    path.write_bytes(path.read_bytes().replace(b"TFORM1  = '", b"TFORM1  = @", 1))
    with pytest.raises(CatalogueRefused, match=r"c\.fits"):
        made(tmp_path, path)
    with pytest.raises(CatalogueRefused, match="no such file"):
        made(tmp_path, tmp_path / "none.csv")
    with pytest.raises(CatalogueRefused, match="no file matches"):
        files_of([str(tmp_path / "index-*.fits")])


def test_hours_are_taken_where_they_are_told_and_never_for_declinations(
    tmp_path: Path, sky: Sky
) -> None:
    """A column named `ra_hours` needs no option; all of its values are below 24, as they must."""
    hours = Sky(sky.ra / 15.0, sky.dec, sky.mag, sky.pm_ra, sky.pm_dec)
    source = write_csv(tmp_path / "h.csv", hours, "ra_hours,dec,mag,pmra,pmdec")
    assert len(made(tmp_path, source).cone(CENTRE, 5.0 * DEG, 2016.0)) > 2000
    wide = tmp_path / "w.csv"
    wide.write_text("ra_hours,dec,mag\n" + "".join(f"{k / 5},{k - 60},8\n" for k in range(120)))
    assert read_stars(wide, ReadOptions()).stars.ra[60] == pytest.approx(math.pi)
    with pytest.raises(CatalogueRefused, match="not told in hours"):
        read_stars(wide, ReadOptions(dec_unit="hour"))


def test_a_star_in_two_tiles_is_kept_once() -> None:
    ra = np.array([1.0, 1.0 + 0.3 * ARCSEC, 1.0 + 20.0 * ARCSEC, 1.0])
    stars = StarColumns(ra, np.zeros(4), np.array([9.0, 9.2, 9.0, 12.0], np.float32), None, None)

    assert duplicated(stars).tolist() == [False, True, False, False]


def test_a_damaged_catalogue_is_told(tmp_path: Path, sky: Sky) -> None:
    addon = made(tmp_path, write_csv(tmp_path / "s.csv", sky))
    blob = bytearray(addon.path.read_bytes())
    short, flipped, other = (tmp_path / f"{n}.stars" for n in ("short", "flipped", "other"))
    short.write_bytes(blob[: len(blob) // 2])
    blob[-9] ^= 1
    flipped.write_bytes(blob)
    other.write_bytes(b"something else altogether")

    for path in (short, other, tmp_path / "missing.stars"):
        with pytest.raises(CatalogueUnusable, match=path.name):
            AddOn(path)
    for _ in range(2):  # only what is sound is not looked at again
        with pytest.raises(CatalogueUnusable, match="checksum") as caught:
            AddOn(flipped)
        assert f"remove flipped --folder {tmp_path}" in caught.value.advice


def test_a_body_that_changes_after_it_was_read_is_told(
    tmp_path: Path, sky: Sky, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The checksum is computed once for an unchanged file, and again when the file has changed."""
    looked = []
    verify = AddOn.verify
    monkeypatch.setattr(AddOn, "verify", lambda self: looked.append(self.path) or verify(self))  # type: ignore[func-returns-value]
    path = made(tmp_path, write_csv(tmp_path / "s.csv", sky)).path
    AddOn(path)
    assert looked == [path]

    blob = bytearray(path.read_bytes())
    blob[-9] ^= 1
    path.unlink()  # not written through the map of the one that is open
    path.write_bytes(blob)
    os.utime(path, ns=(1, 1))
    with pytest.raises(CatalogueUnusable, match="checksum"):
        AddOn(path)


def reheaded(path: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """Write a catalogue with another header and the very body, whose checksum stays right."""
    blob = path.read_bytes()
    length = int.from_bytes(blob[8:12], "little")
    told = json.loads(blob[12 : 12 + length])
    change(told)
    head = json.dumps(told).encode()
    target.write_bytes(blob[:8] + len(head).to_bytes(4, "little") + head + blob[12 + length :])
    return target


def test_a_header_that_does_not_fit_its_columns_is_told(tmp_path: Path, sky: Sky) -> None:
    """Shorter, longer or shuffled columns and fields of another kind: one clear refusal each."""
    good = made(tmp_path, write_csv(tmp_path / "s.csv", sky)).path
    target = tmp_path / "odd.stars"
    AddOn(reheaded(good, target, lambda told: None))  # the way of changing it is no damage
    wrong: list[Any] = []
    for column in ("ra", "dec", "magnitude", "pm_ra", "pm_dec", "start", "counts", "extra"):
        for k, value in ((1, 7), (1, -1), (1, 10**12), (0, -64), (0, 10**40), (0, "x"), (1, None)):
            wrong.append(lambda told, c=column, k=k, v=value: told["columns"][c].__setitem__(k, v))
        wrong.append(lambda told, c=column: told["columns"].pop(c))
    spoilt: dict[str, tuple[object, ...]] = {
        "stars": (3, 1.5, "many", None, True), "epoch_year": ("2000", None, math.nan, 10**400),
        "brightest": ([],), "faintest": (math.inf, None), "covered": ({},), "compared": (None,),
        "extra_stars": ("1",), "agreeing": ("all",), "offset_arcsec": (math.nan,),
        "moving": (1, "no"), "name": (None, 5), "built_utc": (None,), "checksum": (None, "00"),
        "sources": (None,),
    }  # fmt: skip
    for field, values in spoilt.items():
        wrong += [lambda told, f=field, v=v: told["about"].__setitem__(f, v) for v in values]
    wrong += [lambda told: told.clear(), lambda told: told.update(layout=99, columns=[])]
    for change in wrong:
        with pytest.raises(CatalogueUnusable, match=r"odd\.stars") as caught:
            AddOn(reheaded(good, target, change))
        assert caught.value.advice

    blob = bytearray(good.read_bytes())  # an index that falls, with a checksum that is right
    body = 12 + int.from_bytes(blob[8:12], "little")
    offset, count = json.loads(blob[12:body])["columns"]["start"]
    start = np.frombuffer(blob, "<i8", count, body + offset)
    start[1000] = start[-1] + 1
    target.write_bytes(blob)
    digest = hashlib.sha256(blob[body:]).hexdigest()
    reheaded(target, target, lambda told: told["about"].update(checksum=digest))
    with pytest.raises(CatalogueUnusable, match="index does not fit"):
        AddOn(target)


def test_a_build_that_is_interrupted_leaves_nothing(
    tmp_path: Path, sky: Sky, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while the file is written: what was there before is there still, and nothing else."""
    source = write_csv(tmp_path / "s.csv", sky)
    before = made(tmp_path, source).path.read_bytes()

    def interrupted(_handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        made(tmp_path, source)
    assert sorted(item.name for item in tmp_path.iterdir()) == ["made.stars", "s.csv"]
    assert (tmp_path / "made.stars").read_bytes() == before


def test_catalogues_are_found_by_place_and_name(
    tmp_path: Path, sky: Sky, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The environment's folder, a folder, a file, a name, or none; and removal."""
    monkeypatch.setenv(VARIABLE, str(tmp_path / "kept"))
    assert open_addons(None) == ()
    source = write_csv(tmp_path / "s.csv", sky)
    build([source], file_of("deep"), "deep", ReadOptions(), utc_s=1.8e9)

    assert [item.header.name for item in open_addons(None)] == ["deep"]
    assert len(open_addons(str(tmp_path / "kept"))) == len(open_addons("deep")) == 1
    assert open_addons("none") == ()
    assert isinstance(embedded.create({}), DeepSolver)
    with pytest.raises(CatalogueUnusable, match="nosuch"):
        embedded.create({"catalogue": "nosuch"})
    with pytest.raises(CatalogueUnusable, match="letters, digits"):
        file_of("../deep")
    for name in ("none", "None", "deep.stars", "deep.STARS"):  # could not be chosen later
        with pytest.raises(CatalogueUnusable, match=r"no catalogue|taken for a file"):
            file_of(name)
    remove("deep")
    assert installed() == ()
    (tmp_path / "kept" / "none.stars").touch()
    assert remove("none").name == "none.stars"
    with pytest.raises(CatalogueUnusable, match="not there"):
        remove("deep")


def test_a_field_of_half_a_degree_is_solved_with_an_add_on_and_not_without(
    tmp_path: Path, sky: Sky
) -> None:
    """Pointing known to a degree; the bundled catalogue alone has too few stars there."""
    addon = made(tmp_path, write_csv(tmp_path / "s.csv", sky))
    solver = embedded.create({"catalogue": str(addon.path)})
    assert isinstance(solver, DeepSolver)
    rng = np.random.default_rng(3)
    stars, truth = observe(
        rng, 0.5, 80.0 * DEG, 40.0 * DEG, sky_limit=13.0, squeeze=2e-4, source=solver._layers
    )
    hint = hint_for(rng, truth, off_deg=1.0, scale_error=0.01)
    solution = solver.solve(stars, hint)
    again = solver.track(stars, solution.attitude_icrs, solution.parity, solution.scale)

    assert separation(solution.centre_icrs, truth.attitude[:, 2]) < 1.0 * truth.scale
    assert again.matched == solution.matched >= 6
    assert solver.depth(hint, stars.width, stars.height) > 12.0
    bundled = bundled_density().per_steradian(truth.attitude[:, 2][None, :])[0]
    assert bundled * truth.scale**2 * stars.width * stars.height < 4.0
    assert solver.star_density(truth.attitude[:, 2][None, :])[0] > 4.0 * bundled


def test_wide_fields_take_no_deeper_stars_than_they_need(tmp_path: Path, sky: Sky) -> None:
    addon = made(tmp_path, write_csv(tmp_path / "s.csv", sky))
    solver = embedded.create({"catalogue": str(addon.path)})
    assert isinstance(solver, DeepSolver)
    rng = np.random.default_rng(5)
    stars, truth = observe(rng, 5.4, 80.0 * DEG, 40.0 * DEG)
    hint = hint_for(rng, truth, off_deg=1.0)

    assert solver.depth(hint, stars.width, stars.height) == pytest.approx(10.0, abs=0.01)
    assert separation(solver.solve(stars, hint).centre_icrs, truth.attitude[:, 2]) < truth.scale


def test_density_is_that_of_the_stars_counted() -> None:
    """The bundled catalogue: all its stars, poor at the galactic pole, rich in the Milky Way."""
    density = bundled_density()
    pole, plane = unit_vector(192.86 * DEG, 27.13 * DEG), unit_vector(290.0 * DEG, 12.0 * DEG)
    poor, rich = density.per_steradian(np.stack([pole, plane]))
    counted = len(bundled_catalogue().cone(plane, 1.5 * DEG, EPOCH))

    assert int(density.counts[-1].sum()) == len(bundled_catalogue())
    assert rich > 1.5 * poor
    assert rich * 2.0 * math.pi * (1.0 - math.cos(1.5 * DEG)) == pytest.approx(counted, rel=0.35)
    assert density.covered == 1.0
    assert narrowest_width_deg(density.quantile(0.5)) == pytest.approx(1.33, abs=0.05)
    assert SkyDensity(0 * density.counts).depth_for(pole[None, :], 1.0) == math.inf


@pytest.mark.skipif(not INDEX.exists(), reason="Debian's astrometry-data-tycho2-10-19 is absent")
def test_an_index_of_debians_is_read(tmp_path: Path) -> None:
    """Its header announces 91470 stars; its bright ones are where the bundled catalogue has them,
    to the arcsecond that stars move in 16 years."""
    from astropy.io import fits

    with fits.open(INDEX) as file:
        announced = next(h.header["KDT_NDAT"] for h in file if "KDT_NDAT" in h.header
                         and h.header["KDT_NAME"].strip() == "stars")  # fmt: skip
    stars = read_index(INDEX)
    built = build([INDEX], tmp_path / "t.stars", "t", ReadOptions(), utc_s=1.8e9)

    assert len(stars) == announced
    assert built.header.epoch_year == 2000.0
    assert not built.header.moving
    assert built.header.agreeing is not None
    assert built.header.agreeing > 0.97
    assert built.header.offset_arcsec is not None
    assert 0.05 < built.header.offset_arcsec < 1.0
    with pytest.raises(CatalogueRefused, match="column 'nosuch'"):
        read_index(INDEX, "nosuch")


@pytest.mark.skipif(not INDEX.exists(), reason="Debian's astrometry-data-tycho2-10-19 is absent")
def test_a_packed_index_is_read_like_the_unpacked_one(tmp_path: Path) -> None:
    packed = tmp_path / "index.fits.gz"
    packed.write_bytes(gzip.compress(INDEX.read_bytes(), 1))
    found, expected = read_stars(packed, ReadOptions()).stars, read_index(INDEX)

    assert np.array_equal(found.ra, expected.ra)
    assert np.array_equal(found.dec, expected.dec)
    assert np.array_equal(found.magnitude, expected.magnitude)


def test_the_command_builds_shows_and_removes(tmp_path: Path, sky: Sky) -> None:
    """Every answer is one JSON document; a bad file ends with exit code 2 and its place."""
    source = write_csv(tmp_path / "s.csv", sky)
    bad = tmp_path / "bad.csv"
    bad.write_text(GOOD.replace("10.05,20.05", "10.05,97.2"))
    runner = CliRunner(env={**os.environ, VARIABLE: str(tmp_path / "kept")})

    def run(*words: str) -> tuple[int, dict[str, Any]]:
        result = runner.invoke(build_app(), ["catalogue", *words, "--json"])
        return result.exit_code, json.loads(result.stdout)

    assert run("show")[1]["catalogues"] == []
    code, built = run("build", str(source), "--name", "deep")
    printed("catalogue build", json.dumps(built))
    assert (code, built["ok"]) == (0, True)
    assert built["catalogue"]["stars"] == len(sky.ra)
    code, shown = run("show")
    assert [item["name"] for item in shown["catalogues"]] == ["deep"]
    assert shown["bundled"]["serves"]["median_width_deg"] == pytest.approx(1.33, abs=0.05)
    code, refused = run("build", str(bad))
    assert code == 2
    assert refused["error"]["code"] == "catalogue_refused"
    assert refused["error"]["fields"]["row"] == 6
    (tmp_path / "kept" / "alas.stars").write_bytes(b"cut short")
    code, shown = run("show")
    assert (code, [item["name"] for item in shown["catalogues"]]) == (0, ["deep"])
    assert [Path(item["path"]).name for item in shown["damaged"]] == ["alas.stars"]
    plainly = runner.invoke(build_app(), ["catalogue", "show"])
    assert (plainly.exit_code, "Damaged: the star catalogue" in plainly.stdout) == (0, True)
    code, missing = run("remove", "nothere")
    assert (code, missing["error"]["advice"]) == (2, "Give one of the names that are installed.")
    (tmp_path / "kept" / "empty.stars").touch()
    shown = printed("catalogue show", json.dumps(run("show")[1]))
    assert "it is empty" in [item["reason"] for item in shown["damaged"]]
    code, removed = run("remove", "empty")
    assert code == 0
    printed("catalogue remove", json.dumps(removed))
    code, kept = run("remove", bundled_catalogue().name)
    assert (code, "is the bundled one" in kept["error"]["message"]) == (2, True)
    assert run("remove", "alas")[0] == 0
    assert run("remove", "deep")[0] == 0
    empty = run("show")[1]
    assert (empty["catalogues"], empty["damaged"]) == ([], [])
    assert run("remove", "deep")[1]["error"]["advice"] == "There is nothing to remove."
