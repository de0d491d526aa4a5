"""The command solver: any local program that leaves a FITS WCS.

The program gets a FITS image or star list in a folder made for this one run (so no result of an
earlier run can be taken for a new one), and places in its command line are filled with what is
known. What it leaves is checked against the hint before it is believed. Where the bundled
catalogue has enough stars in the field, the attitude is then fitted to them; else to the stars
the program says it matched; else the WCS itself is taken, with a stated uncertainty.
"""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Literal

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import separation
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import say
from polewright.foundation.programs import Ended, Program
from polewright.solving.base import MEASURED_SCALE, SolveHint
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.refit import refit
from polewright.solving.errors import (
    NoMatch,
    SolutionRejected,
    SolverFailed,
    SolverTimedOut,
    TooFewStars,
)
from polewright.solving.external.external_solution import (
    check,
    check_scale,
    from_grid,
    from_matches,
    header_with_wcs,
    read_matches,
    tried,
)
from polewright.solving.external.fits_io import write_image, write_stars
from polewright.solving.external.template import Template, hint_values
from polewright.solving.external.wcs import WcsAttitude, attitude_from_header

NAME = "command"

#: Options for Debian's ``astrometry.net`` package with an index package such as
#: ``astrometry-data-tycho2-10-19`` (fields from about one degree), as tested.
DEBIAN_ASTROMETRY: Mapping[str, object] = {
    "command": (
        "solve-field {stars} --width {width} --height {height} --x-column X --y-column Y "
        "--sort-column FLUX --scale-units arcsecperpix --scale-low {scale_low} "
        "--scale-high {scale_high} --ra {ra_deg} --dec {dec_deg} --radius {radius_deg} "
        "--crpix-center --tweak-order 1 --no-plots --overwrite --new-fits none --wcs {wcs} "
        "--dir {folder} --cpulimit {timeout_s}"
    ),
    "blind_command": (
        "solve-field {stars} --width {width} --height {height} --x-column X --y-column Y "
        "--sort-column FLUX --crpix-center --tweak-order 1 --no-plots --overwrite "
        "--new-fits none --wcs {wcs} --dir {folder} --cpulimit {timeout_s}"
    ),
    "input": "stars",
}


class CommandOptions(BaseModel):
    """What the configuration says about the program."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    command: str | list[str]
    """Program and arguments, one text (split like a POSIX shell does) or a list."""
    blind_command: str | list[str] | None = None
    """Used instead when the pointing or the scale that ``command`` wants is unknown."""
    input: Literal["image", "stars"] = "image"
    """Give it a 16-bit FITS image, or a FITS table X, Y (from 1), FLUX."""
    results: list[str] = Field(default=["*.wcs", "*.new", "*.fits", "*.fit"], min_length=1)
    """File name patterns in the folder in which to look for the WCS, in this order."""
    matches: str = "*.corr"
    """Pattern of a table of matched stars: field_x, field_y (from 1), index_ra, index_dec."""
    not_solved_status: list[int] = []
    """Exit statuses by which the program says that it found no match."""
    max_stars: int = Field(default=400, ge=10)
    """Only the brightest so many go into a star list."""
    min_stars: int = Field(default=4, ge=3)
    """Fewer detected stars are refused before the program is started."""
    use_catalogue: bool = True
    """Fit the attitude to the bundled catalogue's stars where there are enough."""
    grid_sigma_px: float = Field(default=0.5, gt=0.0)
    """1-sigma error (pixels) of a bare WCS at the middle of the frame; an assumption, no source."""
    default_radius_deg: float = Field(default=10.0, gt=0.0)
    """Search radius when the hint has a pointing without one."""


