"""The command solver with small stand-in programs, and for real with solve-field."""

from __future__ import annotations

import os
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from solving.contract import SolverContract
from solving.rendered import attitude_errors_px, hint_for, render
from solving.synthetic import Truth
from support import solve_field

from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, SensorKind, StarList
from polewright.foundation.angles import DEG, separation
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, ConfigError
from polewright.solving.base import SolveHint
from polewright.solving.errors import (
    NoMatch,
    SolutionRejected,
    SolverFailed,
    SolverMissing,
    SolverTimedOut,
    TooFewStars,
)
from polewright.solving.external.command import DEBIAN_ASTROMETRY, CommandSolver, create
from polewright.solving.external.fits_io import write_image, write_stars
from polewright.solving.external.wcs import wcs_header

Scene = tuple[Frame, StarList, Truth, SolveHint]
Program = Callable[[str], str]


@pytest.fixture(scope="module")
def scene() -> Scene:
    frame, truth = render(80.0, 30.0, 20.0, 5.4, 1, zero_point=19)
    return frame, detect_stars(frame), truth, hint_for(truth)


@pytest.fixture
def program(tmp_path: Path) -> Program:
    """Returns the command for a Python program with the given body."""

    def make(body: str) -> str:
        path = tmp_path / "solver.py"
        path.write_text("import sys, os, time, shutil, pathlib\n" + textwrap.dedent(body))
        return f"{sys.executable} {path}"

    return make


def true_wcs(path: Path, truth: Truth, stars: StarList, **changes: object) -> Path:
    """A WCS file with the scene's true attitude, some cards changed."""
    header = wcs_header(
        Solution(
            solver="truth",
            attitude_icrs=truth.attitude,
            parity=truth.parity,
            scale=truth.scale,
            pixels=np.zeros((0, 2)),
            icrs=np.zeros((0, 3)),
            sigma_px=np.zeros(0),
            covariance=np.eye(3),
            rms_px=0.0,
            width=stars.width,
            height=stars.height,
            matched=0,
        )
    )
    for key, value in changes.items():
        header[key] = value
    fits.PrimaryHDU(header=header).writeto(path)
    return path


def test_every_place_is_filled(scene: Scene, program: Program, tmp_path: Path) -> None:
    """The program sees files that exist and hints in the units their names say."""
    _, stars, truth, hint = scene
    seen = tmp_path / "seen.txt"
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars)
    command = program(f"""
        pathlib.Path({str(seen)!r}).write_text("\\n".join(sys.argv[1:] + [os.getcwd()]))
        assert os.path.isfile(sys.argv[1]) and os.path.isfile(sys.argv[2])
        shutil.copy({str(wcs)!r}, sys.argv[3])
    """)
    places = (
        "{image} {stars} {wcs} {folder} {ra_deg} {dec_deg} {radius_deg} {scale_arcsec_per_px} "
        "{scale_low} {scale_high} {width} {height} {timeout_s} {ra_hours} {field_width_deg}"
    )
    solver = create({"command": f"{command} {places}"})
    solver.solve(stars, hint, frame=scene[0], timeout_s=30.4)
    got = seen.read_text().split("\n")
    arcsec = truth.scale * 1.02 / DEG * 3600

    assert got[3] == got[-1]
    assert [float(v) for v in got[4:7]] == pytest.approx([80.0, 29.0, 5.0], abs=1e-3)
    assert [float(v) for v in got[7:10]] == pytest.approx(
        [arcsec, 0.95 * arcsec, 1.05 * arcsec], rel=1e-5
    )
    assert got[10:13] == ["1560", "1040", "31"]
    assert float(got[13]) == pytest.approx(80.0 / 15.0)
    assert float(got[14]) == pytest.approx(5.4 * 1.02, rel=2e-3)
    assert not Path(got[3]).exists()


def test_catalogue_stars_refine_a_rough_wcs(scene: Scene, program: Program, tmp_path: Path) -> None:
    """A WCS that is a pixel off ends on the true attitude through the matched stars."""
    _, stars, truth, hint = scene
    off = true_wcs(tmp_path / "true.wcs", truth, stars, CRPIX1=(stars.width + 1) / 2 + 1.5)
    command = program(f"shutil.copy({str(off)!r}, sys.argv[1])")
    solver = create({"command": f"{command} {{wcs}}", "input": "stars"})
    solution = solver.solve(stars, hint)
    boresight, roll = attitude_errors_px(solution.attitude_icrs, truth)

    assert solution.matched > 150
    assert boresight < 0.02
    assert roll < 0.02


