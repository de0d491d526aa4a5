"""Install Polewright, start the simulated rig and align it, with a scripted hand at its knobs.

``python3 demo/run.py`` is enough on a fresh machine with Python 3.11 or newer. With ``--page`` the
session is shown in a browser.
"""

from __future__ import annotations

import os
import subprocess
import sys

import environment


def main() -> int:
    python = str(environment.prepare(()))
    command = [python, str(environment.ROOT / "demo" / "alignment.py"), *sys.argv[1:]]
    os.chdir(environment.ROOT)
    if os.name != "nt":
        # In this process's place: whoever ends it, by Ctrl-C or otherwise, ends what it started.
        os.execv(python, command)
    process = subprocess.Popen(command)
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # the terminal told it, too: wait until it has ended what it started


if __name__ == "__main__":
    raise SystemExit(main())
