"""What every solver must do, to be run by the tests of each implementation.

Use: ``class TestMine(SolverContract)`` with a fixture ``solver`` that returns one. Frames are
small renderings of real catalogue stars (rendered.py).
"""

from __future__ import annotations

import contextlib
import pickle
import threading
import time
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from solving.rendered import attitude_errors_px, hint_for, render
from solving.synthetic import Truth

from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import DEG
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, SolveError
from polewright.solving.base import MEASURED_SCALE, SolveHint, Solver
from polewright.solving.errors import NoMatch, SolutionRejected, SolverTimedOut, TooFewStars

FIELDS = {
    "north": (80.0, 30.0, 20.0, 5.4, 1),
    "mirrored-south": (266.0, -29.0, 200.0, 5.4, -1),
    "pole": (10.0, 89.2, 77.0, 5.4, 1),
    "wide": (0.02, 40.0, 300.0, 20.0, -1),
}


@cache
def scene() -> tuple[Frame, Truth, StarList]:
    """The frame of most tests, rendered once: nobody changes it."""
    frame, truth = render(80.0, 30.0, 20.0, 5.4, 1, zero_point=19)
    frame.pixels.flags.writeable = False
    return frame, truth, detect_stars(frame)


def solve(
    solver: Solver,
    stars: StarList,
    hint: SolveHint,
    frame: Frame,
    *,
    timeout_s: float = 120.0,
    cancel: CancelToken | None = None,
) -> Solution:
    given = frame if solver.needs_image else None
    return solver.solve(stars, hint, frame=given, timeout_s=timeout_s, cancel=cancel)


