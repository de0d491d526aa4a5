"""What is kept of a night for the next one's presets, and where."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from polewright.calculation.preset.errors import NightsUnreadable, PresetNotUsable

FILE = "preset-nights.jsonl"


@dataclass(frozen=True)
class PresetNight:
    """One finished night: what was read off with the adjusters as stated. Angles in degrees."""

    utc_s: float
    latitude_deg: float
    longitude_deg: float
    magnetic_declination_deg: float
    """At that place and time."""
    bearing_deg: float | None = None
    """Compass reading along the bare base, towards the pole, azimuth adjuster centred."""
    base_turn_deg: float = 0.0
    """Turn of the base by the azimuth adjuster away from its centre when the axis was on the pole;
    positive towards the east in both hemispheres. ``bearing_deg`` is that of the CENTRED base."""
    altitude_scale_deg: float | None = None
    """What the altitude scale read with the axis on the pole."""
    rig: str = ""

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("latitude", self.latitude_deg, -90.0, 90.0),
            ("magnetic declination", self.magnetic_declination_deg, -180.0, 180.0),
            ("bearing", self.bearing_deg, 0.0, 360.0),
            ("base turn", self.base_turn_deg, -30.0, 30.0),
            ("altitude scale", self.altitude_scale_deg, -5.0, 95.0),
        ):
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                raise PresetNotUsable(name, value, f"between {low:g} and {high:g}")


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


def of_rig(nights: Iterable[PresetNight], rig: str) -> list[PresetNight]:
    """Nights of one rig; an empty name takes all."""
    return [night for night in nights if not rig or night.rig == rig]
