"""A page that takes nothing for a while, as a phone in a pocket does: what it gets afterwards."""

from __future__ import annotations

import json
import socket

import pytest
from serving.made_up import made_up_service, states

from polewright.interfaces.web import app

ASK = b"GET /api/session/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
CHANGES = 400
#: As much as may lie in the line: both ends' buffers, and some events.
LINE_BYTES = 131072


class Page:
    """A connection that asks for the events and reads them when it likes."""

    def __init__(self, port: int) -> None:
        self.line = socket.socket()
        self.line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 32768)
        self.line.settimeout(30.0)
        self.line.connect(("127.0.0.1", port))
        self.line.sendall(ASK)
        self.taken = b""
        self.bytes = 0

    def until(self, version: int) -> list[int]:
        """Read on until a version comes; return all that came."""
        seen: list[int] = []
        while version not in seen:
            while b"\n\n" not in self.taken:
                more = self.line.recv(65536)
                assert more, "the stream has ended"
                self.bytes += len(more)
                self.taken += more
            event, _, self.taken = self.taken.partition(b"\n\n")
            told = [line[6:] for line in event.splitlines() if line.startswith(b"data: {")]
            seen += [now["version"] for now in map(json.loads, told) if "version" in now]
        return seen


@pytest.mark.skipif(not hasattr(socket, "TCP_NOTSENT_LOWAT"), reason="the system keeps more")
def test_who_reads_nothing_delays_nobody_and_then_gets_the_newest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What the line does not take is not kept: of some hundred readings a few old ones are in the
    line already, and then comes the newest."""
    monkeypatch.setattr(app, "COALESCE_S", 0.0)
    turning = next(one for one in states().values() if one.advice)
    with made_up_service("en") as (runner, url):
        port = int(url.rstrip("/").rsplit(":", 1)[1])
        stalled, other = Page(port), Page(port)
        stalled.until(runner.put(turning))
        before = stalled.bytes
        for _ in range(CHANGES):
            version = runner.put(turning)
            assert other.until(version)[-1] == version
        assert other.bytes > 4 * LINE_BYTES
        late = stalled.until(version)
        assert late[-1] == version == runner.now.version
        assert late == sorted(set(late))
        assert len(late) < CHANGES / 4
        assert stalled.bytes - before < LINE_BYTES
        stalled.line.close()
        other.line.close()
