from __future__ import annotations

import json
import logging
import socket
import struct
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest
import requests
from hypothesis import given
from hypothesis import strategies as st

from polewright_wire import AlpacaServer, Call, Device, ImagePayload, Reply, ServerDescription
from polewright_wire.discovery import QUERY, DiscoveryResponder
from polewright_wire.errors import (
    DeviceFault,
    DriverTrouble,
    NotNow,
    OperationAborted,
    Parked,
    Slaved,
    ValueMissing,
    ValueRefused,
)
from polewright_wire.image_payload import to_wire_order
from polewright_wire.parameters import Kind, Parameters, parse
from polewright_wire.server import RunningServer
from polewright_wire.standard import CAMERA, SAFETY_MONITOR, TELESCOPE


class Mount(Device):
    """A telescope with just enough to try the rules on."""

    standard = TELESCOPE

    def __init__(self, **options: object) -> None:
        super().__init__(name="a mount", unique_id="id of the mount", **options)  # type: ignore[arg-type]
        self.fault: Exception | None = None
        self.moved: list[tuple[int, float]] = []
        self.connect_gate = threading.Event()
        self.connect_gate.set()

    def on_connect(self) -> None:
        self.connect_gate.wait(5.0)
        if self.fault:
            raise self.fault

    def get_tracking(self) -> bool:
        if self.fault:
            raise self.fault
        return True

    def get_declination(self) -> float:
        return float("nan")

    def get_canmoveaxis(self, axis: int) -> bool:
        return axis == 0

    def put_moveaxis(self, axis: int, rate: float) -> None:
        self.moved.append((axis, rate))


class Camera(Device):
    """A camera that always has one image."""

    standard = CAMERA

    def __init__(self) -> None:
        super().__init__(name="a camera", unique_id="id of the camera", interface_version=3)
        self.image = ImagePayload(np.arange(12, dtype=np.uint16).reshape(4, 3))

    def get_imagearray(self) -> ImagePayload:
        return self.image


class Monitor(Device):
    """Answers without a connection, as safety monitors must."""

    standard = SAFETY_MONITOR
    always_readable = frozenset({"issafe"})

    def get_issafe(self) -> bool:
        return False


class Bench:
    """The served devices and a session to talk to them."""

    def __init__(self) -> None:
        self.mount, self.camera = Mount(), Camera()
        self.server = AlpacaServer(
            [self.mount, self.camera, Monitor(name="m", unique_id="id of m", number=7)],
            ServerDescription("bench", "nobody", "0.1", "here"),
        )
        self.running: RunningServer = self.server.start()
        self.session = requests.Session()

    def get(self, path: str, **options: object) -> requests.Response:
        return self.session.get(self.running.url + path, timeout=10, **options)  # type: ignore[arg-type]

    def put(self, path: str, form: dict[str, object] | None = None) -> requests.Response:
        return self.session.put(self.running.url + path, data=form, timeout=10)


@pytest.fixture
def bench() -> Iterator[Bench]:
    bench = Bench()
    for device in (bench.mount, bench.camera):
        device.put_connected(True)
    yield bench
    bench.session.close()
    bench.running.stop()


TRACKING = "/api/v1/telescope/0/tracking"
MOVE = "/api/v1/telescope/0/moveaxis"


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/Telescope/0/tracking",
        "/api/v1/telescope/0/Tracking",
        "/API/v1/telescope/0/tracking",
        "/api/V1/telescope/0/tracking",
        "/api/v2/telescope/0/tracking",
        "/api/v1/telescope/-1/tracking",
        "/api/v1/telescope/99999/tracking",
        "/api/v1/telescope/A/tracking",
        "/api/v1/telescope/00/tracking",
        "/api/v1/telescope/0/trackingg",
        "/api/v1/telescope/0/tracking/",
        "/api/v1/telescope/0",
        "/api/v1/telescop/0/tracking",
        "/api/v1//0/tracking",
        "/api",
        "/",
        "/management/v2/description",
        "/management/v1/Description",
    ],
)
def test_a_wrong_path_is_400_with_a_text(bench: Bench, path: str) -> None:
    """Every part of a path is lower case and exact; anything else never reaches a device."""
    answer = bench.get(path)

    assert answer.status_code == 400
    assert answer.headers["content-type"].startswith("text/plain")
    assert len(answer.text) > 10


