"""``polewright catalogue``: add-on star catalogues for narrow fields, from a file you have."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC
from polewright.foundation.language import say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.options import next_step
from polewright.interfaces.cli.outputs import Force, keep_existing
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.solving.catalogue.addon import AddOnHeader
    from polewright.solving.catalogue.addon_build import Built
    from polewright.solving.catalogue.density import SkyDensity

catalogue_app = typer.Typer(
    help="Add-on star catalogues for narrow fields: build, show and remove.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Folder = Annotated[
    Path | None,
    typer.Option(
        help="folder of the catalogues; POLEWRIGHT_CATALOGUE or the user's own if left out",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="print one JSON document")]


def _column(what: str) -> Any:
    text = say("column of {what}; found by its name if left out", what=what)
    return typer.Option(help=text, show_default=False)


@catalogue_app.command()
def build(
    sources: Annotated[
        list[str],
        typer.Argument(
            help="files, patterns or folders: CSV or other text with a line of names, FITS or "
            "Parquet tables, index-*.fits of the astrometry.net suite"
        ),
    ],
    *,
    name: Annotated[str, typer.Option(help="what to call it")] = "stars",
    folder: Folder = None,
    force: Force = False,
    faintest: Annotated[
        float | None, typer.Option(help="leave out stars fainter than this", show_default=False)
    ] = None,
    epoch: Annotated[
        float | None,
        typer.Option(
            help="Julian year of the positions; a column ref_epoch, else 2000 (Gaia's names: 2016)",
            min=1850,
            max=2150,
            show_default=False,
        ),
    ] = None,
    ra_column: Annotated[str | None, _column(say("right ascension"))] = None,
    dec_column: Annotated[str | None, _column(say("declination"))] = None,
    mag_column: Annotated[str | None, _column(say("magnitudes"))] = None,
    pm_ra_column: Annotated[
        str | None, _column(say("proper motion in right ascension, times cos(dec)"))
    ] = None,
    pm_dec_column: Annotated[str | None, _column(say("proper motion in declination"))] = None,
    ra_unit: Annotated[
        str | None,
        typer.Option(help="deg, hour or rad; the file's own, else deg", show_default=False),
    ] = None,
    dec_unit: Annotated[
        str | None, typer.Option(help="deg or rad; the file's own, else deg", show_default=False)
    ] = None,
    pm_unit: Annotated[
        str | None,
        typer.Option(help="mas/yr or arcsec/yr; the file's own, else mas/yr", show_default=False),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Build an add-on catalogue from local files; no network is used.

    It is checked before it is stored: values that no star has, stars listed twice, and whether
    its bright stars are where the bundled catalogue has them. The embedded solver then uses it by
    itself, as deep as a field needs. Proper motions are used where the file has them.
    """
    from polewright.solving.catalogue.addon_build import build as build_catalogue
    from polewright.solving.catalogue.addon_build import files_of
    from polewright.solving.catalogue.addon_place import file_of
    from polewright.solving.catalogue.addon_table import ReadOptions

    console = Console(stderr=True)
    options = ReadOptions(
        ra=ra_column,
        dec=dec_column,
        magnitude=mag_column,
        pm_ra=pm_ra_column,
        pm_dec=pm_dec_column,
        ra_unit=ra_unit,
        dec_unit=dec_unit,
        pm_unit=pm_unit,
        epoch_year=epoch,
    )
    with told_plainly(console, as_json=as_json):
        path = file_of(name, folder)
        keep_existing(path, force=force)
        built = build_catalogue(
            files_of(sources),
            path,
            name,
            options,
            faintest=faintest,
            utc_s=clock_from_environment().utc_s(),
            tell_line=console.print,
        )
    if as_json:
        more = {
            "blank_rows": built.blank,
            "duplicates": built.duplicates,
            "columns": list(built.columns),
            "warnings": list(built.warnings),
        }
        _say(
            {"catalogue": _data(built.header, built.path) | more, "serves": _serves(built.density)}
        )
    else:
        _tell_built(built)
        Console().print(next_step("check", say("whether a frame is solved with it")))


