"""The report: complete, self-contained, printable, and right about what would do better."""

from __future__ import annotations

import base64
import io
import json
import math
import os
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from datetime import datetime
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, cast

import jsonschema
import numpy as np
import pytest
from history.history_made import NIGHT_UTC_S, made_reading, made_result, made_run
from PIL import Image
from rich.console import Console
from serving.chromium import browser, needs_chromium, resize
from support import printed as documents
from typer.testing import CliRunner

from polewright.calculation.geometry.axis import fit_axis
from polewright.calculation.geometry.axis_error import AxisError
from polewright.calculation.geometry.rotation import rotation_about, rotation_matrix
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import believed_weather
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, ARCSEC, azalt_from_enu
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.console import print_result
from polewright.interfaces.report import page
from polewright.interfaces.report.improvements import what_would_be_better
from polewright.interfaces.report.page import (
    Drift,
    Place,
    Telling,
    drift_check,
    report_of_result,
    report_of_run,
)
from polewright.interfaces.report.pictures import axis_picture
from polewright.interfaces.report.write_schemas import DOCUMENTS, published, schema_of
from polewright.observing.runs.measurement import correction_sentences
from polewright.records.history.plot import drift_picture
from polewright.records.history.run_record import FrameKept
from polewright.records.history.store import History
from polewright.records.history.trend import AxisSeries
from polewright.records.passive_result import PassiveResult
from polewright.records.result import SagResult, SiteResult, WeatherResult
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

EXACT = Telling(Place.EXACT)


class Page(HTMLParser):
    """Collects what a page would fetch or run, and its JSON."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.scripts: list[str | None] = []
        self.data = ""
        self.headings: list[str] = []
        self._in = ""
        self.feed(html)

    def handle_starttag(self, tag, attrs) -> None:
        given = dict(attrs)
        self._in = tag
        if tag in ("link", "img", "iframe", "object", "embed", "image", "use"):
            self.fetched += [v for k, v in attrs if k in ("src", "href", "data", "xlink:href")]
        if tag == "script":
            self.scripts.append(given.get("type"))

    def handle_data(self, data) -> None:
        if self._in == "script":
            self.data += data
        if self._in == "h2":
            self.headings.append(data)

    def handle_endtag(self, tag) -> None:
        self._in = ""


def session_run():
    way = tuple(
        made_reading(NIGHT_UTC_S + 20.0 * k, 41.0 - 3.6 * k, -60.0 + 5.4 * k, 1) for k in range(12)
    )
    picture = Image.fromarray(np.random.default_rng(1).integers(0, 90, (420, 560), np.uint8))
    out = io.BytesIO()
    picture.save(out, "JPEG")
    frame = FrameKept(
        jpeg_base64=base64.b64encode(out.getvalue()).decode(), exposure_s=2.0, star_count=120
    )
    return made_run(
        "session-01", NIGHT_UTC_S, (41.0, -60.0), (0.31, -0.42), readings=way, notes=("Windy.",),
        frame=frame,
    )  # fmt: skip


def with_site_accepted(run):
    """The same run, whose mount's longitude had the wrong sign and was overruled."""
    what = "the mount's longitude is -9.314°, ours 9.314° (configuration): EAST is positive"
    last = run.sweeps[-1]
    site = last.result.site.model_copy(
        update={"latitude_deg": 44.6213, "longitude_deg": 9.3142, "accepted": what}
    )
    result = last.result.model_copy(
        update={"site": site, "notes": (f"Accepted for this session, ours are used: {what}.",)}
    )
    sweep = last.model_copy(update={"result": result})
    return run.model_copy(update={"sweeps": (*run.sweeps[:-1], sweep)})


@pytest.mark.parametrize("latitude", [44.62, -31.4])
def test_a_report_is_one_file_that_fetches_and_runs_nothing(latitude) -> None:
    """No link, image, font or script; the only script element is the JSON of the result."""
    result = made_result(latitude=latitude)
    page = Page(report_of_result(result, EXACT))

    assert [one for one in page.fetched if not one.startswith("#")] == []
    assert page.scripts == ["application/json"]
    assert json.loads(page.data) == result.model_dump(mode="json")
    assert {"What to do", "Can it be trusted", "What would be better", "Cautions"} <= set(
        page.headings
    )


