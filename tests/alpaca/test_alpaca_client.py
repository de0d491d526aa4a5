"""The HTTP side: every reply checked, every failure named, nothing repeated that moves."""

from __future__ import annotations

import contextlib
import json
import pickle
import socket
import threading
import time
from http.server import BaseHTTPRequestHandler
from typing import Any, cast

import pytest
import responses
from support.alpaca_wire import Raw, Refuse, Status, wire_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection, wire_text
from polewright.devices.alpaca.errors import Where
from polewright.foundation.errors import DeviceError, ExitCode

PATH = "api/v1/telescope/0/slewing"
URL = "http://mount.local:11111/" + PATH
AT = Where("mount.local", 11111, "telescope", 0, "My mount")


def body(**changes: object) -> dict[str, object]:
    return {"Value": True, "ErrorNumber": 0, "ErrorMessage": "", "ClientTransactionID": 1} | changes


@pytest.fixture
def connection():
    with AlpacaConnection("mount.local", 11111, client_id=77) as made:
        yield made


@responses.activate
def test_ids_are_sent_and_count_up(connection: AlpacaConnection) -> None:
    """ClientID stays, ClientTransactionID starts at 1 and counts."""
    responses.get(URL, json=body())
    responses.get(URL, json=body(ClientTransactionID=2))

    connection.get(PATH)
    connection.get(PATH)

    queries = [dict(cast("Any", call.request).params) for call in responses.calls]
    assert [q["ClientTransactionID"] for q in queries] == ["1", "2"]
    assert {q["ClientID"] for q in queries} == {"77"}


@responses.activate
def test_an_answer_to_another_question_is_refused(connection: AlpacaConnection) -> None:
    """0 comes from real servers and is believed; another number is somebody else's answer."""
    responses.get(URL, json=body(ClientTransactionID=0))
    responses.get(URL, json=body(ClientTransactionID=9))

    assert connection.get(PATH).Value is True
    with pytest.raises(errors.ForeignAnswer, match="transaction 2, answered with 9"):
        connection.get(PATH)


def test_answers_that_lag_by_one_are_caught_up_with() -> None:
    """A connection on which every answer came twice gives way to a new one; nothing is misread."""
    twice = [True]

    def name(params: dict[str, str]) -> str:
        if twice.pop():
            text = json.dumps(
                {"Value": "0", "ClientTransactionID": int(params["ClientTransactionID"])}
            ).encode()
            head = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: "
            raise Raw(
                lambda handler: handler.wfile.write(
                    2 * (head + str(len(text)).encode() + b"\r\n\r\n" + text)
                )
            )
        return "Camera"

    members = {"camera/0/state": name, "camera/0/name": "Camera"}
    with (
        wire_server(members) as server,
        AlpacaConnection(
            "127.0.0.1", server.port, patience={errors.BadReply: (0.0,)}
        ) as connection,
    ):
        assert connection.get("api/v1/camera/0/state").Value == "0"
        assert connection.get("api/v1/camera/0/name").Value == "Camera"


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (0x400, errors.NotImplementedByDevice),
        (0x401, errors.InvalidValue),
        (0x402, errors.ValueNotSet),
        (0x407, errors.NotConnected),
        (0x408, errors.Parked),
        (0x409, errors.Slaved),
        (0x40B, errors.InvalidOperation),
        (0x40C, errors.ActionNotImplemented),
        (0x40E, errors.OperationCancelled),
        (0x500, errors.DriverFault),
        (0xFFF, errors.DriverFault),
        (0x80040407, errors.NotConnected),
        (0x80040408 - 2**32, errors.Parked),
        ("1032", errors.Parked),
        (7, errors.RefusedByDevice),
        (-2147467259, errors.RefusedByDevice),
    ],
)
@responses.activate
def test_error_numbers_become_situations(
    connection: AlpacaConnection, number: object, kind: type[DeviceError]
) -> None:
    """Numbers of ASCOM Alpaca API Reference v12; COM HRESULTs are folded onto them."""
    responses.get(URL, json=body(ErrorNumber=number, ErrorMessage="it says so", Value=None))

    with pytest.raises(errors.RefusedByDevice) as caught:
        connection.get(PATH, where=AT)

    assert type(caught.value) is kind
    text = str(caught.value)
    assert "telescope 0 'My mount' at mount.local:11111" in text
    assert "slewing" in text
    assert "it says so" in text
    assert caught.value.advice


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (301, errors.WrongAddress),
        (400, errors.RequestRejected),
        (401, errors.AccessDenied),
        (403, errors.AccessDenied),
        (404, errors.WrongAddress),
        (405, errors.WrongAddress),
        (422, errors.RequestRejected),
        (500, errors.ServerFault),
        (503, errors.ServerFault),
    ],
)
@responses.activate
def test_http_statuses_become_situations(
    connection: AlpacaConnection, status: int, kind: type[errors.HttpRejected]
) -> None:
    responses.get(URL, status=status, body="<html>no such\nthing</html>")

    with pytest.raises(errors.HttpRejected) as caught:
        connection.get(PATH)

    assert type(caught.value) is kind
    assert caught.value.status == status
    assert f"HTTP {status}" in str(caught.value)
    assert "<html>no such thing</html>" in str(caught.value)


