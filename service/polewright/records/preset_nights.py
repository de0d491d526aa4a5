"""The file of past nights that presets learn from."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path

import platformdirs

from polewright.calculation.preset.errors import NightsUnreadable, PresetNotUsable
from polewright.calculation.preset.nights import PresetNight

FILE = "preset-nights.jsonl"


class NightFile:
    """Nights as lines of JSON, appended to; whole lines are never rewritten."""

    def __init__(self, path: Path | None = None) -> None:
        """Use ``path``, or the file in the user's data folder."""
        self.path = path or Path(platformdirs.user_data_dir("polewright")) / FILE

    def nights(self) -> list[PresetNight]:
        """All nights, oldest first; none when there is no file yet.

        Raises:
            NightsUnreadable: a line is wrong; says which.
        """
        try:
            text = self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return []
        except (OSError, UnicodeDecodeError) as exc:
            raise NightsUnreadable(str(self.path), None, str(exc)) from exc
        lines = text.split("\n")
        out = []
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                out.append(PresetNight(**json.loads(line)))
            except (ValueError, TypeError, PresetNotUsable) as exc:
                if number == len(lines):  # without its line end: torn by a power cut
                    continue
                raise NightsUnreadable(str(self.path), number, str(exc)) from exc
        return sorted(out, key=lambda night: night.utc_s)

    def add(self, night: PresetNight) -> None:
        """Append a night.

        Raises:
            NightsUnreadable: the file cannot be written.
        """
        line = json.dumps(dataclasses.asdict(night)) + "\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if self.path.exists():
                _drop_torn_end(self.path)
            with self.path.open("a", encoding="utf-8") as file:
                file.write(line)
                file.flush()
                os.fsync(file.fileno())
        except OSError as exc:
            raise NightsUnreadable(str(self.path), None, str(exc)) from exc


def _drop_torn_end(path: Path) -> None:
    """Cut off a last line that a power cut left without its end; reading ignores it anyway."""
    data = path.read_bytes()
    if data and not data.endswith(b"\n"):
        with path.open("r+b") as file:
            file.truncate(data.rfind(b"\n") + 1)