def test_the_sky_chart_tells_the_uncertainty_that_was_measured() -> None:
    """Not the one that the points alone would foretell: the page has one figure for one thing."""
    result = made_result()
    axis = result.axis
    sigma = arcmin_text(math.hypot(axis.sigma_alt_arcmin, axis.sigma_az_sky_arcmin))

    assert f"±{sigma}" in report_of_result(result)


def test_a_session_shows_the_way_and_its_sweeps() -> None:
    """Every sweep has a row, the way is drawn far and near, and the run travels inside."""
    run = session_run()
    html = report_of_run(run)
    page = Page(html)

    assert json.loads(Page(report_of_run(run, (), EXACT)).data)["run_id"] == "session-01"
    assert "Sweep by sweep" in page.headings
    assert html.count('class="way"') == 2
    assert "Windy." in html
    assert "From 72.67 ± 0.06 arcmin to 31 ± 4 arcsec in 13 minutes, with 2 sweeps." in html
    assert html.count('src="data:image/jpeg;base64,') == 1


def test_the_site_is_told_to_a_tenth_of_a_degree_in_full_or_not_at_all() -> None:
    """Nothing tells more than was asked for: no text, no picture, no data, no address."""
    run = with_site_accepted(session_run())
    coarse, exact, none = (
        report_of_run(run, (), Telling(place)) for place in (Place.COARSE, Place.EXACT, Place.NONE)
    )
    words = [re.sub(r"<svg.*?</svg>|<script.*?</script>|<style.*?</style>", "", one, flags=re.S)
             for one in (coarse, exact, none)]  # fmt: skip

    assert "44.6° N, 9.3° E" in words[0]
    assert "longitude is -9.3°, ours 9.3°" in words[0]
    assert "44.621° N, 9.314° E" in words[1]
    assert "longitude is -9.314°" in words[1]
    for told in (words[0], words[2]):
        assert "contradicted each other about site or clock" in told
        assert "rig:11111" not in told
    for hidden, at in (("44.62", 0), ("9.314", 0), ("44.6", 2), ("9.3", 2)):
        assert hidden not in words[at]
    assert "polewright-data" not in coarse + none
    assert "bench ·" not in none
    assert "azimuth</th>" not in none
    assert none.count("<svg") == coarse.count("<svg") - 1  # the sky, whose pole is the latitude


def gmst_deg(utc_s: float) -> float:
    """Sidereal time at Greenwich (Astronomical Almanac, section B, to 0.01 degrees)."""
    return (280.46062 + 360.98564737 * (utc_s / 86400.0 - 10957.5)) % 360.0


def measured_at(latitude_deg: float, longitude_deg: float, elevation_m: float):
    """One and the same measurement as each of two sites would have told it: a session's run."""
    run, site = session_run(), Site(latitude_deg, longitude_deg, elevation_m)
    weather = believed_weather(site, NIGHT_UTC_S)
    alt, az = 41.0, -60.0
    error = AxisError(
        alt * ARCMIN, az * ARCMIN, az * ARCMIN / math.cos(site.latitude), 72.7 * ARCMIN,
        np.diag([0.1, 0.1]) * ARCMIN**2, PoleTarget.TRUE,
    )  # fmt: skip
    contradiction = f"the mount's longitude is {longitude_deg - 1.5:.2f} deg"
    points = []
    for point in run.sweeps[-1].result.points:
        hour_angle = math.radians(point.hour_angle_deg)
        look = enu_from_hour_angle_dec(site, hour_angle, math.radians(point.dec_deg))
        azimuth, altitude = (math.degrees(float(angle)) for angle in azalt_from_enu(look))
        utc_s = datetime.fromisoformat(point.utc).timestamp()
        ra_deg = (gmst_deg(utc_s) + longitude_deg - point.hour_angle_deg) % 360.0
        directions = {"azimuth_deg": azimuth % 360.0, "altitude_deg": altitude, "ra_deg": ra_deg}
        points.append(point.model_copy(update=directions))
    sweeps = []
    for sweep in run.sweeps:
        old = sweep.result.axis
        base = old.d_az_sky_arcmin / math.cos(site.latitude)
        axis = old.model_copy(
            update={"altitude_deg": latitude_deg, "d_az_base_arcmin": base, "azimuth_deg": 0.0}
        )
        changes = {
            "site": SiteResult(
                latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m,
                source=f"GPS at {longitude_deg:.3f}", accepted=contradiction,
            ),
            "axis": axis,
            "points": tuple(points),
            "weather": WeatherResult.of(weather),
            "advice": correction_sentences(error, ARCMIN),
            "notes": (
                f"Accepted: {contradiction}.",
                f"The mesh at {latitude_deg:.1f} deg crosses the meridian at 03:{elevation_m:.0f}.",
            ),
        }  # fmt: skip
        sweeps.append(sweep.model_copy(update={"result": sweep.result.model_copy(update=changes)}))
    document = {
        "sentence": f"The drift agrees at hour angle {longitude_deg:.1f} deg.",
        "svg": f'<svg xmlns="http://www.w3.org/2000/svg"><text>{latitude_deg}</text></svg>',
    }
    notes = (f"No star at altitude {latitude_deg:.0f} deg.",)
    return run.model_copy(
        update={"sweeps": tuple(sweeps), "drifts": (document,), "notes": notes, "pier": f"{site}"}
    )


