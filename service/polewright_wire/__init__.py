"""The device side of the Alpaca protocol: strict rules, served over HTTP.

Write a class derived from `Device` with ``get_<member>`` and ``put_<member>`` methods, give
instances of it to `AlpacaServer` and start that.
"""

from polewright_wire.device import Device, utc_text
from polewright_wire.discovery import DISCOVERY_PORT, DiscoveryResponder
from polewright_wire.image_payload import ImagePayload, to_wire_order
from polewright_wire.reply import Call, Interceptor, Reply
from polewright_wire.server import AlpacaServer, RunningServer, ServerDescription

__all__ = [
    "DISCOVERY_PORT",
    "AlpacaServer",
    "Call",
    "Device",
    "DiscoveryResponder",
    "ImagePayload",
    "Interceptor",
    "Reply",
    "RunningServer",
    "ServerDescription",
    "to_wire_order",
    "utc_text",
]
