"""Directions as people write them: decimal, or in degrees (hours), minutes and seconds."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator

from polewright.foundation.language import say


def degrees_from_text(given: Any) -> Any:
    """Return an angle in degrees.

    Args:
        given: a number, or text such as 44.62, 44:37:12, 44 37 12, 44d37m12s, 44°37′12″ N or
            9°18′ W (S and W make it negative); hours are told by their letter (5h35m17s).
            What is no text is returned as it is.

    Raises:
        ValueError: it cannot be read; says how to write it.
    """
    return _read(given, "deg")


def hours_from_text(given: Any) -> Any:
    """Do as `degrees_from_text` for hours: 5.588, 5:35:17 or 5h35m17s; a ``d`` tells degrees."""
    return _read(given, "hourangle")


def _read(given: Any, unit: str) -> Any:
    if not isinstance(given, str):
        return given
    text = given.strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        pass
    from astropy.coordinates import Angle  # loaded only where it is needed: it takes its time

    try:
        return float(Angle(text, unit=unit).to_value(unit))
    except (ValueError, TypeError):
        pass
    hint = "5.588, 5:35:17, 5h35m17s" if unit == "hourangle" else "44.62, 44:37:12, 44d37m12s"
    raise ValueError(say("{given!r} is no angle; write it as {hint}", given=given, hint=hint))


Degrees = Annotated[float, BeforeValidator(degrees_from_text)]
"""A direction of the configuration, degrees; text is read as by `degrees_from_text`."""
Hours = Annotated[float, BeforeValidator(hours_from_text)]
"""The same in hours."""
