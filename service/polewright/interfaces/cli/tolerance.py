"""``polewright tolerance``: the axis error tonight's exposures bear, and what an error costs."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from polewright.foundation.errors import ConfigError, ExitCode
from polewright.foundation.language import joined, say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import exit_with, told_plainly
from polewright.interfaces.cli.options import (
    ConfigPath,
    degrees_option,
    next_step,
    with_section_options,
)
from polewright.interfaces.cli.outputs import (
    Chart,
    Force,
    Theme,
    check_chart,
    picture_kind,
    write_picture,
)
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.foundation.config import TonightSection

#: What [tonight] has a figure for when nobody gives one: its name in the document.
_ASSUMED = {
    "exposure_s": "exposure",
    "declination_deg": "declination",
    "hour_angle_from_hours": "first hour angle",
    "hour_angle_to_hours": "last hour angle",
    "guided": "guiding",
    "trail_px": "longest trail",
}


def _assumption(name: str, tonight: TonightSection, latitude_deg: float) -> str:
    """Say what was taken where nobody told it."""
    match name:
        case "exposure":
            return say("exposures of {exposure_s:g} s", exposure_s=tonight.exposure_s)
        case "declination":
            return say("declination {angle:+g}°", angle=tonight.declination_deg)
        case "first hour angle":
            return say("from hour angle {angle:+g} h", angle=tonight.hour_angle_from_hours)
        case "last hour angle":
            return say("to hour angle {angle:+g} h", angle=tonight.hour_angle_to_hours)
        case "guiding":
            return say("no guiding")
        case "longest trail":
            return say("trails of {trail_px:g} px allowed", trail_px=tonight.trail_px)
    return say("latitude {angle:+g}°", angle=latitude_deg)


def _guide_star(tonight: TonightSection, guide_deg: float) -> tuple[str, ...]:
    """Ask for the guide star's distance: it decides what guiding leaves of the error."""
    if not tonight.guided or tonight.guide_distance_deg is not None:
        return ()
    return (
        say(
            "Guiding hides the drift and leaves the field's turn about the guide star, which "
            "grows with its distance. How far is yours from the field's centre? Taken: "
            "{guide_deg:.2g}°, the field's edge; --guide-distance-deg tells another.",
            guide_deg=guide_deg,
        ),
    )


def _reach(field_radius_deg: float) -> str:
    if field_radius_deg == 0.0:
        return say("at the centre of the frame only (the sensor's size is not known)")
    return say("out to {field_radius_deg:.2g}° from the centre", field_radius_deg=field_radius_deg)


def _option(text: str) -> Any:
    return typer.Option(help=text, show_default=False)


