"""The terminal's picture of a session, its keys, and the desk that a service answers."""

from __future__ import annotations

import io
import json
import os
import re
import sys
import threading
import time
from contextlib import nullcontext
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.angle_examples import EXAMPLES

from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.errors import Cancelled, ExitCode, Insisted
from polewright.interfaces.cli import session_terminal
from polewright.interfaces.cli.desk import RemoteDesk, ServiceRefused, ServiceUnreachable
from polewright.interfaces.cli.keyboard import ESCAPE, Keyboard
from polewright.interfaces.cli.keys import LineKeys, NoKeys, keys_of_stdin, somebody_at_the_keys
from polewright.interfaces.cli.live_view import KeysNow, arrow, big, plot, view
from polewright.interfaces.cli.session_terminal import attached, fitting, run_in_terminal
from polewright.interfaces.cli.terminal import Console
from polewright.observing.rig.rig import Rig
from polewright.records.events import Progress
from polewright.session.session import Command
from polewright.session.snapshot import (
    AdviceNow,
    ErrorNow,
    MovingNow,
    NoteNow,
    ProgressNow,
    SessionSnapshot,
    TrailPoint,
)
from polewright.session.states import NotNow, Step


def error_now(**changes: Any) -> ErrorNow:
    values: dict[str, Any] = {
        "d_alt_arcmin": 8.0,
        "d_az_sky_arcmin": -4.0,
        "d_az_base_arcmin": -5.6,
        "total_arcmin": 8.94,
        "sigma_alt_arcmin": 0.1,
        "sigma_az_sky_arcmin": 0.1,
        "sigma_total_arcmin": 0.1,
        "upper95_arcmin": 9.1,
        "state": "settled",
        "utc_s": 1000.0,
    }
    return ErrorNow(**{**values, **changes})


def snapshot(**changes: Any) -> SessionSnapshot:
    values: dict[str, Any] = {
        "session_id": "s",
        "version": 1,
        "step": Step.ADJUSTING,
        "utc_s": 1000.0,
        "tolerance_arcmin": 1.0,
        "southern": False,
        "error": error_now(),
        "advice": AdviceNow(
            action="lower",
            sentence="Lower the axis 8.0 arcmin: turn the front bolt.",
            axis="altitude",
            heading="lower",
            amount_arcmin=8.0,
            turns=0.25,
            turns_text="about 1/4 turn",
            cautions=("Hold the weight.",),
        ),
        "motion": "tracking",
    }
    return SessionSnapshot(**{**values, **changes})


def shown(now: SessionSnapshot, prompt: str = "") -> str:
    console = Console(file=io.StringIO(), width=100, force_terminal=False, color_system=None)
    console.print(view(now, KeysNow("s STOP", prompt=prompt)))
    return console.file.getvalue()  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("columns", "lines", "plot_lines"),
    [(120, 60, 37), (80, 50, 17), (80, 27, 13), (80, 22, 0)],
    ids=["wide", "high", "usual", "low"],
)
def test_the_picture_fits_the_terminal(columns: int, lines: int, plot_lines: int) -> None:
    """The keys stand in the last line; the plot is as large as the terminal allows."""
    now = snapshot(
        advice=AdviceNow(
            action="lower",
            sentence="Lower the axis 8.0 arcmin: turn the front bolt. " * 3,
            axis="altitude",
            heading="lower",
            amount_arcmin=8.0,
            cautions=("Hold the weight. " * 8, "Lock it."),
        ),
        noted=NoteNow(text="Exposing 4 s, since that solved. " * 3, warning=True, utc_s=990.0),
    )
    console = Console(
        file=io.StringIO(), width=columns, height=lines, force_terminal=True, color_system=None
    )

    with_plot = fitting(console, now, KeysNow("s stop, n new sweep", prompt="sure?"))
    drawn = ["".join(part.text for part in line) for line in console.render_lines(with_plot)]

    assert len(drawn) < lines
    assert drawn[-1].startswith("sure?")
    assert drawn[-2].startswith("s stop")
    top = [n for n, line in enumerate(drawn) if "too high" in line and "altitude" not in line]
    bottom = [
        n for n, line in enumerate(drawn) if "west  " in line and line.rstrip().endswith("east")
    ]
    assert (bottom[0] - top[0] + 1 if top else 0) == plot_lines


