"""Who may ask the service for something, and what it never tells."""

from __future__ import annotations

import asyncio
import http.client
import logging
import time

import pytest
import requests

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.feed import Feed
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.security import Gate, host_allowed, host_names, new_token
from polewright.interfaces.web.server import RunningService

TOKEN = "a-token-for-tests-0123456789"


@pytest.fixture
def serve(tmp_path):
    """Start services without any rig; settings make a session fail at once."""
    running = []

    def start(token: str | None = None, *, on_lan: bool = False) -> RunningService:
        def make(extra):
            fixed = {
                "telescope.host": "127.0.0.1",
                "telescope.port": 9,
                "telescope.device_number": 0,
                "run.journal_folder": str(tmp_path),
            }
            return config_from_text("", overrides={**fixed, **extra})

        runner = SessionRunner(make, SystemClock())
        app = create_app(runner, token, on_lan=on_lan)
        running.append((runner, RunningService(app, "127.0.0.1", 0, runner.feed)))
        return running[-1][1]

    yield start
    for runner, service in running:
        runner.close()
        service.stop()


def ask(service: RunningService, method: str, path: str, body: bytes = b"", **headers: str):
    """Send a request with exactly these headers; a dash in a name is written as two underscores."""
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=20)
    connection.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name.replace("__", "-"), value)
    if body and "Content__Length" not in headers:
        connection.putheader("Content-Length", str(len(body)))
    connection.endheaders(body or None)
    answer = connection.getresponse()
    data = answer.read()
    connection.close()
    return answer, data


@pytest.mark.parametrize(
    ("header", "loopback", "lan"),
    [
        ("localhost", True, True),
        ("LOCALHOST:8787", True, True),
        ("127.0.0.1:8787", True, True),
        ("127.9.9.9", True, True),
        ("[::1]:8787", True, True),
        ("192.168.1.7:8787", False, True),
        ("evil.example", False, False),
        ("evil.example:8787", False, False),
        ("localhost.evil.example", False, False),
        ("127.0.0.1.evil.example", False, False),
        ("", False, False),
        ("[::1", True, True),
        ("[not]", False, False),
    ],
)
def test_only_own_names_and_addresses_are_hosts(header, loopback, lan) -> None:
    """A foreign name that was rebound to this address is not answered."""
    assert host_allowed(header, host_names(False), False) is loopback
    assert host_allowed(header, host_names(True), True) is lan


def test_a_foreign_host_is_refused_before_anything_is_done(serve) -> None:
    """DNS rebinding: the name is the attacker's, the address ours."""
    service = serve()

    for method, path in (("GET", "/"), ("GET", "/api/session"), ("POST", "/api/stop")):
        answer, data = ask(service, method, path, Host="evil.example")

        assert answer.status == 421
        assert b"foreign_host" in data


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec__Fetch__Site": "cross-site"},
        {"Sec__Fetch__Site": "same-site"},
    ],
)
def test_a_foreign_page_cannot_change_anything(serve, headers) -> None:
    """Requests that another site's page makes a browser send are refused."""
    service = serve()

    for path in ("/api/session", "/api/stop"):
        answer, data = ask(service, "POST", path, b"{}", **headers)

        assert answer.status == 403
        assert b"foreign_origin" in data


def test_the_own_page_and_programs_may_post(serve) -> None:
    """Own origin, or none at all."""
    service = serve()
    own = f"http://127.0.0.1:{service.port}"

    for headers in ({"Origin": own, "Sec__Fetch__Site": "same-origin"}, {}):
        answer, _ = ask(service, "POST", "/api/session/pause", **headers)

        assert answer.status == 409  # let through: there is no session


def test_a_form_of_a_page_cannot_start_a_session(serve) -> None:
    """Only JSON is taken as JSON: a form's text is not, whatever it looks like."""
    service = serve()

    answer, _ = ask(service, "POST", "/api/session", b"{}", Content__Type="text/plain")

    assert answer.status == 422


def test_nothing_is_shared_with_other_origins(serve) -> None:
    """No CORS headers, whoever asks; preflights get no permission."""
    service = serve()

    answers = [
        ask(service, "GET", "/api/session", Origin="http://evil.example")[0],
        ask(
            service,
            "OPTIONS",
            "/api/session",
            Origin="http://evil.example",
            Access__Control__Request__Method="POST",
        )[0],
    ]

    for answer in answers:
        assert not [name for name in answer.headers if name.lower().startswith("access-control")]
        assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert answers[1].status in (403, 405)


@pytest.mark.parametrize("path", ["/", "/page.js", "/api/session", "/api/health", "/nothing"])
def test_every_answer_carries_the_security_headers(serve, path) -> None:
    """Scripts and styles come from here only, inline ones never run, and no page may frame us."""
    answer, _ = ask(serve(), "GET", path)

    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert "server" not in {name.lower() for name in answer.headers}


def test_a_large_request_is_refused_unread(serve) -> None:
    """By its announced length, by what really comes, and when the length is no number."""
    service = serve()
    json_type = {"Content__Type": "application/json"}
    announced, _ = ask(service, "POST", "/api/session", Content__Length="999999", **json_type)
    chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    streamed, _ = _chunked(service, chunk)

    assert announced.status == 413
    assert streamed.status == 413


def _chunked(service: RunningService, chunk: bytes):
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=20)
    connection.putrequest("POST", "/api/session")
    connection.putheader("Content-Type", "application/json")
    connection.putheader("Transfer-Encoding", "chunked")
    connection.endheaders()
    connection.send(chunk + chunk)
    answer = connection.getresponse()
    data = answer.read()
    connection.close()
    return answer, data