class CommandSolver:
    """Solves frames with a local program. See `polewright.solving.base.Solver`."""

    def __init__(self, options: CommandOptions) -> None:
        self.options = options
        self._template = Template(options.command, "command")
        blind = options.blind_command
        self._blind = None if blind is None else Template(blind, "blind_command")
        for pattern in (*options.results, options.matches):
            path = PurePosixPath(pattern.replace("\\", "/"))
            if path.is_absolute() or ".." in path.parts or ":" in pattern:
                raise ConfigError(
                    say(
                        "the pattern {pattern!r} must stay inside the solver's folder",
                        pattern=pattern,
                    )
                )

    @property
    def name(self) -> str:
        """Short name for reports."""
        return NAME

    @property
    def needs_image(self) -> bool:
        """Whether ``frame`` must be given."""
        return self.options.input == "image"

    def solve(
        self,
        stars: StarList,
        hint: SolveHint,
        *,
        frame: Frame | None = None,
        timeout_s: float = 30.0,
        cancel: CancelToken | None = None,
    ) -> Solution:
        """Return the frame's attitude; see `polewright.solving.base.Solver.solve`.

        Where nothing fits at a scale that was only told, the program is started once more without
        one, if there is a command that does without.

        Raises:
            SolverTimedOut: the program was ended after ``timeout_s``.
            SolverFailed: it ended with an error.
            SolutionRejected: its answer contradicts the hint or is no camera's view.
        """
        began = time.monotonic()
        if cancel is not None:
            cancel.check()
        if len(stars) < self.options.min_stars:
            raise TooFewStars(len(stars), self.options.min_stars)
        try:
            return self._run(stars, hint, frame, timeout_s, cancel)
        except (NoMatch, SolutionRejected):
            left_s = timeout_s - (time.monotonic() - began)
            free = replace(hint, scale=None)
            told = hint.scale is not None and hint.scale_tolerance > MEASURED_SCALE
            if not told or self._blind is None or not self._blind.suits(free) or left_s < 1.0:
                raise
            return self._run(stars, free, frame, left_s, cancel)

    def _run(
        self,
        stars: StarList,
        hint: SolveHint,
        frame: Frame | None,
        timeout_s: float,
        cancel: CancelToken | None,
    ) -> Solution:
        template = self._choose(hint)
        template.program(NAME)
        values = hint_values(
            hint, stars.width, stars.height, timeout_s, self.options.default_radius_deg
        )
        try:
            with tempfile.TemporaryDirectory(
                prefix="polewright-solve-", ignore_cleanup_errors=True
            ) as place:
                folder = Path(place)
                values |= self._write_input(folder, stars, hint, frame)
                ended = _run(template.fill(NAME, values), folder, timeout_s, cancel)
                header = self._result(folder, ended, hint, stars)
                matches = read_matches(folder, self.options.matches)
        except OSError as exc:
            raise SolverFailed(
                NAME,
                None,
                say(
                    "its temporary files cannot be used ({exc}): make room there, or set "
                    "TMPDIR to a folder that has some",
                    exc=in_words(exc),
                ),
            ) from exc
        found = attitude_from_header(header, stars.width, stars.height, NAME)
        check(found, hint, stars, NAME)
        best = self._best(found, matches, stars, hint)
        check_scale(best, hint)
        return best

    def _choose(self, hint: SolveHint) -> Template:
        if self._template.suits(hint):
            return self._template
        if self._blind is not None and self._blind.suits(hint):
            return self._blind
        wanted = "pointing" if hint.centre_icrs is None else say("pixel scale")
        raise ConfigError(
            say(
                "the solver's command needs the {wanted}, which is not known; give it in the "
                "configuration, or add a blind_command that does without",
                wanted=wanted,
            )
        )

    def _write_input(
        self, folder: Path, stars: StarList, hint: SolveHint, frame: Frame | None
    ) -> dict[str, str]:
        """Write what the program reads; its output names follow the input's."""
        image, table = folder / "frame.fits", folder / "frame.xyls"
        if self.needs_image or "image" in self._template.places:
            if frame is None:
                raise ConfigError(
                    say("this solver's command wants the image, but only stars are there")
                )
            write_image(image, frame, hint)
        if not self.needs_image or "stars" in self._template.places:
            write_stars(table, stars.take(slice(0, self.options.max_stars)), hint)
        return {
            "image": str(image),
            "stars": str(table),
            "wcs": str(folder / "frame.wcs"),
            "folder": str(folder),
        }

    def _result(self, folder: Path, ended: Ended, hint: SolveHint, stars: StarList) -> fits.Header:
        if ended.exit_status in self.options.not_solved_status:
            raise NoMatch(*tried(hint, stars), detail=_last(ended))
        if ended.exit_status != 0:
            raise SolverFailed(
                NAME, ended.exit_status, say("it reported an error"), ended.last_lines
            )
        for pattern in self.options.results:
            for path in sorted(folder.glob(pattern)):
                header = header_with_wcs(path)
                if header is not None:
                    return header
        raise NoMatch(*tried(hint, stars), detail=_last(ended))

    def _best(
        self,
        found: WcsAttitude,
        matches: NDArray[np.float64] | None,
        stars: StarList,
        hint: SolveHint,
    ) -> Solution:
        by_catalogue = self._from_catalogue(found, stars, hint)
        if by_catalogue is not None:
            return by_catalogue
        by_matches = None if matches is None else from_matches(found, matches, stars, NAME)
        sigma_px = self.options.grid_sigma_px
        return by_matches or from_grid(found, stars.width, stars.height, sigma_px, NAME)

    def _from_catalogue(
        self, found: WcsAttitude, stars: StarList, hint: SolveHint
    ) -> Solution | None:
        if not self.options.use_catalogue:
            return None
        from polewright.solving.catalogue.catalogue import bundled_catalogue

        start = Approximation(
            attitude=found.attitude,
            parity=found.parity,
            scale=found.scale,
            reach_px=max(4.0, 3.0 * found.rms_px),
            log10_trials=0.0,  # one hypothesis, made by somebody else
            fixed_stars=0,
            prior=Prior(math.pi * (0.05) ** 2, 0.01, 1),
            k1=found.k1,
        )
        fit = refit(stars, start, bundled_catalogue(), hint.epoch_year)
        if fit is None or fit.objection or fit.matched < 8:
            return None
        if float(separation(fit.attitude[:, 2], found.attitude[:, 2])) > 20.0 * found.scale:
            return None  # the fit ran away from what it was to refine
        at = fit.detections
        return Solution(
            solver=NAME,
            attitude_icrs=fit.attitude,
            parity=fit.parity,
            scale=fit.scale,
            pixels=np.column_stack([stars.x[at], stars.y[at]]),
            icrs=fit.icrs,
            sigma_px=np.asarray(stars.sigma_px[at], dtype=np.float64),
            covariance=fit.covariance,
            rms_px=fit.rms_px,
            width=stars.width,
            height=stars.height,
            matched=fit.matched,
            false_probability=10.0**fit.log10_accident,
            distortion=Distortion(fit.k1),
            catalogue_sigma_rad=fit.drift,
        )


