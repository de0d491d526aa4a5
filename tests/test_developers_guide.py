"""DEVELOPERS.md names files that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FLOORS = ROOT / "service" / "polewright"


def named_files() -> list[str]:
    """Return what stands in backticks and looks like a file or folder of the repository."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    words = [word.split(":")[0] for word in re.findall(r"`([^`\s]+)`", text)]
    return [word for word in words if re.search(r"(/|\.py|\.npz|\.tsv)$", word) and "<" not in word]


def test_every_file_that_the_guide_names_exists() -> None:
    """A path is from the top, from the floors, or a name that only one file or folder has."""
    words = named_files()
    lost = []
    for word in words:
        plain = word.rstrip("/")
        if (ROOT / plain).exists() or (FLOORS / plain).exists():
            continue
        if "/" in plain or not [*FLOORS.rglob(plain), *(ROOT / "simulators").rglob(plain)]:
            lost.append(word)

    assert len(words) > 60
    assert not lost
