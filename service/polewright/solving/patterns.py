"""Four-star patterns: recognises a field with few assumptions, by the ``tetra3rs`` library.

Two kinds of database serve. A *local* one covers a cone around the hint; it takes a tenth of a
second to build (measured 0.1 to 0.7 s for 3 to 10 degrees of hint radius) and lives in memory.
The *whole-sky* one is for frames without a hint; it takes 4 to 52 s once for a set-up (the
narrowest fields longest) and is kept in the user's cache folder.
"""

from __future__ import annotations

import hashlib
import math
import os
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from polewright.angles import DEG, Vector
from polewright.errors import in_words
from polewright.images.frame import StarList
from polewright.solving.catalogue import GAIA_EPOCH, StarSource, write_gaia_format
from polewright.solving.errors import SolverMissing
from polewright.solving.evidence import Approximation, Prior
from polewright.solving.fitting import centred

Progress = Callable[[str], None]
"""Called with a sentence when slow work starts and when it has ended."""

_FORMAT = 2
_LOCAL_KEPT = 6
_PATTERN_STARS = 24


def library() -> Any:
    """Return the ``tetra3rs`` module.

    Raises:
        SolverMissing: it is not installed (no wheel exists for every computer).
    """
    try:
        import tetra3rs
    except ImportError as exc:
        raise SolverMissing(
            "embedded",
            f"the library tetra3rs cannot be loaded ({exc})",
            "Give a pointing hint and the focal length (hinted frames need no tetra3rs), install "
            "tetra3rs where a wheel exists for this computer, or set the solver to 'command' "
            "with a locally installed program such as solve-field.",
        ) from exc
    return tetra3rs


@dataclass(frozen=True)
class Widths:
    """Range of horizontal field widths (rad) that a database serves."""

    low: float
    high: float

    @staticmethod
    def around(width: float, tolerance: float) -> Widths:
        """Return the range for a known width, with a margin; in steps, so that caches are met.

        The margins are measured: 0.85 to 1.1 makes the library lay patterns of two sizes, 0.9 to
        1.1 of only one, half as many, and then crowded fields fail. Steps of 5 % keep near set-ups
        on one file.
        """
        step = math.log(1.05)
        low = math.floor(math.log(width * min(0.85, 0.97 - tolerance)) / step)
        high = math.ceil(math.log(width * max(1.1, 1.03 + tolerance)) / step)
        return Widths(math.exp(low * step), math.exp(high * step))


