"""A solver program that fails: for the command solver's template, in rehearsals and tests.

``python -m polewright_sim.bad_solver crash | hang | garbage OUTPUT``
"""

from __future__ import annotations

import sys
import time
from pathlib import Path


def main(arguments: list[str]) -> int:
    """Fail as told; return the exit code."""
    how = arguments[0] if arguments else ""
    if how == "crash":
        sys.stderr.write("terminate called after throwing an instance of 'std::bad_alloc'\n")
        return 134
    if how == "hang":
        time.sleep(3600.0)
        return 0
    if how == "garbage" and len(arguments) > 1:
        Path(arguments[1]).write_bytes(b"SIMPLE  = maybe" + bytes(range(256)) * 20)
        return 0
    sys.stderr.write(f"{__doc__}\n")
    return 2


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
