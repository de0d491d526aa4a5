"""``polewright profile``: build or change a rig's configuration by answering a few questions."""

from __future__ import annotations

import functools
import inspect
import json
import math
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from polewright.foundation.clock import CancelToken
from polewright.foundation.config_place import find_config, users_file
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import capitalised, say, translated
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import (
    LEFT_TRACKING,
    TerminalListener,
    run_clock,
    stop_on_signals,
    told_plainly,
)
from polewright.interfaces.cli.options import ACCEPT_SITE_HELP, next_step, remember
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.rig_setup.questions import QUESTIONS, Question

if TYPE_CHECKING:
    from polewright.foundation.config import Config
    from polewright.interfaces.rig_setup.optics import FoundOptics


def _asking(command: Callable[..., None]) -> Callable[..., None]:
    """Give the command one option a question; it gets them as ``answers`` by dotted key."""
    signature = inspect.signature(command, eval_str=True)
    own = [item for item in signature.parameters.values() if item.name != "answers"]
    own = [item.replace(kind=inspect.Parameter.KEYWORD_ONLY) for item in own]
    by_name = {question.key.replace(".", "__"): question for question in QUESTIONS}
    added = [
        inspect.Parameter(
            name,
            inspect.Parameter.KEYWORD_ONLY,
            default=None,
            annotation=Annotated[
                str | None,
                typer.Option(
                    question.option, help=question.text, show_default=False,
                    rich_help_panel="answers",
                ),
            ],
        )
        for name, question in by_name.items()
    ]  # fmt: skip

    @functools.wraps(command)
    def wrapper(**given: Any) -> None:
        answers = {
            question.key: value
            for name, question in by_name.items()
            if (value := given.pop(name)) is not None
        }
        command(**given, answers=answers)

    wrapper.__signature__ = signature.replace(parameters=[*own, *added])  # type: ignore[attr-defined]
    wrapper.__annotations__ = {item.name: item.annotation for item in (*own, *added)}
    return wrapper


@_asking
def profile(
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            "-c",
            callback=remember,
            help="configuration file to make or change; the one that commands find, or a new one "
            "in your own folder, if left out",
            show_default=False,
        ),
    ] = None,
    *,
    ask: Annotated[
        bool | None,
        typer.Option(
            "--ask/--no-ask", help="ask questions [default: when at a terminal]", show_default=False
        ),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="ask everything, not only what a first night needs")
    ] = False,
    solve: Annotated[
        bool,
        typer.Option(
            "--solve", help="find the focal length: take one frame of the night sky and solve it"
        ),
    ] = False,
    accept_site: Annotated[
        bool, typer.Option("--accept-site", help=f"with --solve: {ACCEPT_SITE_HELP}")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="write without asking")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="show what would change, and write nothing")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    answers: dict[str, str],
) -> None:
    """Build or change a rig's configuration; comments and everything else in it stay.

    Asks the 12 questions of a first night: site, optics, tolerance, skyline, which way the
    adjusters go, how high the tube may point. With --all also what the adjusters are called, how
    far a turn goes, their slack, and the mount's other limits. What mount, camera and clock know is
    offered. With --solve the mount tracks and one frame is taken where it points; it does not slew.
    """
    from polewright.foundation.config import config_from_text
    from polewright.interfaces.rig_setup.answers import check
    from polewright.interfaces.rig_setup.editing import (
        difference,
        read_text,
        with_changes,
        write_whole,
    )
    from polewright.interfaces.rig_setup.errors import NobodyToAsk

    console = Console(stderr=True)
    if config is None:
        config = find_config(None).path or users_file()
        console.print(say("Configuration: {path}", path=config), soft_wrap=True)
    with told_plainly(console, as_json=as_json), _left_as_it_was(config, console):
        before = read_text(config)
        now = config_from_text(before, source=str(config))
        by_key = {question.key: question for question in QUESTIONS}
        changes = {key: by_key[key].read(value) for key, value in answers.items()}
        check(before, changes, str(config))
        interactive = (every or sys.stdin.isatty()) and not as_json if ask is None else ask
        if not (interactive or changes or solve or as_json) and ask is None:
            raise NobodyToAsk
        if interactive:
            open_ones = [question for question in QUESTIONS if question.key not in changes]
            left = [question for question in open_ones if every or question.first]
            known, mounts = _offers(left, now, console)
            changes |= _ask(
                left,
                now,
                known,
                mounts,
                config,
                console,
                lambda key, value: check(before, {key: value}, str(config)),
            )
            more = len(open_ones) - len(left)
            if more:
                console.print(
                    say("{more} more questions have usable defaults: --all asks them.", more=more)
                )
        found = None
        if solve:
            found = _solve(now.accepting_site() if accept_site else now, console)
            changes["optics.focal_length_mm"] = round(found.focal_length_mm, 1)
            if found.distortion_k1 or (found.distortion_k1 == 0.0 and now.optics.distortion_k1):
                changes["optics.distortion_k1"] = round(found.distortion_k1, 5)
            if now.optics.pixel_um is None:
                changes["optics.pixel_um"] = round(found.pixel_um, 3)
        after = with_changes(before, changes, str(config))
        changed = difference(before, after, str(config))
        _show(console, changed, found)
        written = bool(changed) and not dry_run
        if written and interactive and not yes:
            written = typer.confirm(translated(say("Write it?")), default=True, err=True)
        if written:
            write_whole(config, before, after)
            console.print(say("Written: {config}", config=config), soft_wrap=True)
        if interactive:
            console.print(next_step("examine", say("with mount and camera switched on")))
    if as_json:
        document = {
            "schema_version": "1",
            "ok": True,
            "config": str(config),
            "changed": bool(changed),
            "written": written,
            "difference": changed,
            "optics": None if found is None else vars(found),
        }
        sys.stdout.write(json.dumps(document) + "\n")