class Desk:
    """Remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.refuse = False
        self.ending = False

    def look(self, version: int, timeout_s: float) -> SessionSnapshot:
        return snapshot()

    def command(self, command: Command, **details: Any) -> None:
        if self.refuse:
            raise NotNow(Step.SWEEPING, command.value)
        self.asked.append((command.value, details))

    def stop(self) -> None:
        self.asked.append(("stop", {}))


def pressed(keys: str, now: SessionSnapshot | None = None, **options: Any) -> tuple[Desk, Keyboard]:
    desk = Desk()
    keyboard = Keyboard(desk, **options)
    for key in keys:
        keyboard.press(key, now or snapshot())
    return desk, keyboard


@pytest.mark.parametrize(
    ("keys", "asked"),
    [
        ("n", []),
        ("nn", []),
        ("nny", [("sweep", {})]),
        ("n" + ESCAPE, []),
        ("ny", [("sweep", {})]),
        ("n\ny\n", [("sweep", {})]),
        ("np", [("pause", {})]),
        ("p", [("pause", {})]),
        ("k", [("snugged", {})]),
        ("ua-1.5\n", [("turns", {"axis": "altitude", "turns": -1.5})]),
        ("uz0,25\n", [("turns", {"axis": "azimuth", "turns": 0.25})]),
        ("uz29\x7f\n", [("turns", {"axis": "azimuth", "turns": 2.0})]),
        ("u\na\n2\n", [("turns", {"axis": "altitude", "turns": 2.0})]),
        ("UZ\n1\n", [("turns", {"axis": "azimuth", "turns": 1.0})]),
        ("uaz1\n", [("turns", {"axis": "azimuth", "turns": 1.0})]),
        ("uxa2\n", [("turns", {"axis": "altitude", "turns": 2.0})]),
        ("uaxy\n", []),
        ("ua--1\n", []),
        ("ux" + ESCAPE, []),
        ("uk", [("snugged", {})]),
        ("ua1p", [("pause", {})]),
        ("us", [("stop", {})]),
        ("ua1s", [("stop", {})]),
        ("s", [("stop", {})]),
        ("S", [("stop", {})]),
        ("ns", [("stop", {})]),
        ("q", [("stop", {})]),
        ("t", []),
        ("f", []),
        ("x \n", []),
    ],
)
def test_a_stop_is_never_asked_about_and_a_sweep_is(keys: str, asked: list[Any]) -> None:
    """Stop works at once, in the midst of a question too; no question swallows another key."""
    desk, _keyboard = pressed(keys)

    assert desk.asked == asked


def test_p_resumes_what_is_paused_and_f_finishes_only_where_it_may() -> None:
    """The same key pauses and goes on; finishing without a sweep must be allowed and confirmed."""
    assert pressed("p", snapshot(paused=True))[0].asked == [("resume", {})]
    desk, keyboard = pressed("fy", may_finish=True)
    assert desk.asked == [("stop", {})]
    assert keyboard.finished
    assert pressed("nys", read_only=True)[0].asked == []


def test_a_stop_that_is_not_confirmed_in_two_seconds_is_said_not_to_be() -> None:
    """Nor one that did not get through; the next key press tries again."""
    at_s = [0.0]
    _desk, keyboard = pressed("s", clock=lambda: at_s[0])
    assert keyboard.prompt == "Stopping ..."
    at_s[0] = 2.0
    assert "NOT CONFIRMED" in keyboard.prompt
    assert "power" in keyboard.prompt

    keyboard.tick(snapshot(step=Step.STOPPED))
    assert keyboard.prompt == ""

    class Silent(Desk):
        def stop(self) -> None:
            raise ServiceUnreachable("http://pi", "timed out")

    lost = Keyboard(Silent())
    lost.press("s", snapshot())
    assert "DID NOT GET THROUGH" in lost.prompt


DONE = AdviceNow(action="done", sentence="Done.")


def test_nothing_counts_down_where_nobody_can_press_a_key(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a pipe or a log nobody sees a countdown, and nobody may stand clear of the mount."""
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    session = SimpleNamespace(
        cancel=CancelToken(),
        rig=None,
        run=lambda: None,
        wait_for_change=lambda *_: snapshot(),
        journal=SimpleNamespace(close=lambda: None),
        outcome=ExitCode.OK,
    )
    _session, _code, keyboard = run_in_terminal(
        Console(file=io.StringIO()),
        lambda _listener: cast("Any", session),
        plain=True,
        around=lambda _session: nullcontext(),
    )
    keyboard.tick(snapshot(advice=DONE))

    assert keyboard.countdown == ""
    assert "Press n" in keyboard.hint(snapshot(advice=DONE))


