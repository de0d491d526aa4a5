"""A headless Chromium, and a person who knows nothing but what its page says."""

from __future__ import annotations

import importlib.util
import math
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

CHROMIUM, DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
needs_chromium = pytest.mark.skipif(
    not (CHROMIUM.exists() and DRIVER.exists() and importlib.util.find_spec("selenium")),
    reason="needs Debian's chromium and chromium-driver, and the selenium package",
)
PICTURES = Path(__file__).parent.parent / "out"


@contextmanager
def browser(
    folder: Path,
    width: int = 390,
    height: int = 844,
    language: str = "en",
    more: tuple[str, ...] = (),
) -> Iterator[Any]:
    """Start a browser with a fresh profile; the console's errors are in ``get_log("browser")``."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    speaks = (f"--lang={language}", f"--accept-lang={language}")
    for flag in (*FLAGS, *speaks, *more, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(DRIVER)))
    try:
        resize(driver, width, height)
        yield driver
    finally:
        driver.quit()


def resize(driver: Any, width: int, height: int) -> None:
    """Show the page as on a screen of this size."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


@dataclass(frozen=True)
class Seen:
    """What a person sees on the page."""

    word: str
    number: str
    sentence: str
    reading: str
    where: str
    sweep: bool
    snugged: bool
    start: bool
    cautions: str


_LOOK = """
const at = (id) => document.getElementById(id);
const text = (id) => at(id).checkVisibility() ? at(id).innerText : "";
return [text("word"), text("amount"), text("sentence"), text("reading"), text("where"),
        at("sweep").checkVisibility(), at("snugged").checkVisibility(), at("go").checkVisibility(),
        text("cautions")];
"""


class Person:
    """Reads the page, turns the rig's knobs as it says, and presses its buttons.

    Knows besides only how a screw works: which knob is which, that the azimuth knob turned one
    way moves the axis east, and that a reading which did not follow a turn means turning on, where
    the page warns of slack.
    """

    ANGLE = r"([\d.]+) (arcsec|arcmin|deg)"
    RAISE = re.compile(rf"^(Raise|Lower) the axis {ANGLE}:")
    MOVE = re.compile(rf"^Move the axis {ANGLE} (east|west):")
    TIME = re.compile(r"Reading of (\d\d):(\d\d):(\d\d) UTC")
    SLACK_STEP_ARCMIN = 0.35
    UNIT = {"arcsec": 1.0 / 60.0, "arcmin": 1.0, "deg": 60.0}  # noqa: RUF012 - never changed

    def __init__(self, driver: Any, night: Any) -> None:
        self.driver, self.night = driver, night
        self.moves = 0
        self.turned_on = 0
        """Turns beyond the first of a move, because the reading stood still."""
        self.warned_of_slack = False
        self._asked: tuple[str, float] | None = None
        self.said: list[str] = []
        self._let_go_s = 0.0
        self._done_with_s: float | None = None

    def look(self) -> Seen:
        return Seen(*self.driver.execute_script(_LOOK))

    def press(self, button: str) -> None:
        """Press a button as a finger does: it must be visible and not covered."""
        from selenium.webdriver.common.by import By

        self.driver.find_element(By.ID, button).click()

    def _press_unless_gone(self, button: str) -> None:
        """Press a button that a newer reading may take away before the finger comes down."""
        from selenium.common.exceptions import (
            ElementClickInterceptedException,
            ElementNotInteractableException,
        )

        try:
            self.press(button)
        except (ElementClickInterceptedException, ElementNotInteractableException):
            hidden = self.driver.execute_script(
                "return !document.getElementById(arguments[0]).checkVisibility()", button
            )
            assert hidden, f"'{button}' is shown and cannot be pressed"

    def press_and_confirm(self, button: str) -> None:
        self.press(button)
        self.press("ask-yes")

    def reading_s(self, seen: Seen) -> float | None:
        """Seconds of the day at which the shown reading was taken."""
        found = self.TIME.search(seen.reading)
        return (
            None
            if found is None
            else sum(
                int(part) * unit for part, unit in zip(found.groups(), (3600, 60, 1), strict=True)
            )
        )

    def follow(self, limit_s: float) -> Seen:
        """Do what the page says until it says that the session is over; return its last face."""
        deadline = time.monotonic() + limit_s
        while True:
            seen = self.look()
            assert time.monotonic() < deadline, (seen, self.said)
            if seen.start and not seen.where.startswith("Ready"):
                return seen
            self._act(seen)
            time.sleep(0.15)

    def _act(self, seen: Seen) -> None:
        if seen.sweep and seen.word in ("STOP", "THERE"):
            self._say(seen)
            self.press_and_confirm("sweep")
            while self.look().sweep:
                time.sleep(0.05)
            return
        taken_s = self.reading_s(seen)
        # A reading that was begun before the hand let go tells nothing of the turn.
        if taken_s is None or taken_s <= self._let_go_s or taken_s == self._done_with_s:
            return
        if seen.snugged and seen.word == "SNUG":
            self._say(seen)
            self._done_with_s = taken_s
            self._press_unless_gone("snugged")
            return
        turn = self._turn(seen)
        if turn is None:
            return
        self._say(seen)
        ((knob, arcmin),) = turn.items()
        # The same rest again, where slack was told of: the same move goes on.
        stands_still = (
            self._asked is not None
            and self._asked[0] == knob
            and abs(arcmin - self._asked[1]) <= 0.15 * abs(arcmin)
            and "slack" in seen.cautions
        )
        self._asked = (knob, arcmin)
        self.warned_of_slack = self.warned_of_slack or "slack" in seen.cautions
        if stands_still:
            self.turned_on += 1
            arcmin = math.copysign(max(abs(arcmin), self.SLACK_STEP_ARCMIN), arcmin)
        else:
            self.moves += 1
        self.night.rig.turn_knobs(**{knob: arcmin}, wait=True)
        self._let_go_s = self.night.clock.utc_s() % 86400.0

    def _turn(self, seen: Seen) -> dict[str, float] | None:
        """What the visible sentence asks for; the big word and number must say the same."""
        found = self.RAISE.search(seen.sentence)
        if found is not None:
            way, number, unit = found.groups()
            assert seen.word == way.upper(), seen
            assert seen.number.split() == [number, unit], seen
            sign = 1.0 if way == "Raise" else -1.0
            return {"altitude_arcmin": sign * float(number) * self.UNIT[unit]}
        found = self.MOVE.search(seen.sentence)
        if found is not None:
            number, unit, way = found.groups()
            assert seen.word == way.upper(), seen
            assert seen.number.split() == [number, unit], seen
            sign = 1.0 if way == "east" else -1.0
            # The rig's knob counts azimuth from north through east: seen from the south, where
            # the axis points to azimuth 180, more azimuth is west.
            if self.night.rig.spec.site.latitude_deg < 0.0:
                sign = -sign
            return {"azimuth_arcmin": sign * float(number) * self.UNIT[unit]}
        return None

    def _say(self, seen: Seen) -> None:
        self.said.append(seen.sentence)