@contextmanager
def _left_as_it_was(config: Path, console: Console) -> Iterator[None]:
    """Say that nothing was written where a question is answered by Ctrl-C."""
    try:
        yield
    except typer.Abort:
        told = say("Stopped: nothing was written into {path}.", path=config)
        console.print(told, soft_wrap=True)
        raise SystemExit(int(ExitCode.INTERRUPTED)) from None


def _offers(
    left: list[Question], now: Config, console: Console
) -> tuple[dict[str, Any], dict[str, float]]:
    """Ask mount, camera and clock for what is not written down yet; and the mount for its site.

    The site is asked for in any case: what is typed, or stands there, is compared with it.
    """
    from polewright.interfaces.rig_setup.offers import OFFERED, offers

    if not {question.key for question in left}.intersection(OFFERED):
        return {}, {}
    keys = {question.key for question in left if _value(now, question.key) is None}
    console.print(say("Looking for mount and camera on the network."))
    cancel = CancelToken()
    with stop_on_signals(cancel):
        found = offers(now, clock_from_environment(), cancel)
    for sentence in found.sentences:
        console.print(say("  {sentence}", sentence=sentence))
    return {key: value for key, value in found.values.items() if key in keys}, found.mounts


def _ask(
    left: list[Question],
    now: Config,
    known: dict[str, Any],
    mounts: dict[str, float],
    config: Path,
    console: Console,
    check: Callable[[str, Any], None],
) -> dict[str, Any]:
    """Ask; an empty answer takes what is offered. Wrong answers are asked again."""
    from polewright.foundation.errors import ConfigError

    console.print(say("Enter takes what stands in brackets."))
    found: dict[str, Any] = {}
    for number, question in enumerate(left, 1):
        asked = say(
            "{number} of {count}: {question}",
            number=number,
            count=len(left),
            question=question.text,
        )
        there = _value(now, question.key)
        shown = known.get(question.key, question.default) if there is None else there
        hint = {True: "yes", False: "no"}.get(shown, shown) if question.kind == "yes" else shown
        while True:
            offered = "" if hint is None else f" [{hint}]"
            line = textwrap.fill(f"{translated(asked)}{offered}", max(20, console.width - 2))
            text = typer.prompt(
                line, default="" if hint is None else str(hint), err=True, show_default=False
            )
            if text in ("", str(hint)):
                if shown is not None and not _agreed(question.key, shown, mounts, console):
                    continue
                if question.key in known and text:
                    found[question.key] = shown
                    _doubt(question.key, shown, console)
                break
            try:
                value = question.read(text)
                if question.key == "horizon.file":
                    value = _skyline(value, config, console)
                check(question.key, value)
                _doubt(question.key, value, console)
            except ConfigError as error:
                console.print(str(error), soft_wrap=True)  # a path stays whole
            else:
                if not _agreed(question.key, value, mounts, console):
                    continue
                found[question.key] = value
                break
    return found