def places_worked_out(html: str, run) -> list[tuple[float, float | None]]:
    """Latitudes, and longitudes where one comes out, that a reader finds by what a report tells."""
    plain = unescape(re.sub(r"<style.*?</style>|<[^>]*>", " ", html, flags=re.S))
    units = {"arcsec": 1.0 / 60.0, "arcmin": 1.0, "deg": 60.0}
    angles = [
        float(number) * units[unit]
        for number, unit in re.findall(r"(\d+(?:\.\d+)?)\s(arcsec|arcmin|deg)", plain)
    ]
    # The base turns by more than the axis moves, by one over the cosine of the latitude.
    ways = re.findall(r"(\d+(?:\.\d+)?) arcmin (?:west|east) with the azimuth adjuster", plain)
    found: list[tuple[float, float | None]] = [
        (math.degrees(math.acos(float(way) / angle)), None)
        for way in ways
        for angle in angles
        if angle > float(way)
    ]
    # A frame that is solved, with the direction it was taken in and its time.
    rows = re.findall(r"point (\d+)\s+([\d.]+)°\s+([\d.]+)°", plain)
    if "data:image/jpeg" not in html:
        return found
    last = run.sweeps[-1].result
    for number, azimuth_deg, altitude_deg in rows:
        (point,) = (one for one in last.points if one.number == int(number))
        azimuth, altitude = math.radians(float(azimuth_deg)), math.radians(float(altitude_deg))
        trial = np.radians(np.arange(0.0, 90.0, 0.01))
        sines = np.sin(trial) * math.sin(altitude)
        sines += np.cos(trial) * math.cos(altitude) * math.cos(azimuth)
        off = np.abs(sines - math.sin(math.radians(point.dec_deg)))
        for k in np.flatnonzero(
            (off[1:-1] < off[:-2]) & (off[1:-1] < off[2:]) & (off[1:-1] < 0.01)
        ):
            latitude = float(trial[k + 1])
            hour_angle = math.atan2(
                -math.sin(azimuth) * math.cos(altitude),
                math.sin(altitude) * math.cos(latitude)
                - math.cos(altitude) * math.cos(azimuth) * math.sin(latitude),
            )
            sidereal_deg = point.ra_deg + math.degrees(hour_angle)
            utc_s = datetime.fromisoformat(point.utc).timestamp()
            longitude_deg = (sidereal_deg - gmst_deg(utc_s) + 180.0) % 360.0 - 180.0
            found.append((math.degrees(latitude), longitude_deg))
    return found


def test_no_site_can_be_worked_out_of_a_report_that_leaves_it_out() -> None:
    """Where it is told, a reader finds it twice over; else nothing in the file depends on it."""
    latitude_deg, longitude_deg = 44.62, 9.31
    here, there = measured_at(latitude_deg, longitude_deg, 42.0), measured_at(27.3, -110.2, 23.0)

    told = places_worked_out(report_of_run(here), here)
    assert any(abs(one - latitude_deg) < 1.0 for one, east in told if east is None)
    assert any(
        abs(one - latitude_deg) < 1.0 and abs(east - longitude_deg) < 1.0
        for one, east in told
        if east is not None
    )

    without = Telling(Place.NONE)
    hidden = report_of_run(here, (), without)
    near = [one for one, _ in places_worked_out(hidden, here) if abs(one - latitude_deg) < 1.0]
    assert near == []
    assert "data:image" not in hidden
    assert "polewright-data" not in hidden
    assert hidden == report_of_run(there, (), without)
    assert "41 arcmin down with the altitude adjuster" in hidden