@pytest.mark.parametrize(
    ("key", "asked", "then"),
    [("", ["sweep"], ""), ("n", ["sweep"], "Press n"), ("p", [], "Press n"), ("s", ["stop"], "")],
    ids=["by itself", "now", "not", "stop"],
)
def test_done_counts_down_to_the_confirming_sweep(key: str, asked: list[str], then: str) -> None:
    """It says so, n starts it now, p holds it; only once a pass, and never in `adjust`."""
    at_s = [0.0]
    desk, done = Desk(), snapshot(advice=DONE)
    keyboard = Keyboard(desk, by_itself=True, clock=lambda: at_s[0])
    for at_s[0] in (0.0, 5.0):
        keyboard.tick(done)
    assert "THE MOUNT MOVES in 10 s" in keyboard.countdown
    for one in key:
        keyboard.press(one, done)
    for at_s[0] in (9.0, 13.0, 15.0, 16.0):
        keyboard.tick(done)

    assert [what for what, _ in desk.asked] == asked
    assert keyboard.countdown == ""
    assert then in keyboard.hint(done)

    plain = Keyboard(desk, may_finish=True, clock=lambda: at_s[0])
    plain.tick(done)
    assert plain.countdown == ""
    assert "Press f to finish" in plain.hint(done)


def test_a_program_that_was_halted_counts_down_anew() -> None:
    """Ctrl-Z and fg a minute later: nobody saw the seconds, so no sweep begins at once."""
    at_s = [0.0]
    desk, done = Desk(), snapshot(advice=DONE)
    keyboard = Keyboard(desk, by_itself=True, clock=lambda: at_s[0])
    for at_s[0] in (0.0, 60.0, 61.0):
        keyboard.tick(done)

    assert desk.asked == []
    assert "in 14 s" in keyboard.countdown


@pytest.mark.parametrize("by_key", [True, False], ids=["key", "signal"])
def test_a_stop_reaches_the_mount_although_the_session_waits_for_a_device(
    monkeypatch: pytest.MonkeyPatch, *, by_key: bool
) -> None:
    """The mount is stopped beside the session's thread, and that is shown."""
    released, stopped = threading.Event(), threading.Event()
    cancel = CancelToken()
    seen: list[str] = []

    def stop_motion(*, tracking_off: bool) -> MotionState:
        assert tracking_off
        stopped.set()
        return MotionState.STOPPED

    session = SimpleNamespace(
        cancel=cancel,
        stop=cancel.cancel,
        rig=SimpleNamespace(telescope=SimpleNamespace(stop_motion=stop_motion)),
        run=lambda: released.wait(30.0),
        wait_for_change=lambda *_: snapshot(),
        stopped_from_outside=lambda state, _reason: seen.append(state.value),
        journal=SimpleNamespace(close=lambda: None),
        outcome=ExitCode.INTERRUPTED,
    )

    def shown(desk: Any, keyboard: Keyboard, running: Any) -> SessionSnapshot:
        if by_key:
            keyboard.press("s", snapshot())
        else:
            cancel.cancel("Ctrl-C")
            keyboard.tick(snapshot())
        assert keyboard.prompt == "Stopping ..."
        assert stopped.wait(20.0)
        keyboard.tick(snapshot(motion="still"))
        assert keyboard.prompt.startswith("The mount stands still")
        while not seen:
            time.sleep(0.01)
        raise Insisted

    monkeypatch.setattr(session_terminal, "REACTS_S", 0.01)
    try:
        with pytest.raises(Cancelled, match="twice; the mount stands still"):
            session_terminal._run(cast("Any", session), lambda _s: nullcontext(), False, shown)
    finally:
        released.set()

    assert seen == ["stopped"]


