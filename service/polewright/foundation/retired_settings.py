"""Settings of earlier versions: still taken for one version, each with a note of what to do.

A key that has a new name is read under it; a key that nobody needs to set any more is left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from polewright.foundation.language import say


@dataclass(frozen=True)
class Retired:
    """What became of one key."""

    why: str
    """Why it is no longer needed, or what is new about the name: the middle of a sentence."""
    now: str = ""
    """Dotted name that is read instead; empty where nothing is."""
    kind: type = float
    """What its value was, for the option of that name on the command line."""
    value: Callable[[Any], Any] = lambda old: old
    """Makes the new key's value of the old one's; None says that nothing follows from it."""


def _none_allowed(count: Any) -> Any:
    """0 other places was a wish to be kept; any other number was the default or a finer one."""
    return False if count == 0 else None


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
        say("the Sun is avoided from the end of civil twilight on")
    ),
    "limits.moon_avoid_deg": Retired(say("plans within 30 degrees of a bright Moon rank lower")),
    "solver.blind": Retired(
        say("the whole sky is searched when the hint leads nowhere, and a wrong pointing is told"),
        kind=bool,
    ),
    "adjusting.coarse_from_arcmin": Retired(say("a coarse pass is made from 30 arcminutes on")),
    "adjusting.coarse_goal_arcmin": Retired(say("a coarse pass ends at 5 arcminutes")),
    "adjusting.max_sweeps": Retired(say("a session gives up after 8 sweeps"), kind=int),
    "startup.site_tolerance_deg": Retired(say("mounts round their site by less than 0.1 degrees")),
    "startup.points": Retired(say("the quick check begins with 3 points"), kind=int),
    "startup.max_points": Retired(say("the quick check grows to 5 points at most"), kind=int),
    "startup.max_elongation": Retired(say("stars longer than 2.5 to 1 are called drawn out")),
    "adjuster.first_step_arcmin": Retired(
        say("the first turn is 3 arcminutes and grows while nothing moves")
    ),
    "adjuster.most_moves": Retired(say("an unattended session gives up after 60 turns"), kind=int),
    "profile.base_tilt_deg": Retired(say("a base is set up level to 3 degrees")),
    "log.max_mb": Retired(say("a new file is begun at 10 MB")),
    "log.keep": Retired(say("5 old files are kept"), kind=int),
}
"""By dotted name, in the order in which they are told."""


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
        value = retired.value(old) if retired.now else None
        if value is None:
            instead = (
                say(
                    " ([{new_section}] {new_key} says whether)",
                    new_section=new_section,
                    new_key=new_key,
                )
                if retired.now
                else ""
            )
            notes.append(
                say(
                    "{said} is not needed any more: {why}{instead}. Remove it.",
                    said=said,
                    why=retired.why,
                    instead=instead,
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
