"""``polewright adjust``: one sweep and the live reading, or a look at a session of a service."""

from __future__ import annotations

import json
import sys
from typing import Annotated, Any

import typer

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say
from polewright.interfaces.cli.align import AsJson, Plain, run_session
from polewright.interfaces.cli.console import exit_with, stop_on_signals, told_plainly
from polewright.interfaces.cli.options import ConfigPath, with_rig_options
from polewright.interfaces.cli.terminal import Console


@with_rig_options
def adjust(
    config: ConfigPath = None,
    attach: Annotated[
        str | None,
        typer.Option(
            help="show the session of a `polewright serve`: its link, token included",
            show_default=False,
        ),
    ] = None,
    token: Annotated[
        str | None, typer.Option(help="token for --attach, if not in the link", show_default=False)
    ] = None,
    watch: Annotated[bool, typer.Option("--watch", help="with --attach: keys do nothing")] = False,
    plain: Plain = False,
    as_json: AsJson = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Adjust by the live reading, with no sweep at the end that confirms it.

    The mount moves: a sweep comes first, for nothing else tells where the axis is. Keys as in
    `polewright align`, and f finishes: the last settled reading then decides the exit code
    (0 within tolerance, 9 not), and motion is stopped.

    With --attach it shows the session that a service runs, and its keys steer that one. Ctrl-C
    leaves it running.
    """
    if attach is None:
        run_session(
            config,
            overrides,
            resume=False,
            resume_from=None,
            plain=plain,
            as_json=as_json,
            may_finish=True,
        )
        return
    from polewright.interfaces.cli.desk import RemoteDesk
    from polewright.interfaces.cli.session_terminal import attached
    from polewright.interfaces.web.errors import NoSession
    from polewright.session.states import Step

    console = Console(stderr=True)
    left = CancelToken()
    with told_plainly(console, as_json=as_json), stop_on_signals(left):
        desk = RemoteDesk(attach, token)
        if desk.look(-1, 0.0).step is Step.IDLE:
            raise NoSession
        now = attached(console, desk, plain=plain, read_only=watch, left=lambda: left.cancelled)
    if as_json:
        document = {"schema_version": "1", "ok": True, "session": now.model_dump(mode="json")}
        sys.stdout.write(json.dumps(document) + "\n")
    if left.cancelled:
        console.print(say("Left; the session goes on in the service."))
        return
    console.print(
        say("The session is {step}; the mount: {motion}.", step=now.step.value, motion=now.motion)
    )
    if now.step is not Step.FINISHED:
        code = now.failure.exit_code if now.failure is not None else ExitCode.UNEXPECTED
        exit_with(ExitCode(code))
