"""Make the pictures of the README anew, from the simulated rig: page, a turn, a plan of the sky.

``.venv/bin/python demo/pictures.py`` needs what ``tests/run.py`` has installed, and Debian's
chromium with its driver. It takes about four minutes, and leaves PNGs in ``demo/pictures``.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import requests
from environment import ROOT, say
from PIL import Image

sys.path.insert(0, str(ROOT / "tests" / "serving"))
from chromium import browser, resize

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_file
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

DEMO = ROOT / "demo"
PICTURES = DEMO / "pictures"
PHONE = (390, 844)
#: What the knobs of the rig are turned, arcminutes: almost there, so that there is a way to show.
TURNED = {"azimuth_arcmin": -96.0, "altitude_arcmin": 33.5}
#: The night of the pictures, Unix seconds UTC: 2026-11-20 21:30.
NIGHT_UTC_S = 1795210200.0
GAP_PX = 12
#: Height of the page's upper part: what to turn, how far, and the sentence below it.
PLATE_PX = 526
WAIT_S = 300.0


def saved(picture: Image.Image, name: str, width: int) -> None:
    """Store a picture, small: few colours are enough for a page and a chart."""
    height = round(picture.height * width / picture.width)
    small = picture.convert("RGB").resize((width, height), Image.Resampling.LANCZOS)
    path = PICTURES / name
    small.quantize(128).save(path, optimize=True)
    say(f"{path.relative_to(ROOT)}: {small.width} x {small.height}, {path.stat().st_size} bytes")


def sky() -> None:
    """The plan of the demonstration's garden."""
    with tempfile.TemporaryDirectory() as folder:
        chart = Path(folder) / "sky.png"
        subprocess.run(
            [
                *(sys.executable, "-m", "polewright", "plan", "-c", str(DEMO / "polewright.toml")),
                *("--chart", str(chart)),
            ],
            env={**os.environ, "POLEWRIGHT_REHEARSAL_CLOCK": f"{NIGHT_UTC_S},{time.time()},1"},
            check=True,
            stdout=subprocess.DEVNULL,
        )
        with Image.open(chart) as picture:
            saved(picture, "sky.png", 560)


def wait_for(url: str, what: str, ready: Any) -> None:
    """Wait until the session's snapshot is as wanted."""
    deadline = time.monotonic() + WAIT_S
    while True:
        now = requests.get(f"{url}/api/session", timeout=10).json()
        if ready(now):
            return
        if time.monotonic() > deadline or now["step"] in ("failed", "stopped"):
            raise SystemExit(f"no {what}: {now['step']}, {now.get('failure')}")
        time.sleep(0.05)


@contextmanager
def adjusting(rate: float, changes: dict[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """Run a session up to its first live reading; give page, rig and a browser in that order.

    Args:
        rate: seconds of the rig's clock a second.
        changes: of the rig.
    """
    clock = SystemClock(rate, NIGHT_UTC_S, time.time())
    spec = RigSpec.model_validate(tomllib.loads((DEMO / "rig.toml").read_text("utf-8")) | changes)
    rig = serve(SimulatedRig(spec, clock=clock), port=0, discovery_port=None)
    with tempfile.TemporaryDirectory() as folder:
        given = {
            **{f"{kind}.host": rig.host for kind in ("telescope", "camera")},
            **{f"{kind}.port": rig.port for kind in ("telescope", "camera")},
            "run.journal_folder": folder,
            "history.enabled": False,
        }
        runner = SessionRunner(
            lambda more: config_from_file(DEMO / "polewright.toml", {**given, **more}), clock
        )
        service = RunningService(create_app(runner), "127.0.0.1", 0, runner.feed)
        url = service.url.rstrip("/")
        try:
            requests.post(f"{url}/api/session", json={}, timeout=30).raise_for_status()
            # Only what is turned after the first reading is followed.
            wait_for(url, "live reading", lambda now: now["step"] == "adjusting" and now["advice"])
            with browser(Path(folder) / "profile", *PHONE) as driver:
                driver.get(url)
                yield url, f"http://{rig.host}:{rig.port}", driver
        finally:
            runner.hard_stop("the pictures are made")
            runner.close()
            service.stop()
            rig.stop()


def turn_knobs(rig_url: str, **arcmin: float) -> None:
    """Turn knobs of the rig."""
    requests.post(f"{rig_url}/rig/adjusters", json=arcmin, timeout=10).raise_for_status()


def dress(driver: Any, theme: str) -> None:
    """Show the page by day or by night."""
    driver.execute_script(
        "const button = document.getElementById('theme');"
        "if (document.documentElement.dataset.theme !== arguments[0]) button.click();",
        theme,
    )
    resize(driver, *PHONE)
    time.sleep(1.0)


def shot(driver: Any) -> Image.Image:
    """What the phone shows."""
    return Image.open(io.BytesIO(driver.get_screenshot_as_png())).convert("RGB")


def beside(shots: list[Image.Image]) -> Image.Image:
    """Pictures of one size in a row."""
    width, height = shots[0].size
    row = Image.new("RGB", (len(shots) * (width + GAP_PX) - GAP_PX, height), "white")
    for at, one in enumerate(shots):
        row.paste(one, (at * (width + GAP_PX), 0))
    return row


def page() -> None:
    """A session that is being adjusted, on a phone by day and by night."""
    with adjusting(4.0, {}) as (url, rig_url, driver):
        turn_knobs(rig_url, **TURNED)
        wait_for(url, "turned axis", lambda now: now["error"]["total_arcmin"] < 10.0)
        time.sleep(5.0)  # the reading comes to rest, and the frame's picture with it
        shots = []
        for theme in ("day", "night"):
            dress(driver, theme)
            shots.append(shot(driver))
        saved(beside(shots), "page.png", 640)


def turn() -> None:
    """One turn of an adjuster by night, from reading to reading."""
    knob = {"rate_arcmin_per_s": 1.5, "backlash_arcmin": 0.0}
    quick = {
        "camera": {"readout_s": 0.05, "readout_s_per_megapixel": 0.02},
        "adjusters": {"altitude": knob, "azimuth": knob},
        "misalignment": {"alt_arcmin": -3.0, "az_arcmin": 14.0},
    }

    def rests(now: Any) -> bool:
        turning = now["moving"] and now["moving"]["turning"]
        return bool(now["error"]["state"] == "settled" and not turning)

    with adjusting(1.0, quick) as (url, rig_url, driver):
        dress(driver, "night")
        wait_for(url, "reading at rest", rests)
        shots = [shot(driver)]
        turn_knobs(rig_url, azimuth_arcmin=-18.5)
        for left in (9.0, 5.0, 2.2):
            wait_for(url, "turn", lambda now, left=left: now["advice"]["amount_arcmin"] < left)
            shots.append(shot(driver))
        wait_for(url, "rest", lambda now: now["moving"] and now["moving"]["resting"])
        shots.append(shot(driver))
        wait_for(url, "reading at rest", rests)
        time.sleep(0.5)
        shots.append(shot(driver))
        plates = [one.crop((0, 0, PHONE[0], PLATE_PX)) for one in shots]
        saved(beside(plates), "turn.png", 1200)


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    sky()
    page()
    turn()
