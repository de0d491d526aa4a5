"""What can go wrong between a star list and an attitude.

::

    SolveError (foundation/errors.py)
    ├── TooFewStars       the frame shows fewer stars than a solve needs
    ├── NoMatch           stars are there, but nothing fits them
    │   └── TooNarrowForWholeSky  without a pointing hint so small a field is not looked for
    ├── SolutionRejected  a solver answered, but its answer contradicts the hint or itself
    ├── SolverMissing     the solver, or data it needs, is not installed
    ├── SolverTimedOut    no answer within the time allowed
    ├── SolverFailed      the solver's program ended with an error or left no usable answer
    └── FieldTooNarrow    the catalogue has too few stars for so small a field; told beforehand
    ConfigError
    ├── CatalogueRefused  a file to build a catalogue from is not usable; says where and why
    └── CatalogueUnusable an add-on catalogue is missing or damaged, or cannot be stored

Angles in attributes carry their unit in the name: these are for people.
"""

from __future__ import annotations

from collections.abc import Sequence

from polewright.foundation.errors import ConfigError, SolveError
from polewright.foundation.language import say


class TooFewStars(SolveError):
    """The frame shows fewer stars than a solve needs."""

    code = "too_few_stars"
    likely = say(
        "clouds, dew, a branch or a wall in front of the telescope, or it is far out of focus."
    )
    advice = say(
        "Look at the sky and through the telescope; focus (`polewright check --loop` shows the "
        "stars' size); then expose longer."
    )

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(found, needed)
        self.found = found
        self.needed = needed

    def __str__(self) -> str:
        return say(
            "{found} stars found in the frame, {needed} needed",
            found=self.found,
            needed=self.needed,
        )


class NoMatch(SolveError):
    """Stars are there, but no place in the sky fits them.

    Args:
        hint: the pointing hint as a sentence part, such as "within 5.0 deg of RA 12.345 h,
            Dec +67.8 deg", or "anywhere in the sky".
        field_deg: (width, height) of the field that was assumed, degrees; None if unknown.
        stars: stars that were tried.
        detail: what the solver said about it, may be empty.
    """

    code = "no_match"
    likely = say("focal length or pixel size in the configuration are far from the truth.")
    advice = say(
        "Run `polewright profile --solve`: it finds the focal length from one frame. If that "
        "fails too, focus (`polewright check --loop`) and expose longer."
    )

    def __init__(
        self,
        hint: str,
        field_deg: tuple[float, float] | None = None,
        stars: int | None = None,
        detail: str = "",
    ) -> None:
        super().__init__(hint, field_deg, stars, detail)
        self.hint = hint
        self.field_deg = field_deg
        self.stars = stars
        self.detail = detail

    def __str__(self) -> str:
        stars = (
            say("The stars")
            if self.stars is None
            else say("The {stars} stars found", stars=self.stars)
        )
        if self.field_deg is None:
            field = say("a field of unknown size")
        else:
            field = say(
                "a field of {width_deg:.2f} x {height_deg:.2f} deg",
                width_deg=self.field_deg[0],
                height_deg=self.field_deg[1],
            )
        sentence = say(
            "{stars} match no place {hint} for {field}", stars=stars, hint=self.hint, field=field
        )
        return (
            say("{sentence}: {detail}", sentence=sentence, detail=self.detail)
            if self.detail
            else sentence
        )


class TooNarrowForWholeSky(NoMatch):
    """Without a pointing hint fields as small as this are not looked for."""

    code = "too_narrow_for_whole_sky"
    advice = say(
        "Let the mount tell where it points (set it on its home position, or synchronise "
        "it on a star): within [solver] hint_radius_deg of that, narrow fields are "
        "looked for, too. Or let a program with an index of its own solve ([solver] name "
        '= "command"): `polewright handbook narrow-fields`.'
    )

    def __init__(self, field_deg: tuple[float, float], stars: int, narrowest_deg: float) -> None:
        super().__init__(say("anywhere in the sky"), field_deg, stars)
        self.args = (field_deg, stars, narrowest_deg)
        self.narrowest_deg = narrowest_deg

    def __str__(self) -> str:
        width, height = self.field_deg or (0.0, 0.0)
        return say(
            "a field of {width:.2f} x {height:.2f} deg is not searched for in the whole sky: "
            "below {narrowest_deg:g} deg that takes over 2 GB of memory",
            width=width,
            height=height,
            narrowest_deg=self.narrowest_deg,
        )


class SolutionRejected(SolveError):
    """A solver answered, but the answer contradicts the hint or itself; it was not used."""

    code = "solution_rejected"
    advice = say(
        "Take the frame again; if it persists, check focal length, pixel size and the "
        "mount's coordinates against the numbers given here."
    )

    def __init__(self, solver: str, reason: str) -> None:
        super().__init__(solver, reason)
        self.solver = solver
        self.reason = reason

    def __str__(self) -> str:
        return say(
            "the answer of the solver {solver!r} was not used: {reason}",
            solver=self.solver,
            reason=self.reason,
        )


class SolverMissing(SolveError):
    """The solver, or data it needs, is not installed."""

    code = "solver_missing"

    def __init__(self, solver: str, what: str, advice: str) -> None:
        super().__init__(solver, what, advice)
        self.solver = solver
        self.what = what
        self.advice = advice

    def __str__(self) -> str:
        return say(
            "the solver {solver!r} cannot run: {problem}", solver=self.solver, problem=self.what
        )


