"""Who is dropped where connections are too many, and what is dropped for being too slow."""

from __future__ import annotations

import http.client
import socket
import time
from contextlib import closing, suppress
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright_wire import AlpacaServer, ServerDescription, connections
from polewright_wire.connections import Crowd, Guarded, Limits


class Fake:
    """A connection that only remembers whether it was dropped."""

    def __init__(self, crowd: Crowd, address: str, *, at_work: bool = False) -> None:
        self.crowd, self.address, self.at_work = crowd, address, at_work
        self.here = address.startswith("127.")
        self.kind = ""
        self.dropped = False
        crowd.enter(cast("Guarded", self))

    def drop(self) -> None:
        self.dropped = True
        self.crowd.leave(cast("Guarded", self))

    def prove(self) -> None:
        self.crowd.prove(cast("Guarded", self))


def test_a_flood_drops_its_own_oldest_and_no_one_elses() -> None:
    """Strangers by the hundred leave this computer, a proven client and its next call alone."""
    crowd = Crowd(Limits(each=20, per_address=6))
    phone, here = Fake(crowd, "10.0.0.5"), Fake(crowd, "127.0.0.1")
    phone.prove()
    flood = [Fake(crowd, f"10.0.1.{number % 200}") for number in range(600)]
    again = Fake(crowd, "10.0.0.5")
    newcomer = Fake(crowd, "10.0.0.6")
    flood += [Fake(crowd, "10.0.1.1") for _ in range(15)]

    assert not phone.dropped
    assert not here.dropped
    assert not again.dropped
    assert not newcomer.dropped  # 15 more of one address only drop each other
    assert sum(not one.dropped for one in flood) <= 20


def test_half_done_requests_go_before_one_that_is_answered() -> None:
    crowd = Crowd(Limits(each=4, per_address=4))
    busy = Fake(crowd, "10.0.0.1", at_work=True)
    flood = [Fake(crowd, f"10.0.0.{number}") for number in range(2, 40)]

    assert not busy.dropped
    assert sum(not one.dropped for one in flood) == 3


def test_proven_connections_that_work_are_not_dropped_for_others() -> None:
    """One at rest goes; where all work, the next one keeps its stranger's place."""
    crowd = Crowd(Limits(each=2, per_address=2))
    first, second = (Fake(crowd, f"10.0.0.{number}", at_work=True) for number in (1, 2))
    first.prove()
    second.prove()
    third = Fake(crowd, "10.0.0.3")
    third.prove()
    assert third.kind == "stranger"

    second.at_work = False
    third.prove()

    assert (first.dropped, second.dropped, third.kind) == (False, True, "proven")


@given(st.lists(st.tuples(st.integers(1, 9), st.booleans(), st.booleans()), max_size=200))
def test_there_are_never_more_than_the_limits(
    steps: list[tuple[int, bool, bool]],
) -> None:
    """Whoever comes, proves himself or works: each kind stays within its number."""
    crowd = Crowd(Limits(each=5, per_address=2))
    everyone: list[Fake] = []
    for number, proves, works in steps:
        address = "127.0.0.1" if number == 9 else f"10.0.0.{number}"
        everyone.append(Fake(crowd, address, at_work=works))
        assert not everyone[-1].dropped
        if proves:
            everyone[-1].prove()
        counted = [one.kind for one in everyone if not one.dropped]
        assert all(counted.count(kind) <= 5 for kind in ("here", "known", "stranger", "proven"))


@pytest.mark.parametrize(
    "begun",
    [
        b"",
        b"GET /management/apiversions HT",
        b"PUT /api/v1/telescope/0/x HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\n\r\nab",
        b"GET /management/apiversions HTTP/1.1\r\nHost: a\r\n\r\nGET /",
    ],
    ids=["nothing", "half a head", "half a body", "a second one, half"],
)
def test_a_request_that_does_not_come_whole_is_dropped(begun: bytes, monkeypatch: Any) -> None:
    """The server ends the connection by itself; what was whole is answered first."""
    monkeypatch.setattr(connections, "REQUEST_S", 0.3)
    server = AlpacaServer([], ServerDescription("a", "b", "1"))
    with (
        server.start(limits=Limits(8)) as running,
        socket.create_connection(("127.0.0.1", running.port), timeout=30.0) as client,
    ):
        client.sendall(begun)
        got = b""
        with suppress(ConnectionResetError):
            while piece := client.recv(65536):
                got += piece

    assert got.startswith(b"HTTP/1.1 200") is begun.endswith(b"GET /")
    assert got.count(b"HTTP/1.1") <= 1


def test_a_connection_between_two_requests_is_not_dropped(monkeypatch: Any) -> None:
    """The limit is on requests: one that rests goes on, and is answered the next time."""
    monkeypatch.setattr(connections, "REQUEST_S", 2.0)
    server = AlpacaServer([], ServerDescription("a", "b", "1"))
    with (
        server.start(limits=Limits(8)) as running,
        closing(http.client.HTTPConnection("127.0.0.1", running.port, timeout=30.0)) as client,
    ):
        for _ in range(2):
            client.request("GET", "/management/apiversions")
            assert client.getresponse().read()
            sock = client.sock  # None where the server ended it
            time.sleep(3.0)
            assert client.sock is sock is not None
