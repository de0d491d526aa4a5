"""``polewright preset``: tripod bearing and altitude scale before power-on; learns from nights."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from polewright.foundation.language import say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.options import (
    ConfigPath,
    degrees_option,
    next_step,
    with_config_options,
)
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.calculation.preset.magnetic import MagneticDeclination
    from polewright.calculation.preset.proposal import Preset
    from polewright.calculation.sky.site import Site


@with_config_options
def preset(
    config: ConfigPath = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    record: Annotated[
        float | None,
        typer.Option(
            parser=degrees_option,
            metavar="DEGREES",
            help="end of a night: compass bearing read along the bare base, adjusters centred, deg",
        ),
    ] = None,
    base_turn: Annotated[
        float,
        typer.Option(
            help="with --record: turn of the azimuth adjuster from its centre when the axis was "
            "on the pole, degrees, east positive"
        ),
    ] = 0.0,
    altitude_scale: Annotated[
        float | None,
        typer.Option(
            parser=degrees_option,
            metavar="DEGREES",
            help="what the altitude scale read with the axis on the pole, degrees",
        ),
    ] = None,
    raise_bias: Annotated[
        float, typer.Option(help="preset the axis so much low, degrees (common practice)")
    ] = 0.5,
    azimuth_travel: Annotated[
        float | None,
        typer.Option(help="reach of the azimuth adjuster to each side of its centre, degrees"),
    ] = None,
    altitude_travel: Annotated[
        float | None,
        typer.Option(help="reach of the altitude adjuster from the setting, degrees"),
    ] = None,
    magnetic_declination: Annotated[
        float | None,
        typer.Option(
            parser=degrees_option,
            metavar="DEGREES",
            help="declination from a map instead of the model, degrees, east positive",
        ),
    ] = None,
    rig: Annotated[
        str, typer.Option(help="name of the rig and compass, if there are several")
    ] = "",
    file: Annotated[
        Path | None, typer.Option(help="file of past nights; the user's data folder if left out")
    ] = None,
    *,
    overrides: dict[str, Any],
) -> None:
    """Say where to put the tripod and what to set, before anything is switched on.

    No device is touched. At the end of a night, with the telescope taken off, centre the
    adjusters, read the compass along the bare base and give it with --record.
    """
    from polewright.calculation.preset.nights import PresetNight, of_rig
    from polewright.calculation.preset.proposal import PresetWish, adjuster_left_sentence, propose
    from polewright.foundation.config import config_from_file
    from polewright.observing.rig.site_and_weather import site_given
    from polewright.records.preset_nights import NightFile

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config, overrides)
        for sentence in settings.notes:
            console.print(sentence, soft_wrap=True)
        site = site_given(settings)
        now = clock_from_environment().utc_s()
        magnetic = _magnetic(site, now, magnetic_declination)
        store = NightFile(file)
        if azimuth_travel is None:
            azimuth_travel = _travel_deg(
                settings.profile.azimuth.travel_plus_arcmin,
                settings.profile.azimuth.travel_minus_arcmin,
            )
        recorded = None
        if record is not None or altitude_scale is not None:
            recorded = PresetNight(
                utc_s=now,
                latitude_deg=site.latitude_deg,
                longitude_deg=site.longitude_deg,
                magnetic_declination_deg=magnetic.declination_deg,
                bearing_deg=record,
                base_turn_deg=base_turn,
                altitude_scale_deg=altitude_scale,
                rig=rig,
            )
            store.add(recorded)
        wish = PresetWish(raise_bias, azimuth_travel, altitude_travel)
        proposal = propose(site, magnetic, of_rig(store.nights(), rig), wish)
    if as_json:
        document = {
            "schema_version": "1",
            "ok": True,
            "recorded": None if recorded is None else dataclasses.asdict(recorded),
            "file": str(store.path),
            "preset": dataclasses.asdict(proposal),
        }
        sys.stdout.write(json.dumps(document) + "\n")
        return
    out = Console()
    if recorded is not None:
        out.print(say("Recorded in {path}.", path=store.path))
        out.print(adjuster_left_sentence(base_turn, azimuth_travel))
        out.print(say("Next time, with what has been learned:"))
    _print(out, proposal)
    if recorded is None:
        out.print(next_step("align", say("when everything is switched on")))


def _magnetic(site: Site, utc_s: float, by_hand_deg: float | None) -> MagneticDeclination:
    from polewright.calculation.preset.errors import PresetNotUsable
    from polewright.calculation.preset.magnetic import (
        MagneticDeclination,
        decimal_year,
        magnetic_declination,
    )

    if by_hand_deg is None:
        return magnetic_declination(site, decimal_year(utc_s))
    if not -180.0 <= by_hand_deg <= 180.0:
        raise PresetNotUsable("--magnetic-declination", by_hand_deg, say("between -180 and 180"))
    return MagneticDeclination(by_hand_deg, 0.5, None, say("given by hand"))


def _travel_deg(plus_arcmin: float | None, minus_arcmin: float | None) -> float | None:
    if not plus_arcmin or not minus_arcmin:
        return None
    return min(plus_arcmin, minus_arcmin) / 60.0


def _print(console: Console, proposal: Preset) -> None:
    for number, sentence in enumerate(proposal.sentences, start=1):
        console.print(say("{number}. {sentence}", number=number, sentence=sentence))
    magnetic = proposal.magnetic
    console.print(
        say(
            "Magnetic declination {declination_deg:+.1f}° (east positive, {model}). The "
            "bearing should be good to ± {sigma_bearing_deg:.1f}°, the altitude to ± "
            "{sigma_altitude_deg:.1f}°.",
            declination_deg=magnetic.declination_deg,
            model=magnetic.model,
            sigma_bearing_deg=proposal.sigma_bearing_deg,
            sigma_altitude_deg=proposal.sigma_altitude_deg,
        ),
    )
    for name, enough in (
        ("azimuth", proposal.azimuth_travel_suffices),
        ("altitude", proposal.altitude_travel_suffices),
    ):
        if enough is not None:
            words = say("should suffice") if enough else say("may NOT suffice")
            console.print(say("The travel of the {name} adjuster {words}.", name=name, words=words))
    for caution in proposal.cautions:
        console.print(say("Caution: {caution}", caution=caution))
