"""Make the pictures of the README anew, from the simulated rig: the page, and a plan of the sky.

``.venv/bin/python demo/pictures.py`` needs what ``tests/run.py`` has installed, and Debian's
chromium with its driver. It takes about two minutes, and leaves PNGs in ``demo/pictures``.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any

import requests
from alignment import NIGHT_UTC_S
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
GAP_PX = 12
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
        time.sleep(0.3)


def page() -> None:
    """A session that is being adjusted, on a phone by day and by night."""
    clock = SystemClock(4.0, NIGHT_UTC_S, time.time())
    spec = RigSpec.model_validate(tomllib.loads((DEMO / "rig.toml").read_text("utf-8")))
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
            requests.post(
                f"http://{rig.host}:{rig.port}/rig/adjusters", json=TURNED, timeout=10
            ).raise_for_status()
            wait_for(url, "turned axis", lambda now: now["error"]["total_arcmin"] < 10.0)
            time.sleep(5.0)  # the reading comes to rest, and the frame's picture with it
            with browser(Path(folder) / "profile", *PHONE) as driver:
                driver.get(url)
                time.sleep(2.0)
                shots = []
                for theme in ("day", "night"):
                    driver.execute_script(
                        "const button = document.getElementById('theme');"
                        "if (document.documentElement.dataset.theme !== arguments[0])"
                        " button.click();",
                        theme,
                    )
                    resize(driver, *PHONE)
                    time.sleep(1.0)
                    shots.append(Image.open(io.BytesIO(driver.get_screenshot_as_png())))
            both = Image.new("RGB", (2 * PHONE[0] + GAP_PX, PHONE[1]), "white")
            for at, shot in enumerate(shots):
                both.paste(shot, (at * (PHONE[0] + GAP_PX), 0))
            saved(both, "page.png", 640)
        finally:
            runner.hard_stop("the pictures are made")
            runner.close()
            service.stop()
            rig.stop()


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    sky()
    page()
