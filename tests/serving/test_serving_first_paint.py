"""At night no page is bright, not for one frame: from the first paint on it is red on black."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from serving.chromium import browser, needs_chromium
from serving.screencast import Screencast

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.interfaces.page_frame import LOOK_COOKIE
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService

TOKEN = "a-token-for-tests-0123456789"
RELOADS = int(os.environ.get("POLEWRIGHT_RELOADS", "12"))
"""By hand 60: the measured figure of the guide."""
LATENCY_MS = 60
"""So slow a network that every stage of a page's arrival is painted."""


class Broken(SessionRunner):
    """Fails at what it is asked, so that the service answers with a fault of its own."""

    def sessions(self) -> Any:
        """Fail as nobody foresaw."""
        raise RuntimeError("broken for a test")


@pytest.fixture
def url() -> Iterator[str]:
    runner = Broken(lambda _extra: Config(), SystemClock())
    service = RunningService(create_app(runner, TOKEN), "127.0.0.1", 0, runner.feed)
    yield service.url.rstrip("/")
    runner.close()
    service.stop()


def bright(frames: list[Any]) -> int:
    """Count the frames with any green or blue, or with most of them lit."""
    return sum(bool(frame[..., 1:].max() > 0 or np.median(frame[..., 0]) > 20) for frame in frames)


@pytest.mark.e2e
@needs_chromium
def test_no_reload_at_night_brings_a_bright_frame(url, tmp_path) -> None:
    """Page, locked page, missing page, fault, handbook: each is dark from its first frame on."""
    paths = ("/", "/nothing", "/api/sessions", "/handbook", "/handbook/trouble")
    locked = url.replace("127.0.0.1", "localhost")  # has no cookie of the link
    with browser(tmp_path / "profile") as driver:
        driver.get(f"{url}/?token={TOKEN}")
        key = driver.execute_script("return localStorage.getItem('polewright.key')")
        for host in (url, locked):
            driver.get(f"{host}/handbook")
            driver.execute_script(
                f"document.cookie = '{LOOK_COOKIE}=night.0; path=/; samesite=lax'"
            )
        pages = [f"{url}{path}" for path in paths] + [f"{locked}/"]
        pages = [f"{one}?key={key}" if "/api/" in one else one for one in pages]
        driver.execute_cdp_cmd("Network.enable", {})
        driver.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {
                "offline": False, "latency": LATENCY_MS,
                "downloadThroughput": -1, "uploadThroughput": -1,
            },
        )  # fmt: skip
        seen: dict[str, tuple[int, int]] = {}
        driver.get(pages[0])
        with Screencast(driver) as cast:
            for turn in range(RELOADS):
                page = pages[turn % len(pages)]
                driver.get(page)
                if turn >= len(pages):
                    driver.refresh()
                time.sleep(0.15)
                frames = cast.taken()
                count, bad = seen.get(page, (0, 0))
                seen[page] = (count + len(frames), bad + bright(frames))
    assert all(count >= 1 for count, _ in seen.values()), seen
    assert all(bad == 0 for _, bad in seen.values()), seen
