"""Why a startup goes no further.

::

    DeviceError
    ├── CoverClosed        the cover is closed, or nobody knows
    └── LightIsOn          the flat-field light does not go off
    GuardError
    ├── SunBeforeCover     the Sun may be in front of the telescope
    └── NeverDark          the Sun stays up for a day
    ImageError
    └── FocusWrong         stars are too large to be in focus
"""

from __future__ import annotations

from polewright.foundation.errors import DeviceError, GuardError, ImageError
from polewright.foundation.language import say


class CoverClosed(DeviceError):
    """The cover is not open."""

    code = "cover_closed"
    advice = say("Open the cover, or let it be opened with [startup] open_cover = true.")

    def __init__(self, state: str) -> None:
        super().__init__(state)
        self.state = state

    def __str__(self) -> str:
        return say("the telescope's cover is not open (it says: {state})", state=self.state)


class LightIsOn(DeviceError):
    """The flat-field light is on and stays on."""

    code = "light_is_on"
    advice = say("Switch the flat-field light off; look at its driver.")

    def __init__(self, state: str) -> None:
        super().__init__(state)
        self.state = state

    def __str__(self) -> str:
        return say(
            "the flat-field light was switched off and still says: {state}", state=self.state
        )


class NeverDark(GuardError):
    """The Sun does not go down far enough within a day."""

    code = "never_dark"
    advice = say(
        "Start without --wait-for-dark: sweeps are then planned far from the Sun. Or check clock "
        "and site."
    )

    def __init__(self, limit_deg: float) -> None:
        super().__init__(limit_deg)
        self.limit_deg = limit_deg

    def __str__(self) -> str:
        return say(
            "the Sun does not sink below {limit_deg:g} deg within a day", limit_deg=self.limit_deg
        )


class SunBeforeCover(GuardError):
    """The telescope may point near the Sun: nothing is opened, and nothing goes on."""

    code = "sun_before_cover"
    advice = say("Leave the cover closed, and start when the Sun is down.")

    def __init__(self, doing: str, distance_deg: float | None, limit_deg: float) -> None:
        super().__init__(doing, distance_deg, limit_deg)
        self.doing, self.distance_deg, self.limit_deg = doing, distance_deg, limit_deg

    def __str__(self) -> str:
        where = (
            say("the mount does not tell where it points")
            if self.distance_deg is None
            else say(
                "the telescope points {distance_deg:.0f} degrees from it",
                distance_deg=self.distance_deg,
            )
        )
        return say(
            "{doing}: the Sun is up and {where} ({limit_deg:.0f} degrees are kept)",
            doing=self.doing,
            where=where,
            limit_deg=self.limit_deg,
        )


class FocusWrong(ImageError):
    """The stars are too large, or too few were found and those are too large."""

    code = "focus_wrong"
    advice = say("Focus (`polewright check --loop`, or --focus with a focuser), then start again.")

    def __init__(self, hfd_px: float, limit_px: float) -> None:
        super().__init__(hfd_px, limit_px)
        self.hfd_px, self.limit_px = hfd_px, limit_px

    def __str__(self) -> str:
        return say(
            "the stars' half-flux diameter is {hfd_px:.1f} px (up to {limit_px:g} px "
            "counts as focused)",
            hfd_px=self.hfd_px,
            limit_px=self.limit_px,
        )