def test_a_night_of_frames_tells_no_pier_where_the_site_is_left_out() -> None:
    """A pier's name is often a place's."""
    night = PassiveResult(
        software="polewright test",
        night="2026-09-20",
        started_utc="2026-09-20T20:00:00+00:00",
        finished_utc="2026-09-21T01:00:00+00:00",
        site=made_result(NIGHT_UTC_S).site,
        weather=WeatherResult(
            temperature_c=10.0, sigma_temperature_c=4.0, pressure_hpa=960.0, sigma_pressure_hpa=9.0,
            sigma_refraction_percent=1.7, source="usual at 44.621 °",
        ),
        telescope="bench mount", camera="bench camera", verdict="too uncertain",
        sentence="Nothing is known.", axis=None, widest95_arcmin=None, asked_arcmin=1.0,
        tolerance_arcmin=1.0, within_tolerance=False, frames=4,
        hours=5.0, unguided=False, groups=(), left_out=(),
    )  # fmt: skip
    run = made_run("night0001", NIGHT_UTC_S, pier="Hilltop").model_copy(update={"passive": night})

    assert "Hilltop" in report_of_run(run)
    none = report_of_run(run, (), Telling(Place.NONE))
    assert "Hilltop" not in none
    assert "44.6" not in none


def test_a_drift_check_is_shown_as_an_image_that_cannot_run(tmp_path) -> None:
    """The check of the same night joins the report; a script in its picture never runs."""
    picture = '<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    document = {"verdict": "agrees", "sentence": "The drift agrees.", "svg": picture}
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    with History(url) as history:
        history.add(made_run("measured1", NIGHT_UTC_S))
        history.add(
            made_run("drift-001", NIGHT_UTC_S + 3600.0, sweeps=(), kind="drift", drifts=(document,))
        )
    out = tmp_path / "r.html"
    CliRunner().invoke(build_app(), ["report", "measured1", "--url", url, "-o", str(out)])
    page = Page(out.read_text())

    assert "Drift check" in page.headings
    assert "The drift agrees." in out.read_text()
    assert page.scripts == []
    assert [one[:26] for one in page.fetched if not one.startswith("#")] == [
        "data:image/svg+xml;base64,"
    ]


def test_hostile_names_stay_text() -> None:
    """A device's name that is HTML is shown, not obeyed."""
    evil = '</script><script>alert(1)</script><img src="http://x/">'
    result = made_result().model_copy(update={"telescope": evil, "notes": (evil,)})
    page = Page(report_of_result(result, EXACT))

    assert page.scripts == ["application/json"]
    assert [one for one in page.fetched if not one.startswith("#")] == []


def test_pictures_are_well_formed_and_put_east_where_it_is() -> None:
    """Facing north an axis too far east is drawn right of the pole; facing south, left."""
    axis = made_result(alt=2.0, az=3.0).axis

    def dot(southern: bool) -> tuple[float, float]:
        root = ET.fromstring(axis_picture(axis, 1.0, southern=southern))
        (found,) = [one for one in root.iter() if one.get("class") == "axis"]
        return float(found.attrib["cx"]) - 230.0, float(found.attrib["cy"]) - 230.0

    north, south = dot(southern=False), dot(southern=True)

    assert north[0] > 0.0
    assert north[0] == pytest.approx(-south[0])
    assert north[1] == south[1] < 0.0
    assert north[0] / -north[1] == pytest.approx(1.5, rel=1e-3)


