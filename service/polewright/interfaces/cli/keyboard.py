"""What the keys of a running session do. The letters are those of the page."""

from __future__ import annotations

import time
from collections.abc import Callable

from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import joined, say
from polewright.interfaces.cli.desk import Desk
from polewright.session.session import Command
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import ENDED, Step

ESCAPE = "\x1b"
ERASE = ("\x7f", "\b")
SWEEP_QUESTION = say(
    "The mount will move by itself. Hands off, tube and cables free to turn? y / n"
)
STOP_QUESTION = say("Stop the session and all motion? y / n")
STOP_KEYS = ("s", "q")
AXIS_QUESTION = say(
    "Told once or twice, the reading gives turns as well as arcminutes.\nTurns of which "
    "adjuster? altitude (a) or azimuth (z), Enter: "
)
MESSAGE_S = 20.0
"""So long an answer to a key stays to be read."""


def adjuster(word: str) -> str | None:
    """The axis that was meant by a word or its beginning; ``a`` alone is the altitude."""
    if word == "z":
        return "azimuth"
    return next((axis for axis in ("altitude", "azimuth") if word and axis.startswith(word)), None)


class Keyboard:
    """Turns key presses into commands; a key that would move the mount is asked about first.

    Args:
        desk: the session.
        may_finish: whether ``f`` ends the session without a confirming sweep.
        read_only: whether keys do nothing.
        clock: seconds that never go back.
    """

    def __init__(
        self,
        desk: Desk,
        *,
        may_finish: bool = False,
        read_only: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._desk, self._may_finish, self._read_only = desk, may_finish, read_only
        self._clock = clock
        self._answer: Callable[[str], None] | None = None
        self._axis, self._typed = "", ""
        self._paused = False
        self._prompt, self._gone_s = "", float("inf")
        self.finished = False
        """Whether the person ended the session without a confirming sweep."""

    @property
    def prompt(self) -> str:
        """A question to the person, or for a while what came of the last key."""
        return self._prompt if self._clock() < self._gone_s else ""

    def help_line(self, step: Step) -> str:
        """The keys that do something now."""
        if step in ENDED:
            return ""
        if self._read_only:
            return say("only watching; Ctrl-C leaves")
        keys = [say("s stop")]
        if step is Step.ADJUSTING:
            keys += [
                say("n new sweep"),
                say("p go on") if self._paused else say("p pause"),
                say("k snugged"),
            ]
            keys.append(say("u note turns"))
            if self._may_finish:
                keys.append(say("f finish without a last sweep"))
        return joined("   ", keys)

    def press(self, key: str, now: SessionSnapshot) -> None:
        """Act on one key. Refusals are told by `prompt`, never raised."""
        if self._read_only:
            return
        self._paused = now.paused
        if key == ESCAPE:
            self._answer = None
            self._tell("")
            return
        if key.lower() in STOP_KEYS:  # also in the midst of another question, as on the page
            self._ask(STOP_QUESTION, self._stop)
            return
        if self._answer is not None:
            self._answer(key)
            return
        if not key.strip():
            return
        self._tell("")
        match key.lower():
            case "n":
                self._ask(SWEEP_QUESTION, self._sweep)
            case "p":
                self._paused = not now.paused
                self._do(
                    Command.RESUME if now.paused else Command.PAUSE,
                    say("Going on.")
                    if now.paused
                    else say("Paused: no more frames until p is pressed."),
                )
            case "k":
                self._do(Command.SNUGGED, say("Noted: two fresh frames must agree now."))
            case "u":
                self._typed = ""
                self._ask(AXIS_QUESTION, self._choose_axis)
            case "f" if self._may_finish:
                self._ask(
                    say("Finish without a confirming sweep? Motion is stopped. y / n"), self._finish
                )
            case other:
                self._tell(say("{other!r} is no key here.", other=other))

    def _tell(self, message: str) -> None:
        """Show what came of a key, for a while."""
        self._prompt, self._gone_s = message, self._clock() + MESSAGE_S

    def _show(self, words: str) -> None:
        """Show what stays until a key or the session takes it away."""
        self._prompt, self._gone_s = words, float("inf")

    def _ask(self, question: str, answer: Callable[[str], None]) -> None:
        self._answer = answer
        self._show(question)

    def _said_yes(self, key: str) -> bool | None:
        """Whether the question was answered with yes; None while it is not answered."""
        if key == "\n":
            return None
        self._answer = None
        self._tell("")
        return key.lower() == "y"

    def _do(self, command: Command, told: str, **details: object) -> None:
        try:
            self._desk.command(command, **details)
        except PolewrightError as error:
            self._tell(say("{error}. {advice}", error=error, advice=error.advice))
        else:
            self._tell(told)

    def _stop(self, key: str) -> None:
        if self._said_yes(key):
            self._end()

    def _finish(self, key: str) -> None:
        if self._said_yes(key) and self._end():
            self.finished = True

    def _end(self) -> bool:
        try:
            self._desk.stop()
        except PolewrightError as error:
            self._tell(say("{error}. {advice}", error=error, advice=error.advice))
            return False
        self._show("Stopping ...")
        return True

    def _sweep(self, key: str) -> None:
        if self._said_yes(key):
            self._do(Command.SWEEP, say("Hands off: a new sweep begins."))

    def _choose_axis(self, key: str) -> None:
        """Take a word up to Enter, or up to the number that follows it at once."""
        if key.isalpha() or key in ERASE:
            self._typed = self._typed[:-1] if key in ERASE else self._typed + key
            self._show(AXIS_QUESTION + self._typed)
            return
        if not self._typed:
            return
        axis = adjuster(self._typed.lower())
        if axis is None:
            wrong, self._typed = self._typed, ""
            self._show(
                say(
                    "{wrong!r} is neither altitude nor azimuth.\n{axis_question}",
                    wrong=wrong,
                    axis_question=AXIS_QUESTION,
                )
            )
            return
        self._axis, self._typed = axis, key.strip()
        self._answer = self._type_turns
        self._show_typed()

    def _show_typed(self) -> None:
        positive = say("raises the axis") if self._axis == "altitude" else say("moves it east")
        self._show(
            say(
                "Turns of the {axis} adjuster (+ {positive}), Enter: {typed}",
                axis=self._axis,
                positive=positive,
                typed=self._typed,
            )
        )

    def _type_turns(self, key: str) -> None:
        if key == "\n":
            if not self._typed:
                return
            self._answer = None
            try:
                turns = float(self._typed.replace(",", "."))
            except ValueError:
                self._tell(say("{typed!r} is not a number of turns.", typed=self._typed))
                return
            told = say(
                "Noted: {turns:+g} turns of the {axis} adjuster.", turns=turns, axis=self._axis
            )
            self._do(Command.TURNS, told, axis=self._axis, turns=turns)
            return
        self._typed = self._typed[:-1] if key in ERASE else self._typed + key
        self._show_typed()
