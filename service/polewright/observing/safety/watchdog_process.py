"""Stops the mount when the program that moves it dies or hangs: a process of its own.

``python -m polewright.observing.safety.watchdog_process HOST PORT DEVICE CLIENT_ID STATUS_FILE
GIVE_UP_S``

It reads lines from its standard input: ``beat SECONDS`` (all is well, and will be heard of again
within so many seconds), ``command SECONDS`` (a slew is about to be sent, and may begin within so
many; 0: it has begun), ``take over`` (the program could not see the mount stopped) and ``bye``
(nothing is left to watch). When the input ends without a ``bye``, or a beat is overdue, it sends
AbortSlew, MoveAxis 0 and Tracking False, watches the mount until it stands still and nothing that
was sent can begin any more, and leaves what came of it in the status file and on standard error.
Where a simulated rig leads the time of a rehearsal, that goes at the computer's speed meanwhile.

It speaks to the mount by the standard library only: a fault in the program's own client must not
be its fault as well. What answers mean it reads as the client does. Times are real seconds,
rehearsal or not.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import signal
import socket
import sys
import threading
import time
import urllib.parse
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pydantic import TypeAdapter

from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadReply,
    ForeignAnswer,
    NotConnected,
    NotImplementedByDevice,
    Parked,
    RefusedByDevice,
    Where,
    is_absent,
    refusal,
    rejection,
)
from polewright.devices.alpaca.models import BOOL, FLOAT, convert, excerpt, parse_reply
from polewright.foundation.errors import in_words
from polewright.foundation.rehearsal import hold_time, in_rehearsal

T = TypeVar("T")

FIRST_BEAT_S = 30.0
"""Allowed until the first beat."""
ANSWER_S = 4.0
"""Longest wait for one answer of the mount."""
LOOK_S = 1.0
"""Between two looks at the mount."""
STILL_DEG = 20.0 / 3600.0
"""A standing mount may seem to move so much: hand-controller protocols round."""
SIDEREAL_DEG_S = 15.041 / 3600.0
WATCHING, STOPPING, DISMISSED, STOPPED = "watching", "stopping", "dismissed", "stopped"
UNKNOWN = "motion state unknown: go and look"
SAW_IT_STOPPED, SAW_NOTHING = 10, 3
"""Exit codes. None is 1, with which Python ends by itself when something fails."""


#: What may go wrong with a question or a command.
TROUBLE = (AlpacaError, OSError, http.client.HTTPException, ValueError)


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
            AlpacaError: the driver refused, or this is no answer to the question.
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
        connection.connect()
        # Bytes that drip in reset the socket's own timer: nothing may take longer than this. (The
        # connection forgets its socket with the headers of an answer that is to be the last.)
        limit = threading.Timer(ANSWER_S, _cut, (connection.sock,))
        limit.daemon = True
        with contextlib.suppress(RuntimeError):  # no room for a thread: the socket's own is left
            limit.start()
        try:
            if method == "GET":
                connection.request("GET", f"{path}?{text}")
            else:
                kind = {"Content-Type": "application/x-www-form-urlencoded"}
                connection.request("PUT", path, text, kind)
            answer = connection.getresponse()
            body = answer.read(1 << 20)
        finally:
            limit.cancel()
            connection.close()
        if answer.status != 200:
            raise rejection(self.where, member, answer.status, excerpt(body))
        reply = parse_reply(body, self.where, member)
        if reply.ClientTransactionID not in (self.transaction, 0, None):
            raise ForeignAnswer(
                self.where, member, self.transaction, reply.ClientTransactionID or 0
            )
        if reply.ErrorNumber:
            raise refusal(self.where, member, reply.ErrorNumber, excerpt(reply.ErrorMessage))
        return reply.Value

    @property
    def where(self) -> Where:
        """Which device."""
        return Where(self.host, self.port, "telescope", self.device)

    def read(self, member: str, kind: TypeAdapter[T]) -> T:
        """Return a member's value; a driver that answers with an error is asked again twice."""
        for _attempt in range(2):
            try:
                return convert(kind, self.ask("GET", member), self.where, member)
            except (RefusedByDevice, BadReply) as refused:
                if is_absent(refused):
                    raise
                self._note(refused)
        return convert(kind, self.ask("GET", member), self.where, member)

    def order(self, member: str, **values: str) -> None:
        """Send a command; what goes wrong is noted, and an unconnected driver is connected."""
        for attempt in (1, 2):
            try:
                self.ask("PUT", member, **values)
            except NotConnected as refused:
                if attempt == 2:
                    self._note(refused)
                    return
                self._connect()
            except (NotImplementedByDevice, Parked) as refused:
                if member == "tracking":
                    self.can_end_tracking = False
                self._note(refused)
                return
            except TROUBLE as error:
                if member == "tracking" and isinstance(error, AlpacaError) and is_absent(error):
                    self.can_end_tracking = False
                self._note(error)
                return
            else:
                return

    def _connect(self) -> None:
        try:
            self.ask("PUT", "connected", Connected="True")
        except TROUBLE as error:
            self._note(error)

    def stop(self) -> None:
        """Send everything that stops a mount. Harmless to repeat."""
        self.order("abortslew")
        self.order("moveaxis", Axis="0", Rate="0")
        self.order("moveaxis", Axis="1", Rate="0")
        self.order("tracking", Tracking="False")

    def moves(self) -> bool:
        """Whether it says that it slews; False without an answer."""
        try:
            return self.read("slewing", BOOL)
        except TROUBLE as error:
            self._note(error)
            return False

    def look(self) -> tuple[float, bool, float, float] | None:
        """Return real time (s), whether it moves, RA and declination (deg); None without answer."""
        try:
            slewing = self.read("slewing", BOOL)
            ra = self.read("rightascension", FLOAT) * 15.0
            dec = self.read("declination", FLOAT)
            if self.can_end_tracking and self._tracks():
                slewing = True  # following the sky is motion, too
        except TROUBLE as error:
            self._note(error)
            return None
        return time.monotonic(), slewing, ra, dec

    def _tracks(self) -> bool:
        """Whether it says that it follows the sky; one that has no such word is not asked again."""
        try:
            return self.read("tracking", BOOL)
        except AlpacaError as error:
            if not is_absent(error):
                raise
            self.can_end_tracking = False
            return False

    def _note(self, error: BaseException) -> None:
        text = str(error) if isinstance(error, AlpacaError) else f"{type(error).__name__}: {error}"
        if text not in self.said and len(self.said) < 20:
            self.said.append(text)