@catalogue_app.command()
def show(*, folder: Folder = None, as_json: AsJson = False) -> None:
    """List what is installed, how deep it is, and which fields it serves."""
    from polewright.solving.catalogue.addon_place import default_folder, looked_through
    from polewright.solving.catalogue.catalogue import bundled_catalogue
    from polewright.solving.catalogue.density import bundled_density
    from polewright.solving.embedded.depth_selection import density_with

    found, damaged = looked_through(folder)
    bundled = bundled_catalogue()
    density, together = bundled_density(), density_with(found)
    if as_json:
        _say(
            {
                "folder": str(folder or default_folder()),
                "bundled": {
                    "name": bundled.name,
                    "stars": len(bundled),
                    "faintest": bundled.limit,
                    "serves": _serves(density),
                },
                "catalogues": [_data(item.header, item.path) for item in found],
                "damaged": [
                    {"name": Path(e.path).stem, "path": e.path, "reason": e.reason} for e in damaged
                ],
                "serves": _serves(together),
            }
        )
        return
    table = Table(box=SIMPLE_HEAD, padding=(0, 1))
    for heading in (
        say("catalogue"),
        say("stars"),
        say("down to"),
        say("epoch"),
        say("motions"),
        say("of the sky"),
        say("median width"),
    ):
        table.add_column(
            heading, justify="left" if heading in ("catalogue", "motions") else "right"
        )
    table.add_row(
        say("{bundled} (bundled)", bundled=bundled.name),
        f"{len(bundled)}",
        f"{bundled.limit:.1f}",
        "2016.0",
        say("no") if bundled.motion is None else say("yes"),
        "100 %",
        _width(density, 0.5),
    )
    for item in found:
        about = item.header
        table.add_row(
            about.name, f"{about.stars}", f"{about.faintest:.1f}",
            f"{about.epoch_year:.1f}", say("yes") if about.moving else say("no"),
            f"{100.0 * about.covered:.0f} %", _width(density + item.extra_density, 0.5),
        )  # fmt: skip
    screen = Console()
    screen.print(table)
    for error in damaged:
        screen.print(say("Damaged: {error}", error=error), style="bold red")
        screen.print(say("What to do: {advice}", advice=error.advice))
    screen.print(_sentence(together))
    screen.print(say("Folder: {folder}", folder=folder or default_folder()))


@catalogue_app.command()
def remove(
    name: Annotated[str, typer.Argument(help="name as `show` lists it")],
    *,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Delete an installed add-on catalogue."""
    from polewright.solving.catalogue.addon_place import remove as remove_catalogue

    with told_plainly(Console(stderr=True), as_json=as_json):
        path = remove_catalogue(name, folder)
    if as_json:
        _say({"removed": str(path)})
    else:
        Console().print(say("Removed: {path}", path=path))


def _say(document: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps({"schema_version": "1", "ok": True, **document}) + "\n")


def _data(header: AddOnHeader, path: Path) -> dict[str, Any]:
    return {**header.model_dump(mode="json"), "path": str(path)}


def _serves(density: SkyDensity) -> dict[str, float | None]:
    """Narrowest widths (deg) of a 3:2 frame with stars enough, by share of the sky."""
    import math

    from polewright.solving.catalogue.density import narrowest_width_deg

    widths = {
        "richest_tenth_width_deg": narrowest_width_deg(density.quantile(0.9)),
        "median_width_deg": narrowest_width_deg(density.quantile(0.5)),
        "poorest_hundredth_width_deg": narrowest_width_deg(density.quantile(0.01)),
    }
    return {key: round(w, 3) if math.isfinite(w) else None for key, w in widths.items()}


def _width(density: SkyDensity, share: float) -> str:
    from polewright.solving.catalogue.density import narrowest_width_deg

    return f"{narrowest_width_deg(density.quantile(share)):.2f}°"


def _sentence(density: SkyDensity) -> str:
    return say(
        "With what is installed the embedded solver serves frames (3:2) down to a width "
        "of {milky_way} in the Milky Way, {mean} in half of the sky and {poor} "
        "nearly everywhere.",
        milky_way=_width(density, 0.9),
        mean=_width(density, 0.5),
        poor=_width(density, 0.01),
    )


def _tell_built(built: Built) -> None:
    about, screen = built.header, Console()
    lines = [
        say(
            "{stars} stars, magnitude {brightest:.1f} to {faintest:.1f}, epoch "
            "{epoch_year:.1f}, {with_or_without} proper motions; {extra_stars} of them are "
            "not in the bundled catalogue.",
            stars=about.stars,
            brightest=about.brightest,
            faintest=about.faintest,
            epoch_year=about.epoch_year,
            with_or_without=say("with") if about.moving else say("without"),
            extra_stars=about.extra_stars,
        ),
        say(
            "They cover {covered:.0%} of the sky. Left out: {duplicates} listed twice, "
            "{blank} without position or magnitude.",
            covered=about.covered,
            duplicates=built.duplicates,
            blank=built.blank,
        ),
    ]
    if about.agreeing is not None and about.offset_arcsec is not None:
        lines.append(
            say(
                "Of {compared} bright ones {agreeing:.1%} are in the bundled catalogue, "
                "{offset_arcsec} away in the median.",
                compared=about.compared,
                agreeing=about.agreeing,
                offset_arcsec=angle_text(about.offset_arcsec * ARCSEC),
            )
        )
    lines += [say("Note: {warning}", warning=warning) for warning in built.warnings]
    lines += [_sentence(built.density), say("Written: {path}", path=built.path)]
    for line in lines:
        screen.print(line)
