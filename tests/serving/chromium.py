"""A headless Chromium, and a person who knows nothing but what its page says."""

from __future__ import annotations

import importlib.util
import math
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
    """What a person sees on the page; ``reading_s`` stands for the ring that fills anew."""

    word: str
    knob: str
    number: str
    unit: str
    hollow: bool
    sentence: str
    where: str
    sweep: bool
    snugged: bool
    start: bool
    reading_s: float | None
    scrolls: bool


_LOOK = """
const at = (id) => document.getElementById(id);
const text = (id) => at(id).checkVisibility() ? at(id).innerText : "";
const reading = Number(document.body.dataset.reading);
return [text("word"), text("knob"), text("number"), text("unit"),
        at("plate").hasAttribute("data-hollow"), text("sentence"), text("where"),
        at("sweep").checkVisibility(), at("snugged").checkVisibility(), at("go").checkVisibility(),
        reading || null, document.documentElement.scrollHeight > innerHeight ||
        at("now").parentElement.scrollHeight > at("now").parentElement.clientHeight + 1];
"""


class Person:
    """Reads the page, turns the rig's knobs as it says, and presses its buttons.

    Knows besides only how a screw works: which knob is which, that the azimuth knob turned one
    way moves the axis east, and that a reading which did not follow a turn means turning on, where
    the page warns of slack.
    """

    WAYS = {  # noqa: RUF012 - never changed
        "RAISE": ("altitude", 1.0),
        "LOWER": ("altitude", -1.0),
        "EAST": ("azimuth", 1.0),
        "WEST": ("azimuth", -1.0),
    }
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

    def _press_unless_gone(self, button: str) -> bool:
        """Press a button that a newer reading may take away before the finger comes down.

        Returns whether it was there to be pressed.
        """
        from selenium.common.exceptions import (
            ElementClickInterceptedException,
            ElementNotInteractableException,
        )

        for _ in range(3):  # a reading may bring it back as well
            try:
                self.press(button)
            except (ElementClickInterceptedException, ElementNotInteractableException):
                hidden = self.driver.execute_script(
                    "return !document.getElementById(arguments[0]).checkVisibility()", button
                )
                if hidden:
                    return False
            else:
                return True
        raise AssertionError(f"'{button}' is shown and cannot be pressed")

    def press_and_confirm(self, button: str) -> bool:
        """Press a button and yes; return whether both were there to be pressed."""
        return self._press_unless_gone(button) and self._press_unless_gone("ask-yes")

    def follow(self, limit_s: float) -> Seen:
        """Do what the page says until it says that the session is over; return its last face."""
        deadline = time.monotonic() + limit_s
        while True:
            seen = self.look()
            assert time.monotonic() < deadline, (seen, self.said)
            if seen.word == "DONE" or (seen.start and not seen.where.startswith("Ready")):
                return seen
            self._act(seen)
            time.sleep(0.15)

    def _act(self, seen: Seen) -> None:
        assert not (seen.scrolls and seen.sweep), seen  # at the mount nothing is out of sight
        if seen.sweep and seen.word in ("NEW SWEEP", "THERE", "ACROSS?"):
            self._say(seen)
            if not self.press_and_confirm("sweep"):
                return
            while self.look().sweep and self.look().word not in ("ACROSS?", "WAIT"):
                time.sleep(0.05)
            return
        taken_s = seen.reading_s
        # A reading that was begun before the hand let go tells nothing of the turn.
        if taken_s is None or taken_s <= self._let_go_s or taken_s == self._done_with_s:
            return
        if seen.snugged and seen.word == "TIGHTEN":
            self._say(seen)
            self._done_with_s = taken_s
            self._press_unless_gone("snugged")
            return
        if seen.hollow or seen.word not in self.WAYS:
            return
        self._say(seen)
        knob, arcmin = self._turn(seen)
        # The same rest again, where slack was told of: the same move goes on.
        slack = "Slack" in seen.sentence
        stands_still = (
            self._asked is not None
            and self._asked[0] == knob
            and abs(arcmin - self._asked[1]) <= 0.15 * abs(arcmin)
            and slack
        )
        self._asked = (knob, arcmin)
        self.warned_of_slack = self.warned_of_slack or slack
        if stands_still:
            self.turned_on += 1
            arcmin = math.copysign(max(abs(arcmin), self.SLACK_STEP_ARCMIN), arcmin)
        else:
            self.moves += 1
        self.night.rig.turn_knobs(**{knob: arcmin}, wait=True)
        self._let_go_s = self.night.clock.utc_s()

    def _turn(self, seen: Seen) -> tuple[str, float]:
        """What the plate asks for: the big word, the figure and its unit."""
        axis, sign = self.WAYS[seen.word]
        assert seen.knob, seen
        # The rig's knob counts azimuth from north through east: seen from the south, where
        # the axis points to azimuth 180, more azimuth is west.
        if axis == "azimuth" and self.night.rig.spec.site.latitude_deg < 0.0:
            sign = -sign
        return f"{axis}_arcmin", sign * float(seen.number) * self.UNIT[seen.unit]

    def _say(self, seen: Seen) -> None:
        self.said.append(" ".join((seen.word, seen.number, seen.unit, seen.knob, seen.sentence)))
