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
    "The mount will move by itself. Hands off, tube and cables free to turn? y / Esc"
)
STOPPING = say("Stopping ...")
STOP_KEYS = ("s", "q")
OTHER_KEYS = ("n", "p", "k", "u", "f")
AXES = {"a": "altitude", "z": "azimuth"}
AXIS_QUESTION = say("Turns of which adjuster?   a altitude   z azimuth")
MESSAGE_S = 20.0
"""So long an answer to a key stays to be read."""
COUNTDOWN_S = 15.0
"""The confirming sweep starts so long after "Done": time to read it and step back (own choice)."""
TAKEN_UP_S = 10.0
"""So long a sweep that was asked for waits for the frame under way: no key is named meanwhile."""
HALTED_S = 5.0
"""Longer than this between two looks at the clock the program was halted (own choice)."""
STOP_CONFIRMED_S = 2.0
"""A stop that is not confirmed after this time is said not to be."""
NEXT_KEY = {
    "snug_and_recheck": say("Tightened, and hands off? Press k."),
    "stop_and_sweep": say("Press n for the new sweep."),
    "check_mount": say("Press n for the new sweep."),
    "move_base": say("When that is done, press n for a new sweep."),
}
"""The key that goes with an advice, by its action."""


class Keyboard:
    """Turns key presses into commands.

    Stopping is never asked about. A key that would move the mount is, unless its countdown runs.

    Args:
        desk: the session.
        may_finish: whether ``f`` ends the session without a confirming sweep.
        by_itself: whether the confirming sweep starts by itself, some seconds after "Done".
        read_only: whether keys do nothing.
        clock: seconds that never go back.
    """

    def __init__(
        self,
        desk: Desk,
        *,
        may_finish: bool = False,
        by_itself: bool = False,
        read_only: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._desk, self._may_finish, self._read_only = desk, may_finish, read_only
        self._by_itself = by_itself and not read_only
        self._clock = clock
        self._answer: Callable[[str], bool] | None = None
        self._axis, self._typed = "", ""
        self._prompt, self._gone_s = "", float("inf")
        self._step: Step | None = None
        self._sweep_s: float | None = None
        """When the countdown ends."""
        self._held = False
        """Whether nothing starts by itself in this pass any more: the person decides."""
        self._asked_s = -float("inf")
        """When a sweep was asked for."""
        self._ticked_s = clock()
        self._stopped_s: float | None = None
        self._stands = False
        """Whether the mount confirmed the stop while the session goes on."""
        self.finished = False
        """Whether the person ended the session without a confirming sweep."""

    @property
    def prompt(self) -> str:
        """A question to the person, or for a while what came of the last key."""
        if self._stands:
            return say("The mount stands still. Waiting for a device that does not answer.")
        if self._stopped_s is not None and self._clock() - self._stopped_s >= STOP_CONFIRMED_S:
            return say(
                "STOP IS NOT CONFIRMED YET: use the hand controller, or cut the mount's power. "
                "It is tried on."
            )
        return self._prompt if self._clock() < self._gone_s else ""

    @property
    def asks(self) -> bool:
        """Whether `prompt` is a question that waits for its answer."""
        return self._answer is not None

    @property
    def countdown(self) -> str:
        """What is about to happen by itself; empty where nothing is."""
        if self._sweep_s is None:
            return ""
        return say(
            "HANDS OFF: THE MOUNT MOVES in {left_s:.0f} s, to confirm.   n now   p not   s stop",
            left_s=max(0.0, self._sweep_s - self._clock()),
        )

    def hint(self, now: SessionSnapshot) -> str:
        """The key that the present advice needs."""
        if self._read_only or now.step is not Step.ADJUSTING or self.asks:
            return ""
        if now.paused:
            return say("Paused. Press p to go on.")
        asked = self._clock() - self._asked_s < TAKEN_UP_S
        if now.advice is None or asked or now.motors:
            return ""
        if now.advice.action == "done":
            if self._by_itself and not self._held:
                return ""  # the countdown says it
            if self._may_finish:
                return say("Press f to finish, or n for a sweep that confirms it.")
            return say("Press n for the sweep that confirms it.")
        return NEXT_KEY.get(now.advice.action, "")

    def help_line(self, now: SessionSnapshot) -> str:
        """The keys that do something now."""
        if now.step in ENDED:
            return ""
        if self._read_only:
            return say("only watching; Ctrl-C leaves")
        keys = [say("s STOP")]
        if now.step is Step.ADJUSTING:
            keys += [
                say("n new sweep"),
                say("p go on") if now.paused else say("p pause"),
            ]
            if not now.motors:
                keys += [say("k snugged"), say("u note turns")]
            if self._may_finish:
                keys.append(say("f finish without a last sweep"))
        return joined("   ", keys)

    def tick(self, now: SessionSnapshot) -> None:
        """Let the time pass: count down to the confirming sweep, and ask for it."""
        if now.step is not self._step:
            self._step = now.step
            if self._answer is None and self._stopped_s is None:
                self._tell("")  # what came of a key was of the step before
        if (
            now.step in ENDED and self._stopped_s is not None
        ):  # what became of it is told at the end
            self._stopped_s, self._stands = None, False
            self._tell("")
        if self._desk.ending and self._stopped_s is None and now.step not in ENDED:  # by a signal
            self._answer, self._stopped_s = None, self._clock()
            self._show(STOPPING)
        stopping = self._stopped_s is not None
        self._stands = stopping and now.motion == "still"
        now_s = self._clock()
        if self._sweep_s is not None and now_s - self._ticked_s > HALTED_S:
            self._sweep_s = now_s + COUNTDOWN_S  # halted (Ctrl-Z): nobody saw it count
        self._ticked_s = now_s
        done = (
            now.step is Step.ADJUSTING
            and not now.paused
            and now.advice is not None
            and now.advice.action == "done"
        )
        if now.step is not Step.ADJUSTING:
            self._held = False
        if not done or self._held or stopping:
            self._sweep_s = None
        elif self._sweep_s is not None and now_s >= self._sweep_s:
            self._sweep_now()
        elif self._by_itself and self._sweep_s is None and self._answer is None:
            self._sweep_s = now_s + COUNTDOWN_S

    def press(self, key: str, now: SessionSnapshot) -> None:
        """Act on one key. Refusals are told by `prompt`, never raised."""
        if self._read_only:
            return
        if key.lower() in STOP_KEYS:  # also in the midst of a question, as on the page
            self._answer = self._sweep_s = None
            self._end()
            return
        if key == ESCAPE:
            self._answer = None
            self._tell("")
            return
        if self._answer is not None:
            if self._answer(key):
                return
            self._answer = None  # another key than the question asks for is a key like any other
        if key.strip():
            self._tell("")
            self._act(key.lower(), now)

    def _act(self, key: str, now: SessionSnapshot) -> None:
        match key:
            case "n" if self._sweep_s is not None:
                self._sweep_now()
            case "p" if self._sweep_s is not None:
                self._sweep_s, self._held = None, True
                self._tell(say("No sweep by itself: n starts it."))
            case "n":
                self._ask(SWEEP_QUESTION, self._sweep)
            case "p":
                self._do(
                    Command.RESUME if now.paused else Command.PAUSE,
                    say("Going on.")
                    if now.paused
                    else say("Paused: no more frames until p is pressed."),
                )
            case "k":
                self._do(Command.SNUGGED, say("Noted: two fresh frames must agree now."))
            case "u":
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

    def _ask(self, question: str, answer: Callable[[str], bool]) -> None:
        """Ask; ``answer`` says whether a key was meant for it."""
        self._answer, self._sweep_s, self._held = answer, None, True
        self._show(question)

    def _yes_or_no(self, key: str, act: Callable[[], None]) -> bool:
        if key == "\n":
            return True
        if key.lower() not in ("y", "n"):
            return False
        self._answer = None
        self._tell("")
        if key.lower() == "y":
            act()
        return True

    def _do(self, command: Command, told: str, **details: object) -> None:
        try:
            self._desk.command(command, **details)
        except PolewrightError as error:
            self._tell(say("{error}. {advice}", error=error, advice=error.advice))
        else:
            self._tell(told)

    def _finish(self, key: str) -> bool:
        return self._yes_or_no(key, self._finish_now)

    def _finish_now(self) -> None:
        if self._end():
            self.finished = True

    def _end(self) -> bool:
        self._show(STOPPING)
        asked_s = self._clock()
        try:
            self._desk.stop()
        except PolewrightError as error:
            self._show(
                say(
                    "THE STOP DID NOT GET THROUGH ({error}): use the hand controller, or cut the "
                    "mount's power. s tries again.",
                    error=error,
                )
            )
            return False
        if self._stopped_s is None:
            self._stopped_s = asked_s
        return True

    def _sweep(self, key: str) -> bool:
        if key.lower() == "n":
            return True  # the key that asked, pressed twice: the question stays
        return self._yes_or_no(key, self._sweep_now)

    def _sweep_now(self) -> None:
        self._sweep_s, self._held, self._asked_s = None, True, self._clock()
        self._do(Command.SWEEP, say("Hands off: a new sweep begins."))

    def _choose_axis(self, key: str) -> bool:
        if key.lower() in AXES:
            self._axis, self._typed = AXES[key.lower()], ""
            self._answer = self._type_turns
            self._show_typed()
        return key.lower() not in OTHER_KEYS

    def _show_typed(self) -> None:
        positive = say("raises the axis") if self._axis == "altitude" else say("moves it east")
        self._show(
            say(
                "Turns of the {axis} adjuster (+ {positive}), then Enter; Esc leaves: {typed}",
                axis=self._axis,
                positive=positive,
                typed=self._typed,
            )
        )

    def _type_turns(self, key: str) -> bool:
        if key.lower() in OTHER_KEYS:
            return False
        if key == "\n":
            if self._typed:
                self._answer = None
                self._note_turns()
            return True
        if key.lower() in AXES:
            return self._choose_axis(key)
        if key in ERASE:
            self._typed = self._typed[:-1]
        elif key in "+-.,0123456789":
            self._typed += key
        self._show_typed()
        return True

    def _note_turns(self) -> None:
        try:
            turns = float(self._typed.replace(",", "."))
        except ValueError:
            self._tell(say("{typed!r} is not a number of turns.", typed=self._typed))
            return
        told = say("Noted: {turns:+g} turns of the {axis} adjuster.", turns=turns, axis=self._axis)
        self._do(Command.TURNS, told, axis=self._axis, turns=turns)