def test_a_bare_wcs_is_a_grid_with_a_stated_error(
    scene: Scene, program: Program, tmp_path: Path
) -> None:
    """Without catalogue and matches: the WCS's own attitude, half a pixel at the boresight."""
    _, stars, truth, hint = scene
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars)
    command = program(f"shutil.copy({str(wcs)!r}, sys.argv[1])")
    solver = create({"command": f"{command} {{wcs}}", "input": "stars", "use_catalogue": False})
    solution = solver.solve(stars, hint)
    arm = np.sqrt((1560**2 + 1040**2) / 12)

    assert solution.from_grid
    assert len(solution.pixels) == 81
    assert np.abs(solution.attitude_icrs - truth.attitude).max() < 1e-9
    assert np.sqrt(solution.covariance[0, 0]) == pytest.approx(0.5 * truth.scale, rel=1e-6)
    assert np.sqrt(solution.covariance[2, 2]) == pytest.approx(0.5 / arm, rel=1e-6)


def test_a_wcs_written_into_the_image_or_as_text_is_found(
    scene: Scene, program: Program, tmp_path: Path
) -> None:
    """Programs that update the FITS they were given, or leave a text header, serve too."""
    frame, stars, truth, hint = scene
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars)
    in_place = program(f"""
        from astropy.io import fits
        with fits.open(sys.argv[1], mode="update") as image:
            image[0].header.update(fits.getheader({str(wcs)!r}))
    """)
    first = create({"command": f"{in_place} {{image}}"}).solve(stars, hint, frame=frame)
    as_text = program(f"""
        from astropy.io import fits
        text = fits.getheader({str(wcs)!r}).tostring(sep="\\n", padding=False)
        pathlib.Path("out.wcs").write_text(text)
    """)
    second = create({"command": as_text, "input": "stars"}).solve(stars, hint)

    for solution in (first, second):
        assert separation(solution.centre_icrs, truth.attitude[:, 2]) < 0.1 * truth.scale


@pytest.mark.parametrize(
    ("changes", "error", "says"),
    [
        ({"CRVAL2": -40.0}, NoMatch, "answered with a place"),
        ({"CD1_1": 0.0, "CD1_2": 0.0}, SolutionRejected, "WCS"),
        ({"CD1_1": 0.01, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.01}, SolutionRejected, "scale"),
        ({"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN"}, SolutionRejected, "not RA, Dec"),
        ({"IMAGEW": 780}, SolutionRejected, "IMAGEW"),
    ],
    ids=["elsewhere", "singular", "scale", "galactic", "size"],
)
def test_an_answer_that_contradicts_the_hint_is_refused(
    scene: Scene,
    program: Program,
    tmp_path: Path,
    changes: dict[str, object],
    error: type[Exception],
    says: str,
) -> None:
    _, stars, truth, hint = scene
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars, **changes)
    command = program(f"shutil.copy({str(wcs)!r}, 'frame.wcs')")

    with pytest.raises(error, match=says):
        create({"command": command, "input": "stars"}).solve(stars, hint)


def test_a_mirrored_answer_is_refused_once_parity_is_known(
    scene: Scene, program: Program, tmp_path: Path
) -> None:
    _, stars, truth, hint = scene
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars)
    command = program(f"shutil.copy({str(wcs)!r}, 'frame.wcs')")

    with pytest.raises(SolutionRejected, match="mirrored"):
        create({"command": command, "input": "stars"}).solve(stars, replace(hint, parity=-1))


def test_no_result_is_no_match_and_an_exit_status_is_a_failure(
    scene: Scene, program: Program
) -> None:
    """Ending well without a WCS means no match; ending badly shows status and last words."""
    _, stars, _, hint = scene
    quiet = program("print('did not solve')")
    with pytest.raises(NoMatch, match="did not solve") as none:
        create({"command": quiet, "input": "stars"}).solve(stars, hint)
    loud = program("print('index missing', file=sys.stderr); sys.exit(7)")
    with pytest.raises(SolverFailed, match="index missing") as failed:
        create({"command": loud, "input": "stars"}).solve(stars, hint)
    with pytest.raises(NoMatch):
        create({"command": loud, "input": "stars", "not_solved_status": [7]}).solve(stars, hint)

    assert none.value.field_deg == pytest.approx((5.5, 3.67), abs=0.05)
    assert none.value.stars == len(stars)
    assert "RA 5.333 h" in none.value.hint
    assert failed.value.exit_status == 7


