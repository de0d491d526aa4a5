"""A session as the terminal steers it: run by this program, or by a service elsewhere."""

from __future__ import annotations

import time
from typing import Any, Protocol
from urllib.parse import parse_qs, urlsplit

import requests
from pydantic import ValidationError

from polewright.foundation.errors import DeviceError, PolewrightError
from polewright.foundation.language import say
from polewright.session.session import AlignSession, Command
from polewright.session.snapshot import SessionSnapshot


class Desk(Protocol):
    """What a terminal needs of a session. Commands raise a `PolewrightError` that is only told."""

    @property
    def ending(self) -> bool:
        """Whether the session was asked to end, by whatever way."""

    def look(self, version: int, timeout_s: float) -> SessionSnapshot:
        """Return the snapshot once it is newer than ``version``, or after ``timeout_s``."""

    def command(self, command: Command, **details: Any) -> None:
        """Ask for something."""

    def stop(self) -> None:
        """End the session."""


class LocalDesk:
    """A session of this process."""

    def __init__(self, session: AlignSession) -> None:
        self._session = session

    @property
    def ending(self) -> bool:
        """Whether the session was asked to end: by a key, or by a signal."""
        return self._session.cancel.cancelled

    def look(self, version: int, timeout_s: float) -> SessionSnapshot:
        """Return the snapshot once it is newer than ``version``, or after ``timeout_s``."""
        return self._session.wait_for_change(version, timeout_s)

    def command(self, command: Command, **details: Any) -> None:
        """Ask for something. Raises `NotNow`."""
        self._session.command(command, **details)

    def stop(self) -> None:
        """End the session."""
        self._session.stop(say("stopped by the user"))


class ServiceUnreachable(DeviceError):
    """The service that runs the session does not answer."""

    code = "service_unreachable"
    advice = say(
        "Start `polewright serve` there, or give the link that it printed. A session that runs "
        "there goes on by itself; its page and its STOP still work."
    )

    def __init__(self, url: str, reason: str) -> None:
        super().__init__(url, reason)
        self.url, self.reason = url, reason

    def __str__(self) -> str:
        return say(
            "the service at {url} cannot be used: {reason}", url=self.url, reason=self.reason
        )


class ServiceRefused(PolewrightError):
    """The service answered with a refusal."""

    def __init__(self, code: str, message: str, advice: str) -> None:
        super().__init__(code, message, advice)
        self.code, self.message, self.advice = code, message, advice

    def __str__(self) -> str:
        return self.message


def _why(error: requests.RequestException) -> str:
    """Say in words why no answer came."""
    if isinstance(error, requests.Timeout):
        return say("it does not answer")
    if isinstance(error, requests.ConnectionError):
        return say("no service listens there")
    return say("the link is no address of a service")


class RemoteDesk:
    """A session of a service, over its API.

    Args:
        link: the service's link, with or without ``?token=``.
        token: the service's token, if the link does not hold it.
    """

    ending = False
    """Others may have asked for it; its own page tells."""
    POLL_S = 0.3
    TIMEOUT_S = 10.0

    def __init__(self, link: str, token: str | None = None) -> None:
        parts = urlsplit(link if "//" in link else f"http://{link}")
        given = parse_qs(parts.query).get("token", [None])[0]
        self.url = f"{parts.scheme}://{parts.netloc}"
        self._http = requests.Session()
        if token or given:
            self._http.headers["Authorization"] = f"Bearer {token or given}"

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        try:
            answer = self._http.request(
                method, f"{self.url}/api/{path}", json=body, timeout=self.TIMEOUT_S
            )
            document = answer.json()
        except requests.RequestException as exc:
            raise ServiceUnreachable(self.url, _why(exc)) from exc
        except ValueError as exc:
            reason = say("what answers there is no Polewright")
            raise ServiceUnreachable(self.url, reason) from exc
        if not answer.ok:
            if not isinstance(document, dict) or "message" not in document:
                raise ServiceUnreachable(
                    self.url, say("HTTP status {status_code}", status_code=answer.status_code)
                )
            raise ServiceRefused(
                str(document.get("code", "refused")),
                str(document["message"]),
                str(document.get("advice", "")),
            )
        return document

    def look(self, version: int, timeout_s: float) -> SessionSnapshot:
        """Return the snapshot once it is newer than ``version``, or after ``timeout_s``.

        Raises:
            ServiceUnreachable: no answer, or not one of this program's version.
            ServiceRefused: the token is wrong.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            try:
                now = SessionSnapshot.model_validate(self._ask("GET", "session"))
            except ValidationError as exc:
                reason = say("its answer cannot be read; is it another version?")
                raise ServiceUnreachable(self.url, reason) from exc
            left_s = deadline - time.monotonic()
            if now.version > version or left_s <= 0.0:
                return now
            time.sleep(min(self.POLL_S, left_s))

    def command(self, command: Command, **details: Any) -> None:
        """Ask for something. Raises as `look`, or `ServiceRefused` when it does not fit."""
        body = None
        if command is Command.TURNS:
            body = {"axis": details["axis"], "turns": details["turns"]}
        self._ask("POST", f"session/{command.value}", body)

    def stop(self) -> None:
        """Stop the mount there at once, and end the session; whether it stands the snapshot tells.

        Raises:
            ServiceUnreachable: the service does not answer.
            ServiceRefused: the token is wrong.
        """
        self._ask("POST", "stop", {})
