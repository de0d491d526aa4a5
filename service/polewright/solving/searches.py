"""Searches of a frame for the place it shows, cheapest first.

Catalogue pairs around the hint; in narrow fields triangles there and in a wider cone; four-star
patterns in both; a longer search for pairs; and patterns over the whole sky (when there is no hint,
or when that is allowed). Each yields hypotheses; whoever asks judges them.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from polewright.angles import DEG, Vector
from polewright.clock import CancelToken
from polewright.images.frame import StarList
from polewright.solving import pairs, patterns, triangles
from polewright.solving.base import SolveHint
from polewright.solving.catalogue import StarSource
from polewright.solving.errors import SolverMissing, SolverTimedOut, TooNarrowForWholeSky
from polewright.solving.evidence import Approximation, Prior
from polewright.solving.fitting import centred
from polewright.solving.hypotheses import Sought, brighter_around, evenly, field_of
from polewright.solving.patterns import PatternStore, Widths

_WIDER = 12.0 * DEG
"""A hinted search that found nothing looks so far around once more."""
_NARROWEST_BLIND = 1.2 * DEG
"""The whole sky's patterns for narrower fields take minutes and gigabytes: measured 16 s and 0.5 GB
for fields of 4 degrees, 32 s and 1.0 GB for 2, 52 s and 1.5 GB for 1.35."""
_BLIND_WIDTHS = Widths(2.0 * DEG, 32.0 * DEG)
_SPARSE = 4.0 * DEG
"""Wider fields hold enough stars for patterns to be surer than a long search for pairs."""
_HINT_ENDS = 30.0 * DEG
"""A hint vaguer than this is treated as none; where nothing is looked for without one, the search
goes no farther."""
_BENDING = 5.0 * DEG
"""Lenses of wider fields may bend more than patterns bear."""
_LENSES = (0.01, -0.01, 0.02, -0.02, 0.03, -0.03, 0.04, -0.04)
"""Distortions that are tried on wide fields when the one told leads nowhere (own choice)."""
_QUICK_TRIALS = 1.5e5
_MOST_TRIALS = 8e5
"""Hypotheses of the pair search, before and after patterns were tried."""
_STARS_A_FRAME = (25.0, 80.0)
"""Catalogue stars a frame, for the pair search: bright ones first, then deeper."""
_FEWEST_PAIRS = 6.0
"""A pair search that would end after fewer pairs of detections is not begun while patterns can
serve: measured on fields of half a degree with a hint 10 degrees off, it found one in four and
took longer than patterns that found nearly all."""
_NARROWEST_PATTERNS = 0.4 * DEG
"""Narrower fields' patterns take the library too long, whatever the cone: measured 23 s for 0.15
degrees, and it grows with the inverse square."""
_WIDEST_PATTERNS = 16.0
"""Field widths around the hint for which a wider search makes patterns: more take too long."""


_LADDER_DEG = tuple(2.2 * 1.3**k for k in range(11))
"""Field widths tried one after the other when the scale is unknown; each covers 16 % around."""


class Watch:
    """Raises when the time is over or the run was cancelled."""

    def __init__(self, solver: str, timeout_s: float, cancel: CancelToken | None) -> None:
        self._solver = solver
        self._deadline = time.monotonic() + timeout_s
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
        """Seconds left, never none at all."""
        return max(0.001, self._deadline - time.monotonic())

    def __call__(self) -> None:
        """Look."""
        if self._cancel is not None:
            self._cancel.check()
        if time.monotonic() > self._deadline:
            raise SolverTimedOut(self._solver, self._timeout_s)


class Searches:
    """All searches that the embedded solver knows, over one source of stars."""

    def __init__(self, source: StarSource, store: PatternStore, *, blind: bool) -> None:
        self._source, self._store, self._blind = source, store, blind

    def starts(self, stars: StarList, hint: SolveHint, watch: Watch) -> Iterator[Approximation]:
        """Yield hypotheses with the distortion under which they were found.

        What recognises a field knows no distortion: it is given the field without.
        """
        plain = _straightened(stars, hint.k1)
        for found in self._approximations(plain, hint, watch):
            yield replace(found, k1=hint.k1)
        if field_width(hint, stars.width) > _BENDING:
            for more in _LENSES:
                k1 = hint.k1 + more
                for found in self._through_a_lens(_straightened(stars, k1), hint, watch):
                    yield replace(found, k1=k1)

    def _through_a_lens(
        self, stars: StarList, hint: SolveHint, watch: Watch
    ) -> Iterator[Approximation]:
        """Yield hypotheses about a wide frame whose lens is not the one that was told."""
        if hint.centre_icrs is None or hint.scale is None or not is_hinted(hint):
            yield from self._by_whole_sky(stars, hint, watch)
            return
        try:
            yield from self._by_local_patterns(stars, hint, hint.centre_icrs, _asked(hint), watch)
        except SolverMissing:
            return

    def _approximations(
        self, stars: StarList, hint: SolveHint, watch: Watch
    ) -> Iterator[Approximation]:
        """Yield hypotheses, the likeliest source first."""
        centre = hint.centre_icrs
        missing: SolverMissing | None = None
        hinted = is_hinted(hint)
        if hinted and centre is not None and hint.scale is not None:
            asked = _asked(hint)
            wider = max(_WIDER, 1.5 * asked)
            patterned = min(wider, _WIDEST_PATTERNS * field_width(hint, stars.width))
            sparse = field_width(hint, stars.width) < _SPARSE
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
        watch: Watch,
    ) -> Iterator[Approximation]:
        sought = _sought(stars, hint, centre, radius)
        cone = self._source.cone(centre, sought.reach, hint.epoch_year)
        tried = 0
        for per_frame in _STARS_A_FRAME[:layers]:
            chosen = evenly(cone, sought.area, per_frame, sought.frame_area)
            if len(chosen) <= tried:
                return
            tried = len(chosen)
            watch()
            each = pairs.hypotheses_a_pair(
                len(chosen),
                sought.area,
                0.4 * sought.diagonal,
                hint.scale_tolerance,
                2 if hint.parity is None else 1,
            )
            if not even_if_long and each * _FEWEST_PAIRS > most_trials:
                return
            yield from pairs.search(
                stars,
                field_of(chosen, sought.area),
                sought,
                bright=16 if most_trials == _QUICK_TRIALS else 24,
                most_trials=most_trials,
                check=watch,
            )

    def _by_triangles(
        self, stars: StarList, hint: SolveHint, centre: Vector, radius: float, watch: Watch
    ) -> Iterator[Approximation]:
        sought = _sought(stars, hint, centre, radius)
        width, height = (sought.scale * side for side in (stars.width, stars.height))
        making = triangles.stars_a_frame(sought.area, width, height)
        if not making:
            return
        watch()
        cone = self._source.cone(centre, sought.reach, hint.epoch_year)
        chosen = evenly(cone, sought.area, _STARS_A_FRAME[0], sought.frame_area)
        rows = np.flatnonzero(brighter_around(chosen.vectors, sought.frame_area) < making)
        watch()
        field = field_of(chosen, sought.area)
        yield from triangles.search(stars, field, rows, sought, check=watch)

    def _by_local_patterns(
        self, stars: StarList, hint: SolveHint, centre: Vector, radius: float, watch: Watch
    ) -> Iterator[Approximation]:
        width = field_width(hint, stars.width)
        if width < _NARROWEST_PATTERNS:
            return
        watch()
        database = self._store.local(
            centre, radius, pattern_widths(hint, stars.width), hint.epoch_year
        )
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
        self, stars: StarList, hint: SolveHint, watch: Watch
    ) -> Iterator[Approximation]:
        if too_narrow_for_whole_sky(hint, stars.width):
            if is_hinted(hint):
                return
            field = field_deg(hint, stars) or (0.0, 0.0)
            raise TooNarrowForWholeSky(field, len(stars), _NARROWEST_BLIND / DEG)
        watch()
        with watch.not_counting():
            database = self._store.whole_sky(pattern_widths(hint, stars.width), hint.epoch_year)
        watch()
        guesses = (
            [(field_width(hint, stars.width), hint.scale_tolerance)]
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


def too_narrow_for_whole_sky(hint: SolveHint, columns: int) -> bool:
    """Whether such fields are known to be smaller than is looked for without a pointing."""
    return hint.scale is not None and field_width(hint, columns) < _NARROWEST_BLIND


def within_reach(hint: SolveHint, columns: int) -> SolveHint:
    """Return the hint as far as it is followed: narrow fields have no whole sky to fall back on."""
    narrow = too_narrow_for_whole_sky(hint, columns)
    if hint.centre_icrs is None or not narrow or (hint.radius or 0.0) < _HINT_ENDS:
        return hint
    return replace(hint, radius=0.99 * _HINT_ENDS)


def is_hinted(hint: SolveHint) -> bool:
    """Whether it is known, if only roughly, where the frame points."""
    return hint.centre_icrs is not None and (hint.radius is None or hint.radius < _HINT_ENDS)


def field_width(hint: SolveHint, columns: int) -> float:
    """Horizontal field width, rad; a guess when the scale is unknown."""
    if hint.scale is None:
        return 8.0 * DEG
    return 2.0 * math.atan(0.5 * hint.scale * columns)


def _sought(stars: StarList, hint: SolveHint, centre: Vector, radius: float) -> Sought:
    assert hint.scale is not None  # noqa: S101 - narrows the type; the callers have looked
    return Sought(
        centre,
        radius,
        hint.scale,
        hint.scale_tolerance,
        hint.parity,
        _prior(hint, radius),
        stars.width,
        stars.height,
    )


def _asked(hint: SolveHint) -> float:
    """How far around a hint is searched at first, rad."""
    return max(0.2 * DEG, 5.0 * DEG if hint.radius is None else hint.radius)


def pattern_widths(hint: SolveHint, columns: int) -> Widths:
    """Return the field widths that patterns for such frames serve."""
    if hint.scale is None:
        return _BLIND_WIDTHS
    return Widths.around(field_width(hint, columns), hint.scale_tolerance)


def _prior(hint: SolveHint, radius: float) -> Prior:
    tolerance = 1.5 if hint.scale is None else max(0.01, hint.scale_tolerance)
    solid_angle = 2.0 * math.pi * (1.0 - math.cos(min(radius, math.pi)))
    return Prior(solid_angle, tolerance, 2 if hint.parity is None else 1)


def field_deg(hint: SolveHint, stars: StarList) -> tuple[float, float] | None:
    """Return width and height of the field, degrees; None when the scale is unknown."""
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
