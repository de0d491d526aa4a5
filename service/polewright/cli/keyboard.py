"""What the keys of a running session do."""

from __future__ import annotations

from collections.abc import Callable

from polewright.cli.desk import Desk
from polewright.errors import PolewrightError
from polewright.session.session import Command
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

ESCAPE = "\x1b"
ERASE = ("\x7f", "\b")
SWEEP_QUESTION = "The mount will move by itself. Hands off, tube and cables free to turn? y / n"
AXIS_QUESTION = "Turns of which adjuster? a = altitude, z = azimuth"


class Keyboard:
    """Turns key presses into commands; a key that would move the mount is asked about first.

    Args:
        desk: the session.
        may_finish: whether ``f`` ends the session without a confirming sweep.
        read_only: whether keys do nothing.
    """

    def __init__(self, desk: Desk, *, may_finish: bool = False, read_only: bool = False) -> None:
        self._desk, self._may_finish, self._read_only = desk, may_finish, read_only
        self._answer: Callable[[str], None] | None = None
        self._axis, self._typed = "", ""
        self._paused = False
        self.prompt = ""
        """A question to the person, or what came of the last key."""
        self.finished = False
        """Whether the person ended the session without a confirming sweep."""

    def help_line(self, step: Step) -> str:
        """The keys that do something now."""
        if self._read_only:
            return "only watching; Ctrl-C leaves"
        keys = ["q stop"]
        if step is Step.ADJUSTING:
            keys = ["s new sweep", "p resume" if self._paused else "p pause"]
            keys += ["n snugged", "t tell turns"]
            if self._may_finish:
                keys.append("f finish without a last sweep")
            keys.append("q stop")
        return "   ".join(keys)

    def press(self, key: str, now: SessionSnapshot) -> None:
        """Act on one key. Refusals are told by `prompt`, never raised."""
        if self._read_only:
            return
        self._paused = now.paused
        if self._answer is not None:
            answer = self._answer
            if key == ESCAPE:
                self._answer, self.prompt = None, ""
            else:
                answer(key)
            return
        if not key.strip():
            return
        self.prompt = ""
        match key.lower():
            case "q":
                self._ask("Stop the session and all motion? y / n", self._stop)
            case "s":
                self._ask(SWEEP_QUESTION, self._sweep)
            case "p":
                self._paused = not now.paused
                self._do(
                    Command.RESUME if now.paused else Command.PAUSE,
                    "Going on." if now.paused else "Paused: no more frames until p is pressed.",
                )
            case "n":
                self._do(Command.SNUGGED, "Noted: two fresh frames must agree now.")
            case "t":
                self._ask(AXIS_QUESTION, self._choose_axis)
            case "f" if self._may_finish:
                self._ask(
                    "Finish without a confirming sweep? Motion is stopped. y / n", self._finish
                )
            case other:
                self.prompt = f"{other!r} is no key here."

    def _ask(self, question: str, answer: Callable[[str], None]) -> None:
        self.prompt, self._answer = question, answer

    def _said_yes(self, key: str) -> bool | None:
        """Whether the question was answered with yes; None while it is not answered."""
        if key == "\n":
            return None
        self._answer, self.prompt = None, ""
        return key.lower() == "y"

    def _do(self, command: Command, told: str, **details: object) -> None:
        try:
            self._desk.command(command, **details)
        except PolewrightError as error:
            self.prompt = f"{error}. {error.advice}"
        else:
            self.prompt = told

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
            self.prompt = f"{error}. {error.advice}"
            return False
        self.prompt = "Stopping ..."
        return True

    def _sweep(self, key: str) -> None:
        if self._said_yes(key):
            self._do(Command.SWEEP, "Hands off: a new sweep begins.")

    def _choose_axis(self, key: str) -> None:
        axis = {"a": "altitude", "z": "azimuth"}.get(key.lower())
        if axis is None:
            return
        self._axis, self._typed = axis, ""
        self._answer = self._type_turns
        self._show_typed()

    def _show_typed(self) -> None:
        positive = "raises the axis" if self._axis == "altitude" else "moves it east"
        self.prompt = f"Turns of the {self._axis} adjuster (+ {positive}), Enter: {self._typed}"

    def _type_turns(self, key: str) -> None:
        if key == "\n":
            if not self._typed:
                return
            self._answer = None
            try:
                turns = float(self._typed.replace(",", "."))
            except ValueError:
                self.prompt = f"{self._typed!r} is not a number of turns."
                return
            told = f"Noted: {turns:+g} turns of the {self._axis} adjuster."
            self._do(Command.TURNS, told, axis=self._axis, turns=turns)
            return
        self._typed = self._typed[:-1] if key in ERASE else self._typed + key
        self._show_typed()
