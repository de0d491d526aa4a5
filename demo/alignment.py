"""The demonstration: a whole alignment of a simulated rig, with a scripted hand at its knobs.

Run by ``demo/run.py`` inside the project's environment. Observer, site and rig are invented. It
goes the way of a person: the service is started, a session is begun, and the hand turns what the
advice names, by the turns that it names, until the last sweep confirms the axis.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import re
import signal
import subprocess
import sys
import textwrap
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import requests

HERE = Path(__file__).resolve().parent
#: Files of an earlier demonstration that are made anew.
KEPT = ("plan.svg", "report.html", "history.db")
CONFIG = HERE / "polewright.toml"
LISTENING = re.compile(r"listening on (\S+):(\d+)")
#: The evening of the demonstration. The rig leads its time, and the program follows.
NIGHT = "2026-11-20"
#: How much faster than the computer's that time goes while nobody computes.
RATE = 12.0
#: Seconds of the computer's clock after which the demonstration gives up.
LIMIT_S = 600.0
#: A hand turns by about as much as it is told: 1 sigma, share of the turn.
HAND = 0.03
SEED = 206
#: Tightening the locks tips the axis by so much, arcmin, northwards (it sinks by that much).
SNUG_ARCMIN = 0.1
ANSWER_S = 30.0
#: A button that was pressed is pressed again after so long, as a crossing of the meridian asks for.
PRESS_AGAIN_S = 15.0
WIDTH = 79
MARGIN = " " * 8
RESTED = ("settled", "bumped")


class Failed(Exception):
    """The demonstration cannot go on; says why."""


class Rig:
    """The simulated rig by its own control API: knobs, locks and the truth."""

    def __init__(self, host: str, port: int) -> None:
        self.host, self.port = host, port
        self._url = f"http://{host}:{port}/rig"

    def truth(self) -> dict[str, Any]:
        """Everything true about the rig now."""
        told: dict[str, Any] = requests.get(f"{self._url}/truth", timeout=ANSWER_S).json()
        return told

    def turn(self, axis: str, turns: float) -> None:
        """Turn a knob and wait until it rests; positive raises, or swings east."""
        requests.post(
            f"{self._url}/adjusters", json={f"{axis}_turns": turns, "wait": True}, timeout=ANSWER_S
        ).raise_for_status()

    def tighten(self) -> None:
        """Tighten the locks, which moves the axis a little."""
        requests.post(
            f"{self._url}/mishaps", json={"sink_north_arcmin": SNUG_ARCMIN}, timeout=ANSWER_S
        ).raise_for_status()


class Service:
    """``polewright serve`` by its API."""

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        self._headers = {"Accept-Language": "en"}

    def now(self) -> dict[str, Any]:
        """The session's snapshot."""
        told: dict[str, Any] = self._ask("GET", "/api/session").json()
        return told

    def tell(self, path: str) -> None:
        """Press a button."""
        self._ask("POST", path, json={})

    def picture(self, path: str) -> bytes | None:
        """A picture, None where there is none yet."""
        try:
            return self._ask("GET", path).content
        except requests.HTTPError:
            return None

    def _ask(self, method: str, path: str, **more: Any) -> requests.Response:
        answer = requests.request(
            method, f"{self.url}{path}", headers=self._headers, timeout=ANSWER_S, **more
        )
        answer.raise_for_status()
        return answer


def say(text: str = "", *, first: str = "", indent: str = "") -> None:
    """Print a paragraph with ``first`` before its first line and ``indent`` before the others."""
    if indent:
        text = textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=indent)
    print(text, flush=True)


def polewright(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "polewright", *arguments]


