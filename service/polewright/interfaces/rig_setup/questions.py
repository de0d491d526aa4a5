"""What no device can tell about a rig, as questions with sensible defaults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from polewright.foundation.angle_input import degrees_from_text
from polewright.foundation.language import say
from polewright.interfaces.rig_setup.errors import AnswerWrong

Kind = Literal["text", "number", "degrees", "yes"]


@dataclass(frozen=True)
class Question:
    """One question; its answer is one key of the configuration."""

    key: str
    """Dotted."""
    text: str
    kind: Kind
    default: Any = None
    """What stands there when nobody answers; None: the key is left out."""
    first: bool = False
    """Whether a first night needs it."""

    @property
    def option(self) -> str:
        """The command's option for it."""
        words = self.key.removeprefix("profile.").replace(".", "-").replace("_", "-")
        return f"--{words}"

    def read(self, given: str) -> Any:
        """Turn what was typed into a value. Raises `AnswerWrong`."""
        text = given.strip()
        if self.kind == "number":
            try:
                return float(text.replace(",", "."))
            except ValueError as exc:
                raise AnswerWrong(self.key, given, say("a number is needed")) from exc
        if self.kind == "degrees":
            try:
                return float(degrees_from_text(text))
            except ValueError as exc:
                raise AnswerWrong(self.key, given, str(exc)) from exc
        if self.kind == "yes":
            if text.lower() in ("y", "yes", "true", "1"):
                return True
            if text.lower() in ("n", "no", "false", "0"):
                return False
            raise AnswerWrong(self.key, given, say("yes or no is needed"))
        return text


QUESTIONS = (
    Question(
        "site.latitude_deg",
        say("Latitude of the mount, degrees or 44:37:12, NORTH positive"),
        "degrees",
        first=True,
    ),
    Question(
        "site.longitude_deg",
        say("Longitude of the mount, degrees or 9:18:36, EAST positive"),
        "degrees",
        first=True,
    ),
    Question("site.elevation_m", say("Height above the sea, metres"), "number", first=True),
    Question(
        "optics.focal_length_mm",
        say("Focal length, mm (the maker's figure; the stars correct it)"),
        "number",
        first=True,
    ),
    Question(
        "optics.pixel_um",
        say("Pixel of the camera, micrometres, not binned"),
        "number",
        first=True,
    ),
    Question(
        "pole.tolerance_arcmin",
        say("Axis error that is good enough, arcminutes (`polewright tolerance` computes one)"),
        "number",
        1.0,
        first=True,
    ),
    Question(
        "horizon.file",
        say("Name of the file with your skyline (empty: an open horizon)"),
        "text",
        first=True,
    ),
    Question(
        "profile.altitude.name",
        say("What do you call the altitude adjuster"),
        "text",
        say("altitude adjuster"),
    ),
    Question(
        "profile.altitude.to_raise",
        say("What do you do to the altitude adjuster to RAISE the axis"),
        "text",
        say("turn the altitude adjuster so that the axis rises"),
        first=True,
    ),
    Question(
        "profile.altitude.to_lower",
        say("What do you do to the altitude adjuster to LOWER the axis"),
        "text",
        say("turn the altitude adjuster so that the axis sinks"),
        first=True,
    ),
    Question(
        "profile.altitude.arcmin_per_turn",
        say("How many arcminutes is one full turn of it (empty: learned while adjusting)"),
        "number",
    ),
    Question(
        "profile.altitude.backlash_arcmin",
        say("How many arcminutes of slack has it (empty: learned)"),
        "number",
    ),
    Question(
        "profile.azimuth.name",
        say("What do you call the azimuth adjuster"),
        "text",
        say("azimuth adjuster"),
    ),
    Question(
        "profile.azimuth.to_move_east",
        say("What do you do to the azimuth adjuster to move the axis EAST"),
        "text",
        say("turn the azimuth adjuster so that the axis swings towards the east"),
        first=True,
    ),
    Question(
        "profile.azimuth.to_move_west",
        say("What do you do to the azimuth adjuster to move the axis WEST"),
        "text",
        say("turn the azimuth adjuster so that the axis swings towards the west"),
        first=True,
    ),
    Question(
        "profile.azimuth.arcmin_per_turn",
        say("How many arcminutes does the base turn in one full turn of it (empty: learned)"),
        "number",
    ),
    Question(
        "profile.azimuth.backlash_arcmin",
        say("How many arcminutes of slack has it (empty: learned)"),
        "number",
    ),
    Question(
        "profile.azimuth.opposing_pair",
        say("Is it two screws that press against each other"),
        "yes",
        False,
    ),
    Question(
        "profile.needs_snugging",
        say("Is something tightened after adjusting, which may move the axis"),
        "yes",
        True,
    ),
    Question(
        "profile.heavy_load",
        say("Is the load so heavy that unlocking it fully is risky"),
        "yes",
        False,
    ),
    Question(
        "limits.hour_angle_min_deg",
        say("Easternmost hour angle the mount may reach, degrees (-180: no limit)"),
        "number",
        -180.0,
    ),
    Question(
        "limits.hour_angle_max_deg",
        say("Westernmost hour angle the mount may reach, degrees (180: no limit)"),
        "number",
        180.0,
    ),
    Question(
        "limits.mount_altitude_max_deg",
        say("Highest altitude before the tube may touch the tripod, degrees"),
        "number",
        90.0,
        first=True,
    ),
)
