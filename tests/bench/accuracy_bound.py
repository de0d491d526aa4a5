"""Attitude and axis of rendered frames against the Cramer-Rao bound, as ratios.

    OMP_NUM_THREADS=1 python tests/bench/accuracy_bound.py --sweeps 12 --size 26

Random sweeps of three points, 20 degrees apart, of a rigid camera about a known axis: each frame
is rendered, its stars are found, it is solved without a word of the truth, its attitude fitted,
and the axis fitted to the three attitudes, all by the product's own code.

The bound on a star's place is the inverse of its Fisher information: from the derivative of its
rendered image by its place, over the variance of each pixel (light, sky, dark current, read
noise). Light, sky and star image are the renderer's own. These go into the information on rotation
and scale of a frame, over the stars used: those matched and not saturated (a saturated star is
matched, but its stated error of a tenth of its width keeps it from counting; the few in a frame
would take some 10 % off the bound). The bounds of the three frames go into that on the axis
(`predict_axis_covariance`, which is the bound of that geometry).

Case 1, photon noise alone: air without motion, at the catalogue's own epoch (2016.0), so that its
missing proper motions do no harm, and every star is weighed by its photon noise.
Case 2, the rig as it comes: air that shifts each star, tonight's date. The shift of the air and
the catalogue's error (its true root mean square) are part of the bound.

A ratio is the root mean square error over the bound's, all unknowns together, decorrelated: 1 is
perfect. The plus-minus is that of the number of frames.
"""

from __future__ import annotations

import argparse
import math
import time

import numpy as np
from bench_frames import UTC_S, Studio, camera_at, machine, table

from polewright.calculation.geometry.attitude import (
    STAR_FLOOR,
    Attitude,
    attitude_from_solution,
    camera_pixels,
)
from polewright.calculation.geometry.axis import fit_axis, predict_axis_covariance
from polewright.calculation.geometry.rotation import rotation_about, rotation_vector, tangent_basis
from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import StarList
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.foundation.angles import ARCSEC, DEG, TAU
from polewright.solving.registry import load_solver
from polewright_sim.camera.psf import add_stars, star_image
from polewright_sim.camera_spec import SkySpec
from polewright_sim.sky.background import lens_share, sky_background
from polewright_sim.sky.disturbance import CLEAR
from polewright_sim.sky.projection import Lens
from polewright_sim.sky.tracks import star_tracks

EPOCH_UTC_S = 1451649600.0  # 2016-01-01 12:00 UTC
STEP = 20.0 * DEG
TARGET = 1.5
REACH = 14


def star_information(studio: Studio, x: float, y: float, flux_e: float, sky_e: float) -> np.ndarray:
    """Fisher information (2, 2) on the place (pixels) of a star."""
    sensor = studio.sensor
    image = star_image(studio.optics, sensor)
    at_x, at_y = REACH + (x - round(x)), REACH + (y - round(y))
    side = 2 * REACH + 1

    def drawn(dx: float, dy: float) -> np.ndarray:
        stamp = np.zeros((side, side), dtype=np.float32)
        one = np.ones(1)
        add_stars(stamp, image, one * (at_x + dx), one * (at_y + dy), one * flux_e, 1e-3)
        return stamp.astype(float)

    small = 0.02
    slope = np.stack(
        [
            (drawn(small, 0.0) - drawn(-small, 0.0)) / (2 * small),
            (drawn(0.0, small) - drawn(0.0, -small)) / (2 * small),
        ]
    )
    mean = drawn(0.0, 0.0) + sky_e + sensor.dark_e_per_s * studio.exposure_s
    full = mean / sensor.gain_e_per_adu + sensor.bias_adu >= 0.98 * sensor.saturation_binned(1)
    weight = np.where(full, 0.0, 1.0 / (mean + sensor.read_noise_e**2))
    return np.einsum("ihw,jhw,hw->ij", slope, slope, weight)


