"""The report as one HTML file: nothing is fetched, and it prints."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from importlib import resources
from typing import Any, Literal

from polewright.calculation.figures import night_variables
from polewright.calculation.geometry.shared_errors import STANDARD_NOISE_DOF
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import believed_weather
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCSEC
from polewright.foundation.config import Config
from polewright.foundation.language import active, joined, say, say_count, translated
from polewright.interfaces.report.errors import NothingToReport
from polewright.interfaces.report.improvements import what_would_be_better
from polewright.interfaces.report.pictures import Way, axis_picture, residual_picture
from polewright.interfaces.report.skychart import config_of, sky_chart_svg
from polewright.interfaces.report.svg import escape
from polewright.observing.plan.rig_errors import shared_errors
from polewright.records.history.run_record import AxisReading, FrameKept, RunRecord
from polewright.records.passive_result import PassiveResult
from polewright.records.result import AxisResult, MeasurementResult

#: A way so many times longer than the last picture's reach gets a second, closer picture.
ZOOM_FROM = 4.0
#: So many cautions are printed (twin: page.css), for a report is two pages of A4.
PRINTED_CAUTIONS = 6
#: Letters of a heading up to which two of its cells fit beside each other on a phone.
LONGEST_OF_A_PAIR = 9


class Place(StrEnum):
    """How much of the site a report tells. A solved frame with its time gives a site away, too."""

    COARSE = "coarse"
    """To a tenth of a degree, some 10 km; directions as well."""
    EXACT = "exact"
    NONE = "none"
    """Nor anything that it could be worked out from: a turn of the base beside the same way on the
    sky (their ratio is the cosine of the latitude), directions, hour angles, a frame that could be
    solved, the air, and the figures in sentences of the run."""


Theme = Literal["auto", "day", "night"]
"""Of a report: as the device is set, or one of the two. Printed it is always light."""


@dataclass(frozen=True)
class Telling:
    """How a report is told: what of the place, in which light."""

    place: Place = Place.COARSE
    theme: Theme = "auto"


AS_USUAL = Telling()
_DEGREES = re.compile(r"[+-]?\d+(?:\.\d+)?(?=\s?°)")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,:]\d+)*")
_ASIDE = re.compile(r"\s*\([^()]*\d[^()]*\)")


@dataclass(frozen=True)
class Drift:
    """What a drift check or a pier's history adds."""

    title: str
    sentence: str
    svg: str = ""
    of_sky: bool = False
    """Whether it may tell where in the sky something stood."""


def report_of_run(run: RunRecord, drifts: Sequence[Drift] = (), telling: Telling = AS_USUAL) -> str:
    """Return the page of a recorded run. Raises `NothingToReport` when it measured nothing."""
    if run.passive is not None:
        return _night_page(run.passive, run, drifts, telling)
    if not run.sweeps:
        raise NothingToReport(run.run_id)
    checks = [drift_check(document) for document in run.drifts]
    config = config_of(run.config)
    return _page(run.sweeps[-1].result, config, run, [*checks, *drifts], telling)


def report_of_result(result: MeasurementResult, telling: Telling = AS_USUAL) -> str:
    """Return the page of a bare measurement, as `polewright measure --json` prints it."""
    return _page(result, Config(), None, [], telling)


def _page(
    result: MeasurementResult,
    config: Config,
    run: RunRecord | None,
    drifts: Sequence[Drift],
    telling: Telling,
) -> str:
    place = telling.place
    told = _as_told(result, place)
    title = say("Polar axis, {finished_utc}", finished_utc=_when(result.finished_utc))
    body = [
        _heading(told, run, place),
        _verdict(result, run),
        _numbers(result.axis, place),
        _to_do(result.advice, place),
        _cautions(result, run, place),
        _axis_section(told, run, place),
        _moves(run),
        _where_it_looked(told, config, place, _floor_arcsec(result, config)),
        _points(told, place),
        _extras(drifts, place),
        _better(result, config, place),
        _origin(told, run, place),
        _data(result, run, place),
    ]
    return _document(title, body, telling.theme)