@with_section_options("tonight", {"guided": "--guided/--not-guided"})
def tolerance(
    config: ConfigPath = None,
    *,
    tracking: Annotated[
        str, typer.Option(help="rate the mount drives at: sidereal, lunar, solar or king")
    ] = "sidereal",
    latitude_deg: Annotated[
        float | None,
        typer.Option(
            parser=degrees_option,
            metavar="DEGREES",
            show_default=False,
            help="latitude, for the hemisphere and the air: 44.62 or 44:37:12 [default: 45]",
        ),
    ] = None,
    alt_arcmin: Annotated[
        float | None, _option(say("the reverse: what this altitude error costs, + too high"))
    ] = None,
    az_arcmin: Annotated[
        float | None, _option(say("the reverse: this azimuth error on the sky, + too far east"))
    ] = None,
    result: Annotated[
        Path | None,
        _option(say("the reverse, for a result of `polewright measure --json`")),
    ] = None,
    chart: Chart = None,
    theme: Theme = "day",
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    overrides: dict[str, Any],
) -> None:
    """Tell the largest axis error for round stars; with an error given, what it costs.

    From first principles: exact rotations, and the air's refraction as it changes in an exposure.
    Periodic error, flexure and seeing are left out. With --alt-arcmin, --az-arcmin or --result the
    exit code is 9 when the trails are longer than allowed.
    """
    from polewright.calculation.sky.pole import PoleTarget
    from polewright.calculation.sky.site import Site
    from polewright.calculation.tolerance.imaging import SkyOver
    from polewright.calculation.tolerance.picture import trail_picture
    from polewright.calculation.tolerance.tolerance import (
        CEILING_ARCMIN,
        beyond_ceiling,
        cost,
        largest_axis_error,
    )
    from polewright.foundation.angles import ARCMIN, DEG
    from polewright.foundation.config import config_from_file
    from polewright.observing.rig.site_and_weather import weather_of
    from polewright.observing.rig.tonight_tolerance import (
        Known,
        exposures_in_words,
        imaging_of,
        target_of,
    )

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_chart(chart, theme, force=force)
        for sentence in settings.notes:
            console.print(sentence, soft_wrap=True)
        tonight = settings.tonight
        optics = settings.optics
        imaging = imaging_of(
            tonight, Known(optics.focal_length_mm, optics.pixel_um, tracking=tracking.lower())
        )
        target, limit = target_of(tonight), tonight.trail_px
        error = _error(alt_arcmin, az_arcmin, result)
        latitude = _latitude(latitude_deg, result, settings.site.latitude_deg, target)
        pole = settings.pole.target if result is None else _read(result)["axis"]["pole"]
        height_m = settings.site.elevation_m
        site = Site(latitude, 0.0, height_m or 0.0, elevation_told=height_m is not None)
        weather = weather_of(settings, site, clock_from_environment().utc_s())
        sky = SkyOver(latitude, weather.air, PoleTarget(pole))
        allowed = largest_axis_error(imaging, target, limit, sky)
        told = tonight.model_fields_set  # by the file or by an option
        assumed = [name for key, name in _ASSUMED.items() if key not in told]
        if latitude_deg is None and result is None and settings.site.latitude_deg is None:
            assumed.append("latitude")
        document: dict[str, Any] = {
            "schema_version": "1",
            "ok": True,
            "imaging": vars(imaging),
            "target": vars(target),
            "assumed": assumed,
            "latitude_deg": latitude,
            "pole": pole,
            "trail_limit_px": limit,
            "largest_axis_error_arcmin": allowed.axis_error / ARCMIN,
            "unlimited": allowed.unlimited,
            "air": {
                "weather": weather.source,
                "trail_px": allowed.air.trail_px,
                "hour_angle_hours": allowed.air.hour_angle / DEG / 15.0,
                "best_axis_alt_arcmin": allowed.air.best_up / ARCMIN,
                "best_axis_az_sky_arcmin": allowed.air.best_east / ARCMIN,
                "best_axis_trail_px": allowed.air.best_px,
            },
        }
        lines = [
            say(
                "For {imaging}, hour angles {hour_angle_from_hours:+g} to "
                "{hour_angle_to_hours:+g} h, {field_radius_deg}, at latitude "
                "{latitude:+.1f}°.",
                imaging=exposures_in_words(imaging, target),
                hour_angle_from_hours=target.hour_angle_from_hours,
                hour_angle_to_hours=target.hour_angle_to_hours,
                field_radius_deg=_reach(imaging.field_radius_deg),
                latitude=latitude,
            ),
            *allowed.sentences,
        ]
        if assumed:
            taken = joined(", ", (_assumption(name, tonight, latitude) for name in assumed))
            lines.insert(1, say("Assumed, since nothing tells it: {assumed}.", assumed=taken))
        lines += _guide_star(tonight, imaging.guide_distance_deg)
        good = True
        if error is not None:
            up, east = error
            found = cost(imaging, target, east * ARCMIN, up * ARCMIN, sky)
            good = found.worst_px <= limit
            lines.append(found.verdict(limit))
            off_arcmin = math.hypot(up, east)
            if good and off_arcmin > CEILING_ARCMIN:
                lines.append(say("Warning: {off_arcmin}", off_arcmin=beyond_ceiling(off_arcmin)))
            document["cost"] = {
                "alt_arcmin": up,
                "az_sky_arcmin": east,
                "worst_trail_px": found.worst_px,
                "good_enough": good,
                "hour_angles_hours": [float(h) / DEG / 15.0 for h in found.hour_angles],
                "trails_px": [float(t) for t in found.trails_px],
                "air_px": [float(t) for t in found.air_px],
            }
        if chart is not None:
            up, east = error or (0.0, allowed.axis_error / ARCMIN)
            kind, night = picture_kind(chart, theme), theme == "night"
            axis = (east * ARCMIN, up * ARCMIN)
            picture = trail_picture(imaging, *axis, sky, limit, night=night, picture=kind)
            write_picture(chart, picture)
            document["picture"] = str(chart)
            lines.append(say("The picture is in {picture}.", picture=chart))
    if as_json:
        sys.stdout.write(json.dumps(document) + "\n")
    else:
        arcmin = max(allowed.axis_error / ARCMIN, 0.05)
        if error is None and allowed.axis_error and not allowed.unlimited:
            lines.append(
                next_step(
                    f"align --pole-tolerance-arcmin {min(arcmin, CEILING_ARCMIN):.2g}",
                    say("[pole] tolerance_from_tonight = true does it each night"),
                )
            )
        for line in lines:
            Console().print(line)
    exit_with(ExitCode.OK if good else ExitCode.OUT_OF_TOLERANCE)


def _read(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return {"axis": data["axis"], "site": data["site"]}
    except (OSError, ValueError, KeyError, TypeError) as exc:
        raise ConfigError(
            say(
                "{path} is not a result of `polewright measure --json`: {exc!r}", path=path, exc=exc
            )
        ) from exc


def _error(
    alt_arcmin: float | None, az_arcmin: float | None, result: Path | None
) -> tuple[float, float] | None:
    """Altitude and azimuth error (arcmin on the sky) to price, None when none is given."""
    if result is not None:
        axis = _read(result)["axis"]
        return float(axis["d_alt_arcmin"]), float(axis["d_az_sky_arcmin"])
    if alt_arcmin is None and az_arcmin is None:
        return None
    return alt_arcmin or 0.0, az_arcmin or 0.0


def _latitude(
    given: float | None, result: Path | None, configured: float | None, target: Any
) -> float:
    """The latitude, degrees; 45 on the target's side when nobody tells it."""
    if given is not None:
        return given
    if result is not None:
        return float(_read(result)["site"]["latitude_deg"])
    if configured is not None:
        return configured
    return -45.0 if target.declination_deg < 0.0 else 45.0