@contextmanager
def running(command: list[str], log: Path) -> Iterator[subprocess.Popen[str]]:
    """Run a program beside this one, and end it with the block.

    It is in a group of its own: Ctrl-C reaches this program alone, which then ends the others in
    order, the mount's driver last.
    """
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    with log.open("w", encoding="utf-8") as told:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=told, text=True,
            **apart,
        )  # fmt: skip
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(getattr(signal, "CTRL_BREAK_EVENT", signal.SIGTERM))
            try:
                process.wait(timeout=ANSWER_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def first_line(process: subprocess.Popen[str], log: Path) -> str:
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        raise Failed(f"it did not start; see {log}")
    return line


@contextmanager
def night(spec: Path, rate: float, out: Path) -> Iterator[tuple[Rig, Service]]:
    """The rig and the service beside each other, under the rig's time."""
    os.environ["POLEWRIGHT_HISTORY_URL"] = f"sqlite:///{out / 'history.db'}"
    simulate = polewright(
        *("simulate", "--spec", str(spec), "--port", "0", "--discovery-port", "0"),
        *("--night", NIGHT, "--rate", f"{rate:g}"),
    )
    log = out / "rig.log"
    with running(simulate, log) as process:
        found = LISTENING.search(first_line(process, log))
        if found is None:
            raise Failed(f"the rig does not say where it listens; see {log}")
        rig = Rig(found[1], int(found[2]))
        os.environ["POLEWRIGHT_REHEARSAL_CLOCK"] = f"http://{rig.host}:{rig.port}"
        serve = polewright(
            *("serve", "--json", "--port", "0", "--config", str(CONFIG)),
            *("--telescope-host", rig.host, "--telescope-port", str(rig.port)),
            *("--camera-host", rig.host, "--camera-port", str(rig.port)),
            *("--run-journal-folder", str(out)),
        )
        log = out / "service.log"
        with running(serve, log) as service:
            yield rig, Service(json.loads(first_line(service, log))["links"][0])


class Hand:
    """Follows one session, does what the advice says, and keeps what is worth keeping."""

    def __init__(self, rig: Rig, service: Service, angle: Callable[..., str], out: Path) -> None:
        self.rig, self.service, self.angle, self.out = rig, service, angle, out
        self.turned = 0
        self.readings: list[float] = []
        """Total of each reading that the hand acted upon, arcmin."""
        self._dice = random.Random(SEED)
        self._began_s = time.monotonic()
        self._seen: dict[str, Any] = {"step": "", "notes": [], "frame": 0, "error": 0.0}
        self._let_go_s, self._pressed_s = 0.0, -math.inf
        self._cautioned: set[str] = set()

    def follow(self) -> dict[str, Any]:
        """Follow to the end of the session and return its last snapshot."""
        while True:
            now = self.service.now()
            self._tell(now)
            self._keep(now)
            if now["step"] in ("finished", "failed", "stopped"):
                return now
            if time.monotonic() - self._began_s > LIMIT_S:
                raise Failed(f"not done after {LIMIT_S:.0f} s: {now['step']}")
            if now["step"] == "adjusting" and now["advice"] and now["error"]:
                self._act(now)
            time.sleep(0.2)

    def line(self, text: str) -> None:
        seconds = time.monotonic() - self._began_s
        say(text, first=f"{seconds // 60:3.0f}:{seconds % 60:02.0f}  ", indent=MARGIN)

    def more(self, text: str) -> None:
        say(text, first=MARGIN, indent=MARGIN)

    def _tell(self, now: dict[str, Any]) -> None:
        """Print what is new in a snapshot."""
        seen = self._seen
        if now["step"] != seen["step"]:
            seen["step"] = now["step"]
            self._pressed_s = -math.inf  # the button has done what it should
            words = {
                "checking": "connecting the mount and the camera",
                "sweeping": f"sweep {now['sweeps'] + 1}: the mount turns, the camera looks",
                "adjusting": "adjusting: every frame is a reading",
            }
            if now["step"] in words:
                self.line(words[now["step"]])
        for note in now["notes"]:
            if note not in seen["notes"]:
                self.line(f"Note: {note}")
        seen["notes"] = now["notes"]

    def _keep(self, now: dict[str, Any]) -> None:
        """Keep a solved frame with its stars ringed, and the plan of the first sweep."""
        frame = now["frame"]
        if frame is not None and frame["solved"] and frame["number"] != self._seen["frame"]:
            self._seen["frame"] = frame["number"]
            picture = self.service.picture("/api/session/frame.jpg?stars=1")
            if picture is not None:
                (self.out / "frames" / f"{frame['number']:03d}.jpg").write_bytes(picture)
        plan = self.out / "plan.svg"
        if now["step"] == "adjusting" and not plan.exists():
            chart = self.service.picture("/api/session/chart.svg")
            if chart is not None:
                plan.write_bytes(chart)

    def _act(self, now: dict[str, Any]) -> None:
        """Do what the advice of a reading says, once, and only when the axis was at rest."""
        error, advice = now["error"], now["advice"]
        if error["state"] not in RESTED or error["utc_s"] <= self._let_go_s:
            return
        if error["utc_s"] == self._seen["error"]:
            return
        if time.monotonic() - self._pressed_s < PRESS_AGAIN_S:
            return
        self._seen["error"] = error["utc_s"]
        self.readings.append(error["total_arcmin"])
        self.line(
            f"{self.angle(error['total_arcmin'])} off (altitude "
            f"{self.angle(error['d_alt_arcmin'], signed=True)}, azimuth "
            f"{self.angle(error['d_az_sky_arcmin'], signed=True)})"
        )
        self.more(advice["sentence"])
        for caution in advice["cautions"]:
            if caution not in self._cautioned:
                self._cautioned.add(caution)
                self.more(caution)
        action = advice["action"]
        if action in ("raise", "lower", "east", "west"):
            self._turn(advice)
        elif action == "snug_and_recheck":
            self.rig.tighten()
            self.service.tell("/api/session/snugged")
            self.more("The hand tightens the locks, and presses SNUGGED.")
        elif action in ("stop_and_sweep", "done"):
            self.service.tell("/api/session/sweep")
            self._pressed_s = time.monotonic()
            self.more("The hand is off, and presses NEW SWEEP.")
        self._let_go_s = self.rig.truth()["utc_s"]

    def _turn(self, advice: dict[str, Any]) -> None:
        if advice["turns"] is None:
            raise Failed(f"the advice tells no turns: {advice['sentence']}")
        sign = 1.0 if advice["action"] in ("raise", "east") else -1.0
        turns = sign * advice["turns"] * self._dice.gauss(1.0, HAND)
        self.rig.turn(advice["axis"], turns)
        self.turned += 1
        self.more(f"The hand turns the {advice['axis']} knob by {turns:+.2f} turns.")


def keep_report(out: Path) -> None:
    """Write the report of the session, the only one in the history, as a person would."""
    listed = subprocess.run(
        polewright("history", "list", "--rehearsals", "--json"),
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    run = json.loads(listed.stdout)["runs"][0]["run_id"]
    subprocess.run(
        polewright("report", run, "-c", str(CONFIG), "-o", str(out / "report.html")),
        check=True,
        stderr=subprocess.DEVNULL,
    )


def show(
    hand: Hand, now: dict[str, Any], truth: dict[str, Any], began_utc_s: float, took_s: float
) -> bool:
    """Print how it ended, with the truth beside it; return whether it is as good as it says."""
    from polewright.foundation.angle_text import arcmin_text

    axis, tolerance = now["result"]["axis"], now["tolerance_arcmin"]
    true = truth["axis"]["total_arcmin"]
    good = true <= tolerance
    say()
    say(f"Within {arcmin_text(tolerance)}, true {arcmin_text(true)}.")
    say(
        f"  measured {arcmin_text(axis['total_arcmin'], axis['sigma_total_arcmin'])}, under "
        f"{arcmin_text(axis['total_upper95_arcmin'])} (95 %)"
    )
    say(f"  readings {' > '.join(arcmin_text(one) for one in hand.readings)}")
    night_min = (truth["utc_s"] - began_utc_s) / 60.0
    say(
        f"  {hand.turned} turns of a knob, {now['sweeps']} sweeps, {took_s:.0f} s here, "
        f"{night_min:.0f} minutes of the night"
    )
    return good


def graphical() -> bool:
    """Whether a browser with a window can be had: one in the terminal would hide what is told."""
    return sys.platform in ("win32", "darwin") or bool(
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )


def open_page(link: str) -> None:
    opened = False
    if graphical():
        with suppress(webbrowser.Error):
            opened = webbrowser.open(link)
    say(f"The page is open in your browser: {link}" if opened else f"Open {link}")
    say("The hand turns the knobs by itself; STOP on the page is yours.")
    say()


def demonstrate(spec: Path, out: Path, *, page: bool, rate: float) -> int:
    from polewright.foundation.angle_text import arcmin_text

    (out / "frames").mkdir(parents=True, exist_ok=True)
    for old in (*out.glob("frames/*.jpg"), *(out / name for name in KEPT)):
        old.unlink(missing_ok=True)
    say("A simulated rig in an invented garden: the axis was set by compass and altitude scale.")
    began_s = time.monotonic()
    with night(spec, rate, out) as (rig, service):
        truth = rig.truth()
        began_utc_s = truth["utc_s"]
        say(f"The rig answers at http://{rig.host}:{rig.port} in the Alpaca protocol; where nobody")
        say(f"computes, its night runs {rate:g} times as fast as yours. True error: "
            f"{arcmin_text(truth['axis']['total_arcmin'])}.")  # fmt: skip
        if page:
            open_page(service.url)
        service.tell("/api/session")
        hand = Hand(rig, service, arcmin_text, out)
        now = hand.follow()
        truth = rig.truth()
        if now["step"] != "finished":
            failure = now["failure"]
            say(f"\nNot aligned: {failure['message']}\nWhat to do: {failure['advice']}")
            code = int(failure["exit_code"])
        else:
            keep_report(out)
            code = 0 if show(hand, now, truth, began_utc_s, time.monotonic() - began_s) else 1
            say(f"  kept in {out}: report.html, plan.svg, frames/")
        if page:
            say("\nThe page stays until you press Ctrl-C.")
            with suppress(KeyboardInterrupt):
                while True:
                    time.sleep(1.0)
    if code == 0:
        command = Path(sys.executable).with_name("polewright")
        say(f"\nNext: python3 demo/run.py --page       the same on the page for the phone\n"
            f"      {command} handbook rehearse   turn the knobs yourself")  # fmt: skip
    return code


def interrupt(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "--page", action="store_true", help="show the session in a browser, until Ctrl-C"
    )
    parser.add_argument(
        "--rate",
        type=float,
        default=RATE,
        help="how fast the night goes while nobody computes (default %(default)g)",
    )
    parser.add_argument(
        "--rig", type=Path, default=HERE / "rig.toml", help="another rig (default demo/rig.toml)"
    )
    parser.add_argument(
        "--out", type=Path, default=HERE / "out", help="folder for what is kept (default demo/out)"
    )
    given = parser.parse_args()
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), interrupt)
    try:
        return demonstrate(given.rig, given.out.resolve(), page=given.page, rate=given.rate)
    except Failed as why:
        say(f"The demonstration failed: {why}")
        return 1
    except KeyboardInterrupt:
        with suppress(OSError):
            say("Ended; the rig and the service with it.")
        return 130
    except BrokenPipeError:
        return 1


if __name__ == "__main__":
    raise SystemExit(main())
