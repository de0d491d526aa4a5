"""The command line."""

from __future__ import annotations

import signal
import sys


def main() -> None:
    """Run the ``polewright`` command."""
    for stream in (sys.stdout, sys.stderr):
        # A log file or a Windows console with an old code page must not end a run at a "°".
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    if sys.platform != "win32":
        # Where whoever started it ignores the end of children, nobody learns how commands end.
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    from polewright.interfaces.cli.app import build_app
    from polewright.interfaces.cli.streams import endure

    endure()
    build_app()()