def test_the_countdown_ends_where_the_reading_is_no_longer_good() -> None:
    """Whoever bumps the tripod in these seconds gets no sweep."""
    at_s = [0.0]
    desk = Desk()
    keyboard = Keyboard(desk, by_itself=True, clock=lambda: at_s[0])
    keyboard.tick(snapshot(advice=DONE))
    keyboard.tick(snapshot())
    at_s[0] = 60.0
    keyboard.tick(snapshot())

    assert (keyboard.countdown, desk.asked) == ("", [])
    keyboard.tick(snapshot(advice=DONE))
    assert "in 15 s" in keyboard.countdown


@pytest.mark.parametrize(
    ("action", "key"),
    [("snug_and_recheck", "Press k"), ("stop_and_sweep", "Press n"), ("check_mount", "Press n")],
)
def test_an_advice_names_its_key(action: str, key: str) -> None:
    """In sight, beside the sentence."""
    now = snapshot(advice=AdviceNow(action=action, sentence="On the mark."))
    hint = Keyboard(Desk()).hint(now)

    assert key in hint
    drawn = Console(file=io.StringIO(), width=80)
    drawn.print(view(now, KeysNow(hint=hint)))
    assert key in drawn.file.getvalue()  # type: ignore[attr-defined]


def test_a_session_that_ended_counts_the_sweeps_it_measured() -> None:
    """ "failed sweep 0" was sweep 1, of which nobody could say how far it came."""
    assert "0 sweeps measured" in shown(snapshot(step=Step.FAILED, sweeps=0, advice=None))
    assert "1 sweep measured" in shown(snapshot(step=Step.STOPPED, sweeps=1, advice=None))
    assert "sweep 1, mount" in shown(snapshot(step=Step.SWEEPING, sweeps=0, advice=None))


def test_a_question_stands_in_place_of_the_advice() -> None:
    """Else the large words ask for the key that was just pressed."""
    now = snapshot(advice=AdviceNow(action="stop_and_sweep", sentence="Near enough for now."))
    _desk, keyboard = pressed("n", now)
    drawn = Console(file=io.StringIO(), width=100)
    keys = KeysNow(hint=keyboard.hint(now), prompt=keyboard.prompt, asks=keyboard.asks)
    drawn.print(view(now, keys))
    text = drawn.file.getvalue()  # type: ignore[attr-defined]

    assert text.count("will move by itself") == 1
    assert "Near enough" not in text
    assert "Press n" not in text


def test_a_refusal_is_told_in_the_prompt() -> None:
    """What does not fit the step ends no picture."""
    desk = Desk()
    desk.refuse = True
    keyboard = Keyboard(desk)

    keyboard.press("k", snapshot(step=Step.SWEEPING))

    assert "not possible while the session is sweeping" in keyboard.prompt


def test_the_letters_are_those_of_the_page() -> None:
    """Who knows the page finds every letter again, and the footer names them."""
    page = files("polewright.interfaces.web.page").joinpath("page.js").read_text(encoding="utf-8")
    listed = re.search(r"const KEYS = \{(.*)\};", page)
    assert listed is not None
    of_page = {ident: key for key, ident in re.findall(r'(\w): "([\w-]+)"', listed[1])}
    footer = Keyboard(Desk()).help_line(snapshot())

    for ident, words in (
        ("stop", "STOP"),
        ("sweep", "new sweep"),
        ("pause", "pause"),
        ("snugged", "snugged"),
        ("note-turns", "note turns"),
    ):
        assert f"{of_page[ident]} {words}" in footer
    assert len(footer) <= 80
    assert "Stopping" in pressed(of_page["stop"])[1].prompt
    assert "will move" in pressed(of_page["sweep"])[1].prompt
    assert "Turns of which adjuster" in pressed(of_page["note-turns"])[1].prompt


@pytest.mark.parametrize(
    ("keys", "told"),
    [("ua--1\n", "is not a number of turns"), ("x", "is no key here"), ("k", "Noted")],
)
def test_an_answer_to_a_key_goes_away(keys: str, told: str) -> None:
    """After a while or with the next key; a question stays."""
    at_s = [100.0]
    desk, keyboard = pressed(keys, clock=lambda: at_s[0])
    assert told in keyboard.prompt
    at_s[0] += 15.0
    assert told in keyboard.prompt
    at_s[0] += 10.0
    assert keyboard.prompt == ""

    keyboard.press("x", snapshot())
    keyboard.press(ESCAPE, snapshot())
    assert keyboard.prompt == ""
    keyboard.press("n", snapshot())
    at_s[0] += 1000.0
    assert "y / Esc" in keyboard.prompt
    assert "sweep" not in [what for what, _ in desk.asked]


