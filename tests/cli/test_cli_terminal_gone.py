"""A terminal that is closed: its signal, its keys, and what is written to it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

import pytest

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode, Insisted, LeftInHaste
from polewright.interfaces.cli import session_terminal
from polewright.interfaces.cli.console import stop_on_signals

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signal and terminal there")


@pytest.mark.parametrize("ignored", [True, False], ids=["nohup", "plain"])
def test_the_terminals_end_stops_a_run_unless_it_was_started_to_go_on(ignored: bool) -> None:
    """As `nohup` asks for it; Ctrl-C stops it all the same."""
    cancel = CancelToken()
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)
    try:
        with stop_on_signals(cancel):
            os.kill(os.getpid(), signal.SIGHUP)
            assert cancel.cancelled is not ignored
            os.kill(os.getpid(), signal.SIGINT)
            assert cancel.cancelled
        assert (signal.getsignal(signal.SIGHUP) is signal.SIG_IGN) is ignored
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_second_interrupt_ends_the_wait_and_a_bounce_does_not(monkeypatch) -> None:
    """The first one stops in good order; keys pressed right after it are the same one."""
    now = [100.0]
    monkeypatch.setattr("polewright.interfaces.cli.console.time.monotonic", lambda: now[0])
    cancel = CancelToken()
    with stop_on_signals(cancel):
        for later_s in (0.0, 0.1, 2.0):
            now[0] = 100.0 + later_s
            os.kill(os.getpid(), signal.SIGINT)
        assert cancel.cancelled
        now[0] = 105.0
        with pytest.raises(Insisted):
            os.kill(os.getpid(), signal.SIGINT)


def test_keys_of_a_terminal_that_is_closed_are_none(monkeypatch) -> None:
    """Reading goes on without them, and putting the terminal back does not raise."""
    import pty

    from polewright.interfaces.cli.keys import keys_of_stdin

    master, slave = pty.openpty()
    with os.fdopen(slave) as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        with keys_of_stdin() as keys:
            os.write(master, b"n")
            assert keys.pressed() == "n"
            os.close(master)
            assert keys.pressed() == ""


def test_a_program_in_the_background_leaves_the_terminal_alone(monkeypatch) -> None:
    """Setting it up would halt the program with the mount under way."""
    import pty
    import termios

    from polewright.interfaces.cli.keys import keys_of_stdin

    master, slave = pty.openpty()
    with os.fdopen(slave) as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        monkeypatch.setattr(os, "tcgetpgrp", lambda _descriptor: os.getpgrp() + 1)
        before = termios.tcgetattr(slave)
        with keys_of_stdin() as keys:
            assert termios.tcgetattr(slave) == before
            assert keys.pressed() == ""
    os.close(master)


UNDER_A_CARELESS_PARENT = """
import signal, sys
signal.signal(signal.SIGCHLD, signal.SIG_IGN)
from polewright.interfaces.cli import app, main
from polewright.foundation.programs import Program
child = [sys.executable, "-c", "raise SystemExit(3)"]
app.build_app = lambda: lambda: print(Program(child).finish(200.0).exit_status)
main()
"""


def test_a_parent_that_ignores_the_end_of_children_hides_no_failed_command() -> None:
    """Whoever starts the program hands its signals on; a motor's command is known to fail then."""
    run = subprocess.run(
        [sys.executable, "-c", UNDER_A_CARELESS_PARENT], capture_output=True, text=True, check=False
    )

    assert run.stdout.strip() == "3", run.stderr


@pytest.mark.parametrize("when", ["while it is shown", "while it is waited for"])
def test_a_second_interrupt_does_not_wait_for_a_session_that_stops(when: str, monkeypatch) -> None:
    """Its mount is left to the watchdog, and that is said; the session has been told to stop."""
    over = threading.Event()
    reasons: list[str] = []
    journal = SimpleNamespace(close=lambda: None)
    session: Any = SimpleNamespace(
        run=lambda: over.wait(60.0),
        stop=reasons.append,
        cancel=CancelToken(),
        rig=None,
        journal=journal,
        outcome=ExitCode.OK,
    )

    class Impatient(threading.Thread):
        def join(self, timeout: float | None = None) -> None:
            raise Insisted

    def shown(*_args: object) -> Any:
        raise Insisted if when == "while it is shown" else OSError("the terminal is gone")

    monkeypatch.setattr(session_terminal, "LocalDesk", lambda _session: None)
    monkeypatch.setattr(session_terminal, "Keyboard", lambda *_args, **_more: None)
    monkeypatch.setattr(session_terminal.threading, "Thread", Impatient)
    try:
        with pytest.raises(LeftInHaste, match="interrupted twice"):
            session_terminal._run(session, lambda _session: nullcontext(), False, shown)
    finally:
        over.set()

    assert reasons == ["the terminal was closed"]
