"""How the page looks, sounds and behaves; pictures of it are kept in tests/out."""

from __future__ import annotations

import io
import time
from typing import Any

import numpy as np
import pytest
from chromium import PICTURES, browser, needs_chromium, resize
from PIL import Image

pytestmark = [pytest.mark.e2e, needs_chromium]

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}


def wait_js(driver: Any, condition: str, limit_s: float = 60.0) -> None:
    """Wait until a JavaScript expression is true on the page."""
    deadline = time.monotonic() + limit_s
    while not driver.execute_script(f"return {condition}"):
        assert time.monotonic() < deadline, condition
        time.sleep(0.05)


def press(driver: Any, ident: str) -> None:
    driver.find_element("id", ident).click()


def key(driver: Any, keys: str) -> None:
    driver.find_element("tag name", "body").send_keys(keys)


def picture(driver: Any) -> np.ndarray:
    """The screen as (height, width, 3)."""
    with Image.open(io.BytesIO(driver.get_screenshot_as_png())) as image:
        return np.asarray(image.convert("RGB"))


_UNNAMED = """
return [...document.querySelectorAll("button, input, summary, [role=img], [role=dialog], section")]
  .filter((one) => {
    const by = one.getAttribute("aria-labelledby");
    const name = one.getAttribute("aria-label") || one.textContent.trim() || one.labels?.length ||
      (by && document.getElementById(by).textContent.trim());
    return !name;
  }).map((one) => one.outerHTML);
"""
_SMALL = """
return [...document.querySelectorAll("button, summary, input")]
  .filter((one) => one.checkVisibility())
  .filter((one) => {
    const box = (one.type === "checkbox" ? one.closest("label") : one).getBoundingClientRect();
    return box.height < 28 || (one.matches("#controls button") && box.height < 42);
  }).map((one) => one.id || one.textContent);
"""
_FOREIGN = """
return performance.getEntriesByType("resource").map((one) => one.name)
  .filter((name) => !name.startsWith(location.origin + "/"));
"""


def test_the_page_is_legible_red_at_night_and_steered_by_keys(
    start_night, start_service, tmp_path
) -> None:
    """One session up to adjusting, looked at as phone and desktop, by day and by night."""
    night = start_night(rate=20.0)
    names = {
        "name": "rear altitude bolt",
        "to_raise": "tighten the rear altitude bolt",
        "to_lower": "loosen the rear altitude bolt",
    }
    served = start_service(night, {"profile.altitude": names})
    PICTURES.mkdir(exist_ok=True)
    with browser(tmp_path / "profile") as driver:
        driver.get(served.url)
        wait_js(driver, "document.getElementById('go').checkVisibility()")
        cautions = driver.find_element("id", "start").text
        for word in ("free to turn", "Cables", "Sun", "Mains", "manual"):
            assert word in cautions

        press(driver, "go")
        key(driver, "\ue00c")  # Escape: not yet
        assert not driver.execute_script("return document.getElementById('ask').checkVisibility()")
        assert not served.runner.running
        press(driver, "go")
        press(driver, "ask-yes")
        wait_js(driver, "document.body.dataset.step === 'sweeping'")
        assert "by itself" in driver.find_element("id", "sentence").text
        wait_js(driver, "document.body.dataset.mode === 'turn'")
        wait_js(driver, "document.getElementById('frame-img').naturalWidth > 0")

        # Digits legible from 2 m: common practice is 1/200 of the distance, 10 mm; a phone shows
        # 390 CSS pixels on about 65 mm, so 60 px; capitals are about 0.72 of the type size.
        size = driver.execute_script(
            "return parseFloat(getComputedStyle(document.getElementById('number')).fontSize)"
        )
        assert 0.72 * size >= 60.0
        assert driver.execute_script(_UNNAMED) == []
        assert driver.execute_script(_SMALL) == []
        live = driver.find_element("id", "sentence")
        assert live.get_attribute("aria-live") == "polite"

        for theme in ("day", "night"):
            if theme == "night":
                key(driver, "d")
            for name, (width, height) in SIZES.items():
                resize(driver, width, height)
                driver.execute_script("scrollTo(0, 0)")
                time.sleep(0.4)
                shot = picture(driver)
                Image.fromarray(shot).save(PICTURES / f"page-{name}-{theme}.png")
                wide = driver.execute_script("return document.documentElement.scrollWidth")
                assert wide <= width
                if theme == "night":
                    assert shot[:, :, 1:].max() == 0  # neither green nor blue anywhere
                    assert shot[:, :, 0].max() == 255
                    assert np.median(shot[:, :, 0]) < 20
        driver.refresh()
        wait_js(driver, "document.documentElement.dataset.theme === 'night'")
        assert picture(driver)[:, :, 1:].max() == 0
        wait_js(driver, "document.body.dataset.step === 'adjusting'")

        resize(driver, *SIZES["phone"])
        key(driver, "p")
        wait_js(driver, "document.body.dataset.mode === 'pause'")
        key(driver, "p")
        wait_js(driver, "document.body.dataset.mode !== 'pause'")
        key(driver, "u")
        press(driver, "turns-tell")
        wait_js(driver, "document.getElementById('turns').hidden")
        assert driver.execute_script(_FOREIGN) == []

        key(driver, "s")
        wait_js(driver, "document.getElementById('alarm').textContent.includes('stands still')")
        assert not night.truth["mount"]["tracking"]
        wait_js(driver, "document.body.dataset.step === 'stopped'")
        assert driver.get_log("browser") == []


def test_the_page_says_when_it_lost_contact_and_comes_back_by_itself(
    start_night, start_service, tmp_path
) -> None:
    """Service gone: it says so, and STOP says that it did not get through; back: it goes on."""
    night = start_night()
    served = start_service(night)
    with browser(tmp_path / "profile") as driver:
        driver.get(served.url)
        wait_js(driver, "document.getElementById('link').dataset.state === 'live'")
        port = served.service.port
        served.service.stop()
        wait_js(driver, "document.getElementById('link').dataset.state === 'lost'")
        assert "NO CONTACT" in driver.find_element("id", "link").text

        press(driver, "stop")
        wait_js(driver, "document.getElementById('alarm').textContent.includes('GET THROUGH')")
        assert "power" in driver.find_element("id", "alarm").text

        start_service(night, port=port)
        wait_js(driver, "document.getElementById('link').dataset.state === 'live'")