def _night_page(
    result: PassiveResult, run: RunRecord, drifts: Sequence[Drift], telling: Telling
) -> str:
    """The page of what a night's frames told."""
    hidden = telling.place is Place.NONE
    groups = [
        (
            f"{group.ra_deg / 15.0:.2f}",
            f"{group.dec_deg:+.1f}",
            f"{group.frames}",
            f"{group.minutes:.0f}",
            *(
                (
                    f"{group.hour_angle_from_hours:+.1f} … {group.hour_angle_to_hours:+.1f}",
                    say("west") if group.side == "west" else say("east"),
                )
                if not hidden
                else ()
            ),
            f"{group.rms_arcsec:.1f}",
        )
        for group in result.groups
    ]
    heads = (
        say("RA, h"),
        say("Dec, °"),
        say("frames"),
        say("minutes"),
        *((say("hour angle, h"), say("side")) if not hidden else ()),
        say("left, arcsec"),
    )
    known = [_plain_place(sentence, telling.place) for sentence in result.doubts]
    known += [
        say("Left out: {frames} ({reason}).", frames=item.frames, reason=item.reason)
        for item in result.left_out
    ]
    where = say(
        "By frames of tracked targets: no sweep was made. {frames} over {hours:.1f} h, {pier}.",
        frames=say_count("{count} frame", "{count} frames", result.frames),
        hours=result.hours,
        pier=result.telescope if hidden else run.pier,
    )
    sentence = result.sentence
    if not hidden or result.verdict == "contradicted":  # other ones have no figures of the site
        sentence = _plain_place(sentence, telling.place)
    origin = [f"{result.telescope} · {result.camera}", result.software]
    if not hidden:
        origin.insert(0, _plain_place(result.weather.sentence(), telling.place))
    body = [
        f"<h1>{escape(say('Where the polar axis points'))}</h1><p class='sub'>{escape(where)}</p>",
        f'<div class="verdict {"in" if result.within_tolerance else "out"}">'
        f"<strong>{escape(sentence)}</strong></div>",
        "" if result.axis is None else _numbers(result.axis, telling.place),
        _to_do(result.advice, telling.place) if result.advice else "",
        _section(say("The frames"), _table(heads, groups), whole=True) if groups else "",
        _section(say("What to know"), _list(known)) if known else "",
        _extras(drifts, telling.place),
        _section(say("Where it comes from"), _list(origin)),
    ]
    title = say("Polar axis, night of {night}", night=result.night)
    return _document(title, body, telling.theme)


def _document(title: str, body: Iterable[str], theme: Theme) -> str:
    """One HTML file that fetches nothing."""
    css = (
        resources.files("polewright.interfaces.report")
        .joinpath("page.css")
        .read_text(encoding="utf-8")
        .replace("/* night's charts */", night_variables())
    )
    chosen = "" if theme == "auto" else f' data-theme="{theme}"'
    return (
        f'<!doctype html>\n<html lang="{active()}"{chosen}><head><meta charset="utf-8">'
        f"<style>{css}</style>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        # A report is a document: whatever names devices carry, it runs and fetches nothing.
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'; img-src data:\">"
        f"<title>{escape(title)}</title></head><body><main>"
        + "\n".join(part for part in body if part)
        + "</main></body></html>\n"
    )


def _as_told(result: MeasurementResult, place: Place) -> MeasurementResult:
    """The result with site and directions as coarse as they are told."""
    if place is Place.EXACT:
        return result
    site = result.site.model_copy(
        update={
            "latitude_deg": round(result.site.latitude_deg, 1),
            "longitude_deg": round(result.site.longitude_deg, 1),
            "elevation_m": round(result.site.elevation_m, -2),
        }
    )
    points = tuple(
        point.model_copy(
            update={
                "azimuth_deg": round(point.azimuth_deg, 1),
                "altitude_deg": round(point.altitude_deg, 1),
            }
        )
        for point in result.points
    )
    return result.model_copy(update={"site": site, "points": points})


