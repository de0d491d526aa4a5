"""The command line."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the ``polewright`` command."""
    for stream in (sys.stdout, sys.stderr):
        # A log file or a Windows console with an old code page must not end a run at a "°".
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    from polewright.cli.app import build_app
    from polewright.cli.streams import endure

    endure()
    build_app()()