class SolverContract:
    """Inherit and provide the fixture ``solver``."""

    #: Most that the boresight and the roll at a corner may be off, pixels.
    accuracy_px = 1.0
    #: Only against a hang, s: a stop that is not heard takes the solve's whole time, twice this.
    prompt_s = 60.0
    #: Time that a search may take which has to fail, s.
    in_vain_s = 6.0

    @pytest.mark.parametrize("field", FIELDS)
    def test_solves_with_a_hint(self, solver: Solver, field: str) -> None:
        """Right place, roll, parity and scale from a pointing 1 degree and a scale 2 % off."""
        ra, dec, roll, width, parity = FIELDS[field]
        frame, truth = render(ra, dec, roll, width, parity, zero_point=19 if width < 10 else 17)
        stars = detect_stars(frame)
        solution = solve(solver, stars, hint_for(truth), frame)
        boresight, rolled = attitude_errors_px(solution.attitude_icrs, truth)

        assert solution.parity == parity
        assert solution.scale == pytest.approx(truth.scale, rel=1e-3)
        assert boresight < self.accuracy_px
        assert rolled < self.accuracy_px
        self.check_form(solution, stars)

    def check_form(self, solution: Solution, stars: StarList) -> None:
        """Shapes, rotation and covariance are what base.py promises."""
        n = len(solution.pixels)
        assert solution.pixels.shape == (n, 2)
        assert solution.icrs.shape == (n, 3)
        assert solution.sigma_px.shape == (n,)
        assert n == solution.matched or solution.from_grid
        assert n >= 4
        assert (solution.width, solution.height) == (stars.width, stars.height)
        attitude = solution.attitude_icrs
        assert np.allclose(attitude.T @ attitude, np.eye(3), atol=1e-12)
        assert np.linalg.det(attitude) == pytest.approx(1.0)
        assert np.allclose(np.linalg.norm(solution.icrs, axis=1), 1.0)
        assert (np.linalg.eigvalsh(solution.covariance) > 0.0).all()
        camera = solution.icrs @ attitude
        seen = solution.pixels - [(stars.width - 1) / 2, (stars.height - 1) / 2]
        seen = seen * [solution.parity, 1]
        r2 = np.sum(seen**2, axis=1, keepdims=True) / (stars.width / 2) ** 2
        model = camera[:, :2] / camera[:, 2:] / solution.scale
        off = seen * (1.0 + solution.distortion.k1 * r2) - model
        assert np.median(np.linalg.norm(off, axis=1)) < 2.0

    def test_blank_frame(self, solver: Solver) -> None:
        """Noise without stars: says how many stars were found and how many are needed."""
        frame, truth = render(80.0, 30.0, 20.0, 5.4, 1, zero_point=0.0)
        stars = detect_stars(frame)

        with pytest.raises(TooFewStars) as caught:
            solve(solver, stars, hint_for(truth), frame)
        assert caught.value.found == len(stars) == 0
        assert caught.value.needed > 0
        assert caught.value.advice
        assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)

    def test_wrong_hint(self, solver: Solver) -> None:
        """A pointing 90 degrees wrong ends in an error that is not a solution, with advice."""
        frame, truth, stars = scene()
        hint = replace(hint_for(truth), centre_icrs=truth.attitude[:, 0].copy(), radius=4 * DEG)

        with pytest.raises((NoMatch, SolverTimedOut)) as caught:
            solve(solver, stars, hint, frame, timeout_s=self.in_vain_s)
        assert isinstance(caught.value, SolveError)
        assert caught.value.advice

    def test_wrong_scale(self, solver: Solver) -> None:
        """A scale that is wrong by half is where the search begins: the stars' own is found. Not
        so one that stars told before: that ends in an error."""
        frame, truth, stars = scene()
        hint = replace(hint_for(truth), scale=1.5 * truth.scale)
        measured = replace(hint, scale_tolerance=MEASURED_SCALE)
        solution = solve(solver, stars, hint, frame)

        assert max(attitude_errors_px(solution.attitude_icrs, truth)) < self.accuracy_px
        assert solution.scale == pytest.approx(truth.scale, rel=2e-3)
        with pytest.raises((NoMatch, SolutionRejected, SolverTimedOut)):
            solve(solver, stars, measured, frame, timeout_s=self.in_vain_s)

    def test_stars_that_are_not_the_sky(self, solver: Solver) -> None:
        """Random positions: an error, not a solution."""
        frame, truth, stars = scene()
        rng = np.random.default_rng(5)
        x, y = rng.uniform(0, stars.width, len(stars)), rng.uniform(0, stars.height, len(stars))
        noise = rng.poisson(200.0, frame.pixels.shape)
        for cx, cy in zip(x.astype(int), y.astype(int), strict=True):
            noise[max(0, cy - 1) : cy + 2, max(0, cx - 1) : cx + 2] += 3000
        false = replace(frame, pixels=noise.astype(np.uint16))

        with pytest.raises((NoMatch, SolutionRejected, SolverTimedOut)):
            solve(
                solver, replace(stars, x=x, y=y), hint_for(truth), false, timeout_s=self.in_vain_s
            )

    def test_timeout(self, solver: Solver) -> None:
        """With no time to speak of it ends promptly, either timed out or solved."""
        frame, truth, stars = scene()
        hint = hint_for(truth)
        began = time.monotonic()
        with contextlib.suppress(SolverTimedOut):
            solve(solver, stars, hint, frame, timeout_s=1e-3)
        assert time.monotonic() - began < self.prompt_s

    def test_cancel_before(self, solver: Solver) -> None:
        """A raised token stops it at once."""
        frame, truth, stars = scene()
        cancel = CancelToken()
        cancel.cancel("test")

        with pytest.raises(Cancelled):
            solve(solver, stars, hint_for(truth), frame, cancel=cancel)

    def test_cancel_during(self, solver: Solver) -> None:
        """A token raised while it works stops it promptly (or it was done before)."""
        frame, truth, stars = scene()
        hint = hint_for(truth)
        cancel = CancelToken()
        raised_at: list[float] = []

        def stop() -> None:
            raised_at.append(time.monotonic())
            cancel.cancel("test")

        timer = threading.Timer(0.05, stop)
        timer.start()
        try:
            solve(solver, stars, hint, frame, cancel=cancel)
        except Cancelled:
            assert time.monotonic() - raised_at[0] < self.prompt_s
        finally:
            timer.cancel()
            timer.join()
