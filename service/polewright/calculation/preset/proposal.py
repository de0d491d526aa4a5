"""The presets themselves: bearing, scale, legs, travel, cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.calculation.preset.errors import PresetNotUsable
from polewright.calculation.preset.learn import (
    Offset,
    compass_offset,
    pole_bearing_deg,
    scale_offset,
)
from polewright.calculation.preset.magnetic import MagneticDeclination
from polewright.calculation.preset.nights import PresetNight
from polewright.calculation.sky.site import Site
from polewright.foundation.language import say, say_count

SURE = 2.0
"""Travel should cover so many sigmas."""
RAISE_BIAS_DEG = 0.5
"""Preset the axis so much low, so that the last moves raise it (common practice, no source)."""

CAUTIONS = (
    say(
        "Hold the compass away from steel: tripod, counterweight, car, keys, spectacles with "
        "magnets; a phone's case may hold magnets, and its compass must be calibrated first."
    ),
    say(
        "Read it at the same place on the base each time, with nothing mounted: then what is "
        "learned from past nights holds."
    ),
    say("Level the base first: on a tilted base each adjuster moves the other direction as well."),
)


@dataclass(frozen=True)
class PresetWish:
    """What the rig's owner chooses. Degrees."""

    raise_bias_deg: float = RAISE_BIAS_DEG
    azimuth_travel_deg: float | None = None
    """How far the azimuth adjuster reaches to each side of its centre; None: unknown."""
    altitude_travel_deg: float | None = None

    def __post_init__(self) -> None:
        for name, value, low, high in (
            (say("raise bias"), self.raise_bias_deg, 0.0, 10.0),
            (say("azimuth travel"), self.azimuth_travel_deg, 0.01, 180.0),
            (say("altitude travel"), self.altitude_travel_deg, 0.01, 90.0),
        ):
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                raise PresetNotUsable(
                    name, value, say("between {low:g} and {high:g}", low=low, high=high)
                )


@dataclass(frozen=True)
class Preset:
    """What to set before power-on. Degrees."""

    bearing_deg: float
    """What the compass shall read along the base, towards the pole, adjusters centred."""
    sigma_bearing_deg: float
    """1 sigma of where the axis then is, as a turn of the base."""
    altitude_scale_deg: float
    sigma_altitude_deg: float
    expected_altitude_deg: float
    """Where the axis should then be: below the pole by the bias."""
    magnetic: MagneticDeclination
    compass: Offset
    scale: Offset
    azimuth_travel_suffices: bool | None
    altitude_travel_suffices: bool | None
    legs: str
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def propose(
    site: Site,
    magnetic: MagneticDeclination,
    nights: Sequence[PresetNight],
    wish: PresetWish | None = None,
) -> Preset:
    """Return the presets for a site.

    Args:
        site: where the tripod will stand.
        magnetic: declination there and now.
        nights: past nights of this rig with this compass, in any order.
        wish: bias and travels.
    """
    wanted = wish or PresetWish()
    compass, scale = compass_offset(nights), scale_offset(nights)
    pole = pole_bearing_deg(site.latitude_deg)
    bearing = (pole - magnetic.declination_deg + compass.value_deg) % 360.0
    # One more reading of each is made tonight.
    sigma_bearing = math.hypot(compass.sigma_deg, magnetic.sigma_deg, compass.scatter_deg)
    sigma_altitude = math.hypot(scale.sigma_deg, scale.scatter_deg)
    expected = max(0.0, abs(site.latitude_deg) - wanted.raise_bias_deg)
    setting = expected + scale.value_deg
    azimuth_ok = _suffices(wanted.azimuth_travel_deg, SURE * sigma_bearing)
    altitude_ok = _suffices(
        wanted.altitude_travel_deg, wanted.raise_bias_deg + SURE * sigma_altitude
    )
    return Preset(
        bearing_deg=bearing,
        sigma_bearing_deg=sigma_bearing,
        altitude_scale_deg=setting,
        sigma_altitude_deg=sigma_altitude,
        expected_altitude_deg=expected,
        magnetic=magnetic,
        compass=compass,
        scale=scale,
        azimuth_travel_suffices=azimuth_ok,
        altitude_travel_suffices=altitude_ok,
        legs=legs_sentence(site),
        sentences=_sentences(site, bearing, setting, wanted, compass, scale, azimuth_ok),
        cautions=tuple(text for text in (magnetic.caution, *CAUTIONS) if text),
    )


def _suffices(travel: float | None, needed: float) -> bool | None:
    return None if travel is None else travel >= needed


def legs_sentence(site: Site) -> str:
    """Say which leg goes where. Common practice, no source."""
    pole = "south" if site.southern else "north"
    if abs(site.latitude_deg) < 25.0:
        return say(
            "One leg towards the {pole}, under the polar axis. This near to the equator "
            "the counterweight bar swings low and far out: check that it passes the legs "
            "all round, and put a leg on the other side if it does not.",
            pole=pole,
        )
    return say(
        "One leg towards the {pole}, under the polar axis: there the weight is, and the "
        "telescope cannot tip over towards the pole.",
        pole=pole,
    )


def _sentences(
    site: Site,
    bearing: float,
    setting: float,
    wish: PresetWish,
    compass: Offset,
    scale: Offset,
    azimuth_ok: bool | None,
) -> tuple[str, ...]:
    pole = "south" if site.southern else "north"
    learned = (
        say_count(
            "your compass reads {value_deg:+.1f}°, learned from {count} night",
            "your compass reads {value_deg:+.1f}°, learned from {count} nights",
            compass.nights,
            value_deg=compass.value_deg,
        )
        if compass.nights
        else say("no past night has checked your compass yet")
    )
    out = [
        say("Centre both adjusters."),
        legs_sentence(site),
        say(
            "Turn the tripod until the compass along the base reads {bearing:.1f}° towards "
            "the {pole} pole ({learned}).",
            bearing=bearing,
            pole=pole,
            learned=learned,
        ),
        say("Set the altitude scale to {setting:.1f}°", setting=setting)
        + (
            say(" (it reads {value_deg:+.1f}° off)", value_deg=scale.value_deg)
            if scale.nights
            else ""
        )
        + (
            say(
                ": {raise_bias_deg:g}° low on purpose, so that the last moves raise the axis.",
                raise_bias_deg=wish.raise_bias_deg,
            )
            if wish.raise_bias_deg
            else "."
        ),
    ]
    if compass.left_out:
        out.append(
            say(
                "{left_out} past readings disagree with the others and hardly count: was "
                "something of steel near?",
                left_out=compass.left_out,
            )
        )
    if azimuth_ok is False:
        out.append(
            say(
                "The azimuth adjuster may not reach the pole from there: be ready to turn "
                "the whole tripod after the first measurement."
            )
        )
    return tuple(out)


def adjuster_left_sentence(base_turn_deg: float, travel_deg: float | None) -> str:
    """Say what a night's turn of the base means for the travel that is left."""
    if travel_deg is None:
        return say(
            "The base was turned by {base_turn_deg:.1f}° from its centre.",
            base_turn_deg=abs(base_turn_deg),
        )
    left = travel_deg - abs(base_turn_deg)
    if left < 0.0:
        return say(
            "A turn of {base_turn_deg:.1f}° is more than the adjuster's "
            "{travel_deg:.1f}°: check the figure, or the adjuster was not centred at the "
            "start.",
            base_turn_deg=abs(base_turn_deg),
            travel_deg=travel_deg,
        )
    return say(
        "The base was turned by {base_turn_deg:.1f}°; {left:.1f}° of travel were left.",
        base_turn_deg=abs(base_turn_deg),
        left=left,
    )