def test_a_full_temporary_folder_is_told_with_what_to_do(
    scene: Scene, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No input can be written for the program: an unsolved frame, not a fault of ours."""
    _, stars, _, hint = scene

    def full(*_args: object, **_kwargs: object) -> None:
        raise OSError(28, "No space left on device")

    solver = create({"command": program("pass"), "input": "stars"})
    for name in ("tempfile.mkdtemp", "polewright.solving.external.command.write_stars"):
        with monkeypatch.context() as patch:
            patch.setattr(name, full)
            with pytest.raises(SolverFailed, match=r"no space left on device.*TMPDIR"):
                solver.solve(stars, hint)


def test_rubbish_output_is_no_match(scene: Scene, program: Program) -> None:
    """A broken or empty result file is not a solution and not a crash."""
    _, stars, _, hint = scene
    for content in ("b''", "b'SIMPLE  = nonsense'", "os.urandom(5000)"):
        command = program(f"pathlib.Path('frame.wcs').write_bytes({content})")
        with pytest.raises(NoMatch):
            create({"command": command, "input": "stars"}).solve(stars, hint)


@pytest.mark.skipif(os.name == "nt", reason="looks for the process by its number")
@pytest.mark.parametrize("how", ["timeout", "cancel"])
def test_program_and_children_end(scene: Scene, program: Program, tmp_path: Path, how: str) -> None:
    """A hanging program that ignores TERM, and its child, are gone when solve() returns."""
    _, stars, _, hint = scene
    numbers = tmp_path / "pids"
    command = program(f"""
        import signal, subprocess
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        pathlib.Path({str(numbers)!r} + ".part").write_text(f"{{os.getpid()}} {{child.pid}}")
        os.rename({str(numbers)!r} + ".part", {str(numbers)!r})
        time.sleep(600)
    """)
    solver = create({"command": command, "input": "stars"})
    cancel = CancelToken()

    def stop_when_running() -> None:
        while not numbers.exists():
            time.sleep(0.01)
        cancel.cancel("test")

    if how == "cancel":
        watcher = threading.Thread(target=stop_when_running)
        watcher.start()
        with pytest.raises(Cancelled):
            solver.solve(stars, hint, timeout_s=60.0, cancel=cancel)
        watcher.join()
    else:
        with pytest.raises(SolverTimedOut) as caught:
            solver.solve(stars, hint, timeout_s=8.0)
        assert caught.value.timeout_s == 8.0
    leader, child = (int(n) for n in numbers.read_text().split())
    give_up = time.monotonic() + 5.0
    while _alive(child) and time.monotonic() < give_up:
        time.sleep(0.02)

    assert not _alive(leader)
    assert not _alive(child)


def _alive(pid: int) -> bool:
    """Whether a process runs; one that ended and waits to be collected does not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{pid}/stat")
    return not status.exists() or status.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def test_a_missing_program_says_what_to_do(scene: Scene) -> None:
    _, stars, _, hint = scene
    solver = create({"command": "no-such-solver-here {stars}", "input": "stars"})

    with pytest.raises(SolverMissing, match="no-such-solver-here") as caught:
        solver.solve(stars, hint)
    assert "Install it" in caught.value.advice


def test_too_few_stars_are_refused_before_anything_runs(scene: Scene) -> None:
    _, stars, _, hint = scene
    with pytest.raises(TooFewStars, match="3 stars found"):
        create({"command": sys.executable}).solve(stars.take(slice(0, 3)), hint)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({}, "command"),
        ({"command": ""}, "empty"),
        ({"command": "x {rah}"}, r"unknown \{rah\}"),
        ({"command": "x 'unclosed"}, "cannot be split"),
        ({"command": "x", "imput": "stars"}, "imput"),
        ({"command": "x", "results": ["../*.wcs"]}, "inside"),
        ({"command": "x", "min_stars": 1}, "min_stars"),
    ],
)
def test_wrong_options_are_named(options: dict[str, object], says: str) -> None:
    with pytest.raises(ConfigError, match=says):
        create(options)


