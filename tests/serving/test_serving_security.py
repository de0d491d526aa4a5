"""Who may ask the service for something, and what it never tells."""

from __future__ import annotations

import asyncio
import http.client
import logging
import os
import stat
import time

import pytest
import requests
from serving.chromium import browser, needs_chromium

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.interfaces.own_host import host_allowed, host_names
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.feed import Feed
from polewright.interfaces.web.night_token import KEPT_S, NightToken, new_token, night_token
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.security import Gate, cookie_name
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
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=300)
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
        answer, _ = ask(service, "POST", "/api/session/pause", b"", **headers)

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
    announced, _ = ask(service, "POST", "/api/session", b"", Content__Length="999999", **json_type)
    chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    streamed, _ = _chunked(service, chunk)

    assert announced.status == 413
    assert streamed.status == 413


def _chunked(service: RunningService, chunk: bytes):
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=300)
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
        assert requests.get(url + path, timeout=300).status_code == 401
    for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {TOKEN}"}):
        answer = requests.post(url + "/api/stop", headers=headers, timeout=300)
        assert answer.status_code == 401
        assert answer.json()["code"] == "token_missing"
    wrong = requests.get(
        url + "/", cookies={f"polewright_{service.port}": "wrong.wrong"}, timeout=10
    )
    assert wrong.status_code == 401
    assert "terminal" in wrong.text
    assert requests.get(url + "/api/health", timeout=300).json()["ok"] is True


def opened(url: str, client: requests.Session) -> tuple[requests.Response, str]:
    """Open the link; return what it answered and the key that the page is given."""
    answer = client.get(f"{url}/?token={TOKEN}", timeout=300, allow_redirects=False)
    return answer, answer.headers["Location"].removeprefix("/#key=")


