"""The links under which other devices find the page, and their picture for a phone's camera."""

from __future__ import annotations

import io
import ipaddress

import ifaddr
import segno


def lan_addresses() -> list[str]:
    """Return this computer's own IPv4 addresses that others can reach, private ones first."""
    found: list[ipaddress.IPv4Address] = []
    for adapter in ifaddr.get_adapters():
        for item in adapter.ips:
            if not item.is_IPv4:
                continue
            address = ipaddress.IPv4Address(str(item.ip))
            if not (address.is_loopback or address.is_link_local or address in found):
                found.append(address)
    return [str(address) for address in sorted(found, key=lambda one: not one.is_private)]


def link(host: str, port: int, token: str | None) -> str:
    """Return the page's link; it opens the page when it carries the token."""
    shown = f"[{host}]" if ":" in host else host
    query = f"?token={token}" if token else ""
    return f"http://{shown}:{port}/{query}"


def qr_text(text: str) -> str:
    """Return a QR code made of block characters, for a terminal."""
    out = io.StringIO()
    segno.make(text, error="m").terminal(out=out, compact=True, border=2)
    return out.getvalue()