def test_unknown_pointing_takes_the_blind_command_or_says_so(
    scene: Scene, program: Program, tmp_path: Path
) -> None:
    _, stars, truth, hint = scene
    blind = replace(hint, centre_icrs=None, radius=None)
    wcs = true_wcs(tmp_path / "true.wcs", truth, stars)
    command = program(f"shutil.copy({str(wcs)!r}, 'frame.wcs')")
    options = {"command": "no-such-solver {ra_deg}", "input": "stars"}

    assert create({**options, "blind_command": command}).solve(stars, blind).matched > 100
    with pytest.raises(ConfigError, match="pointing"):
        create(options).solve(stars, blind)


def test_files_say_what_is_known(scene: Scene, tmp_path: Path) -> None:
    """Image: 16 bits, first row first, hints as keywords. Table: pixels from 1."""
    frame, stars, truth, hint = scene
    write_image(tmp_path / "a.fits", frame, hint)
    write_stars(tmp_path / "a.xyls", stars, hint)
    with fits.open(tmp_path / "a.fits") as image, fits.open(tmp_path / "a.xyls") as table:
        header = image[0].header
        assert image[0].data.dtype.newbyteorder("=") == np.uint16
        assert np.array_equal(image[0].data, frame.pixels)
        assert header["RA"] == pytest.approx(80.0)
        assert header["DEC"] == pytest.approx(29.0)
        assert header["OBJCTRA"] == "05 20 00.0"
        assert header["OBJCTDEC"] == "+29 00 00.0"
        assert header["SCALE"] == pytest.approx(truth.scale * 1.02 / DEG * 3600)
        assert header["DATE-AVG"].startswith("2027-01-15T08:00:00")
        assert np.allclose(table[1].data["X"], stars.x + 1)
        assert np.allclose(table[1].data["Y"], stars.y + 1)
        assert (table[1].header["IMAGEW"], table[1].header["IMAGEH"]) == (1560, 1040)


def test_colour_and_odd_types_become_grey_sixteen_bits(tmp_path: Path) -> None:
    """A mosaic loses its pattern, planes are averaged, floats and big counts are scaled."""
    row, column = np.indices((40, 60)) % 2
    mosaic = np.where(row + column == 0, 400, np.where(row * column == 1, 800, 600))
    cases = {
        "bayer": Frame(mosaic.astype(np.uint16), 0.0, 1.0, sensor=SensorKind.BAYER),
        "planes": Frame(np.full((40, 60, 3), (1, 2, 6), np.uint16), 0.0, 1.0, SensorKind.PLANES),
        "float": Frame(np.linspace(0, 1, 2400).reshape(40, 60), 0.0, 1.0),
        "long": Frame(np.linspace(0, 1e6, 2400).reshape(40, 60).astype(np.int32), 0.0, 1.0),
    }
    data = {}
    for name, frame in cases.items():
        write_image(tmp_path / f"{name}.fits", frame)
        data[name] = fits.getdata(tmp_path / f"{name}.fits")

    assert np.all(data["bayer"] == 600)
    assert np.all(data["planes"] == 3)
    for name in ("float", "long"):
        assert (data[name].min(), data[name].max()) == (0, 65535)


needs_solve_field = pytest.mark.skipif(
    not solve_field.INSTALLED, reason="solve-field or its indexes are not installed"
)


@pytest.mark.e2e
@needs_solve_field
class TestSolveField(SolverContract):
    """Debian's astrometry.net with the template that ships; with few stars it soon gives up."""

    in_vain_s = 3.0

    @pytest.fixture
    def solver(self) -> CommandSolver:
        return create({**DEBIAN_ASTROMETRY, "max_stars": 40})


@pytest.mark.e2e
@needs_solve_field
@pytest.mark.parametrize("way", ["matches", "image", "blind"])
def test_solve_field_in_other_ways(scene: Scene, way: str) -> None:
    """Its own matched stars, its own detection on the image, or no pointing at all."""
    frame, stars, truth, hint = scene
    options: dict[str, object] = {**DEBIAN_ASTROMETRY, "use_catalogue": False}
    if way == "image":
        command = str(DEBIAN_ASTROMETRY["command"]).replace("{stars}", "{image}")
        for option in ("--x-column X", "--y-column Y", "--sort-column FLUX"):
            command = command.replace(option, "")
        options |= {"command": command, "input": "image"}
    if way == "blind":
        hint = SolveHint()
    solution = create(options).solve(stars, hint, frame=frame, timeout_s=120.0)
    boresight, roll = attitude_errors_px(solution.attitude_icrs, truth)

    assert solution.matched >= 6
    assert boresight < 0.3
    assert roll < 0.3
