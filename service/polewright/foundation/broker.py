"""The address of a message broker: ``mqtt://user@host:port/topic``, ``mqtts://`` for TLS."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, unquote, urlsplit

from polewright.foundation.language import say

USUAL_TOPIC = "polewright/alignment"
USUAL_PORTS = {"mqtt": 1883, "mqtts": 8883}
MOST_TOPIC_LETTERS = 200


@dataclass(frozen=True)
class Broker:
    """Where a retained message goes."""

    host: str
    port: int
    topic: str = USUAL_TOPIC
    username: str | None = None
    tls: bool = False

    @classmethod
    def from_url(cls, url: str) -> Broker:
        """Take an address apart.

        Raises:
            ValueError: it is none, has a password, or its topic cannot be published to.
        """
        parts = urlsplit(url)
        if parts.scheme not in USUAL_PORTS or not parts.hostname:
            raise ValueError(say("write mqtt://host/topic, or mqtts://host/topic for TLS"))
        if parts.password is not None:
            raise ValueError(
                say("a password is never read from a file: set POLEWRIGHT_MQTT_PASSWORD")
            )
        topic = unquote(parts.path.removeprefix("/")) or USUAL_TOPIC
        wild = parts.query or parts.fragment or url.endswith(("#", "?")) or set(topic) & set("#+\0")
        if wild or len(topic) > MOST_TOPIC_LETTERS:
            raise ValueError(
                say("a topic has at most 200 letters, and neither #, + nor ? (as for a subscriber)")
            )
        username = None if parts.username is None else unquote(parts.username)
        port = parts.port or USUAL_PORTS[parts.scheme]
        return cls(parts.hostname, port, topic, username, parts.scheme == "mqtts")


def url_of_old_keys(host: Any, table: Mapping[str, Any]) -> str:
    """Return the address that the keys mqtt_host, mqtt_port and so on of earlier versions make."""
    user = table.get("mqtt_username")
    return "".join(
        (
            "mqtts://" if table.get("mqtt_tls") else "mqtt://",
            "" if user is None else f"{quote(str(user), safe='')}@",
            f"[{host}]" if ":" in str(host) else str(host),
            f":{table.get('mqtt_port', USUAL_PORTS['mqtt'])}/",
            quote(str(table.get("mqtt_topic", USUAL_TOPIC))),
        )
    )