def frame_bound(
    studio: Studio,
    truth: np.ndarray,
    utc_s: float,
    stars: StarList,
    solution: Solution,
    *,
    photons_only: bool,
) -> tuple[np.ndarray, float]:
    """Bound (3, 3) rad^2 on the rotation about the camera's axes; arcsec of the catalogue."""
    optics, sensor = studio.optics, studio.sensor
    sky = ObservedFrame.at(studio.site, studio.air, utc_s)
    tracks = star_tracks(studio.model, optics, sensor, truth[None], utc_s, studio.exposure_s)
    lens = Lens.of(optics, sensor)
    x, y = tracks.x.ravel(), tracks.y.ravel()
    full = np.stack([stars.x, stars.y], axis=1)[stars.saturated]
    used = np.array([not np.any(np.all(full == place, axis=1)) for place in solution.pixels])
    pixels, icrs = solution.pixels[used], solution.icrs[used]
    apart = np.hypot(pixels[:, 0, None] - x, pixels[:, 1, None] - y)
    apart = np.where(np.isfinite(apart), apart, np.inf)
    # The brightest within 3 pixels is the one that was measured.
    rate = np.where(apart < 3.0, tracks.rate_e_per_s, -1.0)
    mine = rate.argmax(axis=1)
    assert (rate.max(axis=1) > 0.0).all(), "a matched star that was not drawn"
    seen = sky.observe(icrs) @ truth
    wanted = camera_pixels(seen, sensor.width, sensor.height, optics.parity, studio.scale)
    off = np.stack([x[mine], y[mine]], axis=1) - wanted
    catalogue_px = math.sqrt(float(np.mean(off**2)))
    flux = tracks.rate_e_per_s[mine] * studio.exposure_s
    flux = flux * lens_share(lens, optics, x[mine], y[mine])
    sky_e = float(
        sky_background(studio.model, optics, sensor, truth, studio.exposure_s, CLEAR, 1).typical
    )
    motion = studio.model.spec.image_motion_arcsec / math.sqrt(max(studio.exposure_s, 1.0))
    extra = 0.0 if photons_only else (motion * ARCSEC / studio.scale) ** 2 + catalogue_px**2
    total = np.zeros((4, 4))
    for (u, v, w), px, py, f in zip(seen, x[mine], y[mine], flux, strict=True):
        information = star_information(studio, px, py, float(f), sky_e)
        covariance = np.linalg.inv(information + 1e-12 * np.eye(2)) + extra * np.eye(2)
        a, b = u / w, v / w
        # How the star moves in the picture when the camera turns about x, y, z or zooms in.
        slope = (
            np.array([[a * b, -(1.0 + a * a), b, -a], [1.0 + b * b, -a * b, -a, -b]]) / studio.scale
        )
        slope[0] *= optics.parity
        total += slope.T @ np.linalg.solve(covariance, slope)
    return np.linalg.inv(total)[:3, :3], catalogue_px * studio.scale / ARCSEC


