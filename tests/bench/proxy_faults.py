"""Whole runs through a proxy that spoils what mount and camera say, at random, on the wire.

    .venv/bin/python tests/bench/proxy_faults.py RUNS [--first SEED] [--out FILE]
    .venv/bin/python tests/bench/proxy_faults.py --report FILE...

Each run is a command of its own (`measure`, or one in four `startup`) against a small simulated
rig under an accelerated clock, with one or two kinds of faults drawn by its seed. Violations: a
mount left moving, or tracking after a failure whose stop was called confirmed; a traceback; a run
that does not end; a figure far outside its own uncertainty; control characters on the terminal.
Delays of the wire are real seconds.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import soak
import soak_night

from polewright.foundation.clock import SystemClock
from polewright.foundation.errors import ExitCode
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve

RATE = 8.0
LIMIT_S = 300.0
"""Real seconds after which a run counts as hung."""
FAR_OUTSIDE = 18.42
"""Squared distance that one honest figure in ten thousand exceeds (chi-square, two angles)."""
HOSTILE = (
    "[bold]axis[/] \x1b[31mstalled\x07 [/telescope] {0} %s <b>&amp;</b> \u202eabc\r\n[fd12::5]"
)


@dataclass
class Answer:
    """What the rig answered, before it is spoilt."""

    status: int
    content_type: str
    body: bytes
    json: dict[str, Any] | None
    before: bytes | None
    """The answer before this one to the same member."""


class Dropped(Exception):
    """The connection is to be closed without a word more."""


Spoil = Callable[["Handler", Answer], None]


def _edited(change: Callable[[dict[str, Any]], dict[str, Any]]) -> Spoil:
    def spoil(handler: Handler, answer: Answer) -> None:
        if answer.json is not None:
            answer.body = json.dumps(change(answer.json)).encode()
        handler.send(answer)

    return spoil


def _number_text(value: object) -> object:
    if isinstance(value, bool):
        return int(value)
    return str(value) if isinstance(value, int | float) else value


def _slow(handler: Handler, answer: Answer) -> None:
    time.sleep(1.5)
    handler.send(answer)


def _drip_headers(handler: Handler, answer: Answer) -> None:
    handler.wfile.write(f"HTTP/1.1 {answer.status} OK\r\n".encode())
    for number in range(40):
        handler.wfile.write(f"X-Slow-{number}: yes\r\n".encode())
        handler.wfile.flush()
        time.sleep(3.0)
    raise Dropped


def _drip_body(handler: Handler, answer: Answer) -> None:
    handler.head(answer, len(answer.body))
    for at in range(0, min(40, len(answer.body))):
        handler.wfile.write(answer.body[at : at + 1])
        handler.wfile.flush()
        time.sleep(3.0)
    raise Dropped


def _swallow(handler: Handler, _answer: Answer) -> None:
    time.sleep(25.0)
    raise Dropped


def _reset(_handler: Handler, _answer: Answer) -> None:
    raise Dropped


def _half(handler: Handler, answer: Answer) -> None:
    handler.head(answer, len(answer.body))
    handler.wfile.write(answer.body[: len(answer.body) // 2])
    raise Dropped


def _again(handler: Handler, answer: Answer) -> None:
    if answer.before is not None:
        answer.body = answer.before
    handler.send(answer)


def _other_member(handler: Handler, answer: Answer) -> None:
    """Hand out the last answer of any member: a server whose answers have slipped by one."""
    answer.body, handler.proxy.any_before = handler.proxy.any_before or answer.body, answer.body
    handler.send(answer)


def _status(code: int, text: bytes) -> Spoil:
    def spoil(handler: Handler, answer: Answer) -> None:
        handler.send(Answer(code, "text/html", text, None, None))

    return spoil


def _image(change: Callable[[int, int, bytes], tuple[int, int, bytes]]) -> Spoil:
    """Change width, height and pixels of an ImageBytes answer (2 or 4 bytes a pixel, x slowest)."""

    def spoil(handler: Handler, answer: Answer) -> None:
        if answer.content_type.startswith("application/imagebytes") and len(answer.body) > 44:
            head = bytearray(answer.body[:44])
            start, width, height = (struct.unpack_from("<i", head, at)[0] for at in (16, 32, 36))
            width, height, pixels = change(width, height, answer.body[start:])
            struct.pack_into("<i", head, 32, width)
            struct.pack_into("<i", head, 36, height)
            answer.body = bytes(head) + answer.body[44:start] + pixels
        handler.send(answer)

    return spoil


def _narrower(width: int, height: int, pixels: bytes) -> tuple[int, int, bytes]:
    kept = width - width // 4
    return kept, height, pixels[: len(pixels) // width * kept]


def _shifted(width: int, height: int, pixels: bytes) -> tuple[int, int, bytes]:
    cut = len(pixels) // width * 3
    return width, height, pixels[cut:] + pixels[:cut]


TELESCOPE, CAMERA, ANY, IMAGE = "/telescope/", "/camera/", "/", "/imagearray"
KINDS: dict[str, tuple[str, Spoil]] = {
    "answers 1.5 s late": (ANY, _slow),
    "header lines every 3 s": (ANY, _drip_headers),
    "body bytes every 3 s": (ANY, _drip_body),
    "no answer, connection open": (ANY, _swallow),
    "connection closed": (ANY, _reset),
    "half an answer": (ANY, _half),
    "answer before it again": (ANY, _again),
    "answer to another question": (ANY, _other_member),
    "HTTP 500": (ANY, _status(500, b"<h1>Internal error</h1>")),
    "HTTP 404": (ANY, _status(404, b"not here")),
    "not JSON": (ANY, _status(200, b"<html>router login</html>")),
    "foreign transaction id": (ANY, _edited(lambda j: {**j, "ClientTransactionID": 4_000_001})),
    "transaction id 0": (ANY, _edited(lambda j: {**j, "ClientTransactionID": 0})),
    "numbers as text, booleans as 0 and 1": (
        ANY,
        _edited(lambda j: {key: _number_text(value) for key, value in j.items()}),
    ),
    "no ErrorNumber": (ANY, _edited(lambda j: {k: v for k, v in j.items() if "Error" not in k})),
    "Value missing": (ANY, _edited(lambda j: {k: v for k, v in j.items() if k != "Value"})),
    "Value is NaN": (ANY, _edited(lambda j: {**j, "Value": float("nan")})),
    "driver error with hostile text": (
        ANY,
        _edited(lambda j: {**j, "ErrorNumber": 0x500, "ErrorMessage": HOSTILE}),
    ),
    "COM error number": (
        ANY,
        _edited(lambda j: {**j, "ErrorNumber": -2147220473, "ErrorMessage": "axis stalled"}),
    ),
    "not connected": (
        ANY,
        _edited(lambda j: {**j, "ErrorNumber": 0x407, "ErrorMessage": "Not connected"}),
    ),
    "the same image again": (IMAGE, _again),
    "image narrower than described": (IMAGE, _image(_narrower)),
    "image shifted by three columns": (IMAGE, _image(_shifted)),
    "image cut off": (IMAGE, _image(lambda w, h, p: (w, h, p[: len(p) // 2]))),
    "all pixels zero": (IMAGE, _image(lambda w, h, p: (w, h, bytes(len(p))))),
}


@dataclass
class Fault:
    """One kind of fault, where and when it strikes."""

    kind: str
    where: str
    first_call: int
    calls: int
    chance: float
    seen: int = 0
    struck: int = 0


@dataclass
class Proxy:
    """Where the proxy leads, and what it spoils."""

    upstream: int
    faults: list[Fault]
    dice: random.Random
    last: dict[str, bytes] = field(default_factory=dict)
    any_before: bytes | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def fault_for(self, path: str) -> Fault | None:
        """Return what spoils the answer to this path, if anything does now."""
        with self.lock:
            for fault in self.faults:
                if KINDS[fault.kind][0] not in path or fault.where not in path:
                    continue
                fault.seen += 1
                now = fault.first_call <= fault.seen < fault.first_call + fault.calls
                if now and self.dice.random() < fault.chance:
                    fault.struck += 1
                    return fault
        return None


class Handler(BaseHTTPRequestHandler):
    """Forwards a request and spoils the answer."""

    protocol_version = "HTTP/1.1"
    proxy: Proxy

    def log_message(self, *_args: object) -> None:
        """Stay silent."""

    def head(self, answer: Answer, length: int) -> None:
        """Send status and headers."""
        self.send_response(answer.status)
        self.send_header("Content-Type", answer.content_type)
        self.send_header("Content-Length", str(length))
        self.end_headers()

    def send(self, answer: Answer) -> None:
        """Send a whole answer."""
        self.head(answer, len(answer.body))
        self.wfile.write(answer.body)

    def forward(self) -> None:
        """Ask the rig, and answer."""
        length = int(self.headers.get("Content-Length") or 0)
        body = self.rfile.read(length) if length else None
        upstream = http.client.HTTPConnection("127.0.0.1", self.proxy.upstream, timeout=60.0)
        kept = ("accept", "content-type", "user-agent")
        headers = {name: text for name, text in self.headers.items() if name.lower() in kept}
        upstream.request(self.command, self.path, body, headers)
        reply = upstream.getresponse()
        data = reply.read()
        upstream.close()
        content_type = reply.headers.get("Content-Type", "application/json")
        path = self.path.split("?")[0].lower()
        parsed = json.loads(data) if "json" in content_type and data[:1] == b"{" else None
        answer = Answer(reply.status, content_type, data, parsed, self.proxy.last.get(path))
        fault = self.proxy.fault_for(path)
        if fault is None or KINDS[fault.kind][1] is not _again:
            self.proxy.last[path] = data
        try:
            if fault is None:
                self.send(answer)
            else:
                KINDS[fault.kind][1](self, answer)
        except (Dropped, OSError):
            self.close_connection = True
            with suppress(OSError):
                self.connection.close()

    do_GET = do_PUT = forward  # noqa: N815 - the names that http.server looks for


@contextmanager
def proxied(proxy: Proxy) -> Iterator[int]:
    """Serve the proxy on loopback; gives its port."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), type("Bound", (Handler,), {"proxy": proxy}))
    server.daemon_threads = True
    server.handle_error = lambda *_args: None  # type: ignore[method-assign] # lost connections
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


