"""Command templates: arguments with named places to fill in, checked before anything runs."""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

from polewright.foundation.angles import DEG, spherical
from polewright.foundation.language import say
from polewright.foundation.user_commands import UserCommand
from polewright.solving.base import SolveHint
from polewright.solving.errors import SolverMissing

POINTING = frozenset({"ra_deg", "ra_hours", "dec_deg", "radius_deg"})
SCALE = frozenset({"scale_arcsec_per_px", "scale_low", "scale_high", "field_width_deg"})
ALWAYS = frozenset({"image", "stars", "wcs", "folder", "width", "height", "timeout_s"})
PLACES = POINTING | SCALE | ALWAYS


class Template(UserCommand):
    """The solver's command."""

    def __init__(self, command: str | Sequence[str], key: str) -> None:
        super().__init__(command, key, PLACES)

    def suits(self, hint: SolveHint) -> bool:
        """Whether the hint has all that the template needs."""
        pointing = hint.centre_icrs is not None or not self.places & POINTING
        return pointing and (hint.scale is not None or not self.places & SCALE)

    def program(self, solver: str) -> str:
        """Return the program's path.

        Raises:
            SolverMissing: it is not installed.
        """
        name = self.words[0]
        found = shutil.which(name)
        if found is None:
            raise SolverMissing(
                solver,
                say("the program {name!r} was not found", name=name),
                say(
                    "Install it, or write its full path as the first word of the command "
                    "({name!r}), or choose the embedded solver.",
                    name=name,
                ),
            )
        # Absolute, since it runs in another folder; links stay, they may carry a meaning.
        return str(Path(found).absolute())

    def fill(self, solver: str, values: Mapping[str, str]) -> list[str]:
        """Return the arguments with every place filled in."""
        return [self.program(solver), *self.filled(values)[1:]]


def hint_values(
    hint: SolveHint, width: int, height: int, timeout_s: float, default_radius_deg: float
) -> dict[str, str]:
    """Return texts for the places that follow from the hint; unknown ones are left out."""
    values = {"width": str(width), "height": str(height), "timeout_s": str(math.ceil(timeout_s))}
    if hint.centre_icrs is not None:
        ra, dec = (float(v) / DEG for v in spherical(hint.centre_icrs))
        radius = default_radius_deg if hint.radius is None else hint.radius / DEG
        values["ra_deg"] = f"{ra:.6f}"
        values["ra_hours"] = f"{ra / 15.0:.7f}"
        values["dec_deg"] = f"{dec:.6f}"
        values["radius_deg"] = f"{min(180.0, radius):.4f}"
    if hint.scale is not None:
        scale = hint.scale / DEG * 3600.0
        values["scale_arcsec_per_px"] = f"{scale:.6g}"
        values["scale_low"] = f"{scale * (1.0 - hint.scale_tolerance):.6g}"
        values["scale_high"] = f"{scale * (1.0 + hint.scale_tolerance):.6g}"
        values["field_width_deg"] = f"{2.0 * math.atan(0.5 * hint.scale * width) / DEG:.6g}"
    return values