def sweeps(
    count: int, megapixels: int, focal_mm: float, *, photons_only: bool
) -> dict[str, np.ndarray]:
    """Squared errors over their bounds, of frames (three unknowns) and of axes (two)."""
    spec = SkySpec(image_motion_arcsec=0.0) if photons_only else SkySpec()
    studio = Studio(megapixels, focal_mm=focal_mm, sky=spec, seed=7)
    utc_s = EPOCH_UTC_S if photons_only else UTC_S
    solver, rng = load_solver("embedded"), studio.rng
    sky = ObservedFrame.at(studio.site, studio.air, utc_s)
    pole = pole_enu(studio.site, PoleTarget.TRUE, studio.air)
    found: dict[str, list[float]] = {
        "frame": [], "across": [], "roll": [], "axis": [], "stars": [], "catalogue": [],
        "sigma across": [], "sigma axis": [], "axis error": [],
    }  # fmt: skip
    while len(found["axis"]) < count:
        tilt = rng.normal(size=3)
        across = np.cross(pole, tilt)
        axis = rotation_about(across / np.linalg.norm(across), DEG) @ pole
        start = camera_at(sky_direction(rng), rng.uniform(0, TAU))
        turns = STEP * np.arange(3) * rng.choice([-1.0, 1.0])
        truths = [rotation_about(axis, t) @ start for t in turns]
        if min(t[2, 2] for t in truths) < math.sin(30.0 * DEG):
            continue
        attitudes: list[Attitude] = []
        bounds: list[np.ndarray] = []
        for truth in truths:
            shot = studio.shoot(truth, utc_s)
            stars = detect_stars(shot.frame)
            solution = solver.solve(stars, shot.hint)
            floor = 0.0 if photons_only else STAR_FLOOR
            attitude = attitude_from_solution(solution, sky, star_floor_rad=floor)
            bound, catalogue = frame_bound(
                studio, truth, utc_s, stars, solution, photons_only=photons_only
            )
            error = rotation_vector(attitude.matrix.T @ truth)
            found["frame"].append(float(error @ np.linalg.solve(bound, error)))
            found["across"].append(float(error[:2] @ np.linalg.solve(bound[:2, :2], error[:2])))
            found["roll"].append(float(error[2] ** 2 / bound[2, 2]))
            found["stars"].append(attitude.matched)
            found["catalogue"].append(catalogue)
            found["sigma across"].append(math.sqrt(float(np.trace(bound[:2, :2])) / 2) / ARCSEC)
            attitudes.append(attitude)
            bounds.append(bound)
        fit = fit_axis(attitudes, southern=False)
        world = np.array([t @ b @ t.T for t, b in zip(truths, bounds, strict=True)])
        looks = np.array([truth[:, 2] for truth in truths])
        bound = predict_axis_covariance(axis, looks, np.asarray(turns), world)
        basis = tangent_basis(axis)
        miss, plane = basis.T @ (fit.axis - axis), basis.T @ bound @ basis
        found["axis"].append(float(miss @ np.linalg.solve(plane, miss)))
        found["sigma axis"].append(math.sqrt(float(np.trace(plane))) / ARCSEC)
        found["axis error"].append(float(np.linalg.norm(miss)) / ARCSEC)
    return {name: np.array(values) for name, values in found.items()}


def sky_direction(rng: np.random.Generator) -> np.ndarray:
    """A random direction over 30 degrees up."""
    azimuth, height = rng.uniform(0, TAU), rng.uniform(0.5, 1.0)
    flat = math.sqrt(1.0 - height**2)
    return np.array([flat * math.sin(azimuth), flat * math.cos(azimuth), height])


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sweeps", type=int, default=12)
    parser.add_argument("--size", type=int, default=26, help="megapixels")
    parser.add_argument("--focal", type=float, default=400.0, help="mm")
    options = parser.parse_args()
    print(machine())
    rows = []
    for name, photons_only in (("photon noise alone", True), ("with air and catalogue", False)):
        began = time.monotonic()
        got = sweeps(options.sweeps, options.size, options.focal, photons_only=photons_only)
        for what, unknowns in (("frame", 3), ("across", 2), ("roll", 1), ("axis", 2)):
            squares = got[what]
            ratio = math.sqrt(float(squares.mean()) / unknowns)
            typical = math.sqrt(float(np.median(squares)) / unknowns)
            spread = ratio / math.sqrt(2.0 * squares.size * unknowns)
            label = {"frame": "attitude", "across": "  where it points", "roll": "  its roll"}
            bound = {"across": f"{np.median(got['sigma across']):.3f}\"",
                     "axis": f"{np.median(got['sigma axis']):.2f}\""}.get(what, "")  # fmt: skip
            rows.append(
                [name, label.get(what, "axis of three points"), squares.size, bound,
                 f"{ratio:.2f} ± {spread:.2f}", f"{typical:.2f}",
                 f"{TARGET}" if what in ("frame", "axis") else ""]
            )  # fmt: skip
        took_s = time.monotonic() - began
        medians = {key: float(np.median(got[key])) for key in ("stars", "catalogue", "axis error")}
        print(
            f"{name}: {medians['stars']:.0f} stars a frame, catalogue off by "
            f'{medians["catalogue"]:.3f}" a coordinate, axis error median '
            f'{medians["axis error"]:.2f}", {took_s:.0f} s'
        )
    print(
        f"**{options.size} megapixels, {options.focal:.0f} mm, sweeps of 3 points, 20 deg apart**"
    )
    table(["noise", "of", "cases", "bound (1 sigma, median)", "error / bound (rms)",
           "typical", "target"], rows)  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
