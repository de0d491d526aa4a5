"""The gate in front of the service: who may ask, from which page, and how much.

A page on the internet can make a browser send requests to this computer. Three checks stop it:
the Host header must be a name of this service (against rebinding a foreign name to a local
address), a request that changes something must come from our own page or from a program
(Origin, Sec-Fetch-Site), and nothing is ever allowed cross-origin (no CORS headers at all).

The link opens the page for one browser, which gets two halves of a secret of its own: a cookie,
and a key that the page keeps. Browsers send cookies to every port of a computer, so another
service there may see the first half; the second is for this port's pages only. Both follow from
the token, so that a restart with the same token locks nobody out.
"""

from __future__ import annotations

import hmac
import json
import re
import secrets
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from polewright.foundation.language import accepted, say
from polewright.interfaces.own_host import host_allowed, host_names
from polewright.interfaces.page_frame import page_policy
from polewright.interfaces.web.problem_page import problem_page, wants_page

MOST_BYTES = 64 * 1024
OPEN_TO_ALL = frozenset(
    ("/api/health", "/handbook", "/handbook.css", "/theme.js", "/page.css", "/icon.svg")
)
_LENGTH = re.compile(r"[0-9]{1,10}", re.ASCII)
COOKIE_AGE_S = 14 * 3600
"""A long winter night."""

HEADERS = {
    "Content-Security-Policy": page_policy(),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), screen-wake-lock=(self)",
}


def cookie_name(host: str) -> str:
    """Return the cookie's name for a Host header: one for each port, for browsers share them."""
    port = host.rpartition(":")[2] if not host.endswith("]") else ""
    return f"polewright_{port if port.isdecimal() and port.isascii() else 80}"


class _Refused(Exception):
    def __init__(self, status: int, code: str, message: str, advice: str) -> None:
        super().__init__(message)
        self.status, self.code, self.message, self.advice = status, code, message, advice


