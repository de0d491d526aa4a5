"""The best axis against a guided mount that is turned star by star, frame by frame."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from polewright.calculation.drift.bestpole import Criterion, TargetSpan, best_pole
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, DEG, SIDEREAL_RATE, Matrix, Vector, unit_vector

AIR = Atmosphere(1000.0, 5.0)
BEGIN_S = 1_800_000_000.0


def turned(axis: Vector, angle: float) -> Matrix:
    return np.asarray(Rotation.from_rotvec(np.asarray(axis) * angle).as_matrix())


def guided_turn(axis: Vector, first: Vector, last: Vector, tracked: float) -> float:
    """The turn (rad) of a field about its first star, which a numeric guider holds in place by
    turns of a mount on ``axis``: the rotation that fits all stars (n, 3) best."""
    dec_axis = np.cross(axis, first[0])
    dec_axis /= np.linalg.norm(dec_axis)

    def mount(x: Vector) -> Matrix:
        return turned(axis, tracked + x[0]) @ turned(dec_axis, x[1])

    x = least_squares(
        lambda x: (mount(x).T @ last[0] - first[0]) * 1e6,
        [0.0, 0.0],
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    ).x
    rotation, _ = Rotation.align_vectors(last @ mount(x), first)
    return float(rotation.as_rotvec() @ first[0])


@pytest.mark.parametrize(
    ("latitude", "dec", "from_hours", "hours"), [(44.0, 60.0, -4.0, 6.0), (-35.0, 5.0, 1.0, 3.0)]
)
def test_the_axis_of_least_rotation_is_that_of_a_guided_mount(
    latitude: float, dec: float, from_hours: float, hours: float
) -> None:
    """Within 0.03 arcmin of the optimum by another road, where the true pole is 0.4 to 0.7 off."""
    site = Site(latitude, 9.0)
    southern = -1.0 if site.southern else 1.0
    sidereal_deg = math.degrees(ObservedFrame.at(site, AIR, BEGIN_S).lst)
    ra_deg = (sidereal_deg - 15.0 * from_hours) % 360.0
    span = TargetSpan(ra_deg, dec, BEGIN_S, BEGIN_S + 3600.0 * hours)

    centre = unit_vector(ra_deg * DEG, dec * DEG)
    side = tangent_basis(centre)
    ring = [side @ [math.cos(turn), math.sin(turn)] for turn in np.arange(8) * math.pi / 4.0]
    stars = np.array([centre, *(math.cos(0.0087) * centre + math.sin(0.0087) * r for r in ring)])
    frames = [
        [ObservedFrame.at(site, AIR, at + step).observe(stars) for step in (0.0, span.exposure_s)]
        for at in np.linspace(BEGIN_S, span.end_utc_s - span.exposure_s, 13)
    ]
    pole = pole_enu(site, PoleTarget.TRUE, AIR)

    def axis(step: Vector) -> Vector:
        moved = pole + tangent_basis(pole) @ (np.asarray(step) * ARCMIN)
        return np.asarray(moved / np.linalg.norm(moved))

    tracked = -southern * SIDEREAL_RATE * span.exposure_s
    best = least_squares(
        lambda step: [guided_turn(axis(step), begin, end, tracked) * 1e7 for begin, end in frames],
        [0.5, 0.5],
        method="lm",
        diff_step=1e-2,
    ).x
    wanted = axis_error(axis(best), np.zeros((3, 3)), site, PoleTarget.TRUE, AIR)

    found = best_pole(site, AIR, span, Criterion.ROTATION).best
    assert wanted.total > 0.3 * ARCMIN
    assert found.d_alt == pytest.approx(wanted.d_alt, abs=0.03 * ARCMIN)
    assert found.d_az_sky == pytest.approx(wanted.d_az_sky, abs=0.03 * ARCMIN)