def test_the_link_opens_the_page_and_leaves_the_token_out_of_the_address(serve) -> None:
    """The link sets a cookie that scripts cannot read, then goes on to the bare address."""
    service = serve(TOKEN)
    url = service.url.rstrip("/")
    with requests.Session() as client:
        answer, key = opened(url, client)
        page = client.get(f"{url}/", timeout=300)
        again = client.get(f"{url}/api/session?key={key}", timeout=300)
        stopped = client.post(f"{url}/api/stop?key={key}", timeout=300)

    assert answer.status_code == 303
    cookie = answer.headers["Set-Cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert f"polewright_{service.port}=" in cookie
    assert TOKEN.lower() not in cookie
    assert "Polewright" in page.text
    assert (again.status_code, stopped.status_code) == (200, 200)
    bearer = requests.get(
        f"{url}/api/session", headers={"Authorization": f"Bearer {TOKEN}"}, timeout=10
    )
    assert bearer.status_code == 200


def test_what_another_service_of_this_computer_sees_opens_nothing(serve) -> None:
    """Browsers send a cookie to every port: it is not the token, and shows nothing of the rig.

    The key beside it is for this port's pages only, and is of no use with another's cookie.
    """
    service = serve(TOKEN)
    url = service.url.rstrip("/")
    with requests.Session() as victim, requests.Session() as other:
        _, key = opened(url, victim)
        opened(url, other)
        name, value = next(iter(victim.cookies.items()))
        seen = {"Cookie": f"broken; a b=c; {name}={value}"}
        for path in ("/api/session", "/api/session?key=", "/api/openapi.json", "/metrics"):
            assert requests.get(url + path, headers=seen, timeout=300).status_code == 401
        assert requests.post(f"{url}/api/stop", headers=seen, timeout=300).status_code == 401
        for given in ({"token": value}, {"token": value.partition(".")[2]}):
            answer = requests.get(f"{url}/", params=given, timeout=300, allow_redirects=False)
            assert answer.status_code == 401
        with_key = requests.get(f"{url}/api/session?key={key}", headers=seen, timeout=300)
        assert with_key.status_code == 200  # whatever other cookies stand beside it
        assert requests.get(f"{url}/api/session?key={key}", timeout=300).status_code == 401
        assert other.get(f"{url}/api/session?key={key}", timeout=300).status_code == 401
        forged = {"Cookie": f"{name}={value[:-1]}{'0' if value[-1] != '0' else '1'}"}
        assert requests.get(f"{url}/", headers=forged, timeout=300).status_code == 401


def test_two_services_of_one_computer_stay_open_side_by_side(serve) -> None:
    """One browser, two piers: opening the second does not lock the first."""
    first, second = serve(TOKEN), serve("another-token-for-tests-9876543210")
    with requests.Session() as client:
        _, key = opened(first.url.rstrip("/"), client)
        client.get(f"{second.url}?token=another-token-for-tests-9876543210", timeout=300)

        assert len(client.cookies) == 2
        assert client.get(f"{first.url}api/session?key={key}", timeout=300).status_code == 200
        assert client.get(f"{second.url}api/session?key={key}", timeout=300).status_code == 401


def test_opening_the_link_again_leaves_the_older_tab_its_stop(serve) -> None:
    """Tabs of one browser share the cookie, each keeps the key it was given."""
    url = serve(TOKEN).url.rstrip("/")
    with requests.Session() as client:
        _, key = opened(url, client)
        again, second = opened(url, client)
        stopped = client.post(f"{url}/api/stop?key={key}", timeout=300)

    assert stopped.status_code == 200
    assert second == key
    assert "Max-Age" in again.headers["Set-Cookie"]  # a night from now on


@pytest.mark.e2e
@needs_chromium
def test_a_tab_with_an_old_key_finds_the_one_another_tab_was_given(serve, tmp_path) -> None:
    """The cookie was lost, the link opened in a second tab: the first one's STOP is taken."""
    url = serve(TOKEN).url.rstrip("/")
    with browser(tmp_path / "profile") as driver:
        driver.implicitly_wait(20)
        driver.get(f"{url}/?token={TOKEN}")
        first = driver.current_window_handle
        driver.delete_all_cookies()
        driver.switch_to.new_window("tab")
        driver.get(f"{url}/?token={TOKEN}")
        stored = "return localStorage.getItem('polewright.key')"
        new = driver.execute_script(stored)
        driver.switch_to.window(first)
        while driver.execute_script(stored) != new:  # tabs tell each other in their own time
            time.sleep(0.05)

        status = driver.execute_async_script(
            "const done = arguments[0]; import('/link.js').then(({tell}) =>"
            " tell('/api/stop')).then(() => done(200), (problem) => done(problem.status))"
        )

    assert status == 200


def test_a_service_that_starts_again_with_its_token_locks_nobody_out(serve) -> None:
    """A phone that was let in before a crash presses STOP after it."""
    first = serve(TOKEN)
    with requests.Session() as phone:
        _, key = opened(first.url.rstrip("/"), phone)
        value = next(iter(phone.cookies.values()))
    again = serve(TOKEN)  # another process would have the same port

    answer = requests.post(
        f"{again.url}api/stop?key={key}",
        headers={"Cookie": f"{cookie_name(f'x:{again.port}')}={value}"},
        timeout=300,
    )

    assert answer.status_code == 200


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("pier:8787", "polewright_8787"),
        ("pier", "polewright_80"),
        ("[::1]:9", "polewright_9"),
        ("[::1]", "polewright_80"),
        ("pier:8 7", "polewright_80"),
    ],
)
def test_a_cookie_is_named_after_the_port(host, name) -> None:
    assert cookie_name(host) == name


def test_a_restart_keeps_the_nights_token_and_tells_it_to_its_owner_alone(tmp_path) -> None:
    """Each port has its own; --new-token makes another; a free port keeps none."""
    first = night_token(8787, folder=tmp_path)

    assert night_token(8787, folder=tmp_path).token == first.token
    assert night_token(8788, folder=tmp_path).token != first.token
    assert stat.S_IMODE((tmp_path / "token-8787").stat().st_mode) == 0o600
    fresh = night_token(8787, new=True, folder=tmp_path)
    assert fresh.token != first.token
    assert night_token(8787, folder=tmp_path).token == fresh.token
    assert night_token(0, folder=tmp_path).path is None
    assert {path.name for path in tmp_path.iterdir()} == {"token-8787", "token-8788"}


