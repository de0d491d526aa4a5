"""Install Polewright, start the simulated rig and run a whole alignment measurement.

``python3 demo/run.py`` is enough on a fresh machine with Python 3.11 or newer.
"""

from __future__ import annotations

import subprocess

import environment


def main() -> int:
    python = environment.prepare(())
    environment.say("starting the demonstration")
    script = environment.ROOT / "demo" / "alignment.py"
    return subprocess.run([str(python), str(script)], cwd=environment.ROOT, check=False).returncode


if __name__ == "__main__":
    raise SystemExit(main())
