"""The page's screen stays on over plain http, and a screen reader is not told every figure."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from serving.chromium import browser, needs_chromium

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService

TOKEN = "a-token-for-tests-0123456789"

_WANT = """
const done = arguments[arguments.length - 1];
window.states = [];
import("/awake.js").then(({Awake}) => {
  window.awake = new Awake((state) => states.at(-1) === state || states.push(state));
  awake.want(true);
  done(window.isSecureContext);
});
"""
_TELL = """
const done = arguments[arguments.length - 1];
import("/announcer.js").then(async ({Announcer}) => {
  const region = document.createElement("p"), said = [];
  new MutationObserver(() => said.push(region.textContent)).observe(region, {childList: true});
  const announcer = new Announcer(region);
  const turn = (way, amount) => ({mode: "turn", word: way.toUpperCase(), heading: way,
    sentence: `Move the axis ${amount} arcmin ${way}.`, cautions: [`± ${amount / 10} arcmin`]});
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  for (let amount = 30; amount > 20; amount -= 1) { announcer.tell(turn("west", amount)); await pause(100); }
  announcer.tell({mode: "wait", word: "WAIT", heading: null, sentence: "Hands off.", cautions: []});
  await pause(100);
  announcer.tell(turn("west", 19));
  await pause(1000);
  announcer.tell(turn("east", 3));
  await pause(1000);
  done(said);
});
"""  # noqa: E501 - a script
_TOTAL = """
const done = arguments[arguments.length - 1];
import("/words.js").then(({totalNow}) => {
  const at = (up, east) => ({d_alt_arcmin: up, d_az_sky_arcmin: east, total_arcmin: Math.hypot(up, east)});
  const s = {error: at(-20, 5), moving: {...at(-12, 5), turning: true}, advice: {axis: "altitude", amount_arcmin: 12}};
  const still = {...s, moving: {...s.moving, turning: false}};
  done([totalNow(s), totalNow(s, 12), totalNow(s, 0), totalNow(still, 12), totalNow({...s, moving: null}, 12)]);
});
"""  # noqa: E501 - a script
_THINK = """
const done = arguments[arguments.length - 1];
import("/plate.js").then(({Plate}) => {
  const plate = Object.assign(Object.create(Plate.prototype), {motion: {utc: 0, amount: 0, key: "", rate: 0, every: 0}});
  const left = (utc, amount, resting) => plate.thoughtOn({
    advice: {axis: "azimuth", amount_arcmin: amount}, error: {state: "settled", utc_s: 1},
    moving: {utc_s: utc, turning: true, resting},
  }, {heading: "west", mode: "turn"}, 0.5, 1);
  done([left(10, 2, false), left(11, 1, false), left(12, 0.8, true)]);
});
"""  # noqa: E501 - a script


_TIME = """
const done = arguments[arguments.length - 1];
import("/link.js").then(({ServiceTime}) => {
  const ages = (rate, jump) => {
    const time = new ServiceTime();
    for (let at = 0; at < 60; at += 1.5) time.sync(1000 + rate * at, at);
    for (let at = 60; at < 66; at += 1.5) time.sync(1000 + jump + rate * at, at);
    return time.elapsed(1000 + jump + rate * 40, 66);
  };
  done([ages(1, 0), ages(1, 600), ages(1, -600), ages(20, 0), ages(20, 600)]);
});
"""
_SLEEP = """
const done = arguments[arguments.length - 1];
const states = [document.body.dataset.link];
new MutationObserver(() => states.push(document.body.dataset.link))
  .observe(document.body, {attributes: true, attributeFilter: ["data-link"]});