def draw(dice: random.Random) -> list[Fault]:
    """Return one or two faults: single answers, a stretch of them, or all from some time on."""
    drawn = []
    for kind in dice.sample(sorted(KINDS), dice.choice([1, 1, 2])):
        image = KINDS[kind][0] == IMAGE
        where = IMAGE if image else dice.choice([TELESCOPE, CAMERA, ANY])
        calls = dice.choice([1, 3] if image else [1, 5, 30]) if dice.random() < 0.7 else 10**6
        first = dice.randint(1, 4 if image else 120)
        drawn.append(Fault(kind, where, first, calls, dice.choice([1.0, 1.0, 0.3])))
    return drawn


@dataclass
class Outcome:
    """What a run came to."""

    seed: int
    command: str
    faults: list[str]
    struck: list[str]
    exit_code: int | None
    real_s: float
    violations: list[str]
    said: str


def one_run(seed: int) -> Outcome:
    """Run one command through a proxy and look at what is left."""
    dice = random.Random(seed)
    spec, faults = soak_night.rig_spec(dice, "measure"), draw(dice)
    command = "startup" if seed % 4 == 3 else "measure"
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="proxy", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        clock = SystemClock(RATE, soak_night.NIGHT_UTC_S, time.time())
        rig = SimulatedRig(spec, clock=clock)
        with serve(rig) as running, proxied(Proxy(running.port, faults, dice)) as port:
            overrides = soak_night.config_for(dice, spec, running, folder, "measure", [])
            for kind in ("telescope", "camera"):
                overrides[f"{kind}.port"] = port
            file = folder / "polewright.toml"
            file.write_text(_toml(overrides))
            environment = {
                **os.environ,
                REHEARSAL_VARIABLE: f"{soak_night.NIGHT_UTC_S},{clock.origin_real_s},{RATE}",
                "XDG_STATE_HOME": str(folder / "home"),
                "XDG_DATA_HOME": str(folder / "home"),
                "POLEWRIGHT_CATALOGUE": "none",
                "COLUMNS": "100",
            }
            child = subprocess.Popen(
                [sys.executable, "-m", "polewright", command, "-c", str(file), "--json"],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=environment,
                start_new_session=True,
            )
            try:
                out, err = child.communicate(timeout=LIMIT_S)
                hung = False
            except subprocess.TimeoutExpired:
                child.kill()
                out, err = child.communicate()
                hung = True
            code = None if hung else child.returncode
            violations = ["hung"] if hung else []
            violations += _violations(rig, spec, code, out, err)
    struck = [fault.kind for fault in faults if fault.struck]
    return Outcome(
        seed,
        command,
        [fault.kind for fault in faults],
        struck,
        code,
        round(time.monotonic() - began, 1),
        violations,
        err.decode("utf-8", "replace")[-600:],
    )