@pytest.mark.parametrize("step", [Step.FINISHED, Step.STOPPED, Step.FAILED])
def test_an_ended_session_offers_no_keys(step: Step) -> None:
    """Neither the footer nor the answer to the last key is left on the screen."""
    text = shown(snapshot(step=step), "Hands off: a new sweep begins.")

    assert "Hands off" not in text
    assert "s STOP" not in text
    assert Keyboard(Desk()).help_line(snapshot(step=step)) == ""
    assert "s STOP" in shown(snapshot(step=Step.SWEEPING))


def test_a_camera_that_is_late_is_said_to_be_waited_for() -> None:
    """Once the exposure is over by more than a moment there is nothing left to count."""
    emitted: list[Progress] = []
    silent = SimpleNamespace(told=())
    rig: Any = SimpleNamespace(
        emit=emitted.append,
        clock=SystemClock(),
        telescope=silent,
        camera=silent,
        patience=None,
    )

    def told(done_s: float) -> str:
        Rig.progress(rig, "exposure", 1, 3, done_s, 2.0)
        event = emitted[-1]
        return shown(
            snapshot(
                progress=ProgressNow(
                    step=event.step, point=1, points=3, done_s=done_s, total_s=2.0, text=event.text
                )
            )
        )

    assert "2 of 2 s" in told(2.3)
    assert "exposing: waiting for the camera" in told(5.0)
    assert "5 of 2 s" not in told(5.0)


def test_the_picture_says_what_to_do() -> None:
    """Sentence, caution, arrow, amount, uncertainty, state, tolerance and the mount are there."""
    text = shown(snapshot(), "Stopping ...")

    for part in (
        "Lower the axis 8.0 arcmin: turn the front bolt.",
        "! Hold the weight.",
        "still to go: lower the axis, about 1/4 turn",
        "altitude 8.0 arcmin too high",
        "azimuth  4.0 arcmin too far west",
        "total    8.94 ± 0.10 arcmin, settled",
        "under 9.1 arcmin (95 %), tolerance 1.00 arcmin",
        "mount tracking",
        "Stopping ...",
    ):
        assert part in text
    for row in range(3):
        assert f"{big('8.0').splitlines()[row]}  {big('arcmin').splitlines()[row]}" in text
    assert text.count("▼") == 1


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"error": error_now(state="lost"), "unread": 3}, "no stars in 3 frames"),
        ({}, "no fresh reading"),
    ],
    ids=["no stars", "no frame at all"],
)
def test_a_figure_that_is_old_is_not_shown_as_the_way_left(
    changes: dict[str, Any], told: str
) -> None:
    """Nothing to turn by: no arrow and no large figure; what was known stands with its age."""
    text = shown(snapshot(utc_s=1045.0, **changes))

    assert told in text
    assert "45 s old" in text
    assert "still to go" not in text
    assert "▼" not in text
    assert big("8.0").splitlines()[0] not in text


def test_the_plot_comes_nearer_with_the_axis() -> None:
    """The tolerance's ring is a ring at the end, whatever was far off before; never outside."""
    far = TrailPoint(d_az_sky_arcmin=70.0, d_alt_arcmin=40.0, settled=True)
    ring = []
    for off in (80.0, 8.0, 0.8, 0.1):
        now = snapshot(error=error_now(d_alt_arcmin=off, d_az_sky_arcmin=0.0), trail=(far, far))
        drawn = plot(now, 13).plain
        assert drawn.count("@") == 1
        ring.append(drawn.count("·"))

    assert ring == sorted(ring)
    assert ring[0] <= 2
    assert ring[-1] > 20


def test_a_note_goes_away_and_a_warning_stays_longer() -> None:
    """What was true as the mount was unparked is not told all night."""
    for warning, later_s, seen in ((False, 10.0, True), (False, 20.0, False), (True, 20.0, True)):
        note = NoteNow(text="The mount is parked: unparking.", warning=warning, utc_s=1000.0)
        text = shown(snapshot(noted=note, utc_s=1000.0 + later_s))
        assert ("unparking" in text) is seen


