"""What can be wrong with a question about the sky.

::

    ConfigError
    └── UnknownEquinox    the mount counts coordinates from an equinox that is not supported
"""

from __future__ import annotations

from polewright.errors import ConfigError


class UnknownEquinox(ConfigError):
    """The mount reports an equatorial system that cannot be converted safely."""

    code = "unknown_equinox"
    advice = "Set the mount's driver to topocentric (of date) or J2000 coordinates."

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number

    def __str__(self) -> str:
        return f"The mount reports EquatorialSystem {self.number}, which is not supported"
