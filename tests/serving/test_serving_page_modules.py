"""The page's screen stays on over plain http, and a screen reader is not told every figure."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from typing import Any

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
    assert [one.split(" ")[0] for one in said] == ["WEST", "EAST"]
    assert said[1] == "EAST Move the axis 3 arcmin east. ± 0.3 arcmin"
