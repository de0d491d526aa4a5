"""Why a startup goes no further.

::

    DeviceError
    ├── CoverClosed        the cover is closed, or nobody knows
    └── LightIsOn          the flat-field light does not go off
    GuardError
    └── SunBeforeCover     the Sun may be in front of the telescope
    ImageError
    └── FocusWrong         stars are too large to be in focus
"""

from __future__ import annotations

from polewright.foundation.errors import DeviceError, GuardError, ImageError


class CoverClosed(DeviceError):
    """The cover is not open."""

    code = "cover_closed"
    advice = "Open the cover, or let it be opened with [startup] open_cover = true."

    def __init__(self, state: str) -> None:
        super().__init__(state)
        self.state = state

    def __str__(self) -> str:
        return f"the telescope's cover is not open (it says: {self.state})"


class LightIsOn(DeviceError):
    """The flat-field light is on and stays on."""

    code = "light_is_on"
    advice = "Switch the flat-field light off; look at its driver."

    def __init__(self, state: str) -> None:
        super().__init__(state)
        self.state = state

    def __str__(self) -> str:
        return f"the flat-field light was switched off and still says: {self.state}"


class SunBeforeCover(GuardError):
    """The telescope may point near the Sun: nothing is opened, and nothing goes on."""

    code = "sun_before_cover"
    advice = "Leave the cover closed, and start when the Sun is down."

    def __init__(self, doing: str, distance_deg: float | None, limit_deg: float) -> None:
        super().__init__(doing, distance_deg, limit_deg)
        self.doing, self.distance_deg, self.limit_deg = doing, distance_deg, limit_deg

    def __str__(self) -> str:
        where = (
            "the mount does not tell where it points"
            if self.distance_deg is None
            else f"the telescope points {self.distance_deg:.0f} degrees from it"
        )
        return f"{self.doing}: the Sun is up and {where} ({self.limit_deg:.0f} degrees are kept)"


class FocusWrong(ImageError):
    """The stars are too large, or too few were found and those are too large."""

    code = "focus_wrong"
    advice = "Focus (`polewright check --loop`, or --focus with a focuser), then start again."

    def __init__(self, hfd_px: float, limit_px: float) -> None:
        super().__init__(hfd_px, limit_px)
        self.hfd_px, self.limit_px = hfd_px, limit_px

    def __str__(self) -> str:
        return (
            f"the stars' half-flux diameter is {self.hfd_px:.1f} px "
            f"(up to {self.limit_px:g} px counts as focused)"
        )
