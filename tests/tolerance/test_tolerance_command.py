"""The command `polewright tolerance`, and a session's tolerance that follows from the night."""

from __future__ import annotations

import json
import math
import time

import numpy as np
import pytest
from support.printed import printed
from typer.testing import CliRunner

from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.sky.weather import believed_weather
from polewright.calculation.tolerance.imaging import Imaging, SkyOver, Target
from polewright.calculation.tolerance.tolerance import cost
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.angles import ARCMIN, DEG, enu_from_azalt
from polewright.foundation.config import config_from_text
from polewright.interfaces.cli.app import build_app
from polewright.observing.rig.tonight_tolerance import FigureMissing, Known, tonights_tolerance
from polewright.observing.runs.measurement import correction_sentences

OPTICS = ["--focal-length-mm", "600", "--pixel-um", "3.76"]


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(build_app(), ["tolerance", *OPTICS, *words])
    return result.exit_code, result.stdout


def test_the_largest_error_costs_what_was_allowed() -> None:
    """Forward and reverse agree: no direction of the largest error trails more than the limit."""
    code, out = run("--exposure-s", "120", "--trail-px", "0.8", "--json")
    arcmin = printed("tolerance", out)["largest_axis_error_arcmin"]

    assert code == 0
    air = believed_weather(Site(45.0, 0.0, elevation_told=False), time.time()).air
    sky = SkyOver(45.0, air)
    worst = max(
        cost(Imaging(600, 3.76, 120), Target(45.0), east * ARCMIN, up * ARCMIN, sky).worst_px
        for east, up in (
            (arcmin * math.sin(way), arcmin * math.cos(way)) for way in np.arange(0.0, 6.3, 0.2)
        )
    )
    assert 0.795 < worst <= 0.8 * 1.01


def test_it_says_for_which_exposures_it_holds_and_what_of_them_was_assumed() -> None:
    """A figure that rests on a default says so; what was given is not called assumed."""
    code, out = run("--exposure-s", "120", "--declination-deg", "20", "--not-guided")
    said = " ".join(out.split())

    assert code == 0
    assert "For exposures of 120 s at 600 mm with pixels of 3.76 µm, not guided" in said
    assert "at declination +20°, hour angles -4 to +4 h, at the centre of the frame only" in said
    assert "at latitude +45.0°" in said
    assumed = json.loads(run("--exposure-s", "120", "--latitude-deg", "50", "--json")[1])["assumed"]
    assert "exposure" not in assumed
    assert "latitude" not in assumed
    assert {"declination", "guiding", "longest trail"} <= set(assumed)
    assert (
        "Assumed, since nothing tells it: from hour angle -4 h, to hour angle +4 h, "
        "trails of 1 px allowed, latitude +45°." in said
    )


def test_an_error_beyond_the_tolerance_ends_with_nine() -> None:
    """A script learns from the exit code that the measured error is too large, or is not."""
    bad, out = run("--alt-arcmin", "30", "--json")
    good, _ = run("--exposure-s", "120", "--alt-arcmin", "0.2", "--az-arcmin", "-0.2")

    assert bad == 9
    assert printed("tolerance", out)["cost"]["good_enough"] is False
    assert good == 0


def test_the_picture_is_written(tmp_path) -> None:
    """A picture is an SVG or a PNG by its ending; another ending is refused."""
    assert run("--chart", str(tmp_path / "sky.svg"))[0] == 0
    assert (tmp_path / "sky.svg").read_text().lstrip().startswith("<?xml")
    assert run("--chart", str(tmp_path / "sky.gif"))[0] == 2


def test_a_missing_focal_length_is_asked_for() -> None:
    """Without optics the command says which option gives them."""
    result = CliRunner().invoke(build_app(), ["tolerance", "--json"])

    assert result.exit_code == 2
    assert "--focal-length-mm" in json.loads(result.stdout)["error"]["advice"]


def test_guided_needs_to_know_how_far_its_stars_are_from_the_guide_star() -> None:
    """Nothing is away from a guide star at 0 degrees in a field of 0: that is no figure but a
    missing one. With the sensor told, the guide star may stand in its corner."""
    code, out = run("--guided", "--json")
    told = json.loads(run("--guided", "--sensor-diagonal-mm", "28", "--json")[1])

    assert code == 2
    assert "sensor_diagonal_mm" in json.loads(out)["error"]["advice"]
    assert run("--guided", "--guide-distance-deg", "0")[0] == 2
    assert told["unlimited"] is False
    assert told["imaging"]["guide_distance_deg"] == pytest.approx(1.337, abs=0.002)
    assert told["imaging"]["field_radius_deg"] == told["imaging"]["guide_distance_deg"]


