"""Malformed requests to the Alpaca server: refused, never a fault of the server, never a hang."""

from __future__ import annotations

import http.client
import string
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from polewright.foundation.clock import SystemClock
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.spec import RigSpec, WeatherStationSpec

NAMES = ["ClientID", "clientid", "ClientTransactionID", "Connected", "RightAscension", "Axis"]
NAMES += ["Id", "Value", "Duration", "Light", "Tracking", "UTCDate", "Action", "Parameters", ""]
VALUES = ["1", "-1", "True", "true", "nan", "inf", "1e999", "99999999999999999999", "1,5", "%", "é"]
MEMBERS = ["connected", "tracking", "moveaxis", "axisrates", "startexposure", "imagearray"]
MEMBERS += ["slewtocoordinatesasync", "utcdate", "getswitch", "setswitchvalue", "issafe", "Name"]
KINDS = [
    "telescope",
    "camera",
    "switch",
    "safetymonitor",
    "covercalibrator",
    "focuser",
    "observingconditions",
    "dome",
    "x",
]

printable = st.text(st.sampled_from(string.printable), max_size=12)
visible = st.text(
    st.sampled_from(string.ascii_letters + string.digits + "/%?&=.;:@-_~{}"), max_size=12
)
numbers = st.one_of(
    st.sampled_from(["0", "00", "1", "-1", "4294967296", "1.0", "9" * 30]), st.just("0")
)
paths = st.one_of(
    st.builds(
        lambda kind, number, member: f"/api/v1/{kind}/{number}/{member}",
        st.sampled_from(KINDS),
        numbers,
        st.sampled_from(MEMBERS),
    ),
    st.sampled_from(["/", "//", "/api", "/api/v2/telescope/0/name", "/management/apiversions"]),
    st.builds(lambda tail: f"/management/v1/{tail}", visible),
    st.builds(lambda tail: f"/api/v1/telescope/0/{tail}", visible),
    st.builds(lambda tail: f"/{tail}", visible),
)
forms = st.lists(
    st.tuples(
        st.one_of(st.sampled_from(NAMES), printable), st.one_of(st.sampled_from(VALUES), printable)
    ),
    max_size=5,
).map(lambda pairs: "&".join(f"{name}={value}" for name, value in pairs).encode())
bodies = st.one_of(forms, st.binary(max_size=60), st.just(b"A" * 70_000))
types = st.sampled_from(
    ["application/x-www-form-urlencoded", "application/json", "multipart/form-data", "", "x/y; q=é"]
)
methods = st.sampled_from(["GET", "PUT", "POST", "DELETE", "HEAD", "OPTIONS", "PATCH", "BREW"])


@pytest.fixture(scope="module")
def rig() -> Iterator[RunningRig]:
    running = serve(
        SimulatedRig(RigSpec(weather_station=WeatherStationSpec()), SystemClock(rate=50.0))
    )
    yield running
    running.stop()


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(method=methods, path=paths, query=st.one_of(st.just(""), visible), body=bodies, kind=types)
def test_no_request_makes_the_rig_fail(rig, method, path, query, body, kind) -> None:
    """200, or a refusal of the 400 kind, within seconds; and the server is still there."""
    connection = http.client.HTTPConnection("127.0.0.1", rig.port, timeout=10)
    target = path + (f"?{query}" if query else "")
    try:
        connection.putrequest(method, target, skip_accept_encoding=True)
        connection.putheader("Content-Type", kind.encode("latin-1"))
        connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        text = answer.read()
    finally:
        connection.close()

    assert answer.status == 200 or 400 <= answer.status < 500, (answer.status, text[:300])
