"""A weather station: the air's temperature, pressure and humidity."""

from __future__ import annotations

from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.models import FLOAT


class ObservingConditions(Device):
    """A weather station of interface version 1 or 2. Every sensor may be missing."""

    device_type: ClassVar[str] = "observingconditions"
    platform7_version: ClassVar[int] = 2

    def temperature_c(self) -> float | None:
        """Return the air's temperature, degrees Celsius."""
        return self._optional("temperature", FLOAT, quiet=True)

    def pressure_hpa(self) -> float | None:
        """Return the air pressure, hPa: by the standard at the observatory, not at sea level.

        The canonical definition (interface document, Pressure; from memory) asks drivers whose
        sensor reduces to sea level to convert; some do not.
        """
        return self._optional("pressure", FLOAT, quiet=True)

    def relative_humidity(self) -> float | None:
        """Return the relative humidity, 0 to 1 (the wire has percent)."""
        percent = self._optional("humidity", FLOAT, quiet=True)
        return None if percent is None else percent / 100.0

    def age_s(self, sensor: str) -> float | None:
        """Return how old a sensor's value is, s; negative when there never was one.

        Args:
            sensor: the property's name as the interface writes it, such as ``Temperature``.
        """
        # Each sensor may refuse by itself, so an absent age of one is not kept for the others.
        before = set(self._absent)
        try:
            return self._optional("timesincelastupdate", FLOAT, quiet=True, SensorName=sensor)
        finally:
            self._absent = before