class SolverTimedOut(SolveError):
    """No answer within the time allowed; any child process has ended."""

    code = "solver_timed_out"
    advice = say(
        "Allow more time, give a pointing hint and the right focal length so that less "
        "is searched, or check that the frame shows stars in focus."
    )

    def __init__(self, solver: str, timeout_s: float) -> None:
        super().__init__(solver, timeout_s)
        self.solver = solver
        self.timeout_s = timeout_s

    def __str__(self) -> str:
        if self.solver == "embedded":
            return say("no stars recognised in time: {timeout_s:g} s", timeout_s=self.timeout_s)
        return say(
            "the solver {solver!r} gave no answer within {timeout_s:g} s",
            solver=self.solver,
            timeout_s=self.timeout_s,
        )


class SolverFailed(SolveError):
    """The solver's program ended with an error, or left no usable answer.

    Args:
        solver: its name.
        exit_status: of the program (negative: ended by that signal); None if it did not apply.
        reason: what was wrong with the outcome.
        last_lines: the end of what the program printed.
    """

    code = "solver_failed"
    advice = say(
        "Run the command by hand with the same frame to see what it says; check the "
        "command template in the configuration and that its index files are installed."
    )

    def __init__(
        self,
        solver: str,
        exit_status: int | None,
        reason: str,
        last_lines: Sequence[str] = (),
    ) -> None:
        super().__init__(solver, exit_status, reason, tuple(last_lines))
        self.solver = solver
        self.exit_status = exit_status
        self.reason = reason
        self.last_lines = tuple(last_lines)

    def __str__(self) -> str:
        status = (
            ""
            if self.exit_status is None
            else say(" (exit status {exit_status})", exit_status=self.exit_status)
        )
        sentence = say(
            "the solver {solver!r} failed{status}: {reason}",
            solver=self.solver,
            status=status,
            reason=self.reason,
        )
        if self.last_lines:
            last = " | ".join(self.last_lines)
            sentence += say("; its last words: {last}", last=last)
        return sentence


class CatalogueRefused(ConfigError):
    """A file given to build a star catalogue from is not one, or its contents make no sense.

    Args:
        path: the file.
        reason: what is wrong, as a sentence part.
        column: the column it is about; empty when it is about the whole file.
        row: the first row it shows in, counted from 1 (the header of a text file not counted).
    """

    code = "catalogue_refused"

    def __init__(
        self, path: str, reason: str, column: str = "", row: int | None = None, advice: str = ""
    ) -> None:
        super().__init__(path, reason, column, row, advice)
        self.path, self.reason, self.column, self.row = path, reason, column, row
        self.advice = advice or (
            say(
                "Look at the file there; name columns and units with the options of "
                "`polewright catalogue build --help`."
            )
        )

    def __str__(self) -> str:
        column = say(", column {column!r}", column=self.column) if self.column else ""
        row = say(", row {row}", row=self.row) if self.row is not None else ""
        return say(
            "{path}{column}{row}: {reason}",
            path=self.path,
            column=column,
            row=row,
            reason=self.reason,
        )


class CatalogueUnusable(ConfigError):
    """An add-on star catalogue is missing or damaged, or cannot be written or removed."""

    code = "catalogue_unusable"

    def __init__(self, path: str, reason: str, advice: str = "") -> None:
        super().__init__(path, reason, advice)
        self.path, self.reason = path, reason
        self.advice = advice or (
            say(
                "`polewright catalogue show` lists what is installed; build it again, or remove it."
            )
        )

    def __str__(self) -> str:
        return say(
            "the star catalogue {path} is not usable: {reason}", path=self.path, reason=self.reason
        )


class FieldTooNarrow(SolveError):
    """Fields as small as this hold too few catalogue stars to be solved; nothing was moved."""

    code = "field_too_narrow"

    def __init__(
        self,
        field_deg: tuple[float, float],
        expected: float,
        needed: float,
        catalogue: str,
        where: str = say("in the richest part of the usable sky"),
    ) -> None:
        super().__init__(field_deg, expected, needed, catalogue, where)
        self.field_deg, self.expected, self.needed = field_deg, expected, needed
        self.catalogue, self.where = catalogue, where
        self.likely = say(
            "the telescope's field is narrow, or focal length or pixel size in the configuration "
            "are wrong."
        )
        self.advice = say(
            "If {width:.2f} x {height:.2f} deg is not your field, correct [optics], or let "
            "`polewright profile --solve` find the focal length. If it is: {remedies}",
            width=field_deg[0],
            height=field_deg[1],
            remedies=TWO_WAYS_OUT,
        )

    def __str__(self) -> str:
        width, height = self.field_deg
        return say(
            "a frame of {width:.2f} x {height:.2f} deg shows about {expected:.1f} stars "
            "of the catalogue at hand ({catalogue}) {where}; a solve needs {needed:.0f}",
            width=width,
            height=height,
            expected=self.expected,
            catalogue=self.catalogue,
            where=self.where,
            needed=self.needed,
        )


TWO_WAYS_OUT = say(
    "Build a deeper add-on catalogue from a file of stars (`polewright catalogue build "
    'FILE`), or let a program with its own catalogue solve ([solver] name = "command"); '
    "or use a shorter focal length: a guide scope's camera will do. `polewright handbook "
    "narrow-fields` says how."
)
"""What helps where the catalogue has too few stars for the field."""