def test_the_gain_foretold_is_the_gain_got() -> None:
    """More points over the same arc, tried 400 times, bring the smaller error that was told."""
    result = made_result()
    told: Any = what_would_be_better(result, 0.5)
    change = next(c for c in told.changes if c.sentence.startswith("7 points"))
    site = Site(44.62, 9.31, 420.0)
    dice = np.random.default_rng(3)
    point = result.points[0]
    sigma = np.hypot(
        [point.sigma_pointing_arcsec, point.sigma_pointing_arcsec, point.sigma_roll_arcsec], 0.5
    )

    def scatter(n: int) -> float:
        hours = np.radians(np.linspace(-52.0, -17.0, n))
        clean = [looking_at(site, hours[0], np.radians(41.0))]
        axis = np.array([0.0, np.cos(site.latitude), np.sin(site.latitude)])
        clean = [rotation_about(axis, -(h - hours[0])) @ clean[0] for h in hours]
        found = []
        for _ in range(200):
            noisy = [
                _Attitude(c @ rotation_matrix(dice.normal(0.0, sigma * ARCSEC)), sigma)
                for c in clean
            ]
            found.append(fit_axis(cast("Any", noisy), southern=False).axis)
        return float(np.sqrt(np.mean(np.sum((np.array(found) - axis) ** 2, axis=1))))

    assert scatter(7) / scatter(3) == pytest.approx(change.factor, rel=0.15)
    assert told.sigma_arcmin == pytest.approx(np.hypot(0.05, 0.07))
    assert "turn the adjusters" in told.summary


class _Attitude:
    """What the fit reads of an attitude."""

    def __init__(self, matrix, sigma) -> None:
        self.matrix, self.covariance = matrix, np.diag((np.asarray(sigma) * ARCSEC) ** 2)
        self.parity = 1


def test_better_measuring_is_advised_only_where_it_helps() -> None:
    """Near the tolerance with a poor measurement, a better sweep; far away, the adjusters."""
    found: list[Any] = [
        what_would_be_better(made_result(alt=0.5, az=0.4, sigma=0.4), 0.5),
        what_would_be_better(made_result(alt=0.1, az=0.1), 0.5),
    ]
    poor, good = (better.summary for better in found)

    assert "a better sweep helps" in poor
    assert "good enough" in good


def test_the_air_and_where_it_came_from_are_told() -> None:
    """In the report, in the terminal, and in the document, from which it comes back."""
    weather = believed_weather(Site(44.6, 9.3, 420.0), NIGHT_UTC_S, typed_temperature_c=-3.0)
    result = made_result().model_copy(update={"weather": WeatherResult.of(weather)})
    terminal = Console(file=io.StringIO(), width=200)
    print_result(cast("Any", terminal), result)
    shown = cast("Any", terminal.file).getvalue()

    for text in (report_of_result(result), shown, result.model_dump_json()):
        assert "-3 ± 4.0 °C from the configuration" in text
        assert "by the site's height" in unescape(text)
    assert f"known to {100.0 * weather.refraction_sigma:.1f} %" in shown
    assert result.weather is not None
    assert result.weather.weather().refraction_sigma == weather.refraction_sigma


def test_what_would_be_better_is_said_by_the_droop_that_the_fit_had(monkeypatch) -> None:
    """By the focal length that the stars told, or learnt: not by the configured one."""
    assumed = []

    def caught(*_args, shared, **_more) -> None:
        assumed.append(shared)

    monkeypatch.setattr(page, "what_would_be_better", caught)
    result = made_result()
    axis = result.axis.model_copy(
        update={
            "sag": SagResult(
                arcsec=4.5, sigma_arcsec=9.5, checks=3, moves_az_sky=0.0, moves_alt=-0.7
            )
        }
    )
    shown = report_of_result(result.model_copy(update={"axis": axis}))
    older = report_of_result(result)

    assert [round(shared.sag / ARCSEC, 3) for shared in assumed] == [9.5, 8.0]
    said = angle_text(4.5 * ARCSEC, 9.5 * ARCSEC, signed=True)
    assert f"Sag learnt from 3 drift checks of this rig: a level tube droops by {said}" in shown
    assert "Sag learnt" not in older


# -- schemas ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(DOCUMENTS))
def test_the_published_schema_is_in_step_with_the_model(name) -> None:
    """The schemas were written after a model changed last (`interfaces.report.write_schemas`)."""
    jsonschema.Draft202012Validator.check_schema(published(name))

    assert published(name) == schema_of(name)


