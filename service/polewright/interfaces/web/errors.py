"""What can be wrong with a request to the service."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError, PolewrightError
from polewright.foundation.language import joined, say


class SessionBusy(PolewrightError):
    """A session is running; there is one mount and so one session."""

    code = "session_busy"
    advice = say(
        "Open the page to watch and steer that session, or stop it before starting another."
    )

    def __init__(self, started_utc: str, by: str) -> None:
        super().__init__(started_utc, by)
        self.started_utc, self.by = started_utc, by

    def __str__(self) -> str:
        return say(
            "a session is already running, started {started_utc} by {by}",
            started_utc=self.started_utc,
            by=self.by,
        )


class NoSession(PolewrightError):
    """Nothing is running that could be asked for something."""

    code = "no_session"
    advice = say("Start a session first.")

    def __str__(self) -> str:
        return say("no session is running")


class NothingToShow(PolewrightError):
    """There is no frame or chart yet."""

    code = "nothing_to_show"
    advice = say("Wait for the first exposure (frame) or for the sweep's plan (chart).")

    def __init__(self, what: str) -> None:
        super().__init__(what)
        self.what = what

    def __str__(self) -> str:
        return say("there is no {thing_asked} yet", thing_asked=self.what)


class SettingNotAllowed(ConfigError):
    """A key that only the owner of the computer may set."""

    code = "setting_not_allowed"
    advice = say("Put it into the configuration file that `polewright serve --config` reads.")

    def __init__(self, key: str, allowed: tuple[str, ...]) -> None:
        super().__init__(key, allowed)
        self.key, self.allowed = key, allowed

    def __str__(self) -> str:
        return say(
            "`{key}` cannot be set through the service; these can: {allowed}",
            key=self.key,
            allowed=joined(", ", self.allowed),
        )


class LanNotAsked(ConfigError):
    """An address that others can reach was given without saying that this is meant."""

    code = "lan_not_asked"
    advice = say("Add --lan if other devices should reach the service; it then asks for a token.")

    def __init__(self, host: str) -> None:
        super().__init__(host)
        self.host = host

    def __str__(self) -> str:
        return say("{host} can be reached by other computers", host=self.host)


class CannotListen(ConfigError):
    """The address or port cannot be used."""

    code = "cannot_listen"
    advice = say("Choose another --port (0 takes a free one) or --host.")

    def __init__(self, host: str, port: int, reason: str) -> None:
        super().__init__(host, port, reason)
        self.host, self.port, self.reason = host, port, reason

    def __str__(self) -> str:
        return say(
            "cannot listen on {host} port {port}: {reason}",
            host=self.host,
            port=self.port,
            reason=self.reason,
        )


class TooManyPages(PolewrightError):
    """More pages follow the session than the service serves."""

    code = "too_many_pages"
    advice = say("Close some of the open pages.")

    def __init__(self, most: int) -> None:
        super().__init__(most)
        self.most = most

    def __str__(self) -> str:
        return say("{most} pages already follow the session", most=self.most)
