"""Settings of earlier versions: still taken for one version, each with a note of what to do.

A key that has a new name is read under it; a key that nobody needs to set any more is left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from polewright.foundation.broker import url_of_old_keys
from polewright.foundation.language import joined, say


@dataclass(frozen=True)
class Retired:
    """What became of one key."""

    why: str
    """Why it is no longer needed, or what is new about the name: the middle of a sentence."""
    now: str = ""
    """Dotted name that is read instead; empty where nothing is."""
    kind: type = float
    """What its value was, for the option of that name on the command line."""
    value: Callable[[Any, Mapping[str, Any]], Any] = lambda old, _table: old
    """Makes the new key's value of the old one's, and of the table it stood in; None says that
    nothing follows from it."""
    strict_below: float | None = None
    """A smaller value asked for more care than what holds now: that has to be told."""
    strict: str = ""
    """What to do for that care, a sentence."""


def _none_allowed(count: Any, _table: Mapping[str, Any]) -> Any:
    """0 other places was a wish to be kept; any other number was the default or a finer one."""
    return False if count == 0 else None


#: How long a slew might take at the usual rate, as it does still.
USUAL_SLEW_S = 180.0


def _slower(timeout_s: Any, _table: Mapping[str, Any]) -> Any:
    """Who allowed longer slews has a slower mount than the usual one."""
    if not isinstance(timeout_s, (int, float)) or timeout_s <= USUAL_SLEW_S:
        return None
    return round(300.0 / (timeout_s - 30.0), 3)  # as `LimitsSection.slew_timeout_s` counts


RETIRED: Mapping[str, Retired] = {
    "startup.sigma_arcmin": Retired(say("it holds for every measurement"), "sweep.sigma_arcmin"),
    "recovery.max_exposure_s": Retired(
        say("one longest exposure holds for retries and exposure_auto"), "sweep.exposure_max_s"
    ),
    "recovery.moves": Retired(
        say("how many is known by experience"), "recovery.other_places", int, _none_allowed
    ),
    "recovery.swaps": Retired(
        say("how many is known by experience"), "recovery.other_places", int, _none_allowed
    ),
    "sweep.exposure_min_s": Retired(say("shorter than 0.5 s, seeing moves single stars too far")),
    "sweep.solved_tolerance_deg": Retired(
        say("the mount's pointing is corrected by each solved point, and 4 degrees are ample")
    ),
    "limits.sun_counts_above_deg": Retired(
        say("the Sun is avoided while it is higher than 6 degrees below the horizon"),
        strict_below=-6.0,
        strict=say("It was avoided for longer before: begin after the end of twilight."),
    ),
    "limits.moon_avoid_deg": Retired(say("plans within 30 degrees of a bright Moon rank lower")),
    "solver.blind": Retired(
        say("the whole sky is searched when the hint leads nowhere, and a wrong pointing is told"),
        kind=bool,
    ),
    "adjusting.coarse_from_arcmin": Retired(say("a coarse pass is made from 30 arcminutes on")),
    "adjusting.coarse_goal_arcmin": Retired(say("a coarse pass ends at 5 arcminutes")),
    "adjusting.max_sweeps": Retired(say("a session gives up after 8 sweeps"), kind=int),
    "startup.site_tolerance_deg": Retired(
        say("mounts round their site by less than 0.1 degrees"),
        strict_below=0.1,
        strict=say(
            "A mount whose site is off by more than the old value, and less than 0.1 degrees, is "
            "accepted now: figures go by the site in [site], and not by the mount's, where both "
            "latitude and longitude are given there."
        ),
    ),
    "startup.points": Retired(say("the quick check begins with 3 points"), kind=int),
    "startup.max_points": Retired(say("the quick check grows to 5 points at most"), kind=int),
    "startup.max_elongation": Retired(
        say("stars longer than 2.5 to 1 are called drawn out"),
        strict_below=2.5,
        strict=say("Rounder ones were asked for before: look at the elongation in the result."),
    ),
    "tonight.field_radius_deg": Retired(
        say(
            "the field reaches to the corners of the sensor, and [tonight] sensor_diagonal_mm "
            "makes it smaller"
        )
    ),
    "run.watchdog": Retired(
        say("a second process always stops the mount when this one dies or hangs"), kind=bool
    ),
    "startup.roof_timeout_s": Retired(
        say("a roof may take 15 minutes to open"),
        strict_below=900.0,  # `observing.runs.startup_site.ROOF_TIMEOUT_S`
        strict=say(
            "It was given up sooner before: what stops a roof that jams must be in the roof itself."
        ),
    ),
    "sweep.slew_timeout_s": Retired(
        say("how long a slew may take follows from the mount's rate"),
        "limits.slew_deg_per_s",
        value=_slower,
        strict_below=USUAL_SLEW_S,
        strict=say(
            "Slews were stopped sooner before: give [limits] slew_deg_per_s the mount's own rate."
        ),
    ),
    "publish.mqtt_host": Retired(
        say("broker and topic are one address"), "publish.mqtt", str, url_of_old_keys
    ),
    "publish.mqtt_port": Retired(say("it stands in the address [publish] mqtt"), kind=int),
    "publish.mqtt_topic": Retired(say("it stands in the address [publish] mqtt"), kind=str),
    "publish.mqtt_username": Retired(say("it stands in the address [publish] mqtt"), kind=str),
    "publish.mqtt_tls": Retired(say("it stands in the address [publish] mqtt"), kind=bool),
    "adjuster.most_moves": Retired(
        say("an unattended session gives up after 60 turns"),
        kind=int,
        strict_below=60,
        strict=say(
            "It gave up sooner before: [adjuster] altitude_travel_arcmin and "
            "azimuth_travel_arcmin limit how far the motors go."
        ),
    ),
    "profile.base_tilt_deg": Retired(say("a base is set up level to 3 degrees")),
    "log.max_mb": Retired(say("a new file is begun at 10 MB")),
    "log.keep": Retired(say("5 old files are kept"), kind=int),
}
"""By dotted name, in the order in which they are told."""


def _care(retired: Retired, old: Any) -> str:
    """Return what to do for the care that a value asked for and that does not hold any more."""
    if retired.strict_below is None or isinstance(old, bool) or not isinstance(old, (int, float)):
        return ""
    return joined("", (retired.strict, " ")) if old < retired.strict_below else ""


def carried_over(data: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return the tables of a file without retired keys, and a note for each that was there.

    A value that stands under the new name wins over one under the old name.
    """
    tables = {key: dict(table) if isinstance(table, dict) else table for key, table in data.items()}
    notes = []
    for dotted, retired in RETIRED.items():
        section, key = dotted.split(".")
        table = tables.get(section)
        if not isinstance(table, dict) or key not in table:
            continue
        old = table.pop(key)
        said = f"[{section}] {key}"
        new_section, _, new_key = retired.now.partition(".")
        value = retired.value(old, table) if retired.now else None
        careful = _care(retired, old)
        if value is None:
            instead = (
                say(
                    " ([{new_section}] {new_key} says)",
                    new_section=new_section,
                    new_key=new_key,
                )
                if retired.now
                else ""
            )
            notes.append(
                say(
                    "{said} is not needed any more: {why}{instead}. {careful}Remove it.",
                    said=said,
                    why=retired.why,
                    instead=instead,
                    careful=careful,
                )
            )
            continue
        place = tables.setdefault(new_section, {})
        if isinstance(place, dict):
            place.setdefault(new_key, value)
        do = (
            say("Rename it")
            if value is old
            else say("Write {new_key} = {value} instead", new_key=new_key, value=json.dumps(value))
        )
        notes.append(
            say(
                "{said} is now [{new_section}] {new_key}: {why}. {do}.",
                said=said,
                new_section=new_section,
                new_key=new_key,
                why=retired.why,
                do=do,
            )
        )
    return tables, tuple(notes)