class Gate:
    """ASGI middleware: checks every request, and puts the security headers on every answer."""

    def __init__(
        self, app: ASGIApp, *, token: str | None, on_lan: bool, speaks: str | None = None
    ) -> None:
        """Put a gate before an application; its pages speak ``speaks``, or as each browser asks."""
        if on_lan and not token:
            raise ValueError("a service that others can reach needs a token")
        self.app, self.token, self.on_lan, self.speaks = app, token, on_lan, speaks
        self.names = host_names(on_lan)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    if name not in out:
                        out[name] = value
                out.setdefault("Cache-Control", "no-store")
            await send(message)

        try:
            self._check_host(headers)
            self._check_origin(scope["method"], headers)
            opened = self._check_token(scope, headers)
            if opened is None:
                _prove(scope)
                receive = await self._whole_body(headers, receive)
        except _Refused as refused:
            await self._answer(refused, headers)(scope, receive, guarded)
            return
        if opened is not None:
            await opened(scope, receive, guarded)
            return
        await self.app(scope, receive, guarded)

    def _answer(self, refused: _Refused, headers: Headers) -> Response:
        more = {"WWW-Authenticate": "Bearer"} if refused.status == 401 else {}
        if refused.status == 413:
            more["Connection"] = "close"
        if wants_page(headers):
            reader = self.speaks or accepted(headers.get("accept-language", ""))
            page = problem_page(headers, refused.status, refused.message, refused.advice, reader)
            page.headers.update(more)
            return page
        document = {"code": refused.code, "message": refused.message, "advice": refused.advice}
        return Response(
            json.dumps(document),
            status_code=refused.status,
            media_type="application/json",
            headers=more,
        )

    def _check_host(self, headers: Headers) -> None:
        host = headers.get("host", "")
        if not host_allowed(host, self.names, self.on_lan):
            raise _Refused(
                421,
                "foreign_host",
                say("this service is not called {host!r}", host=host),
                say("Use the address that the terminal showed."),
            )

    def _check_origin(self, method: str, headers: Headers) -> None:
        if method in ("GET", "HEAD"):
            return
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        host = headers.get("host", "")
        foreign = origin is not None and origin not in (f"http://{host}", f"https://{host}")
        if foreign or site in ("cross-site", "same-site"):
            raise _Refused(
                403,
                "foreign_origin",
                say("this request comes from another site's page"),
                say("Use this service's own page, or a program that sends no Origin header."),
            )

    def _check_token(self, scope: Scope, headers: Headers) -> Response | None:
        """Return an answer when the link with the token was opened; raise when none was given."""
        if self.token is None or _open_to_all(scope["path"]):
            return None
        if scope["path"] == "/" and scope["query_string"]:
            query = parse_qs(scope["query_string"].decode("latin-1"))
            if self._right(query.get("token", [""])[0]):
                return self._opened(headers)
        scheme, _, given = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and self._right(given.strip()):
            return None
        client = self._client(headers)
        if client is not None and (not _shows_rig(scope["path"]) or self._has_key(scope, client)):
            return None
        raise _Refused(
            401,
            "token_missing",
            say("this page is locked: it needs the token of tonight"),
            say(
                "Open the link, or scan the code, that the terminal showed when the service was "
                "started; start it again where that is lost: it shows the same link. A program "
                "sends the token as Authorization: Bearer."
            ),
        )

    def _right(self, given: str) -> bool:
        return self.token is not None and secrets.compare_digest(
            given.encode("utf-8", "replace"), self.token.encode()
        )

    def _opened(self, headers: Headers) -> Response:
        """Give a browser its halves, at an address that does not show the token.

        One that has them keeps them: its other tabs go on with the same key.
        """
        client = self._client(headers) or secrets.token_urlsafe(12)
        response = Response(
            status_code=303, headers={"Location": f"/#key={self._half('key', client)}"}
        )
        response.set_cookie(
            cookie_name(headers.get("host", "")),
            f"{client}.{self._half('cookie', client)}",
            max_age=COOKIE_AGE_S,
            httponly=True,
            samesite="lax",
            path="/",
        )
        return response

    def _half(self, which: str, client: str) -> str:
        token = (self.token or "").encode()
        return hmac.new(token, f"{which} {client}".encode(), "sha256").hexdigest()

    def _client(self, headers: Headers) -> str | None:
        """Return the browser that a cookie of ours names."""
        name = cookie_name(headers.get("host", ""))
        # By hand: a cookie of another service of this computer may have any form.
        pairs = (part.strip().partition("=") for part in headers.get("cookie", "").split(";"))
        client, _, half = next((value for key, _, value in pairs if key == name), "").partition(".")
        good = hmac.compare_digest(
            half.encode("utf-8", "replace"), self._half("cookie", client).encode()
        )
        return client if client and good else None

    def _has_key(self, scope: Scope, client: str) -> bool:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        return hmac.compare_digest(
            given.encode("utf-8", "replace"), self._half("key", client).encode()
        )

    async def _whole_body(self, headers: Headers, receive: Receive) -> Receive:
        """Read the body up to the limit, and hand it on in one piece."""
        told = headers.get("content-length", "0")
        if not _LENGTH.fullmatch(told) or int(told) > MOST_BYTES:
            raise _too_large()
        if told == "0" and "transfer-encoding" not in headers:
            return receive
        body = b""
        more = True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                break
            body += message.get("body", b"")
            more = message.get("more_body", False)
            if len(body) > MOST_BYTES:
                raise _too_large()
        handed = False

        async def replay() -> Message:
            nonlocal handed
            if not handed:
                handed = True
                return {"type": "http.request", "body": body, "more_body": False}
            return await receive()

        return replay


def _prove(scope: Scope) -> None:
    """Give the connection of a request that may come in its place beside strangers'."""
    connection = scope.get("state", {}).get("connection")
    path = scope["path"]
    if connection is not None and _shows_rig(path) and not _open_to_all(path):
        connection.prove()


def _shows_rig(path: str) -> bool:
    """Whether a path tells of the rig or steers it: there a cookie alone is not enough."""
    return path.startswith(("/api", "/metrics"))


def _open_to_all(path: str) -> bool:
    """Whether a path shows nothing of this rig: a sign of life, and the handbook with its look."""
    return path in OPEN_TO_ALL or path.startswith("/handbook/")


def _too_large() -> _Refused:
    return _Refused(
        413,
        "too_large",
        say("a request may have at most {most_bytes} bytes", most_bytes=MOST_BYTES),
        say("Send only the settings that differ from the configuration."),
    )