@pytest.mark.parametrize("method", ["PUT", "POST", "DELETE", "PATCH", "HEAD", "OPTIONS"])
def test_a_wrong_method_is_400(bench: Bench, method: str) -> None:
    """A member that is only read takes GET alone."""
    url = f"{bench.running.url}/api/v1/telescope/0/canmoveaxis?Axis=0"
    answer = bench.session.request(method, url, timeout=10)

    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("query", "echoed"),
    [
        ("", 0),
        ("ClientID=1&ClientTransactionID=77", 77),
        ("clientid=1&CLIENTTRANSACTIONID=77", 77),
        ("ClientID=&ClientTransactionID=", 0),
        ("ClientID=%20&ClientTransactionID=%20", 0),
        ("ClientID=-3&ClientTransactionID=-77", 0),
        ("ClientID=abc&ClientTransactionID=abc", 0),
        ("ClientTransactionID=4294967295", 4294967295),
        ("ClientTransactionID=4294967296", 0),
        ("ClientTransactionID=1.5", 0),
        ("ClientTransactionID=%C2%B2", 0),
    ],
)
def test_client_ids_are_never_a_reason_to_refuse(bench: Bench, query: str, echoed: int) -> None:
    """Ids may be missing, empty, negative or text: the answer is 200 and echoes 0."""
    answer = bench.get(f"{TRACKING}?{query}")

    assert answer.status_code == 200
    assert answer.json()["ClientTransactionID"] == echoed
    assert answer.json()["ErrorNumber"] == 0
    assert answer.json()["Value"] is True


def test_a_wrongly_cased_client_id_in_a_form_is_ignored(bench: Bench) -> None:
    """PUT names are exact: a wrongly cased transaction id comes back as 0, with status 200."""
    form: dict[str, object] = {"Axis": 0, "Rate": 0.5, "clienttransactionid": 9}

    assert bench.put(MOVE, form).json()["ClientTransactionID"] == 0
    form = {"Axis": 0, "Rate": 0.5, "ClientTransactionID": 9}
    assert bench.put(MOVE, form).json()["ClientTransactionID"] == 9


def test_server_transactions_count_up(bench: Bench) -> None:
    """Each request gets the next number, errors included."""
    first = bench.get(TRACKING).json()["ServerTransactionID"]
    bench.get("/api/v1/telescope/0/nothing")
    second = bench.get(TRACKING).json()["ServerTransactionID"]

    assert first >= 1
    assert second > first


def test_form_names_are_exact_and_query_names_are_not(bench: Bench) -> None:
    """A required PUT key in the wrong case is missing; a GET key may have any casing."""
    assert bench.put(MOVE, {"axis": 0, "Rate": 1.0}).status_code == 400
    assert bench.put(MOVE, {"Axis": 0, "RATE": 1.0}).status_code == 400
    assert bench.mount.moved == []
    assert bench.get("/api/v1/telescope/0/canmoveaxis?aXIS=0").json()["Value"] is True


def test_parameters_belong_in_their_place(bench: Bench) -> None:
    """PUT parameters in the query or as JSON are not seen, extra ones are ignored."""
    url = bench.running.url + MOVE

    assert bench.session.put(url, params={"Axis": 0, "Rate": 1}, timeout=10).status_code == 400
    assert bench.session.put(url, json={"Axis": 0, "Rate": 1}, timeout=10).status_code == 400
    assert bench.mount.moved == []
    assert bench.put(MOVE, {"Axis": 1, "Rate": "-1.5e0", "More": "x"}).status_code == 200
    assert bench.mount.moved == [(1, -1.5)]


@pytest.mark.parametrize(
    ("axis", "rate"),
    [("one", "1"), ("1.0", "1"), ("", "1"), ("1", "1,5"), ("1", "nan"), ("1", "inf"), ("1", "")],
)
def test_unreadable_values_are_400(bench: Bench, axis: str, rate: str) -> None:
    """What is no number in plain notation never reaches the device."""
    assert bench.put(MOVE, {"Axis": axis, "Rate": rate}).status_code == 400
    assert bench.mount.moved == []


