"""Tells systemd that the service is ready, alive, and what it does: its datagram of plain text.

The protocol is that of sd_notify(3): ``KEY=value`` lines to the socket that NOTIFY_SOCKET names,
where a leading ``@`` stands for the abstract name space. Elsewhere nothing happens.
"""

from __future__ import annotations

import contextlib
import os
import socket


def tell_manager(**values: str | int) -> bool:
    """Send ``READY=1``, ``STATUS=...``, ``WATCHDOG=1`` or the like; return whether it was sent."""
    name = os.environ.get("NOTIFY_SOCKET", "")
    if not name.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
        return False
    address = "\0" + name[1:] if name.startswith("@") else name
    text = "\n".join(f"{key}={str(value).splitlines()[0]}" for key, value in values.items())
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.sendto(text.encode(), address)
        return True
    return False


def watchdog_every_s() -> float | None:
    """How often ``WATCHDOG=1`` is due (half the limit, as sd_watchdog_enabled(3) advises)."""
    limit_us, owner = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not limit_us.isdigit() or int(limit_us) == 0 or owner not in ("", str(os.getpid())):
        return None
    return int(limit_us) / 2e6
