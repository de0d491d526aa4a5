"""What drift checks teach of a tube's droop, and what that is worth for later sweeps.

Invented rigs: a droop drawn as of any tube, a tripod that leans, a train that bends, a tracked tube
that flexes (half of it the same each night), frames good to 1 arcsec. Each has so many past pairs
of a sweep and a drift check; then one sweep more. With what was learnt and without: how far its
axis is off, and how often the 95 % region holds the truth. Prints a Markdown table.

    .venv/bin/python tests/bench/learnt_sag.py [RIGS]
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np

from polewright.calculation.drift.estimator import DriftAxis, DriftNoise, combine, fit_field
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import AxisFit, fit_axis
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.learnt_sag import (
    DROOP_TRIED,
    LearntSag,
    SagPair,
    droop_response,
    learnt_sag,
    without_droop,
)
from polewright.calculation.geometry.rotation import rotation_about, rotation_matrix
from polewright.calculation.geometry.shared_errors import (
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
    region_factor,
    standard_sag,
)
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE, Matrix, Vector

SITE = Site(44.6, 9.3, 400.0)
AIRLESS = Atmosphere.none()
AXIS = pole_enu(SITE, PoleTarget.TRUE, AIRLESS)
PRIOR = standard_sag(400.0)
FLOOR = 1.0 * ARCSEC
NOISE = DriftNoise()
REPEATED = 0.5
SWEEP_DEC, SWEEP_HOURS = 80.0 * DEG, np.array([-60.0, -40.0, -20.0]) * DEG
FIELDS = ((-10.0 * DEG, 5.0 * DEG), (-55.0 * DEG, 20.0 * DEG))
PAIRS = (1, 4, 12)


def camera(hour_angle: float, declination: float) -> Matrix:
    """Camera axes as columns, x along the parallel."""
    look = enu_from_hour_angle_dec(SITE, hour_angle, declination)
    x = np.cross(AXIS, look)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(look, x), look])


class Rig:
    """One tube on one mount; a night draws what is of that night."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.droop = PRIOR * rng.normal()
        self.flexure = [self._flexure(REPEATED) for _ in FIELDS]

    def _flexure(self, share: float) -> Vector:
        size = NOISE.flexure_axis * math.sqrt(share)
        across = np.eye(3) - np.outer(AXIS, AXIS)
        return np.asarray(across @ self.rng.normal(size=3) * size)

    def _seen(
        self, matrix: Matrix, turn: float, lean: Vector, bend: Vector, utc_s: float
    ) -> Attitude:
        droop = self.droop * np.cross([0.0, 0.0, 1.0], matrix[:, 2])
        world = rotation_matrix(droop + lean * turn) @ matrix @ rotation_matrix(bend * turn)
        noisy = world @ rotation_matrix(FLOOR * self.rng.normal(size=3))
        return Attitude(noisy, np.eye(3) * (0.1 * ARCSEC) ** 2, utc_s, 1, 1e-5, 30, 1.0, 0.1)

    def sweep(self) -> list[Attitude]:
        """Three points near the pole."""
        lean = STANDARD_LEAN * self.rng.normal(size=3)
        bend = STANDARD_BEND * self.rng.normal(size=3)
        middle = float(np.mean(SWEEP_HOURS))
        return [
            self._seen(camera(hour, SWEEP_DEC), float(hour) - middle, lean, bend, 0.0)
            for hour in SWEEP_HOURS
        ]

    def drift(self, shared: SharedErrors) -> DriftAxis:
        """Two fields of ten minutes."""
        noise = replace(NOISE, shared=shared)
        fits = []
        for (hour, dec), repeated in zip(FIELDS, self.flexure, strict=True):
            lean = STANDARD_LEAN * self.rng.normal(size=3)
            bend = STANDARD_BEND * self.rng.normal(size=3)
            start = camera(hour, dec)
            frames = [
                self._seen(
                    rotation_about(AXIS, -SIDEREAL_RATE * t) @ start,
                    SIDEREAL_RATE * t,
                    lean,
                    bend,
                    t,
                )
                for t in np.arange(0.0, 601.0, 15.0)
            ]
            fit = fit_field(frames, AXIS, noise)
            away = repeated + self._flexure(1.0 - REPEATED)
            moved = fit.axis + away
            fits.append(replace(fit, axis=moved / np.linalg.norm(moved)))
        return combine(fits)


