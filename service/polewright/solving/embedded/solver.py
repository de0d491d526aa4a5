"""The solver that comes along: searches that make hypotheses, and a refit on all stars that judges.

`polewright.solving.embedded.searches` has the order of attempts. Whatever recognises the field,
`polewright.solving.embedded.refit` decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import DEG, Matrix, Vector, spherical
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import joined, say
from polewright.solving.base import SolveHint
from polewright.solving.catalogue.addon_place import open_addons
from polewright.solving.catalogue.catalogue import (
    GAIA_EPOCH,
    Layered,
    StarSource,
    bundled_catalogue,
)
from polewright.solving.catalogue.density import bundled_density
from polewright.solving.embedded.depth_selection import DeepSolver
from polewright.solving.embedded.refit import MIN_MATCHED, Refit, refit
from polewright.solving.embedded.searches import (
    Searches,
    Watch,
    field_deg,
    within_reach,
)
from polewright.solving.embedded.tracking import follow
from polewright.solving.embedded.whole_sky import Progress, WholeSky
from polewright.solving.errors import NoMatch, TooFewStars

NAME = "embedded"


class EmbeddedSolver:
    """Solves from star lists, offline, with the bundled catalogue or a deeper one."""

    needs_image = False
    name = NAME

    def __init__(self, source: StarSource, sky: WholeSky, *, blind: bool = False) -> None:
        self._source = source
        self._searches = Searches(source, sky, blind=blind)

    def solve(
        self,
        stars: StarList,
        hint: SolveHint,
        *,
        frame: Frame | None = None,  # noqa: ARG002 - the star list is enough
        timeout_s: float = 30.0,
        cancel: CancelToken | None = None,
    ) -> Solution:
        """Return the frame's attitude; see `polewright.solving.base.Solver.solve`.

        Raises:
            TooFewStars: fewer than four detections.
            NoMatch: nothing fits well enough to be believed; says how near the best came.
            TooNarrowForWholeSky: there is no hint, and the field is smaller than is looked for.
            SolverTimedOut: ``timeout_s`` is over, not counting the making of the whole sky's
                shapes.
            polewright.foundation.errors.Cancelled: ``cancel`` was raised.
        """
        if len(stars) < MIN_MATCHED:
            raise TooFewStars(len(stars), MIN_MATCHED)
        watch = Watch(NAME, timeout_s, cancel)
        hint = within_reach(hint, stars.width)
        objection = ""
        best = 0
        for start in self._searches.starts(stars, hint, watch):
            watch()
            fit = refit(stars, start, self._source, hint.epoch_year)
            if fit is None:
                continue
            if not fit.objection:
                return _solution(stars, fit)
            if fit.matched > best:
                best, objection = (
                    fit.matched,
                    say("the best candidate was refused, {objection}", objection=fit.objection),
                )
        raise NoMatch(_where(hint), field_deg(hint, stars), len(stars), objection)

    def track(
        self,
        stars: StarList,
        predicted: Matrix,
        parity: int,
        scale: float,
        *,
        off: float = 1.0 * DEG,
        epoch_year: float = 2026.0,
        k1: float = 0.0,
    ) -> Solution:
        """Return the attitude of a frame taken near a ``predicted`` one, in milliseconds.

        Args:
            stars: as for `solve`.
            predicted: camera axes as columns (3, 3), ICRS.
            parity: +1 or -1.
            scale: rad per pixel at the centre, good to a part in a thousand.
            off: how far (rad) the camera may have turned since.
            epoch_year: Julian year for proper motions.
            k1: radial distortion as solved before.

        Raises:
            TooFewStars: fewer than four detections.
            NoMatch: not found near the prediction; a full solve may find it.
        """
        if len(stars) < MIN_MATCHED:
            raise TooFewStars(len(stars), MIN_MATCHED)
        hint = SolveHint(predicted[:, 2], off, scale, 0.002, parity, epoch_year)
        objection = ""
        for start in follow(stars, predicted, parity, scale, off, self._source, epoch_year, k1):
            fit = refit(stars, start, self._source, epoch_year)
            if fit is not None and not fit.objection:
                return _solution(stars, fit)
            objection = "" if fit is None else fit.objection
        raise NoMatch(_where(hint), field_deg(hint, stars), len(stars), objection)

    def stars_around(self, centre: Vector, radius: float, epoch_year: float) -> Vector:
        """Return unit vectors (N, 3), ICRS, of the catalogue's stars about a direction.

        Args:
            centre: (3,) ICRS.
            radius: rad.
            epoch_year: Julian year for proper motions.

        Returns:
            Brightest first.
        """
        return self._source.cone(centre, radius, epoch_year).vectors

    def star_density(self, vectors: Vector) -> Vector:
        """Catalogue stars per steradian (N,) around ICRS directions (N, 3)."""
        if self._source is bundled_catalogue():
            return bundled_density().per_steradian(vectors)
        reach = 1.0 * DEG
        counts = [len(self._source.cone(v, reach, GAIA_EPOCH)) for v in vectors]
        return np.array(counts) / (2.0 * math.pi * (1.0 - math.cos(reach)))

    @property
    def catalogue(self) -> str:
        """Which stars these are."""
        return self._source.name


def create(options: Mapping[str, object]) -> EmbeddedSolver | DeepSolver:
    """Make the solver.

    Options:
        blind: whether a hinted frame that is nowhere near its hint is looked for in the whole sky;
            frames without a hint always are.
        catalogue: an add-on catalogue's file or name, a folder of them, ``none``, or a
            `StarSource` put under the bundled one; left out: what `polewright catalogue build`
            made, if anything.
        on_progress: called with a sentence when slow work starts and ends.

    Raises:
        ConfigError: an option is unknown or of the wrong kind.
    """
    known = {"blind", "catalogue", "on_progress"}
    unknown = sorted(set(options) - known)
    if unknown:
        raise ConfigError(
            say(
                "The embedded solver has no option {unknown!r}; it knows {known}.",
                unknown=unknown[0],
                known=joined(", ", sorted(known)),
            )
        )
    blind = options.get("blind", False)
    if not isinstance(blind, bool):
        raise ConfigError(
            say(
                "The embedded solver's option 'blind' is true or false, not {blind!r}.", blind=blind
            )
        )
    tell_line = options.get("on_progress")
    if tell_line is not None and not callable(tell_line):
        raise ConfigError(say("The embedded solver's option 'on_progress' must be callable."))
    progress = _progress(tell_line)

    def over(source: StarSource) -> EmbeddedSolver:
        return EmbeddedSolver(source, WholeSky(source, progress), blind=blind)

    deeper = options.get("catalogue")
    if deeper is None or isinstance(deeper, str | Path):
        addons = open_addons(deeper)
        return DeepSolver(addons, over) if addons else over(bundled_catalogue())
    return over(Layered((bundled_catalogue(), deeper)))  # type: ignore[arg-type]


def _progress(tell_line: object) -> Progress | None:
    if not callable(tell_line):
        return None
    call: Callable[[str], object] = tell_line

    def forward(sentence: str) -> None:
        call(sentence)

    return forward


def _where(hint: SolveHint) -> str:
    if hint.centre_icrs is None:
        return say("anywhere in the sky")
    ra, dec = spherical(hint.centre_icrs)
    radius = 5.0 if hint.radius is None else hint.radius / DEG
    return say(
        "within {radius:.1f} deg of RA {ra:.3f} h, Dec {dec:+.2f} deg",
        radius=radius,
        ra=float(ra) / (15.0 * DEG),
        dec=float(dec) / DEG,
    )


def _solution(stars: StarList, fit: Refit) -> Solution:
    pixels = np.column_stack([stars.x[fit.detections], stars.y[fit.detections]])
    return Solution(
        solver=NAME,
        attitude_icrs=fit.attitude,
        parity=fit.parity,
        scale=fit.scale,
        pixels=pixels,
        icrs=fit.icrs,
        sigma_px=np.asarray(stars.sigma_px[fit.detections], dtype=np.float64),
        covariance=fit.covariance,
        rms_px=fit.rms_px,
        width=stars.width,
        height=stars.height,
        matched=fit.matched,
        false_probability=10.0**fit.log10_accident,
        distortion=Distortion(fit.k1),
        catalogue_sigma_rad=fit.drift,
    )