@pytest.mark.parametrize(
    ("fault", "number"),
    [
        (ValueRefused("x"), 0x401),
        (ValueMissing("x"), 0x402),
        (Parked("x"), 0x408),
        (Slaved("x"), 0x409),
        (NotNow("x"), 0x40B),
        (OperationAborted("x"), 0x40E),
        (DriverTrouble("x", 0x512), 0x512),
        (NotImplementedError("x"), 0x400),
    ],
)
def test_exceptions_become_error_numbers(bench: Bench, fault: Exception, number: int) -> None:
    """A refusal is HTTP 200 with number and message, and no value."""
    bench.mount.fault = fault
    answer = bench.get(TRACKING)

    assert answer.status_code == 200
    assert answer.json()["ErrorNumber"] == number
    assert answer.json()["ErrorMessage"] == "x"
    assert "Value" not in answer.json()


def test_a_bug_in_a_device_is_500(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    """Anything unforeseen is answered with 500 and a text, and logged."""
    bench.mount.fault = KeyError("oops")
    with caplog.at_level(logging.CRITICAL):
        answer = bench.get(TRACKING)

    assert answer.status_code == 500
    assert answer.headers["content-type"].startswith("text/plain")


def test_a_number_that_is_none_is_a_driver_error(bench: Bench) -> None:
    """NaN cannot be written in JSON, so it never is."""
    assert bench.get("/api/v1/telescope/0/declination").json()["ErrorNumber"] == 0x500


def test_a_standard_member_without_code_is_not_implemented(bench: Bench) -> None:
    """It exists, so it is no 400: the device answers 0x400."""
    answer = bench.get("/api/v1/telescope/0/doesrefraction")

    assert answer.status_code == 200
    assert answer.json()["ErrorNumber"] == 0x400


def test_without_connection_only_the_common_members_answer(bench: Bench) -> None:
    """Everything else is 0x407, but unreadable parameters still come first."""
    bench.mount.put_connected(False)

    assert bench.get(TRACKING).json()["ErrorNumber"] == 0x407
    assert bench.put(MOVE, {"Axis": 0, "Rate": 1.0}).json()["ErrorNumber"] == 0x407
    assert bench.put(MOVE, {"Axis": 0}).status_code == 400
    assert bench.get("/api/v1/telescope/0/name").json()["Value"] == "a mount"
    assert bench.get("/api/v1/telescope/0/connected").json()["Value"] is False
    assert bench.get("/api/v1/safetymonitor/7/issafe").json()["Value"] is False


def test_connect_is_asynchronous_and_reports_its_fault(bench: Bench) -> None:
    """Connecting stays true until the hardware is open; its failure is raised once, by the poll."""
    mount, base = bench.mount, "/api/v1/telescope/0/"
    mount.put_connected(False)
    mount.connect_gate.clear()
    assert bench.put(base + "connect").json()["ErrorNumber"] == 0
    assert bench.get(base + "connecting").json()["Value"] is True
    assert bench.get(base + "connected").json()["Value"] is False
    mount.connect_gate.set()
    _until(lambda: bench.get(base + "connecting").json()["Value"] is False)
    assert bench.get(base + "connected").json()["Value"] is True

    bench.put(base + "disconnect")
    _until(lambda: bench.get(base + "connected").json()["Value"] is False)
    mount.fault = OSError("cable pulled")
    bench.put(base + "connect")
    _until(lambda: bench.get(base + "connecting").json()["ErrorNumber"] == 0x500)
    assert bench.get(base + "connecting").json()["Value"] is False
    assert bench.get(base + "connected").json()["Value"] is False


def _until(condition: object, limit_s: float = 5.0) -> None:
    assert callable(condition)
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.005)


def test_older_interfaces_lack_the_newer_members(bench: Bench) -> None:
    """A version 3 camera has no connect and no devicestate: 400, as for any unknown member."""
    base = "/api/v1/camera/0/"

    assert bench.get(base + "interfaceversion").json()["Value"] == 3
    assert bench.put(base + "connect").status_code == 400
    assert bench.get(base + "devicestate").status_code == 400
    assert bench.get("/api/v1/telescope/0/devicestate").status_code == 200


def test_actions_are_refused_by_name(bench: Bench) -> None:
    """Without any actions 0x400; command members are 0x400 too."""
    base = "/api/v1/telescope/0/"
    form: dict[str, object] = {"Action": "dance", "Parameters": ""}

    assert bench.put(base + "action", form).json()["ErrorNumber"] == 0x400
    assert bench.put(base + "action", {"Action": "dance"}).status_code == 400
    command: dict[str, object] = {"Command": "x", "Raw": "True"}
    for member in ("commandblind", "commandbool", "commandstring"):
        assert bench.put(base + member, command).json()["ErrorNumber"] == 0x400


