"""Packets that are swallowed: STOP says at once that it is not confirmed, and old orders go."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest
from serving.chromium import PICTURES, browser, needs_chromium, resize
from support.swallowing import SwallowingProxy

pytestmark = pytest.mark.e2e


def wait_js(driver: Any, condition: str, limit_s: float = 300.0) -> None:
    """Wait until a JavaScript expression is true on the page."""
    deadline = time.monotonic() + limit_s
    while not driver.execute_script(f"return {condition}"):
        if time.monotonic() > deadline:
            shown = driver.execute_script("return document.body.innerText")
            raise AssertionError(f"not within {limit_s:g} s: {condition}; the page says: {shown}")
        time.sleep(0.05)


SIZES = {"phone": (390, 844), "small": (320, 568), "lying": (844, 390), "desktop": (1440, 900)}
_OUTSIDE = """
const screen = document.documentElement;
return [...document.querySelectorAll("#unstopped > *, #stop")].filter((one) => {
  const box = one.getBoundingClientRect();
  const stop = document.getElementById("stop").getBoundingClientRect();
  const covered = one.id !== "stop" && box.right > stop.left && box.left < stop.right &&
    box.bottom > stop.top && box.top < stop.bottom;
  return covered || box.left < 0 || box.top < 0 ||
    box.right > innerWidth || box.bottom > innerHeight;
}).map((one) => one.id);
"""


@needs_chromium
def test_stop_into_a_dead_line_is_said_to_be_unconfirmed_and_tried_until_it_gets_through(
    start_night, start_service, tmp_path
) -> None:
    """Connections stay open and answer nothing: no order stays on the plate, STOP is not hoped for.

    Once the line is back, STOP is confirmed without being pressed again.
    """
    night = start_night(real_rate=20.0)
    token = "a-token-of-this-test-0123456789ab"
    # Ten frames a second are more than this looks at.
    served = start_service(night, {"sweep.exposure_s": 8.0}, token=token)
    PICTURES.mkdir(exist_ok=True)
    with SwallowingProxy(served.service.port) as proxy, browser(tmp_path / "profile") as driver:
        driver.get(f"http://127.0.0.1:{proxy.port}/?token={token}")
        wait_js(driver, "document.getElementById('go').checkVisibility()")
        driver.refresh()  # opened once, the page needs no link any more
        wait_js(driver, "document.getElementById('go').checkVisibility()")
        assert driver.current_url == f"http://127.0.0.1:{proxy.port}/"
        driver.find_element("id", "go").click()
        driver.find_element("id", "ask-yes").click()
        wait_js(driver, "document.body.dataset.mode === 'turn'")
        wait_js(driver, "document.getElementById('frame-img').naturalWidth > 0")
        proxy.swallow = True
        driver.execute_script("window.onceMs = performance.now()")

        wait_js(driver, "document.body.dataset.mode === 'lost'")
        assert driver.find_element("id", "word").text == "NO CONTACT"
        assert not driver.find_element("id", "amount").is_displayed()
        assert "NO CONTACT" in driver.find_element("id", "link").text
        for theme in ("day", "night"):
            driver.execute_script(
                "if (document.documentElement.dataset.theme !== arguments[0])"
                " document.getElementById('theme').click()",
                theme,
            )
            for name, size in SIZES.items():
                resize(driver, *size)
                driver.execute_script("scrollTo(0, 0)")
                driver.save_screenshot(str(PICTURES / f"page-{name}-{theme}-no-contact.png"))
        driver.find_element("id", "stop").click()
        wait_js(driver, "document.getElementById('unstopped').checkVisibility()")
        assert "power" in driver.find_element("id", "unstopped").text
        for theme in ("night", "day"):
            driver.execute_script(
                "if (document.documentElement.dataset.theme !== arguments[0])"
                " document.getElementById('theme').click()",
                theme,
            )
            for name, size in SIZES.items():
                resize(driver, *size)
                time.sleep(0.3)
                driver.save_screenshot(str(PICTURES / f"page-{name}-{theme}-unstopped.png"))
                assert driver.execute_script(_OUTSIDE) == [], name
        wait_js(
            driver,
            "Number(document.getElementById('unstopped-tries').textContent.match(/try (\\d+)/)[1])"
            " > 2",
        )
        assert night.truth["mount"]["tracking"]  # nothing came through so far

        proxy.swallow = False
        wait_js(driver, "document.getElementById('alarm').textContent.includes('stands still')")
        assert not driver.find_element("id", "unstopped").is_displayed()
        assert not night.truth["mount"]["tracking"]


def test_a_stop_that_the_mount_does_not_confirm_is_answered_all_the_same(
    start_night, start_service
) -> None:
    """The mount's server takes connections and says nothing: the answer comes before the mount's.

    Asking again shares the stops that are under way: they would only wait for each other.
    """
    night = start_night(real_rate=6.0)
    with SwallowingProxy(night.running.port) as proxy:
        served = start_service(night, {"telescope.port": proxy.port})
        proxy.swallow = True
        served.get("/api/health")
        others = {one for one in threading.enumerate() if one.name.startswith("stop_")}

        answers = [served.post("/api/stop").json() for _ in range(6)]
        at_work = {one for one in threading.enumerate() if one.name.startswith("stop_")} - others
        proxy.swallow = False
        wait_for = time.monotonic() + 300.0
        while (last := served.post("/api/stop").json())["motion"] != "stopped":
            assert time.monotonic() < wait_for, last

    assert {one["motion"] for one in answers} == {"unknown"}
    assert all("look at the mount" in one["advice"] for one in answers)
    assert len(at_work) <= 3
