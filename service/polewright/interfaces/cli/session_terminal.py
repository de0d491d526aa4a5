"""Shows a session in the terminal and passes keys on, until the session has ended."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial

from rich.console import RenderableType
from rich.live import Live
from rich.measure import Measurement
from rich.text import Text

from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import Cancelled, ExitCode, Insisted, LeftInHaste
from polewright.foundation.language import say
from polewright.interfaces.cli.console import TerminalListener, compass
from polewright.interfaces.cli.desk import Desk, LocalDesk
from polewright.interfaces.cli.keyboard import Keyboard
from polewright.interfaces.cli.keys import Keys, keys_of_stdin, somebody_at_the_keys
from polewright.interfaces.cli.live_view import (
    GAP,
    LEAST_ROWS,
    MOST_ROWS,
    KeysNow,
    figures_of,
    is_old,
    legend,
    reading_of,
    view,
)
from polewright.interfaces.cli.terminal import Console, headed
from polewright.records import events
from polewright.session.session import AlignSession
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import ENDED

LOOK_S = 0.2
REACTS_S = 1.0
"""A session that was asked to end has so long to stop the mount by itself (own choice)."""

Running = Callable[[SessionSnapshot], bool]
"""Whether to go on showing, given what was seen last."""


class SessionLines(TerminalListener):
    """Every event of a session as a line, for logs, pipes and dumb terminals."""

    def _line(self, event: events.Event) -> str | Text:
        match event:
            case events.StepChanged():
                ended = event.step in ("failed", "stopped")  # why is told at the end
                why = say(" ({why})", why=event.why) if event.why and not ended else ""
                return headed(event.step, "bold", why)
            case events.AxisMeasured():
                return say(
                    "  measured: total {total_arcmin}, altitude {d_alt_arcmin}, azimuth "
                    "{d_az_sky_arcmin}",
                    total_arcmin=arcmin_text(event.total_arcmin, event.sigma_total_arcmin),
                    d_alt_arcmin=compass(event.d_alt_arcmin, "too high", "too low"),
                    d_az_sky_arcmin=compass(event.d_az_sky_arcmin, "too far east", "too far west"),
                )
            case events.ReadingTaken():
                more = "".join(say("\n    ! {notice}", notice=notice) for notice in event.notices)
                if event.state == "lost":  # its figures are those of an older frame
                    return say("  lost: {sentence}{more}", sentence=event.sentence, more=more)
                return say(
                    "  {state}: total {total_arcmin}, under {upper95_arcmin} (95 %). "
                    "{sentence}{more}",
                    state=event.state,
                    total_arcmin=arcmin_text(event.total_arcmin),
                    upper95_arcmin=arcmin_text(event.upper95_arcmin),
                    sentence=event.sentence,
                    more=more,
                )
            case events.PointSolved(point=0):
                return ""
        return super()._line(event)


def press_all(keys: Keys, keyboard: Keyboard, now: SessionSnapshot) -> bool:
    """Pass on what was pressed; return whether anything was."""
    any_key = False
    while key := keys.pressed():
        keyboard.press(key, now)
        any_key = True
    keyboard.tick(now)
    return any_key


def fitting(console: Console, now: SessionSnapshot, keys: KeysNow) -> RenderableType:
    """Draw a session so that the terminal shows all of it, with the largest plot that fits."""

    def lines_of(drawn: RenderableType) -> int:
        return len(console.render_lines(drawn))

    width = console.width
    bare = view(now, keys, plot_rows=0, width=width)
    if now.error is None:
        return bare
    figures = figures_of(now, now.error, width)
    wide = Measurement.get(console, console.options, figures).maximum
    spare = console.height - 1 - lines_of(bare) - lines_of(legend(now))
    rows = min(MOST_ROWS, lines_of(figures) + spare - 2, (width - wide - GAP - 1) // 2)
    rows -= 1 - rows % 2
    fits = spare >= 0 and rows >= LEAST_ROWS
    return view(now, keys, plot_rows=rows, width=width) if fits else bare


def show(
    console: Console,
    desk: Desk,
    keyboard: Keyboard,
    running: Running,
) -> SessionSnapshot:
    """Show a session live while it is ``running``; return its last snapshot."""
    version = -1
    with keys_of_stdin() as keys:
        now = desk.look(version, 0.0)

        def picture() -> RenderableType:
            last = KeysNow(
                keyboard.help_line(now),
                keyboard.hint(now),
                keyboard.countdown,
                keyboard.prompt,
                keyboard.asks,
            )
            return fitting(console, now, last)

        with Live(
            get_renderable=picture,
            console=console,
            refresh_per_second=5,
            vertical_overflow="crop",
        ) as live:
            while running(now):
                now = desk.look(version, LOOK_S)
                changed = now.version != version
                version = now.version
                if press_all(keys, keyboard, now) or changed:
                    live.refresh()
            now = desk.look(-1, 0.0)
            live.refresh()
    return now


def obey_keys(
    console: Console,
    desk: Desk,
    keyboard: Keyboard,
    running: Running,
    told: Callable[[SessionSnapshot], str] = lambda _now: "",
) -> SessionSnapshot:
    """Pass keys on without a picture while the session is ``running``.

    Args:
        console: where answers to keys go, as lines.
        desk: the session.
        keyboard: what the keys do.
        running: whether to go on.
        told: a line about a snapshot; printed when it is another than before.
    """
    answered, last, version, counting = "", "", -1, False
    with keys_of_stdin() as keys:
        now = desk.look(version, 0.0)
        while running(now):
            press_all(keys, keyboard, now)
            if keyboard.prompt not in ("", answered):
                console.print(keyboard.prompt)
            answered = keyboard.prompt
            if keyboard.countdown and not counting:
                console.print(keyboard.countdown)
            counting = bool(keyboard.countdown)
            now = desk.look(version, LOOK_S)
            version = now.version
            line = told(now)
            if line and line != last:
                console.print(line)
            last = line
    return desk.look(-1, 0.0)


def run_in_terminal(
    console: Console,
    make: Callable[[events.EventSink], AlignSession],
    *,
    plain: bool = False,
    may_finish: bool = False,
    around: Callable[[AlignSession], AbstractContextManager[None]],
) -> tuple[AlignSession, ExitCode, Keyboard]:
    """Run a session in a thread while this one shows it.

    Args:
        console: where it is shown.
        make: makes the session, given who listens.
        plain: lines instead of the live picture, also on a terminal.
        may_finish: whether the person may end it without a confirming sweep.
        around: entered while the session runs, so that a signal can stop it.
    """
    live = console.is_terminal and not plain
    if live:
        session = make(lambda _event: None)
        return _run(session, around, may_finish, partial(show, console))
    with SessionLines(console) as lines:
        session = make(lines)
        return _run(session, around, may_finish, partial(obey_keys, console))


def _run(
    session: AlignSession,
    around: Callable[[AlignSession], AbstractContextManager[None]],
    may_finish: bool,
    shown: Callable[[Desk, Keyboard, Running], SessionSnapshot],
) -> tuple[AlignSession, ExitCode, Keyboard]:
    desk = LocalDesk(session)
    # A countdown is for whoever can see it and say no.
    counts = not may_finish and somebody_at_the_keys()
    keyboard = Keyboard(desk, may_finish=may_finish, by_itself=counts)
    trouble: list[BaseException] = []

    def work() -> None:
        try:
            session.run()
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that shows
            trouble.append(error)

    thread = threading.Thread(target=work, name="session", daemon=True)
    with around(session):
        thread.start()
        beside: list[MotionState] = []
        threading.Thread(
            target=_stop_beside, args=(session, thread, beside), name="stop beside", daemon=True
        ).start()
        insisted = False
        try:
            shown(desk, keyboard, lambda _now: thread.is_alive())
        except Insisted:
            insisted = True
        finally:
            # However the picture ends, the session must stop the mount before this program does,
            # unless somebody insists: then the watchdog does, as this program ends.
            if thread.is_alive():
                session.stop(say("the terminal was closed"))
            try:
                if not insisted:
                    thread.join()
            except Insisted:
                insisted = True
            if insisted and thread.is_alive():
                if beside == [MotionState.STOPPED]:
                    raise Cancelled(say("interrupted twice; the mount stands still"))
                raise LeftInHaste(
                    say(
                        "the session was interrupted twice, and the mount had not confirmed "
                        "by then that it stopped"
                    )
                )
            session.journal.close()
    if trouble:
        raise trouble[0]
    outcome = session.outcome if session.outcome is not None else ExitCode.UNEXPECTED
    return session, outcome, keyboard


def _stop_beside(
    session: AlignSession, thread: threading.Thread, beside: list[MotionState]
) -> None:
    """Stop the mount where a session that was asked to end does not: it may wait for a device.

    What became of it goes to ``beside`` as well.
    """
    while not session.cancel.wait(LOOK_S):
        if not thread.is_alive():
            return
    thread.join(REACTS_S)
    rig = session.rig
    if thread.is_alive() and rig is not None:
        state = rig.telescope.stop_motion(tracking_off=True)
        beside.append(state)
        session.stopped_from_outside(state, session.cancel.reason)


def attached(
    console: Console, desk: Desk, *, plain: bool, read_only: bool, left: Callable[[], bool]
) -> SessionSnapshot:
    """Show a session that a service runs, until it is over or ``left`` says yes.

    Leaving does not end the session.
    """
    keyboard = Keyboard(desk, read_only=read_only)

    def running(now: SessionSnapshot) -> bool:
        return now.step not in ENDED and not left()

    if console.is_terminal and not plain:
        return show(console, desk, keyboard, running)
    return obey_keys(console, desk, keyboard, running, told=_line)


def _line(now: SessionSnapshot) -> str:
    error = reading_of(now)
    if now.advice is None or error is None:
        return f"{now.step.value}"
    if is_old(now, error):
        return say("{time}, lost: {sentence}", time=now.step.value, sentence=now.advice.sentence)
    return say(
        "{time}, {state}: total {total_arcmin}, under {upper95_arcmin} (95 %). {sentence}",
        time=now.step.value,
        state=error.state,
        total_arcmin=arcmin_text(error.total_arcmin),
        upper95_arcmin=arcmin_text(error.upper95_arcmin),
        sentence=now.advice.sentence,
    )
