"""``polewright serve``: the page and the API."""

from __future__ import annotations

import contextlib
import json
import logging
import sys
import time
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import typer

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say
from polewright.interfaces.cli.console import exit_with, run_clock, stop_on_signals, told_plainly
from polewright.interfaces.cli.options import ConfigPath, with_config_options
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.interfaces.web.models import StopAnswer
    from polewright.interfaces.web.night_token import NightToken
    from polewright.interfaces.web.runner import SessionRunner
    from polewright.interfaces.web.server import RunningService
    from polewright.session.snapshot import SessionSnapshot
from polewright.foundation.errors import PolewrightError

LOOPBACK = "127.0.0.1"
IN_USE_EVERY_S = 60.0
EVERYWHERE = "0.0.0.0"  # noqa: S104 - only with --lan, and then a token is asked


@with_config_options
def serve(
    config: ConfigPath = None,
    host: Annotated[
        str | None, typer.Option(help="address to listen on", show_default=LOOPBACK)
    ] = None,
    port: Annotated[
        int, typer.Option(help="TCP port; 0 takes a free one", min=0, max=65535)
    ] = 8787,
    lan: Annotated[
        bool,
        typer.Option("--lan", help="let phones and others on the network in, with a token"),
    ] = False,
    fresh_token: Annotated[
        bool,
        typer.Option(
            "--new-token",
            help="with --lan: make a new link and lock out who has the old one, which is otherwise "
            "kept for 24 h",
        ),
    ] = False,
    alpaca_port: Annotated[
        int | None,
        typer.Option(
            help="also publish the verified alignment as Alpaca devices (safety monitor and "
            "switch, read only) on this TCP port; 0 takes a free one",
            min=0,
            max=65535,
            show_default=False,
        ),
    ] = None,
    alpaca_discovery_port: Annotated[
        int,
        typer.Option(
            help="UDP port on which the published devices are discovered; 0: not at all",
            min=0,
            max=65535,
        ),
    ] = 32227,
    as_json: Annotated[
        bool, typer.Option("--json", help="print where it listens as one JSON document")
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Serve the page for the phone at the mount, and the API behind it.

    Only this computer reaches it unless --lan is given. Ctrl-C stops the session and all motion.

    With --alpaca-port any program of the observatory that speaks Alpaca can ask, without a token
    and without changing anything, whether the alignment is verified and fresh: a safety monitor
    that is safe only then, and a switch with total error, altitude and azimuth parts,
    uncertainty, age and run state (0 idle, 1 checking, 2 planning, 3 sweeping, 4 adjusting,
    5 finished, 6 stopped, 7 failed, 8 interrupted, 9 unknown).
    """
    from polewright.devices.alpaca.discovery import is_loopback
    from polewright.foundation.config import config_from_file
    from polewright.foundation.language import FOLLOW_ENVIRONMENT
    from polewright.interfaces.logs import logged_event, logging_to, set_run
    from polewright.interfaces.publishing import publish
    from polewright.interfaces.web.app import create_app
    from polewright.interfaces.web.errors import LanNotAsked
    from polewright.interfaces.web.links import qr_text
    from polewright.interfaces.web.metrics import Metrics
    from polewright.interfaces.web.night_token import night_token
    from polewright.interfaces.web.runner import SessionRunner
    from polewright.interfaces.web.server import RunningService
    from polewright.records.events import Event, EventSink

    console = Console(stderr=True)
    logging.getLogger().addHandler(_Faults(console))
    cancel = CancelToken()
    with told_plainly(console, as_json=as_json):
        bind = host or (EVERYWHERE if lan else LOOPBACK)
        on_lan = not is_loopback(bind)
        if on_lan and not lan:
            raise LanNotAsked(bind)
        kept = night_token(port, new=fresh_token) if lan else None
        token = None if kept is None else kept.token
        hearers: list[EventSink] = [metrics := Metrics()]

        def tell(event: Event) -> None:
            for hearer in hearers:
                hearer(event)

        runner = SessionRunner(
            lambda extra: config_from_file(config, {**overrides, **extra}),
            run_clock(console),
            listener=tell,
        )
        with stop_on_signals(cancel), contextlib.ExitStack() as stack:
            print_line = partial(console.print)
            log = stack.enter_context(
                logging_to(config_from_file(config, overrides).log, print_line)
            )

            def logged(event: Event) -> None:
                set_run("" if runner.session is None else runner.session.session_id)
                logged_event(log, event)

            hearers.append(logged)

            wanted = config_from_file(config, overrides).display.language
            app = create_app(
                runner,
                token,
                on_lan=on_lan,
                metrics=metrics,
                configured_language=None if wanted == FOLLOW_ENVIRONMENT else wanted,
            )
            service = RunningService(app, bind, port, runner.feed)
            published = None
            if alpaca_port is not None:
                try:
                    published = publish.start(
                        config_from_file(config, overrides),
                        runner.clock,
                        host=bind,
                        port=alpaca_port,
                        discovery_port=alpaca_discovery_port or None,
                    )
                except PolewrightError:
                    _stop(runner, service)
                    raise
                stack.callback(published.stop)
            links = _links(bind, service, token)
            if as_json:
                document = {
                    "schema_version": "1",
                    "ok": True,
                    "url": service.url,
                    "links": links,
                    "alpaca_port": None if published is None else published.port,
                }
                sys.stdout.write(json.dumps(document) + "\n")
                sys.stdout.flush()
            else:
                _show(console, links, qr_text(links[0]) if lan else "")
                if published is not None:
                    console.print(say("Alpaca devices on port {port}", port=published.port))
            try:
                _until_stopped(runner, service, cancel, log, kept, console)
                console.print("Stopping ...")
            finally:
                stopped = _stop(runner, service)
        if stopped is not None:
            console.print(
                say("{message} {advice}", message=stopped.message, advice=stopped.advice).strip()
            )
            exit_with(ExitCode.OK if stopped.motion == "stopped" else ExitCode.MOTION_UNKNOWN)


def _links(bind: str, service: RunningService, token: str | None) -> list[str]:
    from polewright.interfaces.web.links import lan_addresses, link

    hosts = lan_addresses() if bind in (EVERYWHERE, "::") else [service.host]
    return [link(one, service.port, token) for one in hosts or [LOOPBACK]]


def _until_stopped(
    runner: SessionRunner,
    service: RunningService,
    cancel: CancelToken,
    log: Any,
    kept: NightToken | None,
    console: Console,
) -> None:
    """Wait for the end; meanwhile tell the service manager and the log how things stand.

    The manager's watchdog is fed only while the service answers and the runner can be asked.
    """
    from polewright.interfaces.service_manager import tell_manager, watchdog_every_s

    log.info("serving", url=service.url)
    tell_manager(READY=1)
    every_s, fed_s, told, noted_s = watchdog_every_s(), -1e9, ("", ""), -1e9
    while not cancel.wait(0.5):
        now = None if runner.session is None else runner.snapshot()
        step = "no session" if now is None else now.step.value
        if (step, "" if now is None else now.session_id) != told:
            log.info("session_step", step=step)
            tell_manager(STATUS=step)
            told = (step, "" if now is None else now.session_id)
            if now is not None:
                _tell_step(console, now)
        if kept is not None and time.monotonic() - noted_s >= IN_USE_EVERY_S:
            noted_s = time.monotonic()
            kept.in_use()
        if every_s is not None and time.monotonic() - fed_s >= every_s and service.alive:
            fed_s = time.monotonic()
            tell_manager(WATCHDOG=1)
    tell_manager(STOPPING=1)
    log.info("stopping")


def _tell_step(console: Console, now: SessionSnapshot) -> None:
    """Say what is happening: a line for each step of a session, with this computer's time."""
    from polewright.foundation.angle_text import arcmin_text
    from polewright.interfaces.cli.live_view import STEP_TITLES

    more = ""
    if now.failure is not None:
        more = say(": {message} {advice}", message=now.failure.message, advice=now.failure.advice)
    elif now.result is not None and now.step.value == "finished":
        upper = now.result.axis.total_upper95_arcmin
        more = say(": the axis is under {upper} off (95 %)", upper=arcmin_text(upper))
    console.print(
        say(
            "{time}  {step}{more}",
            time=datetime.fromtimestamp(now.utc_s).astimezone().strftime("%H:%M:%S"),
            step=STEP_TITLES[now.step],
            more=more,
        ).strip()
    )


class _Faults(logging.Handler):
    """Tells the program's own faults in a line; other log lines are for [log] file."""

    def __init__(self, console: Console) -> None:
        super().__init__(logging.ERROR)
        self._console = console

    def emit(self, record: logging.LogRecord) -> None:
        """Say it."""
        error = record.exc_info[1] if record.exc_info else None
        text = record.getMessage() if error is None else f"{record.getMessage()}: {error!r}"
        self._console.print(
            say("Fault of the program: {text} ([log] file keeps the details)", text=text)
        )


def _stop(runner: SessionRunner, service: RunningService) -> StopAnswer | None:
    """Stop a running session and its motion, then the service."""
    answer = runner.hard_stop(say("the service was ended")) if runner.running else None
    runner.close()
    service.stop()
    return answer


def _show(console: Console, links: list[str], qr: str) -> None:
    for one in links:
        console.print(say("Open {one}", one=one), soft_wrap=True)
    if qr:
        console.print(
            say("or scan this with the phone (whoever has this link can move the mount):")
        )
        # Past rich, which would count the code's escape sequences as text.
        sys.stderr.write(qr + "\n")
    console.print(say("Ctrl-C ends the service and stops the mount."))
