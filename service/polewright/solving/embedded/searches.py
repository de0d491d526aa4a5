"""Searches of a frame for the place it shows, cheapest first.

Around a hint: catalogue pairs at the scale told, in narrow fields triangles, four-star shapes of
any scale, and a longer search for pairs; then, when there is no hint or when that is allowed,
four-star shapes of the whole sky. Each yields hypotheses; whoever asks judges them.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import DEG, Vector
from polewright.foundation.clock import CancelToken
from polewright.solving.base import MEASURED_SCALE, SolveHint
from polewright.solving.catalogue.catalogue import StarSource
from polewright.solving.embedded import pairs, quads, triangles
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.fitting import centred
from polewright.solving.embedded.hypotheses import Sought, brighter_around, evenly, field_of
from polewright.solving.embedded.whole_sky import NARROWEST, WholeSky
from polewright.solving.errors import SolverTimedOut, TooNarrowForWholeSky

_WIDER = 12.0 * DEG
"""A hinted search that found nothing looks so far around once more."""
_FIELDS = (0.25 * DEG, 45.0 * DEG)
"""Widths that are looked for around a hint when the scale is unknown, or not the one told."""
_WHOLE_SKY_FIELDS = (0.9 * DEG, 45.0 * DEG)
"""The same without a hint."""
_FEWEST_WHOLE_SKY = 6
"""Fewer detections never are evidence enough against all places, rolls and scales there are: each
is worth four to five powers of ten, and the places alone are 10^18 (see `Prior.log10_places`)."""
_SPARSE = 4.0 * DEG
"""Wider fields hold enough stars for shapes to be surer than a long search for pairs."""
_HINT_ENDS = 30.0 * DEG
"""A hint vaguer than this is treated as none; where nothing is looked for without one, the search
goes no farther."""
_BENDING = 5.0 * DEG
"""Lenses of wider fields may bend more than shapes bear."""
_LENSES = (0.01, -0.01, 0.02, -0.02, 0.03, -0.03, 0.04, -0.04)
"""Distortions that are tried on wide fields when the one told leads nowhere (own choice)."""
_QUICK_TRIALS = 1.5e5
_MOST_TRIALS = 8e5
"""Hypotheses of the pair search, before and after shapes were tried."""
_STARS_A_FRAME = (25.0, 80.0)
"""Catalogue stars a frame, for the pair search: bright ones first, then deeper."""
_FEWEST_PAIRS = 6.0
"""A pair search that would end after fewer pairs of detections is not begun: measured on fields of
half a degree with a hint 10 degrees off, it found one in four and took longer than shapes, which
found nearly all."""


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

    def cancelled(self) -> None:
        """Look only whether the run was cancelled."""
        if self._cancel is not None:
            self._cancel.check()

    def __call__(self) -> None:
        """Look."""
        self.cancelled()
        if time.monotonic() > self._deadline:
            raise SolverTimedOut(self._solver, self._timeout_s)


class Searches:
    """All searches that the embedded solver knows, over one source of stars."""

    def __init__(self, source: StarSource, sky: WholeSky, *, blind: bool) -> None:
        self._source, self._sky, self._blind = source, sky, blind

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
        fields = _BENDING, _FIELDS[1]
        if hint.centre_icrs is not None and is_hinted(hint):
            asked = _asked(hint)
            yield from self._by_shapes_near(
                stars, hint, hint.centre_icrs, asked, fields, (False,), watch
            )
        else:
            yield from self._by_shapes_anywhere(stars, hint, fields, (False,), watch)

    def _approximations(
        self, stars: StarList, hint: SolveHint, watch: Watch
    ) -> Iterator[Approximation]:
        """Yield hypotheses, the likeliest source first."""
        centre = hint.centre_icrs
        hinted = is_hinted(hint)
        passes = (False, True)
        if hinted and centre is not None:
            asked = _asked(hint)
            wider = max(_WIDER, 1.5 * asked)
            shapes = self._by_shapes_near(stars, hint, centre, wider, _FIELDS, passes, watch)
            if hint.scale is None:
                yield from shapes
            else:
                sparse = field_width(hint, stars.width) < _SPARSE
                yield from self._by_pairs(stars, hint, centre, asked, _QUICK_TRIALS, 1, watch)
                if sparse:
                    yield from self._by_triangles(stars, hint, centre, asked, watch)
                yield from shapes
                if sparse and not hint.quick:
                    yield from self._by_triangles(stars, hint, centre, wider, watch)
                    yield from self._by_pairs(stars, hint, centre, asked, _MOST_TRIALS, 2, watch)
                    yield from self._by_pairs(stars, hint, centre, wider, _MOST_TRIALS, 1, watch)
        if not hinted or hint.scale is None or self._blind:
            yield from self._by_whole_sky(stars, hint, watch)

    def _by_pairs(
        self,
        stars: StarList,
        hint: SolveHint,
        centre: Vector,
        radius: float,
        most_trials: float,
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
            if each * _FEWEST_PAIRS > most_trials:
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

    def _by_shapes_near(
        self,
        stars: StarList,
        hint: SolveHint,
        centre: Vector,
        radius: float,
        fields: tuple[float, float],
        passes: tuple[bool, ...],
        watch: Watch,
    ) -> Iterator[Approximation]:
        """Yield what shapes of the stars around a hint tell, of any size in ``fields`` (rad)."""
        levels: dict[float, quads.Level | None] = {}

        def level(width: float) -> quads.Level | None:
            if width not in levels:
                reach = min(radius + 0.6 * width, math.pi)
                cone = self._source.cone(centre, reach, hint.epoch_year)
                area = 2.0 * math.pi * (1.0 - math.cos(reach))
                levels[width] = quads.level_of(cone.vectors, area, width)
            return levels[width]

        yield from _by_shapes(stars, hint, radius, fields, passes, level, watch)

    def _by_shapes_anywhere(
        self,
        stars: StarList,
        hint: SolveHint,
        fields: tuple[float, float],
        passes: tuple[bool, ...],
        watch: Watch,
    ) -> Iterator[Approximation]:
        def level(width: float) -> quads.Level | None:
            with watch.not_counting():
                return self._sky.level(width, hint.epoch_year, watch.cancelled)

        yield from _by_shapes(stars, hint, math.pi, fields, passes, level, watch)

    def _by_whole_sky(
        self, stars: StarList, hint: SolveHint, watch: Watch
    ) -> Iterator[Approximation]:
        narrow = too_narrow_for_whole_sky(hint, stars.width)
        if len(stars) >= _FEWEST_WHOLE_SKY and not (narrow and is_measured(hint)):
            yield from self._by_shapes_anywhere(
                stars, hint, _WHOLE_SKY_FIELDS, (False, True), watch
            )
        if narrow and not is_hinted(hint):
            field = field_deg(hint, stars) or (0.0, 0.0)
            raise TooNarrowForWholeSky(field, len(stars), NARROWEST / DEG)


def _by_shapes(
    stars: StarList,
    hint: SolveHint,
    radius: float,
    fields: tuple[float, float],
    passes: tuple[bool, ...],
    level: Callable[[float], quads.Level | None],
    watch: Watch,
) -> Iterator[Approximation]:
    """Yield what four-star shapes tell, those of the width told first, else the widest.

    Args:
        stars: brightest first.
        hint: its scale is believed where it was measured, else only where the search begins.
        radius: in which the centre is looked for, rad.
        fields: least and greatest width looked for, rad.
        passes: values of ``deeper``, see `quads.search`, each for all widths.
        level: gives the shapes for a width.
        watch: looked at before each search.
    """
    low, high = fields
    told = None if hint.scale is None else field_width(hint, stars.width)
    if told is not None and is_measured(hint):
        low, high = told * (1.0 - 2.0 * MEASURED_SCALE), told * (1.0 + 2.0 * MEASURED_SCALE)
    widths = quads.widths_between(low, high)
    if told is not None:
        widths.sort(key=lambda width: abs(math.log(width / told)))
    between = [2.0 * math.tan(side / 2.0) / stars.width for side in (low, high)]
    solid_angle = 2.0 * math.pi * (1.0 - math.cos(min(radius, math.pi)))
    prior = Prior(solid_angle, 0.5 * math.log(high / low), 2 if hint.parity is None else 1)
    for deeper in passes:
        for width in widths:
            watch()
            shapes = level(width)
            watch()
            if shapes is not None:
                yield from quads.search(
                    stars,
                    shapes,
                    between=(between[0], between[1]),
                    parity=hint.parity,
                    prior=prior,
                    deeper=deeper,
                )


def too_narrow_for_whole_sky(hint: SolveHint, columns: int) -> bool:
    """Whether the hint's scale makes the field smaller than any looked for in the whole sky."""
    return hint.scale is not None and field_width(hint, columns) < NARROWEST


def within_reach(hint: SolveHint, columns: int) -> SolveHint:
    """Return the hint as far as it is followed: narrow fields have no whole sky to fall back on."""
    narrow = too_narrow_for_whole_sky(hint, columns)
    if hint.centre_icrs is None or not narrow or (hint.radius or 0.0) < _HINT_ENDS:
        return hint
    return replace(hint, radius=0.99 * _HINT_ENDS)


def is_hinted(hint: SolveHint) -> bool:
    """Whether it is known, if only roughly, where the frame points."""
    return hint.centre_icrs is not None and (hint.radius is None or hint.radius < _HINT_ENDS)


def is_measured(hint: SolveHint) -> bool:
    """Whether the scale was told by stars, so that no other is looked for."""
    return hint.scale is not None and hint.scale_tolerance <= MEASURED_SCALE


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


def _prior(hint: SolveHint, radius: float) -> Prior:
    tolerance = max(0.01, hint.scale_tolerance)
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
