"""The pages of the handbook, and their text with what the code itself tells filled in."""

from __future__ import annotations

import re
from importlib.resources import files

from polewright.foundation.errors import ConfigError

#: Every page in the order of reading, and what it answers in one line. The text is in NAME.md.
PAGES = {
    "first-night": "From the box to an aligned axis, step by step.",
    "rehearse": "By day, on a simulated rig: the night, and what may go wrong.",
    "obstacles": "House, trees, lamps, pier: where the telescope may point.",
    "narrow-fields": "Long focal lengths, small sensors, and other solvers.",
    "focus-and-time": "Exposure, focus, and how long a sweep takes.",
    "good-enough": "How exact the axis must be for tonight's exposures.",
    "certainty": "How sure a figure is, and what limits it.",
    "passive": "The axis from the frames you take anyway, and how a pier moves.",
    "unattended": "A night that starts by itself; motors; systemd; Task Scheduler.",
    "observatory": "Many piers: schedulers, metrics, messages, one history.",
    "trouble": "Exit codes, common troubles, what is tried, what is left.",
    "settings": "Every key of the configuration, and why one would change it.",
    "api": "Steering a session by HTTP.",
    "extending": "Adding a solver, an adjuster, a device.",
}
_PLACE = re.compile(r"^<!-- (.+) -->$", re.MULTILINE)
_LINK = re.compile(r"\[([^\]]+)\]\(([a-z-]+)\.md(?:#[\w-]+)?\)")


class NoSuchPage(ConfigError):
    """The handbook has no page of this name."""

    code = "no_such_page"
    advice = "`polewright handbook` lists the pages."

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name

    def __str__(self) -> str:
        return f"the handbook has no page {self.name!r}"


def source(name: str) -> str:
    """Return a page's Markdown as it is written. Raises `NoSuchPage`."""
    if name not in PAGES:
        raise NoSuchPage(name)
    return (
        files("polewright.interfaces.handbook").joinpath(f"{name}.md").read_text(encoding="utf-8")
    )


def markdown(name: str) -> str:
    """Return a page's Markdown; ``<!-- NAME -->`` on a line of its own becomes that block.

    Raises:
        NoSuchPage: the handbook has no such page.
        KeyError: the page asks for a block that there is not.
    """
    text = source(name)
    if _PLACE.search(text) is None:
        return text
    from polewright.interfaces.handbook.blocks import BLOCKS  # brings the configuration along

    return _PLACE.sub(lambda found: BLOCKS[found[1]](), text)


def title(name: str) -> str:
    """Return a page's first heading."""
    return source(name).partition("\n")[0].removeprefix("# ")


def for_terminal(name: str) -> str:
    """Return a page's Markdown whose links to other pages are commands."""
    return _LINK.sub(r"\1 (`polewright handbook \2`)", markdown(name))
