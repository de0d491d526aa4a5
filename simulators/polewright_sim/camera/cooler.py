"""A sensor that is cooled at an even pace (invented numbers)."""

from __future__ import annotations

_PACE_C_PER_S = 0.3
_STRONGEST_C = 35.0


class Cooler:
    """Temperatures in degrees Celsius, time in Unix seconds."""

    def __init__(self, ambient_c: float, utc_s: float) -> None:
        self.ambient_c = ambient_c
        self.on = False
        self.target_c = ambient_c
        self._since_s = utc_s
        self._from_c = ambient_c

    @property
    def _goal_c(self) -> float:
        return max(self.target_c, self.ambient_c - _STRONGEST_C) if self.on else self.ambient_c

    def temperature_c(self, utc_s: float) -> float:
        """Sensor temperature."""
        reach = _PACE_C_PER_S * max(0.0, utc_s - self._since_s)
        gap = self._goal_c - self._from_c
        return self._from_c + max(-reach, min(reach, gap))

    def power_percent(self, utc_s: float) -> float:
        """How hard the cooler works."""
        if not self.on:
            return 0.0
        depth = (self.ambient_c - self.temperature_c(utc_s)) / _STRONGEST_C
        return 100.0 * max(0.0, min(1.0, depth))

    def set(self, utc_s: float, *, on: bool | None = None, target_c: float | None = None) -> None:
        """Change the switch or the target from now on."""
        self._from_c = self.temperature_c(utc_s)
        self._since_s = utc_s
        if on is not None:
            self.on = on
        if target_c is not None:
            self.target_c = target_c