def create(options: Mapping[str, object]) -> CommandSolver:
    """Make the solver from its table in the configuration.

    Raises:
        ConfigError: an option is unknown or wrong; names it.
    """
    try:
        return CommandSolver(CommandOptions.model_validate(dict(options)))
    except ValidationError as exc:
        first = exc.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        known = ", ".join(CommandOptions.model_fields)
        raise ConfigError(
            say(
                "option {key!r} of the command solver: {reason}; its options are {known}",
                key=key,
                reason=first["msg"],
                known=known,
            )
        ) from exc


def _run(arguments: list[str], folder: Path, timeout_s: float, cancel: CancelToken | None) -> Ended:
    """Run the program; nothing of it is left afterwards. Raises as `CommandSolver.solve` says."""
    try:
        program = Program(arguments, folder)
    except OSError as exc:
        raise SolverFailed(
            NAME,
            None,
            say(
                "{arguments} could not be started: {exc}", arguments=arguments[0], exc=in_words(exc)
            ),
        ) from exc
    ended = program.finish(timeout_s, (lambda: None) if cancel is None else cancel.check)
    if ended is None:
        raise SolverTimedOut(NAME, timeout_s)
    return ended


def _last(ended: Ended) -> str:
    return (
        ended.last_lines[-1]
        if ended.last_lines
        else say("the program left no WCS and said nothing")
    )
