"""Stops the mount when the program that moves it dies or hangs: a process of its own.

``python -m polewright.measuring.watchdog HOST PORT DEVICE CLIENT_ID STATUS_FILE GIVE_UP_S``

It reads lines from its standard input: ``beat SECONDS`` (all is well, and will be heard of again
within so many seconds) and ``bye`` (nothing is left to watch). When the input ends without a
``bye``, or a beat is overdue, it sends AbortSlew, MoveAxis 0 and Tracking False, watches the mount
until it stands still, and leaves what came of it in the status file and on standard error.

It shares no code with what it watches, and needs the standard library only: a fault in the
program's own client must not be its fault as well. Times are real seconds, rehearsal or not.
"""

from __future__ import annotations

import http.client
import json
import os
import queue
import signal
import sys
import threading
import time
import urllib.parse
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from polewright.errors import in_words

FIRST_BEAT_S = 30.0
"""Allowed until the first beat."""
ANSWER_S = 4.0
"""Longest wait for one answer of the mount."""
LOOK_S = 1.0
"""Between two looks at the mount."""
STILL_DEG = 20.0 / 3600.0
"""A standing mount may seem to move so much: hand-controller protocols round."""
SIDEREAL_DEG_S = 15.041 / 3600.0
NOT_IMPLEMENTED = 0x400
NOT_CONNECTED = 0x407
PARKED = 0x408
STOPPED = "stopped"
UNKNOWN = "motion state unknown: go and look"


class Refused(Exception):
    """The mount's driver answered with an error number."""

    def __init__(self, number: int, message: str) -> None:
        super().__init__(number, message)
        self.number = number


@dataclass
class Mount:
    """The little of an Alpaca telescope that is needed to stop it."""

    host: str
    port: int
    device: int
    client_id: int
    transaction: int = 0
    can_end_tracking: bool = True
    said: list[str] = field(default_factory=list)
    """What went wrong while it was asked."""

    def ask(self, method: str, member: str, **values: str) -> Any:
        """Return the Value of an answer.

        Raises:
            Refused: the driver answered with an error number.
            OSError, http.client.HTTPException, ValueError: no proper answer.
        """
        self.transaction += 1
        values = {
            **values,
            "ClientID": str(self.client_id),
            "ClientTransactionID": str(self.transaction),
        }
        path = f"/api/v1/telescope/{self.device}/{member}"
        text = urllib.parse.urlencode(values)
        connection = http.client.HTTPConnection(self.host, self.port, timeout=ANSWER_S)
        try:
            if method == "GET":
                connection.request("GET", f"{path}?{text}")
            else:
                kind = {"Content-Type": "application/x-www-form-urlencoded"}
                connection.request("PUT", path, text, kind)
            answer = connection.getresponse()
            body = answer.read(1 << 20)
        finally:
            connection.close()
        if answer.status != 200:
            raise ValueError(f"HTTP {answer.status} to {member}")
        document = json.loads(body)
        if not isinstance(document, dict):
            raise ValueError(f"no JSON object in the answer to {member}")  # noqa: TRY004
        if document.get("ErrorNumber"):
            number = int(document["ErrorNumber"])
            raise Refused(number, str(document.get("ErrorMessage", "")))
        return document.get("Value")

    def read(self, member: str) -> Any:
        """Return a member's value; a driver that answers with an error is asked again twice."""
        for _attempt in range(2):
            try:
                return self.ask("GET", member)
            except Refused as refused:
                self._note(f"{member}: {refused}")
        return self.ask("GET", member)

    def order(self, member: str, **values: str) -> None:
        """Send a command; what goes wrong is noted, and an unconnected driver is connected."""
        for attempt in (1, 2):
            try:
                self.ask("PUT", member, **values)
            except Refused as refused:
                if member == "tracking" and refused.number in (NOT_IMPLEMENTED, PARKED):
                    self.can_end_tracking = False
                if refused.number != NOT_CONNECTED or attempt == 2:
                    self._note(f"{member}: {refused}")
                    return
                self._connect()
            except (OSError, http.client.HTTPException, ValueError) as error:
                self._note(f"{member}: {error}")
            else:
                return

    def _connect(self) -> None:
        try:
            self.ask("PUT", "connected", Connected="True")
        except (Refused, OSError, http.client.HTTPException, ValueError) as error:
            self._note(f"connected: {error}")

    def stop(self) -> None:
        """Send everything that stops a mount. Harmless to repeat."""
        self.order("abortslew")
        self.order("moveaxis", Axis="0", Rate="0")
        self.order("moveaxis", Axis="1", Rate="0")
        self.order("tracking", Tracking="False")

    def look(self) -> tuple[float, bool, float, float] | None:
        """Return real time (s), whether it moves, RA and declination (deg); None without answer."""
        try:
            slewing = self.read("slewing") is not False
            ra = float(self.read("rightascension")) * 15.0
            dec = float(self.read("declination"))
            if self.can_end_tracking and self.read("tracking") is not False:
                slewing = True  # following the sky is motion, too
        except (Refused, OSError, http.client.HTTPException, ValueError, TypeError) as error:
            self._note(f"look: {error}")
            return None
        return time.monotonic(), slewing, ra, dec

    def _note(self, text: str) -> None:
        if text not in self.said and len(self.said) < 20:
            self.said.append(text)


