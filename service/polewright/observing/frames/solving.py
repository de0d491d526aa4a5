"""Solves many frames in parallel processes, each once: what was found is kept for the next time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

from polewright import __version__
from polewright.calculation.geometry.attitude import STAR_FLOOR, Attitude, attitude_from_solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, Vector
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import PolewrightError, SolveError
from polewright.foundation.language import say
from polewright.observing.frames.header import FrameHeader, FrameUnusable, read_frame
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.observing.rig.rig import nominal_scale
from polewright.observing.runs.connect import configured_solver
from polewright.solving.errors import NoMatch, TooFewStars

log = logging.getLogger(__name__)

#: Kept solutions of a folder that nobody asked for so long are deleted, s (own choice).
KEPT_S = 60.0 * 86400.0
#: Fewer frames than this are solved in this process: starting others takes a second or two each.
FEWEST_FOR_HELPERS = 8
#: Of pixels that tell a frame's content: every so many-th.
_SAMPLE = 97
_GRID_SIGMA_PX = 0.3
#: The sky turns by less than a hundredth of an arcsecond in this time, s.
SAME_MOMENT_S = 5e-4


@dataclass(frozen=True, eq=False)
class Solved:
    """What became of one frame."""

    attitude: Attitude | None
    """None where it was not solved."""
    icrs: Vector
    """(3,) where its centre lies among the stars."""
    width: int
    solver: str
    content: str
    """The same for files with the same pixels; empty where only the header was read."""
    failed: str = ""
    """Why it was not solved; the same words for all that failed alike."""


class FrameSolver:
    """Solves frames one after the other and remembers each camera's scale."""

    def __init__(self, config: Config, site: Site, air: Atmosphere) -> None:
        self._config, self._site, self._air = config, site, air
        self._solver = configured_solver(config)
        self._plates: dict[tuple[str, int, int], PlateSolver] = {}

    def solve(self, header: FrameHeader) -> Solved:
        """Find the stars of a file and solve it. Never raises for what is in the file."""
        content = ""
        try:
            frame = read_frame(header)
            content = _content(frame)
            stars = detect_stars(frame)
            plates = self._plates_of(header, frame)
            plates.blind = not plates.learned
            plate = plates.solve(stars, frame, header.mount_icrs, CancelToken())
        except (PolewrightError, ValueError, MemoryError) as exc:
            return Solved(None, np.zeros(3), header.width, "", content, _why(exc))
        solution = plate.solution
        return Solved(
            plate.attitude, solution.centre_icrs, solution.width, solution.solver, content
        )

    def by_wcs(self, header: FrameHeader) -> Solved:
        """Take the attitude from the WCS in the header; its covariance is a guess."""
        from astropy.io.fits import Header

        from polewright.solving.external.external_solution import from_grid
        from polewright.solving.external.wcs import attitude_from_header

        cards = Header()
        for key, value in header.cards.items():
            with contextlib.suppress(ValueError, TypeError):
                cards[key] = value
        try:
            found = attitude_from_header(cards, header.width, header.height, "WCS")
        except SolveError as exc:
            return Solved(None, np.zeros(3), header.width, "", "", _why(exc))
        solution = from_grid(found, header.width, header.height, _GRID_SIGMA_PX, "WCS")
        sky = ObservedFrame.at(self._site, self._air, header.utc_mid_s)
        attitude = attitude_from_solution(solution, sky, star_floor_rad=STAR_FLOOR)
        return Solved(attitude, solution.centre_icrs, header.width, "WCS", "")

    def _plates_of(self, header: FrameHeader, frame: Frame) -> PlateSolver:
        key = (header.camera, header.width, header.height)
        if key not in self._plates:
            optics, section = self._config.optics, self._config.solver
            binned_um = None
            if optics.pixel_um is not None:
                binned_um = optics.pixel_um * self._config.camera.binning
            focal_mm = header.focal_length_mm or optics.focal_length_mm
            self._plates[key] = PlateSolver(
                self._solver,
                self._site,
                self._air,
                nominal_scale=nominal_scale(focal_mm, frame.pixel_um or binned_um),
                hint_radius=section.hint_radius_deg * DEG,
                blind=True,
                timeout_s=section.timeout_s,
                k1=optics.distortion_k1 or 0.0,
            )
        return self._plates[key]


def _content(frame: Frame) -> str:
    sample = np.ascontiguousarray(frame.pixels.reshape(-1)[::_SAMPLE])
    return hashlib.blake2b(sample.tobytes(), digest_size=12).hexdigest()


def _why(error: Exception) -> str:
    if isinstance(error, FrameUnusable):
        return error.kind
    if isinstance(error, TooFewStars):
        return say("too few stars to solve it")
    if isinstance(error, NoMatch):
        return say("its stars match no place (clouds, trails, or another field than expected)")
    return str(error)