@responses.activate
def test_error_number_inside_a_400_is_believed(connection: AlpacaConnection) -> None:
    responses.get(URL, status=400, json=body(ErrorNumber=0x408))

    with pytest.raises(errors.Parked):
        connection.get(PATH)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ('{"Value": true}', True),
        ('\ufeff{"Value": 1, "ErrorNumber": null, "ErrorMessage": null}', 1),
        ('{"Value": [1, 2,], "ErrorNumber": "0",}', [1, 2]),
        ('{"Value": 3, "ClientTransactionID": "x", "ServerTransactionID": -4, "New": {}}', 3),
    ],
)
@responses.activate
def test_sloppy_answers_are_read(connection: AlpacaConnection, text: str, value: object) -> None:
    responses.get(URL, body=text.encode())

    assert connection.get(PATH).Value == value


@pytest.mark.parametrize(
    "text", ["<html>Router login</html>" * 20, "", "[1]", '{"ErrorNumber":"x"}']
)
@responses.activate
def test_other_answers_are_refused_with_their_start(
    connection: AlpacaConnection, text: str
) -> None:
    responses.get(URL, body=text)

    with pytest.raises(errors.BadReply) as caught:
        connection.get(PATH)

    assert len(str(caught.value)) < 300
    if text.startswith("<html>"):
        assert "<html>Router login</html>" in str(caught.value)


def test_values_travel_with_decimal_point_and_no_exponent() -> None:
    assert wire_text(True, AT, "x") == "True"
    assert wire_text(1e-7, AT, "x") == "0.0000001"
    assert wire_text(12.5, AT, "x") == "12.5"
    assert wire_text(5.0, AT, "x") == "5.0"
    assert wire_text(3, AT, "x") == "3"
    with pytest.raises(errors.InvalidValue):
        wire_text(float("nan"), AT, "x")