def test_management_describes_the_server(bench: Bench) -> None:
    """Versions, description and devices, with the type in mixed case and unique ids."""
    assert bench.get("/management/apiversions").json()["Value"] == [1]
    assert bench.get("/management/v1/description").json()["Value"] == {
        "ServerName": "bench",
        "Manufacturer": "nobody",
        "ManufacturerVersion": "0.1",
        "Location": "here",
    }
    devices = bench.get("/management/v1/configureddevices?clientTransactionid=5").json()
    assert devices["ClientTransactionID"] == 5
    assert devices["Value"][2] == {
        "DeviceName": "m",
        "DeviceType": "SafetyMonitor",
        "DeviceNumber": 7,
        "UniqueID": "id of m",
    }
    assert bench.get("/setup").headers["content-type"].startswith("text/html")
    assert bench.get("/setup/v1/camera/0/setup").status_code == 200
    assert bench.get("/setup/v1/camera/3/setup").status_code == 400
    assert bench.get("/setup/nothing").status_code == 403


def test_an_oversized_body_is_refused(bench: Bench) -> None:
    """Bodies over 64 KiB are read, thrown away and answered with 400."""
    answer = bench.put(MOVE, {"Axis": 0, "Rate": 1, "Filler": "x" * 100_000})

    assert answer.status_code == 400
    assert bench.mount.moved == []


def test_two_devices_may_not_share_a_number() -> None:
    """Type and number make the address, so a clash is an error at once."""
    with pytest.raises(ValueError, match="share"):
        AlpacaServer([Mount(), Mount()], ServerDescription("a", "b", "c"))


IMAGE = "/api/v1/camera/0/imagearray"
BYTES = {"Accept": "application/imagebytes"}


def test_image_bytes_have_x_first_and_a_standard_header(bench: Bench) -> None:
    """Eleven little-endian numbers, then unsigned 16-bit pixels, y changing fastest."""
    answer = bench.get(IMAGE + "?ClientTransactionID=6", headers=BYTES)
    header = struct.unpack("<iiIIiiiiiii", answer.content[:44])

    assert answer.headers["content-type"] == "application/imagebytes"
    assert header[:3] == (1, 0, 6)
    assert header[4:] == (44, 2, 8, 2, 4, 3, 0)
    assert np.frombuffer(answer.content, "<u2", offset=44).tolist() == list(range(12))


@pytest.mark.parametrize(
    ("dtype", "wire", "element"),
    [("u1", 6, 2), ("i2", 1, 2), ("i4", 2, 2), ("u4", 9, 2), ("f4", 4, 3), (">f8", 3, 3)],
)
def test_other_element_types_keep_their_values(
    bench: Bench, dtype: str, wire: int, element: int
) -> None:
    """Each array type has its number; colour planes make rank 3; big-endian input is turned."""
    pixels = np.arange(24).reshape(2, 4, 3).astype(dtype)
    bench.camera.image = ImagePayload(pixels)
    answer = bench.get(IMAGE, headers=BYTES)
    header = struct.unpack("<iiIIiiiiiii", answer.content[:44])
    little = np.dtype(dtype).newbyteorder("<")
    document = bench.get(IMAGE).json()

    assert header[5:] == (element, wire, 3, 2, 4, 3)
    assert np.frombuffer(answer.content, little, offset=44).tolist() == list(range(24))
    assert document["Type"] == element
    assert document["Rank"] == 3
    assert np.array_equal(np.array(document["Value"]), pixels)


def test_without_the_header_the_image_is_json(bench: Bench) -> None:
    """Clients that do not ask for bytes get nested lists, first x then y."""
    wide = np.arange(300 * 7, dtype=np.uint16).reshape(300, 7)
    bench.camera.image = ImagePayload(wide)
    answer = bench.get(IMAGE)

    assert answer.headers["content-type"].startswith("application/json")
    assert answer.json()["Type"] == 2
    assert answer.json()["Rank"] == 2
    assert answer.json()["ErrorNumber"] == 0
    assert answer.json()["Value"] == wide.tolist()


def test_wire_order_is_a_plain_transposition() -> None:
    """The blocked copy does what numpy's transpose does, whatever the shape."""
    for shape in ((1, 1), (300, 17), (17, 300), (512, 256), (513, 257, 3)):
        rows = np.random.default_rng(1).integers(0, 65536, shape).astype(np.uint16)
        turned = to_wire_order(rows)

        assert turned.flags.c_contiguous
        assert np.array_equal(turned, np.swapaxes(rows, 0, 1))


