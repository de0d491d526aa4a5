"""What can be wrong with what the tolerance is asked for."""

from __future__ import annotations

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class ImagingNotUsable(ConfigError):
    """A figure of the planned exposure cannot be."""

    code = "imaging_not_usable"

    def __init__(self, what: str, value: float | str, allowed: str) -> None:
        super().__init__(what, value, allowed)
        self.what, self.value, self.allowed = what, value, allowed

    def __str__(self) -> str:
        value = self.value if isinstance(self.value, str) else f"{self.value:g}"
        return say("{figure} of {given} cannot be used", figure=self.what, given=value)

    @property
    def advice(self) -> str:  # type: ignore[override]
        """What is allowed."""
        return say("Give {figure} {allowed}.", figure=self.what, allowed=self.allowed)


class GuideStarLost(ConfigError):
    """So near the pole and so far misaligned that no declination follows the guide star."""

    code = "guide_star_lost"
    advice = say("Align better first, or choose a target or guide star further from the pole.")

    def __init__(self, declination_deg: float, axis_error_arcmin: float) -> None:
        super().__init__(declination_deg, axis_error_arcmin)
        self.declination_deg, self.axis_error_arcmin = declination_deg, axis_error_arcmin

    def __str__(self) -> str:
        return say(
            "with the axis {axis_error_arcmin} off, a mount cannot follow a guide star "
            "at declination {declination_deg:.1f} deg through the exposure",
            axis_error_arcmin=arcmin_text(self.axis_error_arcmin),
            declination_deg=self.declination_deg,
        )


class TargetTooLow(ConfigError):
    """The target stands too low in every exposure of the span."""

    code = "target_too_low"
    advice = say("Choose another target, or hour angles nearer to the meridian.")

    def __init__(self, declination_deg: float, latitude_deg: float, lowest_deg: float) -> None:
        super().__init__(declination_deg, latitude_deg, lowest_deg)
        self.declination_deg, self.latitude_deg = declination_deg, latitude_deg
        self.lowest_deg = lowest_deg

    def __str__(self) -> str:
        return say(
            "at latitude {latitude_deg:.1f} deg a target at declination "
            "{declination_deg:.1f} deg is never over {lowest_deg:g} deg of altitude in "
            "this span of hour angles",
            latitude_deg=self.latitude_deg,
            declination_deg=self.declination_deg,
            lowest_deg=self.lowest_deg,
        )