def test_put_parameters_are_a_form_body_with_exact_casing() -> None:
    with (
        wire_server({"telescope/0/slewtocoordinatesasync": lambda p: None}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        connection.put(
            "api/v1/telescope/0/slewtocoordinatesasync",
            params={"RightAscension": 3.25, "Declination": -20.0},
        )

    request = server.requests[0]
    assert "?" not in request.path
    assert request.headers["Content-Type"] == "application/x-www-form-urlencoded"
    assert "Expect" not in request.headers
    assert request.params["RightAscension"] == "3.25"
    assert request.params["Declination"] == "-20.0"


def test_refused_connection_says_what_to_check() -> None:
    """Wrong port: nothing listens there."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with (
        AlpacaConnection("127.0.0.1", port) as connection,
        pytest.raises(errors.ServerUnreachable) as caught,
    ):
        connection.get(PATH)

    assert f"127.0.0.1:{port}" in str(caught.value)
    assert "nothing listens on this port" in str(caught.value)
    assert "port" in caught.value.advice
    assert caught.value.exit_code is ExitCode.DEVICE
    assert not caught.value.server_answered


@pytest.mark.parametrize("host", ["bad host name", "x..y", "a" * 70])
def test_impossible_host_names_are_unreachable(host: str) -> None:
    with AlpacaConnection(host, 11111) as connection, pytest.raises(errors.ServerUnreachable):
        connection.get(PATH)


def test_localhost_finds_the_server_on_ipv4() -> None:
    with wire_server({"telescope/0/slewing": False}) as server:
        with AlpacaConnection("localhost", server.port) as connection:
            assert connection.get(PATH).Value is False
        assert server.requests[0].peer[0] == "127.0.0.1"


def test_silence_is_told_with_its_length_and_a_put_is_sent_once() -> None:
    release = threading.Event()
    with wire_server({"telescope/0/slewing": lambda p: release.wait(5)}) as server:
        with AlpacaConnection("127.0.0.1", server.port, timeout_s=0.2) as connection:
            for call in (connection.get, connection.put):
                with pytest.raises(errors.DeviceSilent, match=r"nothing for 0\.2 s"):
                    call(PATH)
        release.set()

    assert [r.method for r in server.requests] == ["GET", "PUT"]


def _drop(handler: BaseHTTPRequestHandler) -> None:
    handler.connection.shutdown(socket.SHUT_RDWR)
    handler.close_connection = True


def _half(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Length", "1000")
    handler.end_headers()
    handler.wfile.write(b'{"Value": tr')
    _drop(handler)


@pytest.mark.parametrize("fault", [_drop, _half])
def test_get_is_repeated_once_after_a_break_and_a_put_never(fault: object) -> None:
    """A PUT may have moved something; a GET has not."""
    faults: list[Any] = [fault, fault]

    def flaky(_params: dict[str, str]) -> object:
        if faults:
            raise Raw(faults.pop())
        return True

    with (
        wire_server({"telescope/0/slewing": flaky}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(errors.ConnectionDropped) as told:
            connection.put(PATH)
        assert "Error" not in str(told.value)  # no words of a library
        assert "Disconnected" not in str(told.value)
        assert len(server.requests) == 1
        assert connection.get(PATH).Value is True

    assert [r.method for r in server.requests] == ["PUT", "GET", "GET"]


def test_second_break_of_a_get_is_an_error() -> None:
    def broken(_params: dict[str, str]) -> object:
        raise Raw(_half)

    with (
        wire_server({"telescope/0/slewing": broken}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
        pytest.raises(errors.ConnectionDropped),
    ):
        connection.get(PATH)

    assert len(server.requests) == 2


def test_trickling_answer_ends_at_the_total_limit() -> None:
    """Each byte resets the socket's timer; the call still ends."""

    def trickle(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        try:
            for _ in range(1000):
                handler.wfile.write(b" ")
                time.sleep(0.05)
        except OSError:
            pass
        handler.close_connection = True

    def slow(_params: dict[str, str]) -> object:
        raise Raw(trickle)

    with (
        wire_server({"telescope/0/slewing": slow}) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=0.2) as connection,
    ):
        start = time.monotonic()
        with pytest.raises(errors.DeviceSilent, match="not complete"):
            connection.get(PATH)

        assert time.monotonic() - start < 25.0  # half of what the whole answer would take


def test_dripping_headers_end_at_the_total_limit() -> None:
    """Header lines that keep coming are no answer; the next question is answered as ever."""

    def drip(handler: BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
        with contextlib.suppress(OSError):
            for number in range(90):
                handler.wfile.write(f"X-Line-{number}: 1\r\n".encode())
                time.sleep(0.05)
            answer = b'{"Value": true}'
            handler.wfile.write(b"Content-Length: %d\r\n\r\n%b" % (len(answer), answer))
        handler.close_connection = True

    def slow(_params: dict[str, str]) -> object:
        raise Raw(drip)

    with (
        wire_server({"telescope/0/slewing": slow, "telescope/0/tracking": True}) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=0.2) as connection,
    ):
        for urgent in (False, True):
            with pytest.raises(errors.DeviceSilent, match="not complete"):
                connection.get(PATH, urgent=urgent)

        assert connection.get("api/v1/telescope/0/tracking").Value is True


def test_server_that_does_not_speak_http_is_a_bad_reply() -> None:
    def chatter(handler: BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"220 mail.example ESMTP ready\r\n")
        _drop(handler)

    def other(_params: dict[str, str]) -> object:
        raise Raw(chatter)

    with (
        wire_server({"telescope/0/slewing": other}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
        pytest.raises(errors.BadReply),
    ):
        connection.get(PATH)


def test_huge_answers_are_refused_before_they_are_read() -> None:
    def huge(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", str(10**12))
        handler.end_headers()
        handler.close_connection = True

    def big(_params: dict[str, str]) -> object:
        raise Raw(huge)

    with (
        wire_server({"telescope/0/slewing": big}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
        pytest.raises(errors.BadReply, match="1000000000000 bytes announced"),
    ):
        connection.get(PATH)


def test_requests_to_one_server_come_one_at_a_time() -> None:
    inside, most = [0], [0]
    guard = threading.Lock()

    def busy(_params: dict[str, str]) -> bool:
        with guard:
            inside[0] += 1
            most[0] = max(most[0], inside[0])
        time.sleep(0.02)
        with guard:
            inside[0] -= 1
        return True

    with (
        wire_server({"telescope/0/slewing": busy}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        threads = [threading.Thread(target=connection.get, args=(PATH,)) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    assert len(server.requests) == 6
    assert most[0] == 1


def test_stop_is_not_queued_behind_a_slow_call() -> None:
    """AbortSlew goes by its own connection while a normal call hangs."""
    started, release = threading.Event(), threading.Event()

    def slow(_params: dict[str, str]) -> bool:
        started.set()
        release.wait(10)
        return True

    members = {"telescope/0/slewing": slow, "telescope/0/abortslew": lambda p: None}
    with (
        wire_server(members) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=10) as connection,
    ):
        thread = threading.Thread(target=connection.get, args=(PATH,))
        thread.start()
        assert started.wait(5)
        start = time.monotonic()
        connection.put("api/v1/telescope/0/abortslew", urgent=True)
        took = time.monotonic() - start
        assert thread.is_alive()
        release.set()
        thread.join()

    assert took < 1.0
    assert server.order() == ["abortslew"]


def test_connection_is_kept_alive_between_reads() -> None:
    with (
        wire_server({"telescope/0/slewing": False}) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        for _ in range(3):
            connection.get(PATH)

    assert len({r.peer for r in server.requests}) == 1


def test_command_after_a_pause_uses_a_fresh_connection() -> None:
    """An idle connection may be half closed; a PUT lost on it could not be repeated."""
    members = {"telescope/0/slewing": lambda p: False, "telescope/0/unpark": lambda p: None}
    with (
        wire_server(members) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        connection.get(PATH)
        connection._normal.last_used_s -= 5.0
        connection.put("api/v1/telescope/0/unpark")

    assert len({r.peer for r in server.requests}) == 2


@responses.activate
def test_environment_proxies_are_ignored(
    connection: AlpacaConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HTTP_PROXY", "http://proxy.invalid:3128")
    responses.get(URL, json=body())

    connection.get(PATH)

    assert connection._normal.session.trust_env is False
    assert str(responses.calls[0].request.url).startswith(URL)


def _all_leaves(kind: type[errors.AlpacaError]) -> list[type[errors.AlpacaError]]:
    found = kind.__subclasses__()
    return found + [leaf for sub in found for leaf in _all_leaves(sub)]


SAMPLES: dict[type[errors.AlpacaError], tuple[Any, ...]] = {
    errors.TruncatedImage: (AT, "imagearray", 10, 20),
    errors.SlewTimedOut: (AT, "slewing", 3.0),
    errors.SlewIgnored: (AT, "slewing", 12.0, 30.0),
    errors.ForeignAnswer: (AT, "slewing", 3, 2),
}


@pytest.mark.parametrize("kind", _all_leaves(errors.AlpacaError), ids=lambda k: k.__name__)
def test_every_error_survives_pickling_and_gives_advice(kind: type[errors.AlpacaError]) -> None:
    error = kind(*SAMPLES.get(kind, (AT, "slewing", "why")))
    copy = pickle.loads(pickle.dumps(error))

    assert type(copy) is kind
    assert str(copy) == str(error)
    assert vars(copy) == vars(error)
    assert "telescope 0 'My mount' at mount.local:11111" in str(error)
    if kind is not errors.HttpRejected:
        assert len(error.advice) > 20
    assert isinstance(error, DeviceError)


def test_error_codes_are_distinct() -> None:
    kinds = _all_leaves(errors.AlpacaError)

    assert len({kind.code for kind in kinds}) == len(kinds)


def test_refusals_of_fake_server_pass_through() -> None:
    def parked(_params: dict[str, str]) -> None:
        raise Refuse(0x408, "parked")

    def gone(_params: dict[str, str]) -> None:
        raise Status(404, b"gone")

    members = {"telescope/0/abortslew": parked, "telescope/0/slewing": gone}
    with (
        wire_server(members) as server,
        AlpacaConnection("127.0.0.1", server.port) as connection,
    ):
        with pytest.raises(errors.Parked):
            connection.put("api/v1/telescope/0/abortslew", urgent=True)
        with pytest.raises(errors.WrongAddress):
            connection.get(PATH)
