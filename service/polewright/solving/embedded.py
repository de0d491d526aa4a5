"""The solver that comes along: pairs near a hint, patterns, and a refit on all stars.

Order of attempts, cheapest first: catalogue pairs around the hint; in narrow fields triangles
there and in a wider cone; four-star patterns in both; a longer search for pairs; and patterns over
the whole sky (when there is no hint, or when the option ``blind`` allows it). Whatever recognises
the field, `polewright.solving.refit` decides.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from polewright.angles import DEG, Matrix, Vector, spherical
from polewright.clock import CancelToken
from polewright.errors import ConfigError
from polewright.images.frame import Frame, StarList
from polewright.solving import pairs, patterns, triangles
from polewright.solving.addon_place import open_addons
from polewright.solving.base import Distortion, Solution, SolveHint
from polewright.solving.catalogue import GAIA_EPOCH, Layered, StarSource, bundled_catalogue
from polewright.solving.deep import DeepSolver
from polewright.solving.density import bundled_density
from polewright.solving.errors import (
    NoMatch,
    SolverMissing,
    SolverTimedOut,
    TooFewStars,
    TooNarrowForWholeSky,
)
from polewright.solving.hypotheses import brighter_around, evenly, field_of
from polewright.solving.patterns import PatternStore, Progress, Widths
from polewright.solving.refit import MIN_MATCHED, Approximation, Prior, Refit, centred, refit
from polewright.solving.tracking import follow

NAME = "embedded"

_WIDER = 12.0 * DEG
"""A hinted search that found nothing looks so far around once more."""
NARROWEST_BLIND = 1.2 * DEG
"""The whole sky's patterns for narrower fields take minutes and gigabytes: measured 16 s and 0.5 GB
for fields of 4 degrees, 32 s and 1.0 GB for 2, 52 s and 1.5 GB for 1.35."""
_BLIND_WIDTHS = Widths(2.0 * DEG, 32.0 * DEG)
_SPARSE = 4.0 * DEG
"""Wider fields hold enough stars for patterns to be surer than a long search for pairs."""
_HINT_ENDS = 30.0 * DEG
"""A hint vaguer than this is treated as none."""
_BENDING = 5.0 * DEG
"""Lenses of wider fields may bend more than patterns bear."""
_LENSES = (0.02, -0.02, 0.04, -0.04)
"""Distortions that are tried where neither pointing nor lens are known (own choice)."""
_QUICK_TRIALS = 1.5e5
_MOST_TRIALS = 8e5
"""Hypotheses of the pair search, before and after patterns were tried."""
_STARS_A_FRAME = (25.0, 80.0)
"""Catalogue stars a frame, for the pair search: bright ones first, then deeper."""
_FEWEST_PAIRS = 6.0
"""A pair search that would end after fewer pairs of detections is not begun while patterns can
serve: measured on fields of half a degree with a hint 10 degrees off, it found one in four and
took longer than patterns that found nearly all."""
_WIDEST_PATTERNS = 16.0
"""Field widths around the hint for which a wider search makes patterns: more take too long."""


class EmbeddedSolver:
    """Solves from star lists, offline, with the bundled catalogue or a deeper one."""

    needs_image = False
    name = NAME

    def __init__(
        self,
        source: StarSource,
        store: PatternStore,
        *,
        blind: bool = False,
    ) -> None:
        self._source = source
        self._store = store
        self._blind = blind

    def prepare(self, hint: SolveHint, width: int, height: int) -> None:  # noqa: ARG002
        """Build or load the whole-sky database if frames of this set-up will need it."""
        unhinted = hint.centre_icrs is None or self._blind
        if unhinted and (hint.scale is None or _width(hint, width) >= NARROWEST_BLIND):
            self._store.whole_sky(_widths(hint, width), hint.epoch_year)

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
            SolverTimedOut: ``timeout_s`` is over, not counting the whole sky's database, which
                is built once for a set-up.
            SolverMissing: no hint, and the pattern library is not installed.
            polewright.errors.Cancelled: ``cancel`` was raised.
        """
        started = time.monotonic()
        if len(stars) < MIN_MATCHED:
            raise TooFewStars(len(stars), MIN_MATCHED)
        watch = _Watch(started + timeout_s, timeout_s, cancel)
        objection = ""
        best = 0
        for start in self._starts(stars, hint, watch):
            watch()
            fit = refit(stars, start, self._source, hint.epoch_year)
            if fit is None:
                continue
            if not fit.objection:
                return _solution(stars, fit, time.monotonic() - started)
            if fit.matched > best:
                best, objection = fit.matched, f"the best candidate was refused, {fit.objection}"
        raise NoMatch(_where(hint), _field_deg(hint, stars), len(stars), objection)

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
        started = time.monotonic()
        if len(stars) < MIN_MATCHED:
            raise TooFewStars(len(stars), MIN_MATCHED)
        hint = SolveHint(predicted[:, 2], off, scale, 0.002, parity, epoch_year)
        objection = ""
        for start in follow(stars, predicted, parity, scale, off, self._source, epoch_year, k1):
            fit = refit(stars, start, self._source, epoch_year)
            if fit is not None and not fit.objection:
                return _solution(stars, fit, time.monotonic() - started)
            objection = "" if fit is None else fit.objection
        raise NoMatch(_where(hint), _field_deg(hint, stars), len(stars), objection)

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

    def _starts(self, stars: StarList, hint: SolveHint, watch: _Watch) -> Iterator[Approximation]:
        """Yield hypotheses with the distortion under which they were found.

        What recognises a field knows no distortion: it is given the field without.
        """
        plain = _straightened(stars, hint.k1)
        for found in self._approximations(plain, hint, watch):
            yield replace(found, k1=hint.k1)
        if not _hinted(hint) and _width(hint, stars.width) > _BENDING:
            for more in _LENSES:
                k1 = hint.k1 + more
                for found in self._by_whole_sky(_straightened(stars, k1), hint, watch):
                    yield replace(found, k1=k1)

    def _approximations(
        self, stars: StarList, hint: SolveHint, watch: _Watch
    ) -> Iterator[Approximation]:
        """Yield hypotheses, the likeliest source first."""
        centre = hint.centre_icrs
        missing: SolverMissing | None = None
        hinted = _hinted(hint)
        if hinted and centre is not None and hint.scale is not None:
            asked = max(0.2 * DEG, 5.0 * DEG if hint.radius is None else hint.radius)
            wider = max(_WIDER, 1.5 * asked)
            patterned = min(wider, _WIDEST_PATTERNS * _width(hint, stars.width))
            sparse = _width(hint, stars.width) < _SPARSE
            yield from self._by_pairs(stars, hint, centre, asked, _QUICK_TRIALS, False, 1, watch)
            for reach in (asked, wider) if sparse else ():
                yield from self._by_triangles(stars, hint, centre, reach, watch)
            try:
                yield from self._by_local_patterns(stars, hint, centre, asked, watch)
                if patterned > asked:
                    yield from self._by_local_patterns(stars, hint, centre, patterned, watch)
            except SolverMissing as exc:
                missing = exc
            long = _MOST_TRIALS, missing is not None
            if sparse or missing is not None:
                yield from self._by_pairs(stars, hint, centre, asked, *long, 2, watch)
            if sparse:
                yield from self._by_pairs(stars, hint, centre, wider, *long, 1, watch)
        if not hinted or hint.scale is None or self._blind:
            if missing is not None:
                raise missing
            yield from self._by_whole_sky(stars, hint, watch)

    def _by_pairs(
        self,
        stars: StarList,
        hint: SolveHint,
        centre: Vector,
        radius: float,
        most_trials: float,
        even_if_long: bool,
        layers: int,
        watch: _Watch,
    ) -> Iterator[Approximation]:
        assert hint.scale is not None  # noqa: S101 - narrows the type; the caller has looked
        diagonal = 2.0 * math.atan(0.5 * hint.scale * math.hypot(stars.width, stars.height))
        reach = radius + 0.55 * diagonal
        cone = self._source.cone(centre, min(reach, math.pi), hint.epoch_year)
        area = 2.0 * math.pi * (1.0 - math.cos(min(reach, math.pi)))
        frame_area = hint.scale**2 * stars.width * stars.height
        tried = 0
        for per_frame in _STARS_A_FRAME[:layers]:
            chosen = evenly(cone, area, per_frame, frame_area)
            if len(chosen) <= tried:
                return
            tried = len(chosen)
            watch()
            each = pairs.hypotheses_a_pair(
                len(chosen),
                area,
                0.4 * diagonal,
                hint.scale_tolerance,
                2 if hint.parity is None else 1,
            )
            if not even_if_long and each * _FEWEST_PAIRS > most_trials:
                return
            field = field_of(chosen, reach)
            yield from pairs.search(
                stars,
                field,
                centre,
                radius,
                hint.scale,
                hint.scale_tolerance,
                hint.parity,
                prior=_prior(hint, radius),
                bright=16 if most_trials == _QUICK_TRIALS else 24,
                most_trials=most_trials,
                check=watch,
            )

    def _by_triangles(
        self, stars: StarList, hint: SolveHint, centre: Vector, radius: float, watch: _Watch
    ) -> Iterator[Approximation]:
        assert hint.scale is not None  # noqa: S101 - narrows the type; the caller has looked
        diagonal = 2.0 * math.atan(0.5 * hint.scale * math.hypot(stars.width, stars.height))
        reach = min(radius + 0.55 * diagonal, math.pi)
        area = 2.0 * math.pi * (1.0 - math.cos(reach))
        frame_area = hint.scale**2 * stars.width * stars.height
        making = triangles.stars_a_frame(area / frame_area)
        if not making:
            return
        watch()
        cone = self._source.cone(centre, reach, hint.epoch_year)
        chosen = evenly(cone, area, _STARS_A_FRAME[0], frame_area)
        field = field_of(chosen, reach)
        watch()
        yield from triangles.search(
            stars,
            field,
            np.flatnonzero(brighter_around(chosen.vectors, frame_area) < making),
            centre,
            radius,
            hint.scale,
            hint.scale_tolerance,
            hint.parity,
            prior=_prior(hint, radius),
            check=watch,
        )

    def _by_local_patterns(
        self, stars: StarList, hint: SolveHint, centre: Vector, radius: float, watch: _Watch
    ) -> Iterator[Approximation]:
        watch()
        width = _width(hint, stars.width)
        database = self._store.local(centre, radius, _widths(hint, stars.width), hint.epoch_year)
        watch()
        found = patterns.recognise(
            database,
            stars,
            width,
            width * max(0.01, hint.scale_tolerance),
            prior=_prior(hint, radius),
            parity=hint.parity,
            timeout_s=min(5.0, watch.left_s),
        )
        if found is not None:
            yield found

    def _by_whole_sky(
        self, stars: StarList, hint: SolveHint, watch: _Watch
    ) -> Iterator[Approximation]:
        if hint.scale is not None and _width(hint, stars.width) < NARROWEST_BLIND:
            if _hinted(hint):
                return
            field = _field_deg(hint, stars) or (0.0, 0.0)
            raise TooNarrowForWholeSky(field, len(stars), NARROWEST_BLIND / DEG)
        watch()
        with watch.not_counting():
            database = self._store.whole_sky(_widths(hint, stars.width), hint.epoch_year)
        watch()
        guesses = (
            [(_width(hint, stars.width), hint.scale_tolerance)]
            if hint.scale is not None
            else [(width * DEG, 0.16) for width in _LADDER_DEG]
        )
        for width, tolerance in guesses:
            watch()
            found = patterns.recognise(
                database,
                stars,
                width,
                width * max(0.01, tolerance),
                prior=_prior(hint, math.pi),
                parity=hint.parity,
                timeout_s=min(5.0, watch.left_s),
            )
            if found is not None:
                yield found


