"""Builds an add-on catalogue: join the files, check them against sense and the bundled stars."""

from __future__ import annotations

import glob
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, DEG, TAU, unit_vector
from polewright.foundation.language import say
from polewright.solving.catalogue.addon import AddOnHeader, write_addon
from polewright.solving.catalogue.addon_read import ReadStars, read_stars
from polewright.solving.catalogue.addon_table import ReadOptions
from polewright.solving.catalogue.catalogue import (
    GAIA_EPOCH,
    Catalogue,
    StarColumns,
    bundled_catalogue,
)
from polewright.solving.catalogue.density import SkyDensity, bundled_density
from polewright.solving.errors import CatalogueRefused

BRIGHTEST, FAINTEST = -2.0, 25.0
"""Magnitudes that a star of a catalogue can have."""
FASTEST = 11.0 * ARCSEC
"""Per year: Barnard's Star, the fastest, moves 10.4 arcsec per year (from memory)."""
SAME = 1.0 * ARCSEC
"""Entries of about the same magnitude nearer than this are one star listed twice."""
FEWEST = 100
"""A catalogue of fewer stars is refused (own choice)."""

_COMPARED = (5.0, 9.3)
"""Magnitudes looked up: bright enough to be in the bundled catalogue in any visual band."""
_FEW_AGREE, _MOST_AGREE = 0.2, 0.9
"""Share of them found there below which a catalogue is refused, and below which it is warned of
(own choices)."""
_SHIFTED = 1.0 * ARCSEC
"""A common shift of them above this is warned of (own choice)."""


@dataclass(frozen=True)
class Built:
    """What a build came to."""

    header: AddOnHeader
    path: Path
    blank: int
    """Rows without position or magnitude."""
    duplicates: int
    columns: tuple[str, ...]
    """Of each file, the columns used."""
    warnings: tuple[str, ...]
    density: SkyDensity
    """Of the bundled catalogue and this one together."""


def files_of(patterns: Sequence[str]) -> list[Path]:
    """Return the files that names, patterns and folders mean.

    Raises:
        CatalogueRefused: one means nothing.
    """
    found: list[Path] = []
    for pattern in patterns:
        path = Path(pattern).expanduser()
        if path.is_dir():
            more = sorted(path.glob("index-*.fits"))
        elif path.exists() or not glob.has_magic(pattern):
            more = [path]
        else:
            more = [Path(item) for item in sorted(glob.glob(str(path)))]  # noqa: PTH207 - absolute too
        if not more:
            raise CatalogueRefused(pattern, say("no file matches this"))
        found += [item for item in more if item not in found]
    return found


def build(
    sources: Sequence[Path],
    target: Path,
    name: str,
    options: ReadOptions,
    *,
    faintest: float | None = None,
    utc_s: float,
    tell_line: Callable[[str], None] = lambda _sentence: None,
) -> Built:
    """Read, check and store a catalogue.

    Args:
        sources: files.
        target: file to write.
        name: what it is called.
        options: about columns, units and the epoch.
        faintest: stars fainter than this magnitude are left out.
        utc_s: now, Unix seconds.
        tell_line: called with a sentence for each slow step.

    Raises:
        CatalogueRefused: the files are no catalogue; nothing was written.
        CatalogueUnusable: it cannot be written.
    """
    parts: list[ReadStars] = []
    for source in sources:
        tell_line(say("Reading {source}.", source=source))
        part = read_stars(source, options)
        check_ranges(part)
        parts.append(part)
    stars, epoch, warnings = _joined(parts, faintest)
    tell_line(say("{stars} stars read; looking for duplicates.", stars=len(stars)))
    keep = ~duplicated(stars)
    duplicates = int(np.count_nonzero(~keep))
    stars = stars.take(np.flatnonzero(keep))
    if len(stars) < FEWEST:
        raise CatalogueRefused(
            str(sources[0]),
            say(
                "only {stars} stars are left, {fewest} are needed at least",
                stars=len(stars),
                fewest=FEWEST,
            ),
        )
    tell_line(say("Comparing with the bundled catalogue."))
    agreement = compare(stars, epoch, bundled_catalogue())
    warnings += _judged(sources, agreement, epoch)
    vectors = unit_vector(stars.ra, stars.dec)
    counts = SkyDensity.of(vectors, stars.magnitude)
    extra = SkyDensity.of(vectors[agreement.extra], stars.magnitude[agreement.extra])
    header = AddOnHeader(
        name=name,
        sources=tuple(str(source) for source in sources),
        built_utc=datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds"),
        epoch_year=epoch,
        moving=stars.pm_ra is not None,
        stars=len(stars),
        brightest=float(np.min(stars.magnitude)),
        faintest=round(float(np.percentile(stars.magnitude, 99.0)), 2),
        extra_stars=int(np.count_nonzero(agreement.extra)),
        covered=round(counts.covered, 4),
        compared=agreement.compared,
        agreeing=agreement.share,
        offset_arcsec=agreement.offset_arcsec,
    )
    tell_line(say("Writing {target}.", target=target))
    header = write_addon(target, header, stars, counts, extra)
    return Built(
        header=header,
        path=target,
        blank=sum(part.blank for part in parts),
        duplicates=duplicates,
        columns=tuple(part.columns for part in parts),
        warnings=tuple(warnings),
        density=extra + bundled_density(),
    )


