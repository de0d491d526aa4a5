"""``polewright plan`` and ``polewright horizon``, as a person and as a script would call them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.interfaces.cli.app import build_app
from polewright.observing.runs.horizon_recording import SkylineLines

SITE = ["--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"]
NIGHT = ["--at", "2026-11-20T21:30"]
#: An invented garden: house in the north-east with an overhang, trees in the west.
GARDEN = "0 10\n45 38 70\n90 22\n135 8\n200 12\n300 55\nwindow 120 135 0 30 street lamp\n"


def run(*words: str, given: str | None = None):
    """Run the command line."""
    return CliRunner().invoke(build_app(), list(words), input=given)


@pytest.fixture
def garden(tmp_path) -> Path:
    """A horizon file."""
    path = tmp_path / "garden.txt"
    path.write_text(GARDEN, encoding="utf-8")
    return path


# -- plan --------------------------------------------------------------------------------------


def test_plan_gives_a_script_the_best_sweep_and_alternatives(garden) -> None:
    """One JSON document without any device: numbers for each plan, best first."""
    done = run("plan", "--json", *SITE, *NIGHT, "--horizon-file", str(garden))

    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    plans = document["plans"]
    skyline = parse_horizon(GARDEN.splitlines())
    assert document["ok"] is True
    assert document["at_utc"] == "2026-11-20T21:30:00Z"
    assert 0.5 < document["open_sky_fraction"] < 0.95
    assert 2 <= len(plans) <= 5
    assert plans[0]["sigma_arcsec"] <= 1.1 * min(plan["sigma_arcsec"] for plan in plans)
    for plan in plans:
        assert len(plan["points"]) >= 3
        for point in plan["points"]:
            height = skyline.skyline(point["azimuth_deg"] * 3.141592653589793 / 180.0)
            assert point["altitude_deg"] > max(20.0, float(height) * 57.29578 + 1.0)
    assert any("no camera was asked" in note for note in document["notes"])


def test_plan_prints_a_table_and_draws_a_chart(garden, tmp_path) -> None:
    """A person sees a row per plan, what the obstacles cost, and gets a labelled SVG."""
    chart = tmp_path / "sky.svg"

    done = run("plan", *SITE, *NIGHT, "--horizon-file", str(garden), "--chart", str(chart))

    assert done.exit_code == 0, done.output
    assert re.search(r"^best +\d+ +\d+", done.stdout, re.MULTILINE)
    assert "± axis" in done.stdout
    assert "What obstacles and wishes cost" in done.stdout
    # "3 × 20°" reads like three turns; there are two.
    assert re.search(r"has 3 points: 2 turns of [\d.]+°", " ".join(done.stdout.split()))
    assert "×" not in done.stdout
    text = chart.read_text(encoding="utf-8")
    assert text.startswith("<?xml")
    assert "</svg>" in text


def test_plan_judges_a_given_start(garden) -> None:
    """A bad wish ends with exit code 6, every reason, and the nearest sweep that fits."""
    wish = ["--sweep-start-azimuth-deg", "170", "--sweep-start-altitude-deg", "15"]

    done = run("plan", "--json", *SITE, *NIGHT, "--horizon-file", str(garden), *wish)

    assert done.exit_code == 6
    error = json.loads(done.stdout)["error"]
    assert error["code"] == "plan_refused"
    assert "minimum altitude" in error["message"]
    assert "This one fits" in error["advice"]


def test_plan_accepts_a_good_start() -> None:
    """A good wish comes back judged, as the only plan, starting where it was asked to."""
    wish = ["--sweep-start-azimuth-deg", "140", "--sweep-start-altitude-deg", "55"]

    done = run("plan", "--json", *SITE, *NIGHT, *wish)

    assert done.exit_code == 0, done.output
    (plan,) = json.loads(done.stdout)["plans"]
    assert plan["points"][0]["azimuth_deg"] == pytest.approx(140.0, abs=0.01)
    assert plan["points"][0]["altitude_deg"] == pytest.approx(55.0, abs=0.01)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ([*NIGHT], 2, "site is unknown"),
        ([*SITE, "--at", "tonight"], 2, "'tonight' is no time"),
        ([*SITE, *NIGHT, "--chart", "sky.gif"], 2, "neither .svg nor .png"),
        ([*SITE, *NIGHT, "--chart", "sky.svg", "--theme", "blue"], 2, "theme is 'blue'"),
        ([*SITE, *NIGHT, "--sweep-start-azimuth-deg", "10"], 2, "start_altitude_deg is missing"),
        ([*SITE, *NIGHT, "--horizon-file", "missing.txt"], 2, "missing.txt"),
        (
            [*SITE, *NIGHT, "--limits-hour-angle-min-deg=-5", "--limits-hour-angle-max-deg=5"],
            6,
            "no sweep",
        ),
    ],
    ids=["no site", "time", "picture", "theme", "half a start", "no horizon file", "nothing fits"],
)
def test_plan_says_what_is_wrong(words, code, says) -> None:
    """Every wrong input has its exit code, its sentence, and something to do."""
    done = run("plan", "--json", *words)

    assert done.exit_code == code, done.output
    error = json.loads(done.stdout)["error"]
    assert says in error["message"]
    assert error["advice"]


def test_plan_by_day_keeps_away_from_the_sun() -> None:
    """At noon every plan keeps more than the avoidance angle, and says how much."""
    done = run("plan", "--json", *SITE, "--at", "2026-11-20T12:00")

    assert done.exit_code == 0, done.output
    for plan in json.loads(done.stdout)["plans"]:
        assert plan["sun_counts"] is True
        assert plan["sun_separation_deg"] > 30.0


# -- horizon -----------------------------------------------------------------------------------

BAD = "# garden\n0 10\n45 38 70\nbogus\n90 22\n90 23\n200 400\n270 12\n"


def test_bad_lines_are_told_by_number_and_the_rest_is_kept(tmp_path) -> None:
    """Three bad lines: number, reason and text; the four good pairs are written; exit code 2."""
    out = tmp_path / "garden.txt"

    done = run("horizon", "--json", "--out", str(out), given=BAD)

    assert done.exit_code == 2
    document = json.loads(done.stdout)
    assert [item["line"] for item in document["rejected"]] == [4, 6, 7]
    assert document["rejected"][0]["text"] == "bogus"
    assert "line 5" in document["rejected"][1]["reason"]
    assert "outside -90 to 90" in document["rejected"][2]["reason"]
    assert document["azimuth_deg"] == [0.0, 45.0, 90.0, 270.0]
    assert document["overhang_deg"] == [90.0, 70.0, 90.0, 90.0]
    assert "horizon line 4" in done.stderr
    written = parse_horizon(out.read_text(encoding="utf-8").splitlines())
    assert written.azimuth_deg == (0.0, 45.0, 90.0, 270.0)


def test_a_good_file_is_reported_and_drawn(garden, tmp_path) -> None:
    """Usable sky, highest obstacle and widest opening in words; the chart is a PNG."""
    chart = tmp_path / "sky.png"

    done = run("horizon", str(garden), *SITE, "--chart", str(chart), "--theme", "night")

    assert done.exit_code == 0, done.output
    assert re.search(r"Open above 20°: \d+ %", done.stdout)
    assert "Highest obstacle 55.0° at azimuth 300°" in done.stdout
    assert chart.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "given", "says"),
    [
        ([], "", "no azimuth/altitude pair"),
        (["missing.txt"], None, "missing.txt"),
        (["--chart", "sky.svg"], GARDEN, "site is unknown"),
    ],
    ids=["nothing", "no file", "no site for the chart"],
)
def test_horizon_says_what_is_wrong(words, given, says) -> None:
    """Exit code 2 and a sentence."""
    done = run("horizon", "--json", *words, given=given)

    assert done.exit_code == 2
    assert says in json.loads(done.stdout)["error"]["message"]


def test_a_file_is_not_overwritten_unasked(garden) -> None:
    """An evening's recording is not lost to a slip; --force means it."""
    refused = run("horizon", "--json", "--out", str(garden), given="0 5\n")
    kept = garden.read_text(encoding="utf-8")
    forced = run("horizon", "--json", "--out", str(garden), "--force", given="0 5\n")

    assert refused.exit_code == 2
    assert "already exists" in json.loads(refused.stdout)["error"]["message"]
    assert kept == GARDEN
    assert forced.exit_code == 0
    assert parse_horizon(garden.read_text(encoding="utf-8").splitlines()).altitude_deg == (5.0,)


def test_lines_can_be_taken_back() -> None:
    """The last accepted line goes, comments and bad lines do not count."""
    lines = SkylineLines(None)
    for text in ("0 10", "90 20", "nonsense"):
        lines.add(text)

    assert len(lines.rejected) == 1
    assert lines.take_back() == "90 20"
    assert lines.horizon().azimuth_deg == (0.0,)
    assert lines.take_back() == "0 10"
    assert not lines.accepted
    assert lines.take_back() is None


def test_a_skyline_on_standard_output_is_a_file_as_it_stands() -> None:
    """Brackets are no markup and nothing is wrapped: what is redirected can be read back."""
    label = (
        "a street lamp with a very long name that does not fit into eighty columns of a terminal"
    )
    done = run("horizon", given=f"0 5\n[/b] 10\n[roof] 20\nwindow 10 20 0 30 {label}\n")

    written = done.stdout.split("Open above")[0]
    told = " ".join(done.output.split())
    assert done.exit_code == 2
    assert "[overhang]" in written
    assert parse_horizon(written.splitlines()).windows[0].label == label
    assert "azimuth '[/b]' is not a number" in told
    assert "azimuth '[roof]' is not a number" in told