def _cut(connected: socket.socket) -> None:
    """End a request from another thread: whoever waits for its bytes gets an error."""
    with contextlib.suppress(OSError):
        connected.shutdown(socket.SHUT_RDWR)


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


def stop_and_see(mount: Mount, give_up_s: float, rate: float, begins_until_s: float) -> str:
    """Stop a mount, again and again, until it is seen to stand; return `STOPPED` or `UNKNOWN`.

    ``begins_until_s``: until when (monotonic) something that was sent may still begin: until then
    it is watched and stopped, however still it stands.
    """
    if time.monotonic() < begins_until_s and mount.moves():
        begins_until_s = 0.0  # it has begun
    deadline = max(time.monotonic(), begins_until_s) + give_up_s
    last = None
    while True:
        mount.stop()
        look = mount.look()
        rests = look is not None and last is not None and stands_still(last, look, rate)
        if rests and time.monotonic() >= begins_until_s:
            return STOPPED
        last = look
        if time.monotonic() > deadline:
            return UNKNOWN
        time.sleep(LOOK_S)


def write_status(path: Path | None, **values: Any) -> None:
    """Replace the status file; a disk that is full must not stop the watchdog.

    What an earlier run left there is taken away then: its word must not stand for this one's.
    """
    if path is None:
        return
    text = json.dumps({"utc_s": time.time(), "pid": os.getpid(), **values}, indent=1)
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(text + "\n", encoding="utf-8")
        fresh.replace(path)
    except OSError as error:
        tell_line(f"the status file {path} could not be written: {in_words(error)}")
        for left in (fresh, path):
            with contextlib.suppress(OSError):
                left.unlink()


def tell_line(text: str) -> None:
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


@dataclass
class Heard:
    """What the program has said."""

    allowed_s: float = FIRST_BEAT_S
    begins_until_s: float = 0.0
    """Until when (monotonic) the last command may still begin."""

    def take(self, line: str, rate: float) -> None:
        """Take a line that tells how long something may last."""
        word, _, rest = line.partition(" ")
        try:
            seconds = float(rest or 0.0)
        except ValueError:
            seconds = FIRST_BEAT_S
        if word == "beat":
            self.allowed_s = max(1.0, seconds)
        elif word == "command":
            self.begins_until_s = time.monotonic() + seconds / rate if seconds > 0.0 else 0.0


class Lines(Protocol):
    """What the program says, line by line; a `queue.Queue` is one."""

    def get(self, *, timeout: float) -> str | None:
        """Return the next line, None at the end. Raises `queue.Empty` after so many seconds."""


def watch(lines: Lines, heard: Heard, rate: float) -> str | None:
    """Wait until something is wrong and return what; None after a ``bye``."""
    while True:
        try:
            line = lines.get(timeout=heard.allowed_s)
        except queue.Empty:
            return f"the program has not been heard of for {heard.allowed_s:.0f} s"
        if line is None:
            return "the program that moved the mount has ended without a word"
        if line == "bye":
            return None
        if line == "take over":
            return "the program could not confirm that the mount has stopped"
        heard.take(line, rate)


def main(arguments: list[str]) -> int:
    """Watch; return 0 when dismissed, else what was seen of the stop (an exit code above)."""
    # Ctrl-C goes to the whole group of processes, and what systemd sends to a service that hangs
    # (SIGABRT) to all of it: the program reacts to them, not its watchdog.
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGABRT"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)
    lines: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=listen, args=(lines,), daemon=True).start()
    return guard(arguments, lines)


def guard(arguments: list[str], lines: Lines) -> int:
    """Watch what is said by these lines; returns as `main`."""
    host, port, device, client_id, status, give_up_s, rate = arguments
    mount = Mount(host, int(port), int(device), int(client_id))
    where = f"telescope {device} at {host}:{port}"
    path = Path(status) if status else None
    write_status(path, state=WATCHING, telescope=where)
    heard = Heard()
    reason = watch(lines, heard, float(rate))
    if reason is None:
        write_status(path, state=DISMISSED, telescope=where)
        return 0
    holding = _holding_time()
    tell_line(f"{reason}: stopping {where}")
    write_status(path, state=STOPPING, telescope=where, reason=reason)
    outcome = stop_and_see(mount, float(give_up_s), float(rate), heard.begins_until_s)
    write_status(path, state=outcome, telescope=where, reason=reason, troubles=mount.said)
    tell_line(f"{where}: {outcome}")
    del holding
    return SAW_IT_STOPPED if outcome == STOPPED else SAW_NOTHING


def _holding_time() -> list[object]:
    """Hold the time of a rehearsal as long as what is returned lives, without waiting for it."""
    held: list[object] = []
    if in_rehearsal():
        with contextlib.suppress(RuntimeError):  # no room for a thread: the stop comes first
            threading.Thread(target=lambda: held.append(hold_time()), daemon=True).start()
    return held


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