const real = Date.now.bind(Date);
Date.now = () => real() + 600000;
const back = setInterval(() => {
  if (states.includes("lost") && states.at(-1) === "live") {
    clearInterval(back);
    done(states);
  }
}, 50);
"""


@pytest.fixture
def service() -> Iterator[RunningService]:
    runner = SessionRunner(lambda _extra: Config(), SystemClock())
    app = create_app(runner, TOKEN, on_lan=True)
    started = RunningService(app, "127.0.0.1", 0, runner.feed)
    yield started
    runner.close()
    started.stop()


def state_of(driver: Any) -> str:
    return str(driver.execute_script("return states.at(-1)"))


@pytest.mark.e2e
@needs_chromium
def test_the_screen_is_kept_on_over_plain_http_after_a_touch(service, tmp_path) -> None:
    """No wake lock there: a silent video plays once the page was touched, and stops in the end."""
    name = socket.gethostname().lower()
    with browser(
        tmp_path / "profile", more=(f"--host-resolver-rules=MAP {name} 127.0.0.1",)
    ) as driver:
        driver.get(f"http://{name}:{service.port}/?token={TOKEN}")
        assert driver.execute_async_script(_WANT) is False
        time.sleep(0.3)
        assert state_of(driver) == "touch"
        driver.find_element("id", "now").click()
        time.sleep(0.5)
        assert state_of(driver) == "held"
        first = driver.execute_script("return awake.video.currentTime")
        time.sleep(4.0)
        later = driver.execute_script("return [awake.video.currentTime, awake.held]")
        driver.execute_script("awake.want(false)")
        ended = driver.execute_script("return [states.at(-1), awake.video.paused]")
    assert later[1]
    assert later[0] != first
    assert later[0] < 3.0  # it went back before its end
    assert ended == ["off", True]


@pytest.mark.e2e
@needs_chromium
def test_a_screen_reader_hears_changes_of_meaning_only(service, tmp_path) -> None:
    """Ten figures of one order are told once; a flicker is not told; another way is."""
    with browser(tmp_path / "profile") as driver:
        driver.get(f"{service.url}?token={TOKEN}")
        said = driver.execute_async_script(_TELL)
        totals = driver.execute_async_script(_TOTAL)
        amounts = driver.execute_async_script(_THINK)
    assert [one.split(" ")[0] for one in said] == ["WEST", "EAST"]
    assert said[1] == "EAST Move the axis 3 arcmin east. ± 0.3 arcmin"
    # Of the moment of the figure that steers: of a glance of motion, and thought on as that is.
    assert totals == pytest.approx([13.0, 13.0, 5.0, np.hypot(20, 5), np.hypot(20, 5)])
    # A turn is thought on by its last rate for half a second, and not where it has come to rest.
    assert amounts == pytest.approx([2.0, 0.5, 0.8])


@pytest.mark.e2e
@needs_chromium
def test_a_phone_that_slept_does_not_take_old_readings_for_new_ones(service, tmp_path) -> None:
    """Nor does a clock that is set. While it slept its timer stood still; the wall's went on."""
    with browser(tmp_path / "profile") as driver:
        driver.get(f"{service.url}?token={TOKEN}")
        ages = driver.execute_async_script(_TIME)
        deadline = time.monotonic() + 300.0
        while driver.execute_script("return document.body.dataset.link") != "live":
            assert time.monotonic() < deadline
        driver.set_script_timeout(300.0)
        links = driver.execute_async_script(_SLEEP)
    # 26 s after it was taken a reading is 26 s old.
    assert ages == pytest.approx([26.0] * 5, abs=1.0)
    # An answer to a question may be quicker than the stream: that is contact as well.
    seen = [link for link in links if link != "polling"]
    assert seen[:3] == ["live", "lost", "live"]


# WCAG 2.2, 1.4.3: 4.5 : 1, or 3 : 1 from 24 px, or 18.66 px bold, on. Everything is shown for it.
_PALE = """
for (const one of document.querySelectorAll("[hidden]")) one.hidden = false;
for (const one of document.querySelectorAll("details")) one.open = true;
const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
  .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
  .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
const over = ([r, g, b, a = 1], under) => [r, g, b].map((v, k) => a * v + (1 - a) * under[k]);
function ground(one) {
  const up = one.parentElement ? ground(one.parentElement) : [255, 255, 255];
  return over(parts(getComputedStyle(one).backgroundColor), up);
}
const found = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const one = walk.currentNode.parentElement;
  if (!walk.currentNode.data.trim() || !one.checkVisibility() || one.closest("noscript, :disabled, defs")) continue;
  const style = getComputedStyle(one), back = ground(one.closest("svg") ? one.closest("svg").parentElement : one);
  const ink = light(over(parts(one.closest("svg") ? style.fill : style.color), back)), paper = light(back);
  const ratio = (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
  const size = parseFloat(style.fontSize), bold = Number(style.fontWeight) >= 700;
  const least = size >= 24 || (bold && size >= 18.66) ? 3 : 4.5;
  if (ratio < least) found.push(`${walk.currentNode.data.trim()}: ${ratio.toFixed(2)}`);
}
return found;
"""  # noqa: E501 - a script
# Links within a text are read with it; all else is pressed with cold or gloved fingers.
_SMALL = """
return [...document.querySelectorAll("button, summary, input, a[href]")]
  .filter((one) => one.checkVisibility() && getComputedStyle(one).display !== "inline")
  .map((one) => [one, (one.labels?.[0] ?? one).getBoundingClientRect()])
  .filter(([one, box]) => box.width && (box.height < 44 || box.width < 44))
  .map(([one, box]) => `${one.id || one.textContent}: ${box.width} x ${box.height}`);
"""


@pytest.mark.e2e
@needs_chromium
def test_every_text_stands_out_and_every_target_can_be_hit(service, tmp_path) -> None:
    """By day and by night, all that may ever show; locked page, missing page, handbook, too."""
    url = service.url
    locked = url.replace("127.0.0.1", "localhost")
    pages = (url, f"{url}nothing", f"{url}handbook", f"{url}handbook/trouble", locked)
    with browser(tmp_path / "profile") as driver:
        driver.get(f"{url}?token={TOKEN}")
        for theme in ("day", "night"):
            for page in pages:
                driver.get(f"{page.split('/', 3)[0]}//{page.split('/', 3)[2]}/handbook")
                driver.execute_script(f"document.cookie = 'polewright_look={theme}.0; path=/'")
                driver.get(page)
                time.sleep(0.3)
                assert (
                    driver.execute_script("return document.documentElement.dataset.theme") == theme
                )
                assert driver.execute_script(_PALE) == [], (theme, page)
                assert driver.execute_script(_SMALL) == [], (theme, page)