class KeptSolutions:
    """What earlier runs found about files, one file of JSON lines for each folder of frames."""

    def __init__(self, frames: Path, depends: str) -> None:
        """Open.

        Args:
            frames: the folder of frames.
            depends: what the solutions depend on beside the file: another word, another solution.
        """
        folder = Path(platformdirs.user_state_dir("polewright")) / "frames"
        name = hashlib.sha256(str(frames.resolve()).encode()).hexdigest()[:20]
        self.path = folder / f"{name}.jsonl"
        self._depends = depends
        self._found: dict[tuple[str, int, int], Solved] = {}
        _forget_old(folder)
        with contextlib.suppress(OSError):
            for line in self.path.read_text(encoding="utf-8").splitlines():
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    self._take(json.loads(line))
            os.utime(self.path)

    def _take(self, entry: dict[str, Any]) -> None:
        if entry["depends"] == self._depends:
            path, size, mtime_ns = entry["key"]
            self._found[path, size, mtime_ns] = _solved(entry["solved"])

    def get(self, header: FrameHeader) -> Solved | None:
        """Return what was found about a file as it is now; None where nothing was.

        Nor where it was taken to be of another time: the sky of then had turned otherwise.
        """
        found = self._found.get(header.key)
        if found is None or found.attitude is None:
            return found
        same = abs(found.attitude.utc_s - header.utc_mid_s) < SAME_MOMENT_S
        return found if same else None

    def put(self, header: FrameHeader, solved: Solved) -> str:
        """Keep it; return what went wrong, empty when nothing did."""
        self._found[header.key] = solved
        entry = {"key": header.key, "depends": self._depends, "solved": _plain(solved)}
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(entry) + "\n")
        except OSError as exc:
            return say("{path} cannot be written: {exc}", path=self.path, exc=exc)
        return ""


def _forget_old(folder: Path) -> None:
    with contextlib.suppress(OSError):
        for path in folder.glob("*.jsonl"):
            if time.time() - path.stat().st_mtime > KEPT_S:
                path.unlink()


def _plain(solved: Solved) -> dict[str, Any]:
    a = solved.attitude
    return {
        "icrs": solved.icrs.tolist(),
        "width": solved.width,
        "solver": solved.solver,
        "content": solved.content,
        "failed": str(solved.failed),
        "attitude": None
        if a is None
        else {
            "matrix": a.matrix.tolist(),
            "covariance": a.covariance.tolist(),
            "utc_s": a.utc_s,
            "parity": a.parity,
            "scale": a.scale,
            "matched": a.matched,
            "chi2_per_dof": a.chi2_per_dof,
            "rms_px": a.rms_px,
        },
    }


def _solved(plain: dict[str, Any]) -> Solved:
    a = plain["attitude"]
    attitude = None
    if a is not None:
        arrays = {name: np.array(a[name]) for name in ("matrix", "covariance")}
        attitude = Attitude(**{**a, **arrays})
    return Solved(
        attitude,
        np.array(plain["icrs"]),
        plain["width"],
        plain["solver"],
        plain["content"],
        plain["failed"],
    )


def depends_on(config: Config, site: Site, air: Atmosphere) -> str:
    """Return a word for all that bears on a solution beside the file."""
    said = json.dumps(
        [
            __version__,
            config.solver.model_dump(mode="json"),
            config.optics.model_dump(mode="json"),
            [site.latitude_deg, site.longitude_deg, site.elevation_m],
            [round(air.pressure_hpa, 1), round(air.temperature_c, 1)],
        ]
    )
    return hashlib.sha256(said.encode()).hexdigest()[:16]


_worker: FrameSolver | None = None


def _begin(config: Config, site: Site, air: Atmosphere) -> None:
    """Begin a helper process: Ctrl-C is for the process that started it."""
    global _worker  # noqa: PLW0603 - a helper process is one solver
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _worker = FrameSolver(config, site, air)


def _work(header: FrameHeader) -> Solved:
    if _worker is None:
        raise RuntimeError("the helper was not begun")
    return _worker.solve(header)


def solve_all(
    headers: Sequence[FrameHeader],
    config: Config,
    site: Site,
    air: Atmosphere,
    cancel: CancelToken,
    done: Callable[[FrameHeader, Solved], None],
) -> None:
    """Solve files; ``done`` hears of each as it is ready.

    Raises:
        Cancelled: it was asked to stop; what was ready has been told.
    """
    helpers = min(_cores(), len(headers) // (FEWEST_FOR_HELPERS // 2))
    if helpers < 2 or len(headers) < FEWEST_FOR_HELPERS:
        _one_by_one(headers, FrameSolver(config, site, air), cancel, done)
        return
    pool = ProcessPoolExecutor(
        helpers, multiprocessing.get_context("spawn"), _begin, (config, site, air)
    )
    ready: set[Path] = set()
    try:
        for header, solved in _in_parallel(pool, headers, helpers, cancel):
            ready.add(header.path)
            done(header, solved)
    except BrokenProcessPool:  # one was killed: most likely the memory was too small for them
        log.warning("frames.helper_killed left=%d: one after the other", len(headers) - len(ready))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    left = [header for header in headers if header.path not in ready]
    if left:
        _one_by_one(left, FrameSolver(config, site, air), cancel, done)


def _one_by_one(
    headers: Sequence[FrameHeader],
    solver: FrameSolver,
    cancel: CancelToken,
    done: Callable[[FrameHeader, Solved], None],
) -> None:
    for header in headers:
        cancel.check()
        done(header, solver.solve(header))


def _in_parallel(
    pool: ProcessPoolExecutor, headers: Sequence[FrameHeader], helpers: int, cancel: CancelToken
) -> Iterator[tuple[FrameHeader, Solved]]:
    waiting = list(reversed(headers))
    running: dict[Future[Solved], FrameHeader] = {}
    while waiting or running:
        cancel.check()
        while waiting and len(running) < 2 * helpers:
            header = waiting.pop()
            running[pool.submit(_work, header)] = header
        ready, _ = wait(running, timeout=0.2, return_when=FIRST_COMPLETED)
        for future in ready:
            yield running.pop(future), future.result()


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
