"""How the page looks, sounds and behaves; pictures of it are kept in tests/out."""

from __future__ import annotations

import io
import time
from typing import Any

import numpy as np
import pytest
from PIL import Image
from serving.chromium import PICTURES, browser, needs_chromium, resize
from support.angle_examples import EXAMPLES

from polewright.foundation.angles import ARCMIN

pytestmark = [pytest.mark.e2e, needs_chromium]

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}


def wait_js(driver: Any, condition: str, limit_s: float = 300.0) -> None:
    """Wait until a JavaScript expression is true on the page."""
    deadline = time.monotonic() + limit_s
    while not driver.execute_script(f"return {condition}"):
        if time.monotonic() > deadline:
            shown = driver.execute_script("return document.body.innerText")
            raise AssertionError(f"not within {limit_s:g} s: {condition}; the page says: {shown}")
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
_FOREIGN = """
return performance.getEntriesByType("resource").map((one) => one.name)
  .filter((name) => !name.startsWith(location.origin + "/"));
"""


def test_the_page_is_legible_red_at_night_and_steered_by_keys(
    start_night, start_service, tmp_path
) -> None:
    """One session up to adjusting, looked at as phone and desktop, by day and by night."""
    night = start_night(real_rate=20.0)
    names = {
        "name": "rear altitude bolt",
        "to_raise": "tighten the rear altitude bolt",
        "to_lower": "loosen the rear altitude bolt",
    }
    # Ten frames a second are more than this looks at.
    served = start_service(night, {"profile.altitude": names, "sweep.exposure_s": 8.0})
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
        # 390 CSS pixels on about 65 mm, so 60 px; digits are about 0.73 of the type size.
        size = driver.execute_script(
            "return parseFloat(getComputedStyle(document.getElementById('number')).fontSize)"
        )
        assert 0.73 * size >= 60.0
        assert driver.execute_script(_UNNAMED) == []

        assert driver.execute_script("return document.documentElement.dataset.theme") == "night"
        for theme in ("day", "night"):  # nobody chose: dark, until D is pressed
            key(driver, "d")
            for name, (width, height) in SIZES.items():
                resize(driver, width, height)
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


# The letters against the line around them, and the least room between the two.
_STOP_ROOM = """
const frame = document.querySelector("#stop span");
const range = document.createRange();
range.selectNodeContents(frame);
const letters = range.getBoundingClientRect(), box = frame.getBoundingClientRect();
return Math.min(letters.left - box.left, box.right - letters.right) - frame.clientLeft;
"""
_PROGRESS = """
const done = arguments[arguments.length - 1];
import("/words.js").then((words) => done(words.progressWords(
  {step: "exposure", point: 0, points: 0, done_s: arguments[0], total_s: 2,
   text: arguments[1]})[0]));
"""
_ANGLES = """
const done = arguments[arguments.length - 1];
import("/words.js").then((words) => done(arguments[0].map(words.angleText)));
"""


def test_before_the_start_all_can_be_reached_and_a_wrong_tolerance_is_refused(
    start_night, start_service, tmp_path
) -> None:
    """STOP fits its frame, the bar hides nothing for good, and what is no tolerance is told."""
    night = start_night(real_rate=20.0)
    served = start_service(night)
    PICTURES.mkdir(exist_ok=True)
    with browser(tmp_path / "profile") as driver:
        driver.get(served.url)
        wait_js(driver, "document.getElementById('go').checkVisibility()")
        for name, size in SIZES.items():
            resize(driver, *size)
            time.sleep(0.3)
            Image.fromarray(picture(driver)).save(PICTURES / f"page-{name}-ready.png")
            assert driver.execute_script(_STOP_ROOM) >= 4.0
        resize(driver, *SIZES["phone"])

        field = driver.find_element("id", "tolerance")
        wrong = driver.find_element("id", "tolerance-wrong")
        asked = "return document.getElementById('ask').checkVisibility()"
        for typed in ("", "0.05", "0", "-1", "121"):
            driver.execute_script("document.querySelector('main').scrollTo(0, 0)")
            field.clear()
            field.send_keys(typed)
            press(driver, "go")
            assert not driver.execute_script(asked), typed
            assert "from 0.1 to 120 arcmin" in wrong.text
            for one in (field, wrong):  # both on the screen and above the bar
                assert driver.execute_script(
                    "const box = arguments[0].getBoundingClientRect();"
                    "return box.top >= 0 && box.bottom <= "
                    "document.getElementById('controls').getBoundingClientRect().top",
                    one,
                )
        Image.fromarray(picture(driver)).save(PICTURES / "page-phone-wrong-tolerance.png")
        field.clear()
        field.send_keys("0.5")
        assert not wrong.is_displayed()
        press(driver, "go")
        assert driver.execute_script(asked)
        assert "Tolerance 0.5 arcmin" in driver.find_element("id", "ask-text").text
        assert not served.runner.running

        said = driver.execute_async_script(_ANGLES, [angle / ARCMIN for angle, _said in EXAMPLES])
        assert said == [text for _angle, text in EXAMPLES]
        assert driver.execute_async_script(_PROGRESS, 1.6, "") == "Exposing 2 of 2 s"
        late = driver.execute_async_script(_PROGRESS, 5, "waiting for the camera")
        assert late == "Exposing: waiting for the camera"
        assert driver.get_log("browser") == []


def test_the_page_says_when_it_lost_contact_and_comes_back_by_itself(
    start_night, start_service, tmp_path
) -> None:
    """Service gone: it says so, and STOP that it is not confirmed; back: it goes on by itself."""
    night = start_night(real_rate=6.0)
    served = start_service(night)
    with browser(tmp_path / "profile") as driver:
        driver.get(served.url)
        wait_js(driver, "document.getElementById('link').dataset.state === 'live'")
        port = served.service.port
        served.service.stop()
        wait_js(driver, "document.getElementById('link').dataset.state === 'lost'")
        assert "NO CONTACT" in driver.find_element("id", "link").text

        press(driver, "stop")
        wait_js(driver, "document.getElementById('unstopped').checkVisibility()")
        assert "power" in driver.find_element("id", "unstopped").text

        start_service(night, port=port)
        wait_js(driver, "document.getElementById('link').dataset.state === 'live'")