def _agreed(key: str, value: Any, mounts: dict[str, float], out: Console) -> bool:
    """Whether an answer may stand: the mount's own figure agrees, or it is kept all the same."""
    from polewright.observing.rig.mount_site import SITE_LIMIT_DEG, MountsSite, SiteAngle

    if key not in mounts:
        return True
    name = "latitude" if key == "site.latitude_deg" else "longitude"
    theirs = MountsSite((SiteAngle(name, value, mounts[key]),), None, None)
    wrong = theirs.contradictions(SITE_LIMIT_DEG, math.inf, say("answer"))
    for sentence in wrong:
        out.print(say("Note: {sentence}", sentence=capitalised(sentence)))
    question = say("Keep {value} all the same? The mount's must then be corrected.", value=value)
    return not wrong or typer.confirm(translated(question), default=False, err=True)


def _doubt(key: str, value: Any, out: Console) -> None:
    """Say it where the clock's time zone speaks against a longitude."""
    from polewright.calculation.sky.site import Site
    from polewright.observing.rig.mount_site import own_zone_s, zone_against_site

    if key != "site.longitude_deg":
        return
    doubt = zone_against_site(Site(0.0, value, 0.0), own_zone_s())
    if doubt:
        out.print(say("Note: {sentence}", sentence=doubt))


def _skyline(name: str, config: Path, console: Console) -> str:
    """Return the skyline's file as the configuration names it; one that is missing can be typed.

    A name is one beside the configuration; a file of that name in the current folder is meant,
    where there is one.
    """
    from polewright.interfaces.cli.horizon import typed_skyline

    here, there = Path(name).expanduser(), config.parent / Path(name).expanduser()
    if there.is_file():
        return name
    if here.is_file():
        return str(here.resolve())
    question = say("There is no {path}. Type the skyline now?", path=there)
    if typer.confirm(translated(question), default=True, err=True):
        typed_skyline(there, console)
    return name


def _value(config: Config, dotted: str) -> Any:
    value: Any = config
    for part in dotted.split("."):
        value = getattr(value, part)
    return value


def _solve(now: Config, console: Console) -> FoundOptics:
    from polewright.interfaces.rig_setup.optics import find_optics
    from polewright.observing.runs.connect import connect_rig
    from polewright.observing.safety.stopping import motion_stopped_on_trouble
    from polewright.observing.safety.watchdog_client import watched

    cancel, clock = CancelToken(), run_clock(console)
    with stop_on_signals(cancel), TerminalListener(console) as listener:
        rig = connect_rig(now, clock, cancel, listener)
        with watched(rig), motion_stopped_on_trouble(rig.telescope, clock, rig.emit):
            found = find_optics(rig)
    console.print(LEFT_TRACKING)
    return found


def _show(console: Console, changed: str, found: FoundOptics | None) -> None:
    if found is not None:
        mirrored = "mirrored" if found.mirrored else say("not mirrored")
        k1 = found.distortion_k1
        bent = "" if not k1 else say(", radial distortion k1 {k1:+.4f}", k1=k1)
        console.print(
            say(
                "Focal length {focal_length_mm:.1f} mm: {scale_arcsec_per_px:.3f} arcsec per "
                "pixel, field {width_deg:.2f} by {height_deg:.2f} degrees, {mirrored}, "
                "{matched} stars matched{bent}.",
                focal_length_mm=found.focal_length_mm,
                scale_arcsec_per_px=found.scale_arcsec_per_px,
                width_deg=found.field_deg[0],
                height_deg=found.field_deg[1],
                mirrored=mirrored,
                matched=found.matched,
                bent=bent,
            ),
        )
    if not changed:
        console.print(say("Nothing to change."))
        return
    for line in changed.splitlines():
        style = {"+": "green", "-": "red"}.get(line[:1])
        console.print(line, style=style)