def _violations(
    rig: SimulatedRig, spec: Any, code: int | None, out: bytes, err: bytes
) -> list[str]:
    found = []
    now = rig.clock.utc_s()
    unknown = code == int(ExitCode.MOTION_UNKNOWN)
    if rig.mount.still_moving(now) and not unknown:
        found.append("moving")
    rig.mount.keep_house(now)
    measured = code in (int(ExitCode.OK), int(ExitCode.OUT_OF_TOLERANCE))
    if rig.mount.tracking and not unknown and not measured:
        found.append("tracking after a failure")
    if code == int(ExitCode.UNEXPECTED) or b"Traceback" in err:
        found.append("traceback")
    text = (out + err).replace(b"\n", b"").replace(b"\t", b"").replace(b"\r", b"")
    if any(byte < 32 or byte == 127 for byte in text) or "\u202e".encode() in text:
        found.append("control characters on the terminal")
    with suppress(ValueError):
        document = json.loads(out)
        axis = document.get("axis") or (document.get("measurement") or {}).get("axis")
        if axis:
            squared, off = soak_night.distance(axis, rig.truth(), spec.site.latitude_deg < 0)
            if squared > FAR_OUTSIDE:
                found.append(f"a figure {off:.2f} arcmin off, squared distance {squared:.1f}")
    return found