@pytest.mark.parametrize(
    "head",
    [
        b"GET * HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET http://x/api/v1/telescope/0/tracking HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET /api/v1/telescope/0/nothing HTTP/1.1\r\nHost: [bad\r\n\r\n",
        b"GET /%ff%00/%2e%2e/ HTTP/1.1\r\nHost: x\r\n\r\n",
        b"PUT /api/v1/telescope/0/moveaxis HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\n\xff\xfe=",
        b"GET /api/v1/telescope/0/tracking?" + b"a=1&" * 200 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
        b"no http at all\r\n\r\n",
    ],
)
def test_odd_requests_are_400_and_never_500(bench: Bench, head: bytes) -> None:
    """Whatever a tool sends by hand: a 400, and the server goes on."""
    with socket.create_connection(("127.0.0.1", bench.running.port), timeout=5) as line:
        line.sendall(head)
        answer = line.recv(4096)

    assert answer.startswith(b"HTTP/1.1 400"), answer
    assert bench.get(TRACKING).status_code == 200


# The fault layer


def test_an_interceptor_may_replace_delay_and_cut(bench: Bench) -> None:
    """It sees the call, and what it returns is what leaves: other text, half a body, nothing."""
    seen: list[Call] = []

    def fault(call: Call, proceed: object) -> Reply:
        assert callable(proceed)
        seen.append(call)
        if call.member == "name":
            return Reply.text(500, "power cut")
        reply = proceed()
        assert isinstance(reply, Reply)
        if call.member == "imagearray":
            reply.cut_after = 50
        if call.member == "description":
            reply.dropped = True
        return reply

    bench.server.interceptor = fault
    base = "/api/v1/camera/0/"

    assert bench.get(base + "name?ClientID=12").text == "power cut"
    assert (seen[0].member, seen[0].client_id, seen[0].device_type) == ("name", 12, "camera")
    with pytest.raises(requests.exceptions.ChunkedEncodingError):
        bench.get(base + "imagearray", headers=BYTES)
    with pytest.raises(requests.exceptions.ConnectionError):
        bench.get(base + "description")
    bench.server.interceptor = None
    assert bench.get(base + "name").json()["Value"] == "a camera"


def test_a_hanging_device_does_not_keep_the_server_from_stopping() -> None:
    """Stop returns although a request is still being worked on."""
    release, bench = threading.Event(), Bench()

    def hang(_: Call, proceed: object) -> Reply:
        release.wait(30.0)
        return Reply.text(500, "late")

    bench.server.interceptor = hang
    with pytest.raises(requests.exceptions.ReadTimeout):
        requests.get(bench.running.url + TRACKING, timeout=0.2)
    started = time.monotonic()
    bench.running.stop()
    took_s = time.monotonic() - started
    release.set()
    bench.session.close()

    assert took_s < 5.0


def test_requests_answer_quickly_over_one_connection(bench: Bench) -> None:
    """No 40 ms pause of delayed acknowledgements: fast members answer well within 0.1 s."""
    bench.get(TRACKING)
    started = time.monotonic()
    for _ in range(50):
        bench.get(TRACKING)

    assert (time.monotonic() - started) / 50 < 0.03


# Discovery


def _ask(family: socket.AddressFamily, address: tuple[str, int], text: bytes) -> bytes | None:
    with socket.socket(family, socket.SOCK_DGRAM) as asker:
        asker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        asker.settimeout(0.5)
        asker.sendto(text, address)
        try:
            return asker.recvfrom(1024)[0]
        except TimeoutError:
            return None


def test_discovery_answers_the_query_and_nothing_else() -> None:
    """The answer is JSON with the port; other packets are not answered."""
    responder = DiscoveryResponder(4567, port=0)
    try:
        answer = _ask(socket.AF_INET, ("127.0.0.1", responder.port), QUERY)
        nothing = _ask(socket.AF_INET, ("127.0.0.1", responder.port), b"hello there")
        broadcast = _ask(socket.AF_INET, ("127.255.255.255", responder.port), QUERY)
    finally:
        responder.stop()

    assert json.loads(answer or b"") == {"AlpacaPort": 4567}
    assert nothing is None
    assert json.loads(broadcast or b"") == {"AlpacaPort": 4567}