@pytest.mark.parametrize("step", list(Step))
def test_every_step_can_be_drawn_with_little_known(step: Step) -> None:
    """A session that has measured nothing yet still has a picture."""
    now = snapshot(
        step=step,
        error=None,
        advice=None,
        southern=None,
        progress=ProgressNow(step="exposure", point=2, points=3, done_s=1.0, total_s=4.0),
    )

    text = shown(now)

    assert "point 2 of 3, exposing" in text
    assert "1 of 4 s" in text


@pytest.mark.parametrize(("angle", "said"), EXAMPLES)
def test_every_size_can_be_drawn_big(angle: float, said: str) -> None:
    """The number is drawn three lines high; its unit stands behind it."""
    number, unit = said.split(maxsplit=1)
    assert len(big(number).splitlines()) == len(big(unit).splitlines()) == 3


@pytest.mark.parametrize("southern", [False, True])
def test_east_is_where_it_is_for_somebody_who_faces_the_pole(southern: bool) -> None:
    """In the north east is on the right, in the south on the left; arrow and plot agree."""
    now = snapshot(
        southern=southern,
        error=error_now(d_alt_arcmin=0.0, d_az_sky_arcmin=8.0),
        trail=(
            TrailPoint(d_az_sky_arcmin=4.0, d_alt_arcmin=4.0, settled=True),
            TrailPoint(d_az_sky_arcmin=8.0, d_alt_arcmin=0.0, settled=True),
        ),
    )
    rows = plot(now, 13).plain.splitlines()
    row = next(line for line in rows if "@" in line)
    before = next(line for line in rows if "o" in line and "too" not in line)

    assert (row.index("@") < row.index("+")) is southern
    assert (before.index("o") < row.index("+")) is southern
    assert rows.index(before) < rows.index(row)
    assert arrow("east", southern) == ("◀" if southern else "▶")
    assert arrow("west", southern) == ("▶" if southern else "◀")
    assert rows[-1].strip().startswith("east" if southern else "west")


def test_a_wide_uncertainty_is_drawn() -> None:
    """The 95 % region shows when it is larger than a character, along its own direction."""
    wide = snapshot(error=error_now(sigma_alt_arcmin=0.5, sigma_az_sky_arcmin=4.0))
    rows = plot(wide, 13).plain.splitlines()

    assert sum(line.count("░") for line in rows) > 8
    assert max(line.count("░") for line in rows) > sum("░" in line for line in rows)