def test_the_air_is_in_the_verdict_and_told() -> None:
    """A perfect axis is not good enough where the air trails: exit code 9, and its share."""
    words = ["--declination-deg", "0", "--latitude-deg", "44", "--exposure-s", "300"]
    code, out = run(*words, "--alt-arcmin", "0", "--json")
    document = json.loads(out)

    assert code == 9
    assert document["cost"]["worst_trail_px"] == document["air"]["trail_px"] > 4.0
    assert document["cost"]["air_px"] == document["cost"]["trails_px"]
    assert document["largest_axis_error_arcmin"] == 0.0
    assert "No alignment cures that" in run(*words)[1]
    king = json.loads(run(*words, "--tracking", "King", "--json")[1])
    assert king["air"]["trail_px"] < document["air"]["trail_px"]


def test_no_large_error_is_accepted_without_a_warning() -> None:
    """30 arcmin at 20 mm trail little; it is told all the same that this is much."""
    wide = ["--focal-length-mm", "20", "--exposure-s", "30", "--alt-arcmin", "30"]
    code, out = run(*wide)

    assert code == 0
    assert "Warning: 30 arcmin is more than 10 arcmin" in " ".join(out.split())


NIGHT = "[pole]\ntolerance_from_tonight = true\n[tonight]\nexposure_s = 120\n"
SITE = Site(45.0, 0.0)
RIG = Known(600.0, 3.76, 28.0)


def tonights(text: str, known: Known = RIG) -> tuple[float, str, str]:
    return tonights_tolerance(config_from_text(text), known, SITE, Atmosphere.standard(0.0))


def test_a_session_may_take_its_tolerance_from_tonight() -> None:
    """[pole] tolerance_from_tonight puts what the exposures demand in place of the fixed one,
    with focal length and sensor from the rig where [tonight] is silent."""
    expected = json.loads(run("--exposure-s", "120", "--sensor-diagonal-mm", "28", "--json")[1])[
        "largest_axis_error_arcmin"
    ]
    found, told, warned = tonights(NIGHT)

    assert found == pytest.approx(expected, rel=0.03)  # the command has the air of this month
    assert f"tolerance is {arcmin_text(found)}" in told
    assert "px of that" in told
    assert warned == ""
    with pytest.raises(FigureMissing, match="focal length"):
        tonights(NIGHT, Known())


def test_a_guided_night_is_not_unlimited() -> None:
    """Guided, with no distance given, an axis 69 arcmin off was called where it should be."""
    found, told, _ = tonights(NIGHT + "guided = true\n")

    assert found == 10.0
    assert "more than 10 arcmin is not accepted" in told
    longer, _, _ = tonights(NIGHT.replace("120", "900") + "guided = true\n")
    assert longer < 8.0
    with pytest.raises(FigureMissing, match="guide star"):
        tonights(NIGHT + "guided = true\n", Known(600.0, 3.76))
    with pytest.raises(FigureMissing, match="guide star"):  # another camera than the connected one
        tonights(NIGHT + "guided = true\npixel_um = 2.9\n")


def test_a_night_that_the_air_spoils_says_so_and_counts_the_axis_alone() -> None:
    """The session goes on, with a warning of what no alignment cures."""
    found, _, warned = tonights(NIGHT.replace("120", "600") + "declination_deg = 0\n")

    assert 0.05 < found < 1.0
    assert "No alignment cures that" in warned
    assert "counts only what the axis adds" in warned


def test_the_mounts_rate_counts() -> None:
    """A mount that drives at the King rate leaves the axis more of the limit."""
    king, told, _ = tonights(NIGHT, Known(600.0, 3.76, 28.0, "king"))

    assert king > tonights(NIGHT)[0]
    assert "at the King rate" in told


def test_an_accepted_error_over_the_ceiling_is_told() -> None:
    """A tolerance of two degrees accepts 69 arcmin, and says that this is much."""
    error = axis_error(
        enu_from_azalt(0.0, (45.0 + 69.0 / 60.0) * DEG),
        np.eye(3) * 1e-12,
        SITE,
        PoleTarget.TRUE,
        Atmosphere.none(),
    )
    told = correction_sentences(error, 120.0 * ARCMIN)

    assert "where it should be" in told[0]
    assert "more than 10 arcmin" in told[1]
    assert len(correction_sentences(error, 60.0 * ARCMIN)) == 3
