"""What can go wrong with publishing."""

from __future__ import annotations

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class CannotPublish(ConfigError):
    """The published devices cannot listen where they were told to."""

    code = "cannot_publish"
    advice = say("Choose another --alpaca-port, or end the program that uses this one.")

    def __init__(self, host: str, port: int, reason: str) -> None:
        super().__init__(host, port, reason)
        self.host, self.port, self.reason = host, port, reason

    def __str__(self) -> str:
        return say(
            "the Alpaca devices cannot be published on {host}:{port}: {reason}",
            host=self.host,
            port=self.port,
            reason=self.reason,
        )