def test_lines_of_a_pipe_are_keys() -> None:
    """Where there is no terminal, letters come as lines; the end of the pipe is silence."""
    keys = LineKeys(io.StringIO("s\r\ny\n"))
    got = ""
    deadline = time.monotonic() + 300.0
    while len(got) < 4 and time.monotonic() < deadline:
        got += keys.pressed()

    assert got == "s\ny\n"
    assert keys.pressed() == ""
    assert NoKeys().pressed() == ""


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are not on Windows")
def test_single_keys_of_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keys come one by one without Enter, arrow keys are nothing, the terminal is put back.

    So it is after Ctrl-Z and fg, when the shell has set the terminal to lines meanwhile.
    """
    import pty
    import termios

    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        before = termios.tcgetattr(stdin.fileno())
        assert somebody_at_the_keys()
        with keys_of_stdin() as keys:
            assert keys.pressed() == ""
            os.write(master, b"s\x1b[Aq")
            got = ""
            deadline = time.monotonic() + 300.0
            while len(got) < 2 and time.monotonic() < deadline:
                got += keys.pressed()
            termios.tcsetattr(stdin.fileno(), termios.TCSANOW, before)
            got += keys.pressed()
            os.write(master, b"p")
            while len(got) < 3 and time.monotonic() < deadline:
                got += keys.pressed()
        after = termios.tcgetattr(stdin.fileno())
    os.close(master)

    assert got == "sqp"
    assert after[3] == before[3]


class Service:
    """Answers as the service does, from a list of snapshots."""

    def __init__(self, snapshots: list[SessionSnapshot], token: str | None = None) -> None:
        self.asked: list[tuple[str, str, Any]] = []
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.answer(None)

            def do_POST(self) -> None:
                length = int(self.headers.get("Content-Length", "0"))
                self.answer(json.loads(self.rfile.read(length) or b"null"))

            def answer(self, body: Any) -> None:
                service.asked.append((self.command, self.path, body))
                if token and self.headers.get("Authorization") != f"Bearer {token}":
                    document = {"code": "token_missing", "message": "no token", "advice": "Ask."}
                    self.send_response(401)
                else:
                    now = snapshots.pop(0) if len(snapshots) > 1 else snapshots[0]
                    document = now.model_dump(mode="json")
                    if self.path == "/api/stop":
                        told = "The mount was told to stop but has not confirmed it."
                        document = {"motion": "unknown", "message": told, "advice": "Look."}
                    self.send_response(200)
                data = json.dumps(document).encode()
                self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                self.wfile.write(data)

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.link = f"http://127.0.0.1:{self.server.server_port}/"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def __enter__(self) -> Service:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.server.shutdown()
        self.server.server_close()


def test_a_session_elsewhere_is_shown_until_it_ends() -> None:
    """The token of the link is sent; lines tell changes; the end of the session is the end."""
    later = snapshot(version=2, error=error_now(total_arcmin=2.0))
    ended = snapshot(version=3, step=Step.FINISHED, advice=None)
    out = io.StringIO()
    with Service([snapshot(), later, ended], token="abc") as service:
        desk = RemoteDesk(f"{service.link}?token=abc")
        last = attached(
            Console(file=out, width=200), desk, plain=True, read_only=True, left=lambda: False
        )

    assert last.step is Step.FINISHED
    assert "total 2.00 arcmin" in out.getvalue()


def test_a_long_turn_that_glances_follow_is_not_told_as_lost() -> None:
    """Full frames wait until the hand lets go: the last one is old, the glance is not."""
    glance = MovingNow(
        **error_now(state="moving", utc_s=1044.9, total_arcmin=3.0).model_dump(), turning=True
    )
    turning = snapshot(utc_s=1045.0, moving=glance)
    out = io.StringIO()
    with Service([turning, turning, snapshot(version=3, step=Step.FINISHED)]) as service:
        desk = RemoteDesk(service.link)
        attached(Console(file=out, width=200), desk, plain=True, read_only=True, left=lambda: False)

    assert "lost" not in out.getvalue()
    assert "moving: total 3.0 arcmin" in out.getvalue()


def test_a_stop_elsewhere_that_is_not_confirmed_yet_got_through() -> None:
    """A slewing mount needs longer to come to rest than the service takes to answer."""
    at_s = [0.0]
    with Service([snapshot()]) as service:
        desk = RemoteDesk(service.link)
        stop = desk.stop

        def slow_stop() -> None:
            stop()
            at_s[0] += 1.6

        desk.stop = slow_stop  # type: ignore[method-assign]
        keyboard = Keyboard(desk, clock=lambda: at_s[0])
        keyboard.press("s", snapshot())

    assert "GET THROUGH" not in keyboard.prompt
    at_s[0] = 2.1
    assert "NOT CONFIRMED YET" in keyboard.prompt
    keyboard.tick(snapshot(motion="still"))
    assert "stands still" in keyboard.prompt
    keyboard.tick(snapshot(step=Step.STOPPED))
    assert keyboard.prompt == ""


def test_commands_go_to_the_service_and_refusals_come_back() -> None:
    """Each command has its path; a wrong token and a dead service are told as such."""
    with Service([snapshot()], token="abc") as service:
        desk = RemoteDesk(service.link, "abc")
        desk.command(Command.SWEEP)
        desk.command(Command.TURNS, axis="altitude", turns=1.5)
        desk.stop()
        assert [(path, body) for _method, path, body in service.asked] == [
            ("/api/session/sweep", None),
            ("/api/session/turns", {"axis": "altitude", "turns": 1.5}),
            ("/api/stop", {}),
        ]
        with pytest.raises(ServiceRefused, match="no token"):
            RemoteDesk(service.link).look(-1, 0.0)
        link = service.link
    with pytest.raises(ServiceUnreachable, match="cannot be used"):
        RemoteDesk(link).look(-1, 0.0)