def test_discovery_answers_ipv6() -> None:
    """Where the computer has IPv6 on loopback, a query to it is answered too."""
    try:
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as probe:
            probe.bind(("::1", 0))
    except OSError:
        pytest.skip("no IPv6 here")
    responder = DiscoveryResponder(4567, host="::", port=0)
    try:
        if len(responder._sockets) < 2:
            pytest.skip("no interface takes IPv6 multicast")
        answer = _ask(socket.AF_INET6, ("::1", responder.port), QUERY)
    finally:
        responder.stop()

    assert json.loads(answer or b"") == {"AlpacaPort": 4567}


def test_two_responders_share_a_port() -> None:
    """Several servers on one computer can all answer: the port is opened for sharing."""
    first = DiscoveryResponder(1, port=0)
    second = DiscoveryResponder(2, port=first.port)
    second.stop()
    first.stop()

    assert second.port == first.port


@pytest.mark.parametrize(
    ("host", "by_ipv4", "by_ipv6"),
    [
        ("127.0.0.1", True, False),
        ("0.0.0.0", True, False),
        ("127.0.0.2", False, False),
        ("::1", False, True),
        ("::", False, True),
    ],
)
def test_discovery_is_answered_only_where_the_port_is_served(
    host: str, by_ipv4: bool, by_ipv6: bool
) -> None:
    """Who asks connects to the address that answers: nobody is sent to a port that refuses."""
    try:
        server = socket.create_server(
            (host, 0), family=socket.AF_INET6 if ":" in host else socket.AF_INET
        )
    except OSError:
        pytest.skip(f"{host} cannot be bound here")
    with server:
        responder = DiscoveryResponder(server.getsockname()[1], host=host, port=0)
        has_ipv6 = len(responder._sockets) == 2
        try:
            answers = {
                "127.0.0.1": _ask(socket.AF_INET, ("127.0.0.1", responder.port), QUERY),
                "::1": _ask(socket.AF_INET6, ("::1", responder.port), QUERY) if has_ipv6 else None,
            }
        finally:
            responder.stop()

        assert (answers["127.0.0.1"] is not None) is by_ipv4
        if has_ipv6:
            assert (answers["::1"] is not None) is by_ipv6
        for address, answer in answers.items():
            if answer is not None:
                socket.create_connection((address, json.loads(answer)["AlpacaPort"]), 2.0).close()


# Reading of values


@given(st.integers(-(2**31), 2**31 - 1))
def test_every_32_bit_integer_is_read(number: int) -> None:
    """With or without a sign."""
    assert parse(str(number), Kind.INTEGER) == number
    assert parse(f" {number:+d} ", Kind.INTEGER) == number


@given(st.floats(-1e12, 1e12))
def test_every_decimal_is_read(number: float) -> None:
    """As Python writes them, exponents included."""
    assert parse(repr(number), Kind.NUMBER) == number


@given(st.text(max_size=20))
def test_reading_never_raises(text: str) -> None:
    """Any text gives a value or None, in whatever kind."""
    for kind in Kind:
        value = parse(text, kind)
        assert value is None or isinstance(value, (int, float, str))
    number = Parameters([("ClientID", text)], any_casing=False).client_number("ClientID")
    assert 0 <= number < 2**32


@pytest.mark.parametrize(
    "text", ["1_000", "0x10", "1e999", "١", "1 000", "--1", "+", ".", "2147483648"]
)
def test_python_is_more_lenient_than_the_wire(text: str) -> None:
    """What Python's int or float would take is not for that reason a number here."""
    assert parse(text, Kind.INTEGER) is None
    if text != "2147483648":
        assert parse(text, Kind.NUMBER) is None


@pytest.mark.parametrize(("text", "value"), [("True", True), ("false", False), ("FALSE", False)])
def test_booleans_come_in_any_casing(text: str, value: bool) -> None:
    """But 0, 1 and yes are no booleans."""
    assert parse(text, Kind.BOOLEAN) is value
    for other in ("0", "1", "yes", ""):
        assert parse(other, Kind.BOOLEAN) is None


def test_driver_numbers_stay_in_their_range() -> None:
    """A driver may not use the reserved numbers."""
    with pytest.raises(ValueError, match="0x500"):
        DriverTrouble("x", 0x401)
    assert issubclass(DriverTrouble, DeviceFault)
