"""``polewright status``: what runs, what is known of the axis, and what schedulers are told."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any

import typer

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import say, say_count
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import told_plainly, write_out
from polewright.interfaces.cli.options import ConfigPath, with_config_options
from polewright.interfaces.cli.terminal import Console


@with_config_options
def status(
    config: ConfigPath = None,
    port: Annotated[
        int, typer.Option(help="port on which a service of this computer may answer", min=1)
    ] = 8787,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Tell what runs on this computer, since when, and how well the axis is known.

    Asks no device and moves nothing. It needs no service: journals, the mounts' locks and the
    watchdog's file tell it, as the user who asks may read them. The answer for schedulers is the
    one that `polewright serve --alpaca-port` publishes.
    """
    from polewright.foundation.config import config_from_file
    from polewright.interfaces.publishing.status_now import status_now

    with told_plainly(Console(stderr=True), as_json=as_json):
        settings = config_from_file(config, overrides)
        now = status_now(settings, clock_from_environment(), port)
    if as_json:
        write_out(now.model_dump_json())
        return
    out = Console()
    for line in _lines(now):
        out.print(line, soft_wrap=True)


def _lines(now: Any) -> list[str]:
    lines = []
    for run in now.runs:
        kind = say("a measurement") if run.kind == "measurement" else say("a session")
        began = (
            say("unknown")
            if run.since_utc_s is None
            else say(
                "{clock} UTC, {age}",
                clock=_clock(run.since_utc_s),
                age=age_text(now.utc_s - run.since_utc_s),
            )
        )
        lines.append(
            say(
                "Running:   {kind}, {session} ({began}); it is {state}",
                kind=kind,
                session=run.session_id,
                began=began,
                state=now.run_state,
            )
        )
    if not now.runs:
        lines.append(say("Running:   nothing that writes into {folder}", folder=now.journal_folder))
    lines += [_mount(held, elsewhere=not now.runs) for held in now.mounts]
    lines.append(_watchdog(now.watchdog))
    if now.service is None:
        lines.append(say("Service:   none answers"))
    else:
        lines.append(
            say(
                "Service:   {url}, {doing}",
                url=now.service.url,
                doing=say("a session runs") if now.service.running else say("no session runs"),
            )
        )
    lines.append(_verified(now.verified, now.verified_before))
    if now.safe:
        lines.append(say("Published: safe"))
    else:
        lines.append(say("Published: NOT SAFE: {why}", why=now.why_unsafe))
    return lines


def _watchdog(dog: Any) -> str:
    if dog is None:
        return say("Watchdog:  none has run")
    if dog.alive:
        return say(
            "Watchdog:  alive (process {pid}), {state} {telescope}",
            pid=dog.pid,
            state=dog.state,
            telescope=dog.telescope,
        )
    if dog.state in ("watching", "stopping") and dog.alive is not None:
        return say(
            "Watchdog:  GONE without a word while it was {state} {telescope}: go and look",
            state=dog.state,
            telescope=dog.telescope,
        )
    if dog.state not in ("stopped", "dismissed"):
        return say(
            "Watchdog:  the last one did not see {telescope} stop: go and look",
            telescope=dog.telescope,
        )
    return say(
        "Watchdog:  not needed now; the last one said: {state}, {telescope}",
        state=dog.state,
        telescope=dog.telescope,
    )


def _mount(held: Any, *, elsewhere: bool) -> str:
    """Say who has a mount; ``elsewhere``: that run is none of the journal folder's."""
    said = say("{clock} UTC by the computer's clock", clock=_clock(held.since_utc_s))
    if elsewhere:
        said = say("{since}; that run writes elsewhere", since=said)
    return say(
        "Mount:     {mount} is held by {holder}, since {since}",
        mount=_address(held.mount),
        # Its own "since" is told by the lock's time.
        holder=held.holder.partition(", since ")[0] or say("another run"),
        since=said,
    )


def _address(lock: str) -> str:
    """Say which mount a lock's name means; anybody may have made that name."""
    found = re.fullmatch(r"(.+)-([0-9]+)-([0-9]+)", lock)
    if found is None:
        return lock
    host, port, number = found.groups()
    if host == "here":
        return say("telescope {number} at this computer's port {port}", number=number, port=port)
    return say("telescope {number} at {host}, port {port}", number=number, host=host, port=port)


def _verified(verified: Any, before: Any) -> str:
    if verified is None and before is None:
        return say("Verified:  no sweep has verified the axis")
    told = verified or before
    figures = say(
        "under {upper95} (95 %), tolerance {tolerance}, {age} ago",
        upper95=arcmin_text(told.upper95_arcmin),
        tolerance=arcmin_text(told.tolerance_arcmin),
        age=age_text(told.age_s),
    )
    if verified is not None:
        return say("Verified:  {figures}", figures=figures)
    if before.invalid_since_utc_s is None:
        return say("Verified:  no more; the last sweep said {figures}", figures=figures)
    return say(
        "Verified:  not since {clock} UTC, when something was moved again; the last sweep said "
        "{figures}",
        clock=_clock(before.invalid_since_utc_s),
        figures=figures,
    )


def _clock(utc_s: float) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M}"


def age_text(seconds: float) -> str:
    """Say how long ago: minutes, from two hours on hours, from two days on days."""
    minutes = round(seconds / 60.0)
    if abs(minutes) < 120:
        return say_count("{count} minute", "{count} minutes", minutes)
    hours = round(seconds / 3600.0)
    if abs(hours) < 48:
        return say_count("{count} hour", "{count} hours", hours)
    return say_count("{count} day", "{count} days", round(seconds / 86400.0))