def test_what_is_printed_validates_and_what_is_wrong_does_not() -> None:
    """Results, runs and snapshots pass their schemas; a missing or foreign field does not."""
    result = made_result().model_dump(mode="json")
    snapshot = SessionSnapshot(
        session_id="s", version=1, step=Step.IDLE, utc_s=0.0, tolerance_arcmin=1.0
    )
    check = jsonschema.Draft202012Validator

    check(published("measurement")).validate(result)
    check(published("run")).validate(session_run().model_dump(mode="json"))
    check(published("session")).validate(snapshot.model_dump(mode="json"))
    for wrong in ({**result, "axis": None}, {**result, "extra": 1}):
        with pytest.raises(jsonschema.ValidationError):
            check(published("measurement")).validate(wrong)


# -- the command ------------------------------------------------------------------------------


def test_reports_come_from_files_and_from_the_history(tmp_path) -> None:
    """A result's file, a run's file, a run by its first letters, or the newest of the history."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    with History(url) as history:
        for n in range(5):
            history.add(made_run(f"night-{n:03d}", NIGHT_UTC_S + 86400.0 * 9 * n, (1.0 + n, 0.0)))
    (tmp_path / "result.json").write_text(made_result().model_dump_json())
    (tmp_path / "run.json").write_text(session_run().model_dump_json())
    out = tmp_path / "out.html"

    def report(*words: str):
        out.unlink(missing_ok=True)
        return CliRunner().invoke(build_app(), ["report", *words, "-o", str(out)]).exit_code

    for name in ("result.json", "run.json"):
        assert report(str(tmp_path / name)) == 0
        assert out.is_file()
    assert report("night-001", "--url", url) == 0
    assert "night-001" in out.read_text()
    assert report("--url", url) == 0
    assert "night-004" in out.read_text()
    assert "The pier over time" in out.read_text()
    assert report("night-001", "--url", url, "--without-site", "--theme", "night") == 0
    assert 'data-theme="night"' in out.read_text()
    assert "44.6" not in out.read_text()
    assert report("night-001", "--url", url, "--without-site", "--exact-site") == ExitCode.USAGE
    assert report("night-001", "--url", url, "--theme", "blue") == ExitCode.USAGE
    assert report("nowhere", "--url", url) == ExitCode.USAGE
    words = ["report", "night-001", "--url", url, "-o", str(tmp_path / "told.html"), "--json"]
    told = documents.printed("report", CliRunner().invoke(build_app(), words).stdout)
    assert told["report"] == str(tmp_path / "told.html")
    (tmp_path / "bad.json").write_text('{"axis": 3}')
    assert report(str(tmp_path / "bad.json")) == ExitCode.USAGE


def test_a_schema_is_printed_on_demand() -> None:
    """Scripts get the schema from the command itself."""
    shown = CliRunner().invoke(build_app(), ["report", "--schema", "measurement"])

    assert json.loads(shown.stdout) == published("measurement")


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.e2e
@pytest.mark.skipif(CHROMIUM is None or shutil.which("pdftotext") is None, reason="no Chromium")
def test_the_report_prints_to_two_pages_of_a4(tmp_path) -> None:
    """Also with many sweeps, notes, a drift check and a history; the second page is no stub."""
    drift = drift_check({"sentence": "The drift agrees.", "svg": plot().decode()})
    svg = plot().decode()
    months = Drift("The pier over time", "It stands.", svg[svg.index("<svg") :])
    notes = tuple(f"The camera was late by {k} s and its temperature rose." for k in range(12))
    errors = ((41.0, -60.0), (12.0, -8.0), (3.1, 1.2), (0.9, 0.8), (0.31, -0.42))
    full = made_run("session-02", NIGHT_UTC_S, *errors, notes=notes, frame=session_run().frame)
    for name, html in (
        ("usual", report_of_run(with_site_accepted(session_run()))),
        ("full", report_of_run(full, [drift, months])),
    ):
        pages, words = printed(html, tmp_path / name)
        assert len(pages) == 2, name
        assert all(len(page.splitlines()) > 15 for page in pages), name
        for heading in ("What to do", "Sweep by sweep", "Can it be trusted", "Where it comes from"):
            assert heading in words, (name, heading)


def plot() -> bytes:
    """A chart as a drift check and a history bring them."""
    at = NIGHT_UTC_S + 86400.0 * np.arange(9.0)
    error = np.tile([0.4, -0.2], (9, 1))
    return drift_picture("bench", AxisSeries(at, error, np.tile(1e-3 * np.eye(2), (9, 1, 1))))


def printed(html: str, folder: Path) -> tuple[list[str], str]:
    """Return the text of each page that a browser prints, and all of it. A4 is asked for."""
    folder.mkdir()
    (folder / "r.html").write_text(html, encoding="utf-8")
    subprocess.run(
        [
            str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", "--no-pdf-header-footer", f"--user-data-dir={folder / 'profile'}",
            f"--print-to-pdf={folder / 'r.pdf'}", f"file://{folder / 'r.html'}",
        ],
        check=True, timeout=90, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "HOME": str(folder)},
    )  # fmt: skip
    info = subprocess.run(
        ["pdfinfo", folder / "r.pdf"], check=True, capture_output=True, text=True
    ).stdout
    assert "A4" in info
    words = subprocess.run(
        ["pdftotext", "-layout", folder / "r.pdf", "-"], check=True, capture_output=True, text=True
    ).stdout
    return words.removesuffix("\f").split("\f"), words


def looking_at(site, hour_angle, declination):
    """A camera's attitude (3, 3) there; the roll is arbitrary."""
    boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
    x = np.cross([0.6, 0.0, 0.8], boresight)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(boresight, x), boresight], axis=-1)