class PatternStore:
    """Builds, keeps and finds pattern databases; safe to use from several threads."""

    def __init__(
        self, source: StarSource, cache_dir: Path, on_progress: Progress | None = None
    ) -> None:
        self._source = source
        self._cache_dir = cache_dir
        self._say = on_progress or (lambda _sentence: None)
        self._local: OrderedDict[tuple[object, ...], tuple[Vector, float, Any]] = OrderedDict()
        self._whole: dict[Path, Any] = {}
        self._lock = threading.Lock()

    def local(self, centre: Vector, radius: float, widths: Widths, epoch_year: float) -> Any:
        """Return a database of the cone (rad) around ``centre``; reuses one that covers it."""
        key = (round(math.log(widths.low), 6), round(math.log(widths.high), 6), round(epoch_year))
        with self._lock:
            for name, (middle, reach, database) in self._local.items():
                apart = math.acos(float(np.clip(middle @ centre, -1.0, 1.0)))
                if name[:3] == key and apart + radius <= reach:
                    self._local.move_to_end(name)
                    return database
            reach = radius * 1.2
            # fields whose centre lies anywhere in the cone must be whole
            database = self._build(widths, epoch_year, centre, reach + 0.75 * widths.high)
            self._local[(*key, tuple(np.round(centre, 6)), round(reach, 6))] = (
                centre,
                reach,
                database,
            )
            while len(self._local) > _LOCAL_KEPT:
                self._local.popitem(last=False)
            return database

    def path(self, widths: Widths, epoch_year: float) -> Path:
        """Return the file of the whole-sky database; its name tells all that shaped it."""
        version = getattr(library(), "__version__", "unknown")
        parts = [self._source.name, f"{self._source.limit:.2f}", version, str(_FORMAT)]
        parts += [f"{round(epoch_year)}", f"{widths.low:.6f}", f"{widths.high:.6f}"]
        digest = hashlib.sha256("|".join(parts).encode()).hexdigest()[:12]
        degrees = f"{widths.low / DEG:.2f}-{widths.high / DEG:.2f}deg"
        return self._cache_dir / f"patterns-{version}-{degrees}-{round(epoch_year)}-{digest}.bin"

    def whole_sky(self, widths: Widths, epoch_year: float) -> Any:
        """Return the database of the whole sky: from memory, from the cache folder, or built."""
        path = self.path(widths, epoch_year)
        with self._lock:
            if path not in self._whole:
                database = self._load(path)
                if database is None:
                    degrees = f"{widths.low / DEG:.2f} to {widths.high / DEG:.2f} degrees"
                    self._say(
                        f"Building the pattern database for fields {degrees} wide "
                        "(once for this set-up, up to a minute; a small computer takes longer)."
                    )
                    database = self._build(widths, epoch_year, np.array([0.0, 0.0, 1.0]), math.pi)
                    self._save(path, database)
                    self._say(f"The pattern database is ready: {path}.")
                self._whole[path] = database
            return self._whole[path]

    def _load(self, path: Path) -> Any | None:
        """Return the stored database, or None when it is missing or damaged."""
        if not path.exists():
            return None
        try:
            return library().SolverDatabase.load_from_file(str(path))
        except SolverMissing:
            raise
        except Exception as exc:  # noqa: BLE001 - the library does not say what a damaged file raises
            self._say(f"The pattern database {path} is damaged ({exc}) and is built again.")
            return None

    def _save(self, path: Path, database: Any) -> None:
        """Store whole or not at all; without a writable cache the solver still works."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
            os.close(handle)
            try:
                database.save_to_file(name)
                Path(name).replace(path)
            finally:
                Path(name).unlink(missing_ok=True)
        except OSError as exc:
            self._say(
                f"The pattern database could not be stored in {path.parent}: {in_words(exc)}."
            )

    def _build(self, widths: Widths, epoch_year: float, centre: Vector, radius: float) -> Any:
        """Run the library over the stars of a cone, proper motion already applied by us."""
        stars = self._source.cone(centre, radius, epoch_year)
        wide = widths.high / widths.low > 1.5
        narrow = widths.low < 2.0 * DEG
        with tempfile.TemporaryDirectory(prefix="polewright-") as folder:
            path = Path(folder) / "stars.bin"
            write_gaia_format(path, stars)
            return library().SolverDatabase.generate_from_gaia(
                str(path),
                max_fov_deg=widths.high / DEG,
                min_fov_deg=widths.low / DEG,
                lattice_field_oversampling=10 if wide or narrow else 20,
                patterns_per_lattice_field=20 if wide else 50,
                # the file holds no motions, so this year only must equal the library's own epoch
                epoch_proper_motion_year=GAIA_EPOCH,
            )


def recognise(
    database: Any,
    stars: StarList,
    width: float,
    width_error: float | None,
    *,
    prior: Prior,
    parity: int | None = None,
    timeout_s: float = 5.0,
) -> Approximation | None:
    """Return where the brightest stars were recognised, or None.

    Args:
        database: from `PatternStore`.
        stars: brightest first.
        width: expected horizontal width of the field, rad.
        width_error: how far ``width`` may be off, rad; None when it is a mere guess.
        prior: what was known before, passed on to judge the outcome.
        parity: when known, an answer of the other parity is no answer.
        timeout_s: the library's own limit.
    """
    few = stars.take(slice(0, 200))
    points = np.column_stack([centred(few, 1), few.flux])
    answer = database.solve_from_centroids(
        points,
        fov_estimate_rad=width,
        fov_max_error_rad=width_error,
        image_width=stars.width,
        image_height=stars.height,
        solve_timeout_ms=max(1, round(timeout_s * 1000)),
        pattern_checking_stars=_PATTERN_STARS,
    )
    if not answer:
        return None
    found = -1 if answer.parity_flip else 1
    if parity is not None and found != parity:
        return None
    scale = 2.0 * math.tan(answer.fov_deg * DEG / 2.0) / stars.width
    # the library works in single precision: its matrix is a rotation to 1e-8 only
    left, _, right = np.linalg.svd(np.asarray(answer.rotation_matrix_icrs_to_camera).T)
    return Approximation(
        attitude=np.asarray(left @ right),
        parity=found,
        scale=scale,
        # few stars recognised near the middle say little about the edge
        reach_px=max(12.0, 0.004 * stars.width),
        log10_trials=math.inf,
        fixed_stars=4,
        prior=prior,
    )