def test_without_the_token_only_the_sign_of_life_is_told(serve) -> None:
    """Page, files, API, and STOP are all locked; a wrong token is as good as none."""
    service = serve(TOKEN)
    url = service.url.rstrip("/")
    paths = ("/", "/?token=wrong", "/page.js", "/api/session", "/api/openapi.json", "/api/sessions")

    for path in paths:
        assert requests.get(url + path, timeout=10).status_code == 401
    for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {TOKEN}"}):
        answer = requests.post(url + "/api/stop", headers=headers, timeout=10)
        assert answer.status_code == 401
        assert answer.json()["code"] == "token_missing"
    wrong = requests.get(url + "/", cookies={"polewright_token": "wrong"}, timeout=10)
    assert wrong.status_code == 401
    assert "terminal" in wrong.text
    assert requests.get(url + "/api/health", timeout=10).json()["ok"] is True


def test_the_link_opens_the_page_and_leaves_the_token_out_of_the_address(serve) -> None:
    """The link sets a cookie that scripts cannot read, then goes on to the bare address."""
    service = serve(TOKEN)
    url = service.url.rstrip("/")
    with requests.Session() as client:
        opened = client.get(f"{url}/?token={TOKEN}", timeout=10)
        again = client.get(f"{url}/api/session", timeout=10)

    assert opened.history[0].status_code == 303
    cookie = opened.history[0].headers["Set-Cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert opened.url == f"{url}/"
    assert "Polewright" in opened.text
    assert again.status_code == 200
    bearer = requests.get(
        f"{url}/api/session", headers={"Authorization": f"Bearer {TOKEN}"}, timeout=10
    )
    assert bearer.status_code == 200


def test_the_token_is_never_logged(serve, caplog, capfd) -> None:
    """Not by us, not by the server, whether it was right, wrong, or the request broken."""
    caplog.set_level(logging.DEBUG)
    service = serve(TOKEN)
    url = service.url.rstrip("/")

    requests.get(f"{url}/?token={TOKEN}", timeout=10)
    requests.get(f"{url}/api/session?token={TOKEN}", timeout=10)
    requests.post(
        f"{url}/api/session",
        json={"config": {"x": 1}},
        headers={"Authorization": f"Bearer {TOKEN}"},
        timeout=10,
    )
    ask(service, "BREW", f"/{TOKEN}")

    out, err = capfd.readouterr()
    own = [r.getMessage() for r in caplog.records if not r.name.startswith("urllib3")]
    assert TOKEN not in out + err + "".join(own)


def test_a_service_that_others_reach_always_has_a_token() -> None:
    """There is no way to build one without; and tokens are long and not the same."""
    with pytest.raises(ValueError, match="token"):
        Gate(lambda *_: None, token=None, on_lan=True)  # type: ignore[arg-type, return-value]

    tokens = {new_token() for _ in range(20)}
    assert len(tokens) == 20
    assert min(len(token) for token in tokens) >= 32


def test_a_session_that_fails_is_told_and_another_may_start(serve) -> None:
    """Nothing listens where the mount should be: the snapshot says so and how to go on."""
    service = serve()
    url = service.url.rstrip("/")

    for _ in range(2):
        started = requests.post(f"{url}/api/session", json={}, timeout=20)
        assert started.status_code == 201, started.text
        deadline = time.monotonic() + 30.0
        while (now := requests.get(f"{url}/api/session", timeout=10).json())["step"] != "failed":
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert now["failure"]["message"]
        while requests.get(f"{url}/api/health", timeout=10).json()["running"]:
            assert time.monotonic() < deadline
            time.sleep(0.02)


def test_pages_beyond_the_limit_are_told_so() -> None:
    """Event streams hold a connection each: there is a limit, and it is announced."""
    assert Feed(most=0).full
    assert not Feed(most=1).full


@pytest.mark.parametrize("length", ["²", "1e9", "-1", "9" * 5000, ""])
def test_a_length_that_is_no_number_is_refused_by_the_gate_itself(length) -> None:
    """Whatever server stands in front of it."""
    sent = []

    async def send(message):
        sent.append(message)

    async def receive():
        raise AssertionError("the body is not to be read")

    async def app(*_):
        raise AssertionError("the request is not to come through")

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/session",
        "query_string": b"",
        "headers": [(b"host", b"localhost"), (b"content-length", length.encode("latin-1"))],
    }
    asyncio.run(Gate(app, token=None, on_lan=False)(scope, receive, send))

    assert sent[0]["status"] == 413


def test_who_starts_a_session_is_shown_without_control_characters(serve) -> None:
    """The name goes to other people's terminals, which would obey them."""
    service = serve()
    url = service.url.rstrip("/")

    for _ in range(2):
        answer = requests.post(f"{url}/api/session", json={"by": "Eve\x1b[2J\nroot"}, timeout=20)

    if answer.status_code == 201:  # the first had failed by then
        pytest.skip("the first session was over before the second was asked for")
    assert answer.status_code == 409
    assert "Eve[2Jroot" in answer.json()["message"]


@pytest.mark.parametrize(
    "body",
    [
        b'{"resume": 0}',
        b'{"resume": "true"}',
        b'{"by": 5}',
        b"[" * 60_000,
        b"\xff\xfe",
        b'{"config": []}',
        b"null",
    ],
)
def test_a_start_is_taken_only_as_it_is_described(serve, body) -> None:
    """Found by fuzzing: a 0 was taken for "no". Nothing else is a fault of the service either."""
    answer, data = ask(serve(), "POST", "/api/session", body, Content__Type="application/json")

    assert answer.status in (400, 422)
    assert b"advice" in data
