"""Make the project's virtual environment with nothing but the standard library.

Used by ``demo/run.py`` and ``tests/run.py``. The second call finds a stamp and takes no time.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)


def say(text: str) -> None:
    print(f"[polewright] {text}", flush=True)


def python_of(folder: Path) -> Path:
    """Return the interpreter inside a virtual environment, on any system."""
    if os.name == "nt":
        return folder / "Scripts" / "python.exe"
    return folder / "bin" / "python"


def prepare(extras: tuple[str, ...]) -> Path:
    """Make or reuse ``.venv`` with this project and ``extras`` installed; return its Python.

    Extras add up: asking for fewer than are there installs nothing.
    """
    if sys.version_info < OLDEST:
        raise SystemExit(
            f"Python {OLDEST[0]}.{OLDEST[1]} or newer is needed; this is {sys.version.split()[0]}. "
            "Install a newer Python and call this script with it."
        )
    folder = ROOT / ".venv"
    python = python_of(folder)
    stamp = folder / "polewright-installed.txt"
    fingerprint = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    have: set[str] = set()
    if stamp.exists() and python.exists():
        lines = stamp.read_text(encoding="utf-8").split("\n")
        if lines[0] == f"{fingerprint} {ROOT}":
            have = set(lines[1].split())
            if set(extras) <= have:
                say(f"using {folder}")
                return python
    if not python.exists():
        say(f"making {folder}")
        venv.EnvBuilder(with_pip=True).create(folder)
    wanted = sorted(have | set(extras))
    target = f"{ROOT}[{','.join(wanted)}]" if wanted else str(ROOT)
    say("installing the project and what it needs (about a minute the first time)")
    started = time.monotonic()
    done = subprocess.run(
        [
            str(python),
            *("-m", "pip", "install", "--quiet", "--disable-pip-version-check"),
            *("--editable", target),
        ],
        check=False,
    )
    if done.returncode != 0:
        raise SystemExit(
            "Installing failed (see pip's message above). A connection to a Python package index "
            "is needed the first time; then call this script again."
        )
    stamp.write_text(f"{fingerprint} {ROOT}\n{' '.join(['base', *wanted])}\n", encoding="utf-8")
    say(f"installed in {time.monotonic() - started:.0f} s")
    return python