_LADDER_DEG = tuple(2.2 * 1.3**k for k in range(11))
"""Field widths tried one after the other when the scale is unknown; each covers 16 % around."""


class _Watch:
    """Raises when the time is over or the run was cancelled."""

    def __init__(self, deadline: float, timeout_s: float, cancel: CancelToken | None) -> None:
        self._deadline = deadline
        self._timeout_s = timeout_s
        self._cancel = cancel

    @contextmanager
    def not_counting(self) -> Iterator[None]:
        """Leave out work done once for a set-up, or it would be done and its use forbidden."""
        begun = time.monotonic()
        yield
        self._deadline += time.monotonic() - begun

    @property
    def left_s(self) -> float:
        return max(0.001, self._deadline - time.monotonic())

    def __call__(self) -> None:
        if self._cancel is not None:
            self._cancel.check()
        if time.monotonic() > self._deadline:
            raise SolverTimedOut(NAME, self._timeout_s)


def create(options: Mapping[str, object]) -> EmbeddedSolver | DeepSolver:
    """Make the solver.

    Options:
        cache_dir: folder of the pattern databases (also: POLEWRIGHT_CACHE_DIR in the environment;
            by default the user's cache folder).
        blind: whether a hinted frame that is nowhere near its hint is looked for in the whole sky
            (the first time builds a database); frames without a hint always are.
        catalogue: an add-on catalogue's file or name, a folder of them, ``none``, or a
            `StarSource` put under the bundled one; left out: what `polewright catalogue build`
            made, if anything.
        on_progress: called with a sentence when slow work starts and ends.

    Raises:
        ConfigError: an option is unknown or of the wrong kind.
    """
    known = {"cache_dir", "blind", "catalogue", "on_progress"}
    unknown = sorted(set(options) - known)
    if unknown:
        raise ConfigError(
            f"The embedded solver has no option {unknown[0]!r}; "
            f"it knows {', '.join(sorted(known))}."
        )
    blind = options.get("blind", False)
    if not isinstance(blind, bool):
        raise ConfigError(f"The embedded solver's option 'blind' is true or false, not {blind!r}.")
    say = options.get("on_progress")
    if say is not None and not callable(say):
        raise ConfigError("The embedded solver's option 'on_progress' must be callable.")
    folder, progress = _cache_dir(options.get("cache_dir")), _progress(say)

    def over(source: StarSource) -> EmbeddedSolver:
        return EmbeddedSolver(source, PatternStore(source, folder, progress), blind=blind)

    deeper = options.get("catalogue")
    if deeper is None or isinstance(deeper, str | Path):
        addons = open_addons(deeper)
        return DeepSolver(addons, over) if addons else over(bundled_catalogue())
    return over(Layered((bundled_catalogue(), deeper)))  # type: ignore[arg-type]


