"""``polewright bestpole``: the axis that drifts least on tonight's target. Informational."""

from __future__ import annotations

import dataclasses
import json
import sys
from typing import Annotated, Any

import typer
from rich.table import Table

from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.language import joined, say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.options import (
    ConfigPath,
    degrees_option,
    hours_option,
    next_step,
    with_config_options,
)
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.cli.times import At, moment, utc_from_text


@with_config_options
def bestpole(
    ra: Annotated[
        float,
        typer.Option(
            parser=hours_option,
            metavar="HOURS",
            help="right ascension of the target (ICRS): 5.588, 5:35:17 or 5h35m17s",
        ),
    ],
    dec: Annotated[
        float,
        typer.Option(
            parser=degrees_option,
            metavar="DEGREES",
            help="declination of the target (ICRS): -5.39, -5:23:28 or -5d23m28s",
        ),
    ],
    config: ConfigPath = None,
    at: At = None,
    hours: Annotated[float, typer.Option(help="length of the span, hours")] = 4.0,
    exposure_s: Annotated[float, typer.Option(help="one exposure, s")] = 300.0,
    field_radius_deg: Annotated[
        float, typer.Option(help="from the centre to the farthest star that shall be round")
    ] = 0.5,
    criterion: Annotated[
        str,
        typer.Option(help="what shall be least: drift, declination (RA is guided), or rotation"),
    ] = "drift",
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Say which axis is best for one target tonight, and what it gains over the poles.

    No device is touched and no setting is changed: the gain is small unless the target is low or
    the focal length long.
    """
    from polewright.calculation.drift.bestpole import Criterion, TargetSpan, best_pole
    from polewright.foundation.config import config_from_file
    from polewright.foundation.errors import ConfigError
    from polewright.observing.rig.rig import nominal_scale
    from polewright.observing.rig.site_and_weather import site_given, weather_of

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config, overrides)
        for sentence in settings.notes:
            console.print(sentence, soft_wrap=True)
        site = site_given(settings)
        start = clock_from_environment().utc_s() if at is None else utc_from_text(at)
        try:
            wanted = Criterion(criterion)
        except ValueError as exc:
            names = ", ".join(item.value for item in Criterion)
            raise ConfigError(
                say(
                    "--criterion {criterion!r}: choose one of {names}",
                    criterion=criterion,
                    names=names,
                )
            ) from exc
        span = TargetSpan(
            15.0 * ra, dec, start, start + 3600.0 * hours, exposure_s, field_radius_deg
        )
        weather = weather_of(settings, site, start)
        answer = best_pole(site, weather.air, span, wanted)
    scale = nominal_scale(settings.optics.focal_length_mm, settings.optics.pixel_um)
    if as_json:
        document = {
            "schema_version": "1",
            "ok": True,
            "criterion": wanted.value,
            "visible_share": answer.visible_share,
            "visible_from_utc_s": answer.visible_from_utc_s,
            "visible_until_utc_s": answer.visible_until_utc_s,
            "weather": weather.source,
            "gain_arcsec": answer.gain / ARCSEC,
            "gain_px": None if scale is None else answer.gain / scale,
            "poles": [
                {
                    "name": pole.name,
                    "d_alt_arcmin": pole.d_alt / ARCMIN,
                    "d_az_sky_arcmin": pole.d_az_sky / ARCMIN,
                    "rms_arcsec": pole.rms / ARCSEC,
                    "worst_arcsec": pole.worst / ARCSEC,
                    "worst_px": None if scale is None else pole.worst / scale,
                }
                for pole in (answer.true, answer.refracted, answer.best)
            ],
            "target": dataclasses.asdict(span),
        }
        sys.stdout.write(json.dumps(document) + "\n")
        return
    out = Console()
    table = Table(
        title=say("Motion in one exposure of {exposure_s:g} s", exposure_s=exposure_s),
        title_justify="left",
    )
    for title in (
        say("axis"),
        say("above the true pole"),
        say("east of it"),
        say("rms"),
        say("worst"),
    ):
        table.add_column(title, justify="left" if title == "axis" else "right")
    for pole in (answer.true, answer.refracted, answer.best):
        pixels = "" if scale is None else say(" ({worst:.2f} px)", worst=pole.worst / scale)
        table.add_row(
            pole.name,
            angle_text(pole.d_alt, signed=True),
            angle_text(pole.d_az_sky, signed=True),
            angle_text(pole.rms),
            say("{worst}{pixels}", worst=angle_text(pole.worst), pixels=pixels),
        )
    out.print(table)
    gain = angle_text(answer.gain)
    if scale is not None:
        gain += say(" ({gain:.2f} px)", gain=answer.gain / scale)
    for sentence in (
        say("Air, for refraction: {source}.", source=weather.source),
        *weather.warnings,
    ):
        out.print(sentence)
    out.print(say("The best axis gains {gain} rms over the better of the two poles.", gain=gain))
    ways = []
    if answer.visible_from_utc_s > span.begin_utc_s:
        ways.append(say("rises above 10° at about {when}", when=moment(answer.visible_from_utc_s)))
    if answer.visible_until_utc_s < span.end_utc_s:
        ways.append(say("sets below 10° at about {when}", when=moment(answer.visible_until_utc_s)))
    _tell_ways(out, ways, answer.visible_share)
    out.print(next_step("tolerance", say("whether that gain matters tonight")))


def _tell_ways(out: Console, ways: list[str], visible_share: float) -> None:
    if ways:
        out.print(
            say(
                "The target {ways}: only {visible_share:.0%} of the time counts.",
                ways=joined(say(" and "), ways),
                visible_share=visible_share,
            ),
        )