def check_ranges(part: ReadStars) -> None:
    """Refuse values that no star has; names the first row.

    Raises:
        CatalogueRefused: as said.
    """
    stars = part.stars
    fastest = FASTEST / ARCSEC
    checks: list[tuple[str, NDArray[Any], float, float, float, str]] = [
        (say("right ascension"), stars.ra, -TAU, TAU + 1e-9, DEG, "deg"),
        ("declination", stars.dec, -math.pi / 2 - 1e-12, math.pi / 2 + 1e-12, DEG, "deg"),
        ("magnitude", stars.magnitude, BRIGHTEST, FAINTEST, 1.0, "mag"),
    ]
    for axis, motion in ((say("pm in RA"), stars.pm_ra), (say("pm in Dec"), stars.pm_dec)):
        if motion is not None:
            checks.append((axis, motion / ARCSEC, -fastest, fastest, 1.0, say("arcsec per year")))
    found: list[tuple[str, int, str]] = []
    for column, values, low, high, unit, word in checks:
        wrong = np.flatnonzero(~((values >= low) & (values <= high)))
        if wrong.size:
            what = say(
                "{values:g} {word} is outside {low:g} to {high:g} (rows like this: "
                "{size} of {stars})",
                values=float(values[wrong[0]]) / unit,
                word=word,
                low=low / unit,
                high=high / unit,
                size=wrong.size,
                stars=len(stars),
            )
            found.append((column, int(part.rows[wrong[0]]), what))
    if found:
        (column, row, what), *others = found
        also = "".join(
            say("; column {column!r}, row {row}: {problem}", column=c, row=r, problem=w)
            for c, r, w in others
        )
        reason = say(
            "{problem}{also}; columns used: {columns}",
            problem=what,
            also=also,
            columns=part.columns,
        )
        raise CatalogueRefused(str(part.path), reason, column, row)


def _joined(
    parts: Sequence[ReadStars], faintest: float | None
) -> tuple[StarColumns, float, list[str]]:
    """Return all stars at one epoch."""
    warnings = []
    epoch = parts[0].epoch_year
    moving = all(part.stars.pm_ra is not None for part in parts)
    if not moving:
        if any(part.stars.pm_ra is not None for part in parts):
            warnings.append(say("Proper motions are left out: not every file has them."))
        else:
            warnings.append(
                say(
                    "The stars have no proper motions and stay where they were in "
                    "{epoch:.1f}; attitudes are less certain by their motion since.",
                    epoch=epoch,
                )
            )
    assumed = sorted({part.epoch_year for part in parts if not part.epoch_told})
    if assumed:
        years = " and ".join(f"{year:.1f}" for year in assumed)
        warnings.append(say("The epoch {years} was assumed; --epoch tells it.", years=years))
    for part in parts:
        if abs(part.epoch_year - epoch) > 0.05 and not moving:
            raise CatalogueRefused(
                str(part.path),
                say(
                    "its epoch is {epoch_year:.1f}, that of {name} {epoch:.1f}, and there "
                    "are no proper motions to join them",
                    epoch_year=part.epoch_year,
                    name=parts[0].path.name,
                    epoch=epoch,
                ),
            )
    moved = [_at_epoch(part, epoch) for part in parts]
    every = StarColumns(
        np.concatenate([item.ra for item in moved]),
        np.concatenate([item.dec for item in moved]),
        np.concatenate([item.magnitude for item in moved]),
        np.concatenate([item.pm_ra for item in moved if item.pm_ra is not None])
        if moving
        else None,
        np.concatenate([item.pm_dec for item in moved if item.pm_dec is not None])
        if moving
        else None,
    )
    if faintest is not None:
        every = every.take(np.flatnonzero(every.magnitude <= faintest))
    return every, epoch, warnings


def _at_epoch(part: ReadStars, epoch: float) -> StarColumns:
    """Return the stars where they stand at another epoch, if they are known to move."""
    stars = part.stars
    years = epoch - part.epoch_year
    if stars.pm_ra is None or stars.pm_dec is None or years == 0.0:
        return stars
    return StarColumns(
        stars.ra + years * stars.pm_ra / np.maximum(np.cos(stars.dec), 1e-6),
        np.clip(stars.dec + years * stars.pm_dec, -math.pi / 2, math.pi / 2),
        stars.magnitude,
        stars.pm_ra,
        stars.pm_dec,
    )


