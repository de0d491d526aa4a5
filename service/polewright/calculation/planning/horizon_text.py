"""A skyline as text: reading lines and writing them back.

::

    # house to the north-east, balcony above
    clearance 1.5                      optional, degrees to keep from every edge
    0    12
    45   38   70                       a third number: an overhang begins at 70 degrees
    90,  22                            commas, semicolons, tabs or spaces
    window 120 135 0 30 street lamp    azimuths from, to (clockwise), altitudes from, to, label
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import replace

from polewright.calculation.planning.errors import HorizonUnreadable, LimitsInvalid
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.foundation.language import say

#: Bad lines told; the others are counted.
_LINES_TOLD = 5
_SEPARATOR = re.compile(r"[\s,;]+")


class HorizonReader:
    """Takes a skyline line by line (see the module for the format)."""

    def __init__(self) -> None:
        self._seen: dict[float, tuple[int, float, float | None]] = {}
        self._windows: list[Window] = []
        self._clearance_deg: float | None = None
        self._header_allowed = True
        self._lines = 0

    def take(self, raw: str) -> None:
        """Read one line, with or without its line end; the first may name the columns.

        Raises:
            HorizonUnreadable: it cannot be used, and was counted but left out.
        """
        self._lines += 1
        number = self._lines
        text = raw.lstrip("\ufeff").split("#", 1)[0].replace("°", " ").strip()
        if not text:
            return
        words = [word for word in _SEPARATOR.split(text) if word]
        if not words:
            raise HorizonUnreadable(number, say("separators without numbers"), raw)
        header_allowed, self._header_allowed = self._header_allowed, False
        keyword = words[0].lower()
        if keyword == "window":
            self._windows.append(_window(number, raw, text))
        elif keyword == "clearance":
            if len(words) != 2:
                raise HorizonUnreadable(number, say("'clearance' takes one number"), raw)
            self._clearance_deg = _number(number, raw, words[1], "clearance", 0.0, 45.0)
        elif header_allowed and not any(sign.isdigit() for sign in text):
            pass  # names of columns
        else:
            _add_pair(self._seen, number, raw, words)

    @property
    def complete(self) -> bool:
        """Whether there is a pair yet, and so a skyline."""
        return bool(self._seen)

    def horizon(self, clearance_deg: float | None = None, source: str = "") -> Horizon:
        """Return the skyline of the lines taken.

        Args:
            clearance_deg: overrules a ``clearance`` line.
            source: the file's name, for the error.

        Raises:
            HorizonUnreadable: there is no pair.
        """
        seen = self._seen
        if not seen:
            raise HorizonUnreadable(None, say("no azimuth/altitude pair found"), source=source)
        order = sorted(seen)
        uppers = [seen[azimuth][2] for azimuth in order]
        horizon = Horizon(
            azimuth_deg=tuple(order),
            altitude_deg=tuple(seen[azimuth][1] for azimuth in order),
            upper_deg=None
            if all(upper is None for upper in uppers)
            else tuple(90.0 if upper is None else upper for upper in uppers),
            windows=tuple(self._windows),
        )
        chosen = self._clearance_deg if clearance_deg is None else clearance_deg
        return horizon if chosen is None else replace(horizon, clearance_deg=chosen)


def parse_horizon(
    lines: Iterable[str], *, clearance_deg: float | None = None, source: str = ""
) -> Horizon:
    """Read a skyline from lines of text (see the module for the format).

    Args:
        lines: with or without line ends; the first may name the columns.
        clearance_deg: overrules a ``clearance`` line.
        source: the file's name, for the error.

    Raises:
        HorizonUnreadable: names the bad lines (counted from 1), the reasons, and the text.
    """
    reader = HorizonReader()
    told: list[HorizonUnreadable] = []
    more = 0
    for raw in lines:
        try:
            reader.take(raw)
        except HorizonUnreadable as exc:
            if len(told) < _LINES_TOLD:
                told.append(exc.with_traceback(None))
            else:
                more += 1
    if told:
        first, *others = told
        raise HorizonUnreadable(
            first.line, first.reason, first.text, others=tuple(others), more=more, source=source
        )
    return reader.horizon(clearance_deg, source)


def format_horizon(horizon: Horizon) -> str:
    """Text that `parse_horizon` reads back to an equal skyline."""
    out = ["# azimuth altitude [overhang], degrees; azimuth from north through east"]
    out.append(f"clearance {horizon.clearance_deg!r}")
    for i, (azimuth, altitude) in enumerate(
        zip(horizon.azimuth_deg, horizon.altitude_deg, strict=True)
    ):
        upper = "" if horizon.upper_deg is None else f" {horizon.upper_deg[i]!r}"
        out.append(f"{azimuth!r} {altitude!r}{upper}")
    for w in horizon.windows:
        label = f" {w.label}" if w.label else ""
        out.append(
            f"window {w.azimuth_from_deg!r} {w.azimuth_to_deg!r} "
            f"{w.altitude_from_deg!r} {w.altitude_to_deg!r}{label}"
        )
    return "\n".join(out) + "\n"


def _add_pair(
    seen: dict[float, tuple[int, float, float | None]], number: int, raw: str, words: list[str]
) -> None:
    if len(words) not in {2, 3}:
        raise HorizonUnreadable(
            number,
            say(
                "needs azimuth, altitude and at most an overhang, not {words} values",
                words=len(words),
            ),
            raw,
        )
    azimuth = _number(number, raw, words[0], "azimuth", 0.0, 360.0)
    altitude = _number(number, raw, words[1], "altitude", -90.0, 90.0)
    upper = _number(number, raw, words[2], "overhang", -90.0, 90.0) if len(words) == 3 else None
    if upper is not None and upper < altitude:
        raise HorizonUnreadable(
            number,
            say(
                "the overhang ({upper:g}) is below the skyline ({altitude:g})",
                upper=upper,
                altitude=altitude,
            ),
            raw,
        )
    folded = azimuth % 360.0
    if folded in seen:
        other, known, known_upper = seen[folded]
        closes = (azimuth != folded) != (other < 0)
        if not (closes and known == altitude and known_upper == upper):
            raise HorizonUnreadable(
                number,
                say(
                    "azimuth {azimuth:g} was already given on line {earlier_line}; for an upright "
                    "edge use two azimuths 0.1 apart",
                    azimuth=azimuth,
                    earlier_line=abs(other),
                ),
                raw,
            )
        return
    # A negative line number remembers that this was written as 360: it may close the circle.
    seen[folded] = (-number if azimuth != folded else number, altitude, upper)


def _window(number: int, raw: str, text: str) -> Window:
    parts = [part for part in _SEPARATOR.split(text, maxsplit=5) if part]
    if len(parts) < 5:
        raise HorizonUnreadable(
            number,
            say("'window' needs azimuth from, to, altitude from, to and may have a label"),
            raw,
        )
    names = (
        say("window azimuth"),
        say("window azimuth"),
        say("window altitude"),
        say("window altitude"),
    )
    bounds = ((0.0, 360.0), (0.0, 360.0), (-90.0, 90.0), (-90.0, 90.0))
    a, b, lo, hi = (
        _number(number, raw, word, name, *bound)
        for word, name, bound in zip(parts[1:5], names, bounds, strict=True)
    )
    label = " ".join(parts[5].split()) if len(parts) > 5 else ""
    try:
        return Window(a, b, lo, hi, label)
    except LimitsInvalid as exc:
        raise HorizonUnreadable(number, str(exc), raw) from exc


def _number(number: int, raw: str, word: str, name: str, low: float, high: float) -> float:
    try:
        value = float(word)
    except ValueError as exc:
        raise HorizonUnreadable(
            number, say("{name} {word!r} is not a number", name=name, word=word), raw
        ) from exc
    if not math.isfinite(value):
        raise HorizonUnreadable(
            number, say("{name} {word!r} is not a finite number", name=name, word=word), raw
        )
    if not low <= value <= high:
        raise HorizonUnreadable(
            number,
            say(
                "{name} {given:g} is outside {low:g} to {high:g} degrees",
                name=name,
                given=value,
                low=low,
                high=high,
            ),
            raw,
        )
    return value + 0.0