def shared(sag: LearntSag) -> SharedErrors:
    """What frames share, with the droop as it is believed."""
    return SharedErrors(
        sag=sag.sigma, lean=STANDARD_LEAN, bend=STANDARD_BEND, noise_dof=STANDARD_NOISE_DOF,
        droop=sag.mean,
    )  # fmt: skip


def fitted(frames: list[Attitude], sag: LearntSag) -> AxisFit:
    """As a run fits a sweep."""
    return fit_axis(frames, southern=False, systematic_rad=FLOOR, shared=shared(sag))


def error(axis: Vector, covariance: Matrix) -> AxisError:
    """From the pole, which the axis points at in truth."""
    return axis_error(axis, covariance, SITE, PoleTarget.TRUE, AIRLESS)


def response(frames: list[Attitude], sag: LearntSag) -> Vector:
    """Of a sweep."""
    more = replace(sag, mean=sag.mean + DROOP_TRIED)
    return droop_response(SITE, fitted(frames, sag).axis, fitted(frames, more).axis, DROOP_TRIED)


def pair(rig: Rig, sag: LearntSag) -> SagPair:
    """A night's sweep and drift check."""
    frames = rig.sweep()
    fit, checked = fitted(frames, sag), rig.drift(shared(sag))
    swept, tracked = error(fit.axis, fit.covariance), error(checked.axis, checked.covariance)
    by_sweep = response(frames, sag)
    # As the tests prove, a tracked field is moved by the sine of its own declination.
    by_drift = by_sweep * math.sin(np.mean([dec for _, dec in FIELDS])) / math.sin(SWEEP_DEC)
    widened = math.sqrt(region_factor(STANDARD_NOISE_DOF + fit.dof))
    apart = np.array([swept.d_az_sky - tracked.d_az_sky, swept.d_alt - tracked.d_alt])
    return SagPair(
        apart + sag.mean * (by_sweep - by_drift),
        by_sweep - by_drift,
        without_droop(swept.covariance, by_sweep, widened * sag.sigma)
        + without_droop(tracked.covariance, by_drift, sag.sigma),
        NOISE.flexure_axis,
    )


class Tally:
    """What came of sweeps after so many past pairs."""

    def __init__(self) -> None:
        self.off: list[tuple[float, float]] = []
        self.held: list[bool] = []
        self.sigma: list[float] = []
        self.within: list[bool] = []

    def add(self, rig: Rig, sag: LearntSag, frames: list[Attitude]) -> None:
        """One more rig."""
        fit = fitted(frames, sag)
        there = error(fit.axis, fit.covariance)
        self.off.append((there.d_az_sky / ARCSEC, there.d_alt / ARCSEC))
        self.held.append(there.contains(0.0, 0.0))
        self.sigma.append(sag.sigma / ARCSEC)
        self.within.append(abs(sag.mean - rig.droop) <= 1.96 * sag.sigma)

    def row(self, pairs: int) -> str:
        """As a row of the table."""
        both = math.sqrt(float(np.mean(np.sum(np.square(self.off), axis=1))))
        up = math.sqrt(float(np.mean(np.square(self.off)[:, 1])))
        return (
            f"| {pairs} | ± {np.mean(self.sigma):.1f}″ | {100.0 * np.mean(self.within):.0f} % "
            f"| {both:.1f}″ | {up:.1f}″ | {100.0 * np.mean(self.held):.0f} % |"
        )


def main(rigs: int) -> None:
    """Print the table."""
    rng = np.random.default_rng(20261130)
    tallies = {count: Tally() for count in (0, *PAIRS)}
    for _ in range(rigs):
        rig = Rig(rng)
        pairs: list[SagPair] = []
        believed = [LearntSag(0.0, PRIOR)]
        for _ in range(max(PAIRS)):
            pairs.append(pair(rig, believed[-1]))
            believed.append(learnt_sag(PRIOR, pairs))
        frames = rig.sweep()
        for count, tally in tallies.items():
            tally.add(rig, believed[count], frames)
    print(
        "| past pairs | droop known to | droop within 1.96 sigma | axis off, rms "
        "| in altitude, rms | truth in the 95 % region |"
    )
    print("|---|---|---|---|---|---|")
    for count, tally in tallies.items():
        print(tally.row(count))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