def _toml(keys: dict[str, Any]) -> str:
    sections: dict[str, list[str]] = {}
    for dotted, value in keys.items():
        section, key = dotted.split(".", 1)
        sections.setdefault(section, []).append(f"{key} = {json.dumps(value)}")
    return "\n".join(f"[{name}]\n" + "\n".join(lines) + "\n" for name, lines in sections.items())


def report(outcomes: list[Outcome]) -> str:
    """Return the tables."""
    bad = [outcome for outcome in outcomes if outcome.violations]
    real = sorted(outcome.real_s for outcome in outcomes)
    lines = [
        f"{len(outcomes)} runs, {len(bad)} with a violation; real seconds a run: median "
        f"{real[len(real) // 2]}, longest {real[-1]}",
        *(f"seed {o.seed} ({', '.join(o.struck)}): {'; '.join(o.violations)}" for o in bad),
        f"exit codes: {dict(sorted(Counter(str(o.exit_code) for o in outcomes).items()))}",
        "",
        "| fault | runs it struck | exit codes |",
        "| --- | --- | --- |",
    ]
    for kind in sorted({kind for outcome in outcomes for kind in outcome.struck}):
        hit = [outcome for outcome in outcomes if kind in outcome.struck]
        codes = Counter(str(outcome.exit_code) for outcome in hit)
        shown = ", ".join(f"{code} x {count}" for code, count in sorted(codes.items()))
        lines.append(f"| {kind} | {len(hit)} | {shown} |")
    return "\n".join(lines)


def main() -> int:
    """Run or report."""
    parser = argparse.ArgumentParser(description=__doc__)
    soak.add_run_options(parser)
    outcomes = soak.gathered(parser.parse_args(), Outcome, one_run)
    sys.stdout.write(report(outcomes) + "\n")
    return 1 if any(outcome.violations for outcome in outcomes) else 0


if __name__ == "__main__":
    raise SystemExit(main())