def duplicated(stars: StarColumns) -> NDArray[np.bool_]:
    """Mark all but one of entries nearer than `SAME` whose magnitudes agree within one."""
    from scipy.spatial import cKDTree

    out = np.zeros(len(stars), dtype=np.bool_)
    pairs = cKDTree(unit_vector(stars.ra, stars.dec)).query_pairs(SAME, output_type="ndarray")
    if pairs.size:
        a, b = pairs[:, 0], pairs[:, 1]
        alike = np.abs(stars.magnitude[a] - stars.magnitude[b]) <= 1.0
        out[np.maximum(a, b)[alike]] = True
    return out


@dataclass(frozen=True, eq=False)
class Agreement:
    """What looking stars up in the bundled catalogue told."""

    compared: int
    share: float | None
    offset_arcsec: float | None
    shift_arcsec: float
    """Length of the mean vector of the offsets: a common shift."""
    extra: NDArray[np.bool_]
    """(N,) stars that the bundled catalogue does not have."""


def compare(stars: StarColumns, epoch: float, bundled: Catalogue) -> Agreement:
    """Look every star up in the bundled catalogue, moved to its epoch where motions are known."""
    from scipy.spatial import cKDTree

    years = GAIA_EPOCH - epoch
    ra, dec = stars.ra, stars.dec
    reach = 3.0 * ARCSEC
    if stars.pm_ra is not None and stars.pm_dec is not None:
        ra = ra + years * stars.pm_ra / np.maximum(np.cos(dec), 1e-6)
        dec = dec + years * stars.pm_dec
    else:
        # stars of this brightness move 0.1 arcsec a year and more only now and then
        reach += 0.1 * ARCSEC * abs(years)
    vectors = unit_vector(ra, dec)
    near = np.arange(len(bundled))
    if len(stars) < len(bundled) // 10:  # few stars are mostly in one part of the sky
        low, high = float(np.min(vectors[:, 2])) - reach, float(np.max(vectors[:, 2])) + reach
        near = np.flatnonzero((bundled.vectors[:, 2] >= low) & (bundled.vectors[:, 2] <= high))
    distance, index = cKDTree(bundled.vectors[near]).query(vectors, distance_upper_bound=reach)
    known = np.isfinite(distance)
    bright = (stars.magnitude >= _COMPARED[0]) & (stars.magnitude <= _COMPARED[1])
    compared = int(np.count_nonzero(bright))
    both = bright & known
    if compared < 20:
        return Agreement(compared, None, None, 0.0, ~known)
    share = float(np.count_nonzero(both) / compared)
    if not np.any(both):
        return Agreement(compared, share, None, 0.0, ~known)
    step = vectors[both] - bundled.vectors[near[index[both]]]
    east = np.stack([-np.sin(ra[both]), np.cos(ra[both])], axis=1)
    along = np.sum(step[:, :2] * east, axis=1)
    up = step[:, 2] / np.maximum(np.cos(dec[both]), 1e-3)
    shift = math.hypot(float(np.median(along)), float(np.median(up))) / ARCSEC
    offset = float(np.median(distance[both])) / ARCSEC
    return Agreement(compared, round(share, 4), round(offset, 3), shift, ~known)


def _judged(sources: Sequence[Path], agreement: Agreement, epoch: float) -> list[str]:
    """Return what is odd about the agreement.

    Raises:
        CatalogueRefused: the two are not of the same sky.
    """
    if agreement.share is None:
        return [
            say(
                "Only {stars} stars of magnitude {brightest:g} to {faintest:g}: too "
                "few to compare with the bundled catalogue.",
                stars=agreement.compared,
                brightest=_COMPARED[0],
                faintest=_COMPARED[1],
            )
        ]
    if agreement.share < _FEW_AGREE:
        raise CatalogueRefused(
            str(sources[0]),
            say(
                "of {stars} stars of magnitude {brightest:g} to {faintest:g} only "
                "{share:.1%} are where the bundled catalogue has one (epoch {epoch:.1f})",
                stars=agreement.compared,
                brightest=_COMPARED[0],
                faintest=_COMPARED[1],
                share=agreement.share,
                epoch=epoch,
            ),
            "",
            None,
            say(
                "Are these the columns of right ascension and declination, in the units "
                "told, for equinox J2000 (ICRS), and is the epoch right?"
            ),
        )
    said = []
    if agreement.share < _MOST_AGREE:
        said.append(
            say(
                "Only {share:.0%} of the {compared} bright stars compared are in the bundled "
                "catalogue.",
                share=agreement.share,
                compared=agreement.compared,
            )
        )
    if agreement.shift_arcsec > _SHIFTED / ARCSEC:
        said.append(
            say(
                "The bright stars are shifted by {shift_arcsec} as a whole.",
                shift_arcsec=angle_text(agreement.shift_arcsec * ARCSEC),
            )
        )
    return said