def test_a_token_is_forgotten_after_a_day_but_not_by_a_service_that_crashed(tmp_path) -> None:
    """One that ran for days and was gone for a minute comes back with it."""
    token, path = night_token(8787, folder=tmp_path).token, tmp_path / "token-8787"
    now_s = time.time()
    path.write_text(f"{token}\n{now_s - 3 * KEPT_S:.0f}\n")
    night = NightToken(token, path)
    night.in_use()
    assert night_token(8787, folder=tmp_path).token == token

    os.utime(path, (now_s - 3600.0, now_s - 3600.0))
    second = night_token(8787, folder=tmp_path).token
    assert second != token

    os.utime(path, (now_s - KEPT_S - 60.0, now_s - KEPT_S - 60.0))
    assert night_token(8787, folder=tmp_path).token != second


@pytest.mark.skipif(os.name != "posix", reason="modes and links of POSIX")
@pytest.mark.parametrize("spoil", ["mode", "link", "text", "short", "folder"])
def test_a_file_that_others_may_have_written_is_not_believed(tmp_path, spoil) -> None:
    """A wrong mode, a link, what is no token: a new one is made, and nothing breaks."""
    path = tmp_path / "token-8787"
    token = night_token(8787, folder=tmp_path).token
    if spoil == "mode":
        path.chmod(0o644)
    elif spoil == "link":
        path.rename(tmp_path / "elsewhere")
        path.symlink_to(tmp_path / "elsewhere")
    elif spoil == "folder":
        path.unlink()
        path.mkdir()
    else:
        path.write_text("\x00" if spoil == "text" else "short\n1\n")

    found = night_token(8787, folder=tmp_path)

    assert found.token != token
    assert len(found.token) >= 32


def test_the_token_is_never_logged(serve, caplog, capfd) -> None:
    """Not by us, not by the server, whether it was right, wrong, or the request broken."""
    caplog.set_level(logging.DEBUG)
    service = serve(TOKEN)
    url = service.url.rstrip("/")

    requests.get(f"{url}/?token={TOKEN}", timeout=300)
    requests.get(f"{url}/api/session?token={TOKEN}", timeout=300)
    requests.post(
        f"{url}/api/session",
        json={"config": {"x": 1}},
        headers={"Authorization": f"Bearer {TOKEN}"},
        timeout=300,
    )
    ask(service, "BREW", f"/{TOKEN}")

    out, err = capfd.readouterr()
    own = [r.getMessage() for r in caplog.records if not r.name.startswith("urllib3")]
    assert TOKEN not in out + err + "".join(own)


def test_a_service_that_others_reach_always_has_a_token() -> None:
    """There is no way to build one without; and tokens are long and not the same."""
    with pytest.raises(ValueError, match="token"):
        Gate(lambda *_: None, token=None, on_lan=True)  # type: ignore[arg-type]

    tokens = {new_token() for _ in range(20)}
    assert len(tokens) == 20
    assert min(len(token) for token in tokens) >= 32


def test_a_session_that_fails_is_told_and_another_may_start(serve) -> None:
    """Nothing listens where the mount should be: the snapshot says so and how to go on."""
    service = serve()
    url = service.url.rstrip("/")

    for _ in range(2):
        started = requests.post(f"{url}/api/session", json={}, timeout=300)
        assert started.status_code == 201, started.text
        deadline = time.monotonic() + 300.0
        while (now := requests.get(f"{url}/api/session", timeout=300).json())["step"] != "failed":
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert now["failure"]["message"]
        while requests.get(f"{url}/api/health", timeout=300).json()["running"]:
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
        answer = requests.post(f"{url}/api/session", json={"by": "Eve\x1b[2J\nroot"}, timeout=300)

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
