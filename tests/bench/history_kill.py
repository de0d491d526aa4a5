"""Kill a process that writes runs into the history, 100 times: ``python history_kill.py [times]``.

Prints how many runs were finished and how many of those are there afterwards.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from history.test_history_store import kill_while_writing, surviving


def main() -> int:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite3"
        url = f"sqlite:///{path}"
        began = time.monotonic()
        done = kill_while_writing(url, times, seed=1)
        there = surviving(url, path)
        print(
            f"{times} kills in {time.monotonic() - began:.0f} s: {len(done)} runs finished, "
            f"{len(done - there)} of them lost; {len(there - done)} more were written whole "
            "before they could be told"
        )
    return 1 if done - there else 0


if __name__ == "__main__":
    raise SystemExit(main())