# Labels of the report's own pictures that cover each other, by the browser's boxes.
_COVERED = """
const found = [];
for (const svg of document.querySelectorAll("svg.dial, svg.plot")) {
  const all = [...svg.querySelectorAll("text")].map((one) => [one.textContent, one.getBBox()]);
  for (const [i, [a, p]] of all.entries())
    for (const [b, q] of all.slice(0, i))
      if (p.x < q.x + q.width && q.x < p.x + p.width && p.y < q.y + q.height - 2 && q.y < p.y + p.height - 2)
        found.push([a, b]);
}
return found;
"""  # noqa: E501 - a script


@needs_chromium
def test_a_phone_shows_every_figure_without_scrolling_sideways(tmp_path) -> None:
    """Tables with many columns stand below each other there, each cell with its name; by night it
    is red alone. No label of the report's own pictures covers another, whatever the way."""
    out, night = tmp_path / "r.html", tmp_path / "n.html"
    out.write_text(report_of_run(session_run()))
    night.write_text(report_of_run(session_run(), (), Telling(theme="night")))
    dice = np.random.default_rng(4)
    ways = tmp_path / "ways.html"
    pictures = [
        axis_picture(
            made_result(alt=alt, az=az).axis, 1.0, southern=bool(k % 2),
            way=[(az * s + shift, alt * s) for s in (40.0, 12.0, 3.0)] if k % 3 else (),
        )
        for k, (alt, az, shift) in enumerate(dice.normal(0.0, 2.0, (30, 3)))
    ]  # fmt: skip
    style = re.findall(r"<style>.*?</style>", out.read_text(), re.S)[0]
    ways.write_text(f"<meta charset=utf-8>{style}<div class='figures n3'>{''.join(pictures)}</div>")
    with browser(tmp_path / "profile", 390, 844) as driver:
        driver.get(f"file://{ways}")
        assert driver.execute_script(_COVERED) == []
        for width, height in ((320, 568), (844, 390), (390, 844)):
            resize(driver, width, height)
            driver.get(f"file://{out}")
            wide = driver.execute_script("return document.documentElement.scrollWidth")
            assert wide <= width
            assert driver.execute_script(_COVERED) == []
        named = driver.execute_script(
            "return [...document.querySelectorAll('table.stack td')]"
            ".map((cell) => getComputedStyle(cell, '::before').content)"
        )
        driver.get(f"file://{night}")
        resize(driver, 390, driver.execute_script("return document.documentElement.scrollHeight"))
        with Image.open(io.BytesIO(driver.get_screenshot_as_png())) as shot:
            pixels = np.asarray(shot.convert("RGB"))
    assert '"azimuth on the sky (+ east)"' in named
    assert '"solved in"' in named
    assert pixels.shape[0] > 3000
    assert pixels[..., 1:].max() == 0
    assert pixels[..., 0].max() == 255