def _progress(say: object) -> Progress | None:
    if not callable(say):
        return None
    call: Callable[[str], object] = say

    def forward(sentence: str) -> None:
        call(sentence)

    return forward


def _cache_dir(option: object) -> Path:
    if isinstance(option, str | Path) and str(option):
        return Path(option).expanduser()
    if option is not None:
        raise ConfigError(f"The embedded solver's option 'cache_dir' is a folder, not {option!r}.")
    from_environment = os.environ.get("POLEWRIGHT_CACHE_DIR")
    if from_environment:
        return Path(from_environment).expanduser()
    import platformdirs

    return Path(platformdirs.user_cache_dir("polewright", appauthor=False))


def _hinted(hint: SolveHint) -> bool:
    """Whether it is known, if only roughly, where the frame points."""
    return hint.centre_icrs is not None and (hint.radius is None or hint.radius < _HINT_ENDS)


def _width(hint: SolveHint, columns: int) -> float:
    """Horizontal field width, rad; a guess when the scale is unknown."""
    if hint.scale is None:
        return 8.0 * DEG
    return 2.0 * math.atan(0.5 * hint.scale * columns)


def _widths(hint: SolveHint, columns: int) -> Widths:
    if hint.scale is None:
        return _BLIND_WIDTHS
    return Widths.around(_width(hint, columns), hint.scale_tolerance)