def stands_still(
    first: tuple[float, bool, float, float], second: tuple[float, bool, float, float], rate: float
) -> bool:
    """Whether a mount says it does not slew, and moved no more than rounding and the sky's drift.

    ``rate`` is that of a rehearsal's clock: the sky drifts so many times faster.
    """
    if first[1] or second[1]:
        return False
    seconds = second[0] - first[0]
    turned = (second[2] - first[2] + 180.0) % 360.0 - 180.0
    drift = SIDEREAL_DEG_S * seconds * rate
    # With tracking on RA stands, with tracking off it drifts; between them nothing is slewing.
    in_ra = -STILL_DEG < turned < drift + STILL_DEG
    return in_ra and abs(second[3] - first[3]) < STILL_DEG


def stop_and_see(mount: Mount, give_up_s: float, rate: float) -> str:
    """Stop a mount, again and again, until it is seen to stand; return `STOPPED` or `UNKNOWN`."""
    deadline = time.monotonic() + give_up_s
    last = None
    while True:
        mount.stop()
        look = mount.look()
        if look is not None and last is not None and stands_still(last, look, rate):
            return STOPPED
        last = look
        if time.monotonic() > deadline:
            return UNKNOWN
        time.sleep(LOOK_S)


def write_status(path: Path | None, **values: Any) -> None:
    """Replace the status file; a disk that is full must not stop the watchdog."""
    if path is None:
        return
    text = json.dumps({"utc_s": time.time(), "pid": os.getpid(), **values}, indent=1)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(f"{path.name}.{os.getpid()}")
        fresh.write_text(text + "\n", encoding="utf-8")
        fresh.replace(path)
    except OSError as error:
        say(f"the status file {path} could not be written: {in_words(error)}")


def say(text: str) -> None:
    """Write a line to standard error, which may be gone with its reader."""
    try:
        sys.stderr.write(f"watchdog: {text}\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        pass


def listen(lines: queue.Queue[str | None]) -> None:
    """Put what comes in on the queue, None at the end."""
    for line in sys.stdin:
        lines.put(line.strip())
    lines.put(None)


def watch(lines: queue.Queue[str | None]) -> str | None:
    """Wait until something is wrong and return what; None after a ``bye``."""
    allowed_s = FIRST_BEAT_S
    while True:
        try:
            line = lines.get(timeout=allowed_s)
        except queue.Empty:
            return f"the program has not been heard of for {allowed_s:.0f} s"
        if line is None:
            return "the program that moved the mount has ended without a word"
        word, _, rest = line.partition(" ")
        if word == "bye":
            return None
        if word == "beat":
            try:
                allowed_s = max(1.0, float(rest))
            except ValueError:
                allowed_s = FIRST_BEAT_S


def main(arguments: list[str]) -> int:
    """Watch; return 0 when dismissed, 1 when the mount was stopped, 3 when that is unknown."""
    # Ctrl-C goes to the whole group of processes: the program reacts to it, not its watchdog.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)
    host, port, device, client_id, status, give_up_s, rate = arguments
    mount = Mount(host, int(port), int(device), int(client_id))
    where = f"telescope {device} at {host}:{port}"
    path = Path(status) if status else None
    write_status(path, state="watching", telescope=where)
    lines: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=listen, args=(lines,), daemon=True).start()
    reason = watch(lines)
    if reason is None:
        write_status(path, state="dismissed", telescope=where)
        return 0
    say(f"{reason}: stopping {where}")
    write_status(path, state="stopping", telescope=where, reason=reason)
    outcome = stop_and_see(mount, float(give_up_s), float(rate))
    write_status(path, state=outcome, telescope=where, reason=reason, troubles=mount.said)
    say(f"{where}: {outcome}")
    return 1 if outcome == STOPPED else 3


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