def _plain_place(text: str, place: Place) -> str:
    """A sentence in the reader's language, its degrees as coarse as the site is told.

    Where the site is not told it has no figures at all: what it is about is not known here.
    """
    text = translated(text)
    match place:
        case Place.EXACT:
            return text
        case Place.COARSE:
            return _DEGREES.sub(lambda found: f"{float(found[0]):.1f}", text)
    return _NUMBER.sub("…", text)


def _heading(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    subtitle = escape(_subtitle(result, run, place))
    return f"<h1>{escape(say('Where the polar axis points'))}</h1><p class='sub'>{subtitle}</p>"


def _when(iso: str) -> str:
    return datetime.fromisoformat(iso).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _subtitle(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    site = result.site
    north = say("N") if site.latitude_deg >= 0 else say("S")
    longitude = (site.longitude_deg + 180.0) % 360.0 - 180.0
    east = say("E") if longitude >= 0 else say("W")
    decimals = 3 if place is Place.EXACT else 1
    where = [
        say(
            "{latitude}° {north}, {longitude}° {east}",
            latitude=f"{abs(site.latitude_deg):.{decimals}f}",
            north=north,
            longitude=f"{abs(longitude):.{decimals}f}",
            east=east,
        ),
        say("{elevation_m:.0f} m", elevation_m=site.elevation_m),
    ]
    words = [
        _when(result.finished_utc),
        *([run.pier] if run and run.pier != result.telescope and place is not Place.NONE else []),
        result.telescope,
        result.camera,
        *(where if place is not Place.NONE else []),
    ]
    rehearsal = say("REHEARSAL on a simulated clock · ") if run and run.rehearsal else ""
    return rehearsal + joined(" · ", words)


def _verdict(result: MeasurementResult, run: RunRecord | None) -> str:
    axis = result.axis
    inside = result.within_tolerance
    head = (
        say(
            "Within the tolerance of {tolerance_arcmin}",
            tolerance_arcmin=arcmin_text(result.tolerance_arcmin),
        )
        if inside
        else say(
            "Not within the tolerance of {tolerance_arcmin}",
            tolerance_arcmin=arcmin_text(result.tolerance_arcmin),
        )
    )
    pole = say("true pole") if axis.pole == "true" else say("refracted pole")
    line = say(
        "The axis is {total_arcmin} from the {pole}; under {total_upper95_arcmin} (95 %).",
        total_arcmin=arcmin_text(axis.total_arcmin, axis.sigma_total_arcmin),
        pole=pole,
        total_upper95_arcmin=arcmin_text(axis.total_upper95_arcmin),
    )
    return (
        f'<div class="verdict {"in" if inside else "out"}"><strong>{escape(head)}</strong>'
        f"{escape(line)}</div>"
        f'<p class="from">{escape(_from_to(result, run))}</p>'
    )


def _from_to(result: MeasurementResult, run: RunRecord | None) -> str:
    """From what to what, in how many minutes."""
    axis = result.axis
    ended = datetime.fromisoformat(result.finished_utc).timestamp()
    if run is None or len(run.sweeps) < 2:
        began = datetime.fromisoformat(result.started_utc).timestamp()
        return say("Measured in {minutes:.1f} minutes.", minutes=(ended - began) / 60.0)
    first = run.sweeps[0].result.axis
    return say(
        "From {first} to {last} in {minutes:.0f} minutes, with {sweeps} sweeps.",
        first=arcmin_text(first.total_arcmin, first.sigma_total_arcmin),
        last=arcmin_text(axis.total_arcmin, axis.sigma_total_arcmin),
        minutes=(ended - run.started_utc_s) / 60.0,
        sweeps=len(run.sweeps),
    )


def _numbers(axis: AxisResult, place: Place) -> str:
    cells: list[tuple[float, float | None, str]] = [
        (
            axis.d_alt_arcmin,
            axis.sigma_alt_arcmin,
            say("altitude: too high") if axis.d_alt_arcmin >= 0 else say("altitude: too low"),
        ),
        (
            axis.d_az_sky_arcmin,
            axis.sigma_az_sky_arcmin,
            say("azimuth on the sky: too far east")
            if axis.d_az_sky_arcmin >= 0
            else say("azimuth on the sky: too far west"),
        ),
    ]
    if place is not Place.NONE:
        cells.append((axis.d_az_base_arcmin, None, say("azimuth as a turn of the base")))
    out = []
    for value, sigma, words in cells:
        size = arcmin_text(value) if sigma is None else arcmin_text(abs(value), sigma)
        out.append(f'<div class="number"><b>{escape(size)}</b><span>{escape(words)}</span></div>')
    return f'<div class="numbers">{"".join(out)}</div>'


def _list(items: Iterable[str], css: str = "") -> str:
    return f'<ul class="{css}">' + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def _section(heading: str, inner: str, *, whole: bool = False) -> str:
    css = ' class="whole"' if whole else ""
    return f"<section{css}><h2>{escape(heading)}</h2>{inner}</section>"


def _to_do(advice: Iterable[str], place: Place) -> str:
    told = [translated(sentence) for sentence in advice]
    if place is Place.NONE:  # the same way as a turn of the base stands aside, in parentheses
        told = [_ASIDE.sub("", sentence) for sentence in told]
    return _section(say("What to do"), _list(told, "do"), whole=True)


def _way(run: RunRecord) -> Way:
    """Positions from the first sweep to just before the last one, in order of time."""
    places: list[tuple[float, float]] = []
    for number, sweep in enumerate(run.sweeps):
        axis = sweep.result.axis
        if number < len(run.sweeps) - 1:
            places.append((axis.d_az_sky_arcmin, axis.d_alt_arcmin))
        places += [
            (reading.d_az_sky_arcmin, reading.d_alt_arcmin)
            for reading in run.readings
            if reading.after_sweep == number + 1 and _sure(reading)
        ]
    return places if len(run.sweeps) > 1 or places else []


def _sure(reading: AxisReading) -> bool:
    return reading.state not in ("lost", "moving")


def _axis_section(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    """The axis about the pole, and one frame of the sweep."""
    axis, tolerance = result.axis, result.tolerance_arcmin
    southern = result.site.latitude_deg < 0.0
    way = _way(run) if run else []
    facing = say("south") if southern else say("north")
    caption = say(
        "Seen facing {facing}. Cross: the pole. Disc: the tolerance of {tolerance}. Dot: the "
        "measured axis; dashed: where it is with 95 % confidence.",
        facing=facing,
        tolerance=arcmin_text(tolerance),
    )
    if way:
        caption += say(" Line with squares: how it came there.")
    figures = [(axis_picture(axis, tolerance, southern=southern, way=way), caption)]
    far = max((max(abs(a), abs(b)) for a, b in way), default=0.0)
    if way and far > ZOOM_FROM * max(axis.total_arcmin, tolerance):
        close = axis_picture(axis, tolerance, southern=southern, way=way, zoom=True)
        figures.append((close, say("The end of it, closer.")))
    if run is not None and run.frame is not None and place is not Place.NONE:
        figures.append(_frame(run.frame))
    return _section(say("Where the axis points"), _side_by_side(figures), whole=True)


def _frame(frame: FrameKept) -> tuple[str, str]:
    caption = say_count(
        "A frame of the last sweep: {exposure_s:g} s, {count} star found (ringed).",
        "A frame of the last sweep: {exposure_s:g} s, {count} stars found (ringed).",
        frame.star_count,
        exposure_s=frame.exposure_s,
    )
    # Through bytes and back: whatever a run of another machine carries, it is base64 here.
    data = base64.b64encode(base64.b64decode(frame.jpeg_base64)).decode()
    alt = escape(say("A frame of the sweep"))
    picture = f'<img src="data:image/jpeg;base64,{data}" alt="{alt}">'
    return f'<div class="frame">{picture}</div>', caption


def _side_by_side(figures: Sequence[tuple[str, str]]) -> str:
    """Pictures and their captions; on a phone and where there is one alone, below each other."""
    inner = "".join(
        f"<figure>{picture}<figcaption>{escape(caption)}</figcaption></figure>"
        for picture, caption in figures
    )
    return f'<div class="figures n{len(figures)}">{inner}</div>'


def _table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], words: Sequence[int] = ()
) -> str:
    """Return a table; on a phone one with many columns has its cells below each other, named."""
    many = len(headings) > 3
    short = all(len(heading) <= LONGEST_OF_A_PAIR for heading in headings)
    css = ("stack pairs" if short else "stack") if many else ""

    def label(column: int) -> str:
        return f' data-label="{escape(headings[column])}"' if many else ""

    def cells(tag: str, row: Sequence[str]) -> str:
        return "".join(
            f"<{tag}{' class=words' if i in words else ''}{label(i)}>{escape(cell)}</{tag}>"
            for i, cell in enumerate(row)
        )

    body = "".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    head = f"<thead><tr>{cells('th', headings)}</tr></thead>"
    return f'<table class="{css}">{head}<tbody>{body}</tbody></table>'


def _moves(run: RunRecord | None) -> str:
    """Sweeps of a session, one row each, with what lay between."""
    if run is None or len(run.sweeps) < 2:
        return ""
    rows = []
    for number, sweep in enumerate(run.sweeps, start=1):
        axis = sweep.result.axis
        followed = sum(1 for reading in run.readings if reading.after_sweep == number)
        rows.append(
            (
                say("sweep {number}", number=number),
                _when(sweep.result.finished_utc)[11:],
                arcmin_text(axis.d_alt_arcmin, axis.sigma_alt_arcmin, signed=True),
                arcmin_text(axis.d_az_sky_arcmin, axis.sigma_az_sky_arcmin, signed=True),
                arcmin_text(axis.total_arcmin),
                str(followed),
            )
        )
    headings = (
        say("sweep"),
        say("when"),
        say("altitude (+ high)"),
        say("azimuth on the sky (+ east)"),
        say("total"),
        say("readings after"),
    )
    return _section(say("Sweep by sweep"), _table(headings, rows))


def _where_it_looked(
    result: MeasurementResult, config: Config, place: Place, floor_arcsec: float
) -> str:
    """The sky with the points, and what the fit leaves over at each."""
    caption = say(
        "How far each point's attitude is from one fixed axis. Bars within the shaded band (two "
        "sigmas) are as expected; {floor} for air and mount is added to a point's own error.",
        floor=angle_text(floor_arcsec * ARCSEC),
    )
    figures = [(residual_picture(result, floor_arcsec), caption)]
    if place is not Place.NONE:  # the pole's height in it is the latitude, the skyline a house's
        sky = say("North up, east left; the zenith is in the middle.")
        figures.insert(0, (sky_chart_svg(result, config), sky))
    return _section(say("Where the sweep looked"), _side_by_side(figures), whole=True)


def _points(result: MeasurementResult, place: Place) -> str:
    axis = result.axis
    if axis.p_value is None:
        check = say(
            "This fit has nothing left to check itself with: one more point would verify it."
        )
    else:
        check = say(
            "Chi-square {chi2:.1f} for {dof} degrees of freedom: a value this large "
            "comes by chance in {p_value:.2g} % of sweeps when the mount turns about one "
            "fixed axis.",
            chi2=axis.chi2,
            dof=axis.dof,
            p_value=100.0 * axis.p_value,
        )
    headings = (
        say("point"),
        *((say("azimuth"), say("altitude")) if place is not Place.NONE else ()),
        say("exposure"),
        say("stars"),
        say("matched"),
        say("rms"),
        say("pointing"),
        say("roll"),
        say("solved in"),
    )
    rows = [
        (
            say("point {point}", point=p.number),
            *(
                (f"{p.azimuth_deg:.1f}°", f"{p.altitude_deg:.1f}°")
                if place is not Place.NONE
                else ()
            ),
            f"{p.exposure_s:g} s",
            str(p.star_count),
            str(p.matched),
            angle_text(p.rms_arcsec * ARCSEC),
            "± " + angle_text(p.sigma_pointing_arcsec * ARCSEC),
            "± " + angle_text(p.sigma_roll_arcsec * ARCSEC),
            f"{p.solve_s:.2f} s",
        )
        for p in result.points
    ]
    inner = f"<p>{escape(check)}</p>{_table(headings, rows)}"
    return _section(say("Can it be trusted"), inner)


def drift_check(document: dict[str, Any]) -> Drift:
    """Return what a drift check's own document says, with its picture if it brings one."""
    sentence = str(document.get("sentence") or document.get("verdict") or say("no verdict"))
    picture = document.get("svg")
    if not isinstance(picture, str):
        return Drift(say("Drift check"), sentence, of_sky=True)
    # As an image, whose scripts no browser runs: the document may come from another machine.
    data = base64.b64encode(picture.encode()).decode()
    alt = escape(say("Drift of the fields"))
    image = (
        f'<div class="frame chart"><img src="data:image/svg+xml;base64,{data}" alt="{alt}"></div>'
    )
    return Drift(say("Drift check"), sentence, image, of_sky=True)


def _extras(drifts: Sequence[Drift], place: Place) -> str:
    """Drift checks and the pier over time; on paper two of them stand side by side."""
    inner = "".join(_drift(item, place) for item in drifts)
    return f'<div class="extras">{inner}</div>' if drifts else ""


def _drift(item: Drift, place: Place) -> str:
    if item.of_sky and place is Place.NONE:
        item = Drift(item.title, _plain_place(item.sentence, place))
    figure = f'<figure class="wide">{item.svg}</figure>' if item.svg else ""
    return _section(item.title, f"<p>{escape(item.sentence)}</p>{figure}", whole=True)


def _floor_arcsec(result: MeasurementResult, config: Config) -> float:
    """The error of a frame beside its stars', as the fit had it."""
    assumed = result.axis.frame_floor_arcsec
    return config.sweep.frame_floor_arcsec if assumed is None else assumed


def _better(result: MeasurementResult, config: Config, place: Place) -> str:
    site = Site(result.site.latitude_deg, result.site.longitude_deg, result.site.elevation_m)
    if result.weather is None:  # of an older version
        weather = believed_weather(site, datetime.fromisoformat(result.started_utc).timestamp())
    else:
        weather = result.weather.weather()
    noise_dof = result.axis.noise_dof or STANDARD_NOISE_DOF
    told = result.axis.sag  # as the fit had it: by the focal length that the stars told, or learnt
    sag = None if told is None else told.sag()
    shared = shared_errors(config, weather, config.optics.focal_length_mm, noise_dof, sag)
    found = what_would_be_better(result, _floor_arcsec(result, config), shared=shared)
    if found is None:
        return ""
    rows = [
        (
            change.sentence,
            arcmin_text(change.sigma_arcmin),
            f"{100.0 * (1.0 - change.factor):.0f} %",
        )
        for change in found.changes
    ]
    table = (
        _table(
            (say("Instead of what was done"), say("uncertainty then"), say("smaller by")),
            rows,
            (0,),
        )
        if rows
        else f"<p>{escape(say('No change tried would make it noticeably less uncertain.'))}</p>"
    )
    known = say(
        "The axis is known to {sigma} (1 sigma, both directions together). Predicted with the "
        "same fit, all else equal:",
        sigma=arcmin_text(found.sigma_arcmin),
    )
    details = f'<div class="details"><p>{escape(known)}</p>{table}</div>'
    if place is Place.NONE:  # what else would do depends on where the frames stood
        details = ""
    inner = f"<p>{escape(found.summary)}</p>{details}"
    return _section(say("What would be better"), inner, whole=True)


def _cautions(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    notes = list(dict.fromkeys((*result.notes, *(run.notes if run else ()))))
    if run is not None and run.failure is not None:
        notes.insert(
            0,
            say(
                "The run ended early: {message} {advice}",
                message=run.failure.message,
                advice=run.failure.advice,
            ).strip(),
        )
    if result.axis.p_value is None:
        notes.append(say("The fit could not be checked against itself."))
    if run is not None and run.adjusted_after:
        notes.append(
            say(
                "The axis was still being followed after the last sweep: it may have been "
                "moved since."
            )
        )
    if result.site.accepted:
        notes = [note for note in notes if result.site.accepted not in note]
        what = (
            say("figures left out with the site")
            if place is Place.NONE
            else _plain_place(result.site.accepted, place)
        )
        notes.insert(
            0,
            say(
                "Mount and program contradicted each other about site or clock; ours were used, as "
                "was confirmed for this session: {what}.",
                what=what,
            ),
        )
    if not notes:
        return ""
    inner = "".join(f"<li>{escape(_plain_place(note, place))}</li>" for note in notes)
    more = len(notes) - PRINTED_CAUTIONS
    told = say_count("{count} more is in the file.", "{count} more are in the file.", more)
    rest = f'<p class="more">{escape(told)}</p>' if more > 0 else ""
    return _section(say("Cautions"), f'<ul class="cautions">{inner}</ul>{rest}')


def _origin(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    """Where every figure comes from, in one paragraph: for whoever doubts one."""
    weather = result.weather.source if result.weather else ""
    facts = [
        (
            say("measured"),
            say(
                "{started_utc} to {finished_utc}",
                started_utc=_when(result.started_utc),
                finished_utc=_when(result.finished_utc),
            ),
        ),
        (say("telescope"), result.telescope),
        (say("camera"), result.camera),
        *([(say("site from"), result.site.source)] if place is not Place.NONE else []),
        *(
            [(say("air, for refraction"), _plain_place(weather, place))]
            if weather and place is not Place.NONE  # by month and latitude it tells these
            else []
        ),
        *([(say("sag of the tube"), result.axis.sag.sentence())] if result.axis.sag else []),
        (say("solver"), ", ".join(sorted({point.solver for point in result.points}))),
        (say("software"), result.software),
    ]
    if run is not None:
        if place is Place.EXACT:  # an address tells of the network at home
            facts += [
                (
                    say("{device} at", device=d.device),
                    say(
                        "{address} (interface {interface_version})",
                        address=d.address,
                        interface_version=d.interface_version,
                    ),
                )
                for d in run.devices
            ]
        versions = ", ".join(f"{name} {version}" for name, version in run.versions.items())
        facts += [(say("run"), run.run_id), (say("versions"), versions)]
    inner = " ".join(f"<span><b>{escape(name)}</b> {escape(fact)}</span>" for name, fact in facts)
    return _section(say("Where it comes from"), f'<p class="origin">{inner}</p>', whole=True)


def _data(result: MeasurementResult, run: RunRecord | None, place: Place) -> str:
    """The numbers for programs, in the file itself; they hold the site to the last digit."""
    if place is not Place.EXACT:
        coarse = say(
            "The site is told to 0.1 degree, and numbers for programs are left out, as they tell "
            "it exactly: `polewright report --exact-site` keeps both."
        )
        none = say(
            "The site is left out, and with it what would tell it: directions, a frame, the air, "
            "figures in cautions, and the numbers for programs."
        )
        left_out = coarse if place is Place.COARSE else none
        return f"<footer>{escape(left_out)}</footer>"
    document = (run or result).model_dump(mode="json")
    # "</" would end the element wherever it stands, and "<!--<script" would keep it open.
    text = json.dumps(document).replace("<", "\\u003c")
    told = say(
        "All numbers of this report are also in this file, as JSON (element {element}).",
        element='"polewright-data"',
    )
    return (
        f"<footer>{escape(told)}</footer>"
        f'<script type="application/json" id="polewright-data">{text}</script>'
    )