def _prior(hint: SolveHint, radius: float) -> Prior:
    tolerance = 1.5 if hint.scale is None else max(0.01, hint.scale_tolerance)
    solid_angle = 2.0 * math.pi * (1.0 - math.cos(min(radius, math.pi)))
    return Prior(solid_angle, tolerance, 2 if hint.parity is None else 1)


def _field_deg(hint: SolveHint, stars: StarList) -> tuple[float, float] | None:
    if hint.scale is None:
        return None
    return (
        2.0 * math.atan(0.5 * hint.scale * stars.width) / DEG,
        2.0 * math.atan(0.5 * hint.scale * stars.height) / DEG,
    )


def _straightened(stars: StarList, k1: float) -> StarList:
    """Return the stars where a lens without the radial distortion ``k1`` would show them."""
    if k1 == 0.0:
        return stars
    pixels = centred(stars, 1)
    pixels *= 1.0 + k1 * np.sum(pixels**2, axis=1, keepdims=True) / (stars.width / 2.0) ** 2
    return replace(
        stars,
        x=pixels[:, 0] + (stars.width - 1) / 2,
        y=pixels[:, 1] + (stars.height - 1) / 2,
    )


def _where(hint: SolveHint) -> str:
    if hint.centre_icrs is None:
        return "anywhere in the sky"
    ra, dec = spherical(hint.centre_icrs)
    radius = 5.0 if hint.radius is None else hint.radius / DEG
    return (
        f"within {radius:.1f} deg of RA {float(ra) / (15.0 * DEG):.3f} h, "
        f"Dec {float(dec) / DEG:+.2f} deg"
    )


def _solution(stars: StarList, fit: Refit, elapsed_s: float) -> Solution:
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
        elapsed_s=elapsed_s,
    )
