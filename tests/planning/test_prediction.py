import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import fit_axis
from polewright.calculation.planning.limits import MountLimits
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import PlanRequest
from polewright.calculation.planning.uncertainty import AttitudeNoise, predict
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG


def spread_of_fits(plan, southern, latitude, trials=200, seed=0):
    """Fit the axis to noisy attitudes again and again; rms distance from the truth, rad.

    Attitudes come from another library's rotations: a camera of any roll, turned about the pole.
    """
    rng = np.random.default_rng(seed)
    sign = -1.0 if southern else 1.0
    axis = sign * np.array([0.0, math.cos(latitude), math.sin(latitude)])
    boresight = plan.points[0].enu
    side = np.cross(boresight, axis)
    side /= np.linalg.norm(side)
    start = np.stack([side, np.cross(boresight, side), boresight], axis=-1)
    start = start @ Rotation.from_rotvec([0, 0, rng.uniform(0, 6.28)]).as_matrix()
    errors = []
    for _ in range(trials):
        attitudes = []
        for point in plan.points:
            turn = -sign * (point.hour_angle - plan.points[0].hour_angle)
            true = Rotation.from_rotvec(turn * axis).as_matrix() @ start
            sigma = np.array([point.sigma_boresight, point.sigma_boresight, point.sigma_roll])
            noise = Rotation.from_rotvec(rng.normal(0.0, sigma)).as_matrix()
            attitudes.append(
                Attitude(
                    matrix=true @ noise, covariance=np.diag(sigma**2), utc_s=0.0, parity=1,
                    scale=1e-5, matched=30, chi2_per_dof=1.0, rms_px=0.3,
                )
            )  # fmt: skip
        found = fit_axis(attitudes, southern=southern).axis
        errors.append(np.linalg.norm(np.cross(found, axis)))
    return math.sqrt(float(np.mean(np.square(errors))))


@pytest.mark.parametrize(
    ("latitude_deg", "declination_max", "scale_arcsec", "step_deg"),
    [
        (33.0, 85.0, 3.8, 20.0),
        (52.0, 40.0, 1.2, 20.0),
        (-33.0, 20.0, 8.0, 10.0),
        (-12.0, 60.0, 3.8, 6.0),
    ],
)
def test_the_predicted_uncertainty_is_the_spread_of_the_real_fit(
    latitude_deg, declination_max, scale_arcsec, step_deg
):
    """Within 20 %, near the pole and far from it, wide and narrow steps, both hemispheres."""
    request = PlanRequest(
        Site(latitude_deg, 10.0), 1.79e9 + 7 * 3600.0,
        AttitudeNoise(scale_arcsec * ARCSEC, 3008, 2004),
        mount=MountLimits(
            declination_min_deg=-declination_max, declination_max_deg=declination_max
        ),
        step=step_deg * DEG,
    )  # fmt: skip
    for plan in (plan_sweep(request)[0], plan_sweep(request)[-1]):
        spread = spread_of_fits(plan, latitude_deg < 0, latitude_deg * DEG)

        assert plan.sigma == pytest.approx(spread, rel=0.2)


def test_the_parts_of_the_uncertainty_make_up_the_whole():
    """Altitude and azimuth on the sky are perpendicular: their squares add up."""
    got = predict(Site(-40.0, 0.0), np.array([0.3, 0.6, 0.9]), -0.5, np.tile([1e-5, 3e-5], (3, 1)))

    assert math.hypot(got.sigma_altitude, got.sigma_azimuth_sky) == pytest.approx(got.sigma)


def test_least_squares_over_random_stars_give_the_attitude_noise():
    """Monte Carlo of a rotation fitted to stars spread over the field, floors off: within 10 %."""
    noise = AttitudeNoise(
        4.0 * ARCSEC, 3000, 2000, stars=25, centroid_px=0.3,
        boresight_floor_arcsec=0.0, roll_floor_arcsec=0.0,
    )  # fmt: skip
    rng = np.random.default_rng(2)
    found = []
    for _ in range(1500):
        x, y = rng.uniform(-1500, 1500, 25), rng.uniform(-1000, 1000, 25)
        dx, dy = rng.normal(0, 0.3, (2, 25))
        # Small turns about x, y, z move a star by (wy - wz y, -wx + wz x) in pixels.
        rows = np.zeros((50, 3))
        rows[:25, 0], rows[:25, 2] = 1.0, -y
        rows[25:, 1], rows[25:, 2] = 1.0, x
        found.append(np.linalg.lstsq(rows, np.concatenate([dx, dy]), rcond=None)[0])
    spread = np.std(found, axis=0)

    boresight, roll = noise.sigmas(60 * DEG)

    assert boresight == pytest.approx(spread[0] * 4.0 * ARCSEC, rel=0.1)
    assert roll == pytest.approx(spread[2], rel=0.1)
