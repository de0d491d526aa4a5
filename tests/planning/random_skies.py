"""Invented skies: random skylines that block a given share, anywhere, any time of day and year."""

from __future__ import annotations

import math

import numpy as np

from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.limits import MountLimits, SkyLimits
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.planning.slew_paths import AxisMotion, Timing
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site


def _blocked(azimuth, altitude) -> float:
    """Share of the hemisphere's solid angle below the skyline."""
    az = np.arange(0.0, 360.0, 0.5)
    height = np.interp(az, azimuth, altitude, period=360.0)
    return float(np.mean(np.sin(np.radians(np.clip(height, 0.0, 90.0)))))


def random_horizon(rng: np.random.Generator) -> tuple[Horizon, float]:
    """A skyline that blocks 20 to 95 % of the sky, and that share."""
    target = rng.uniform(0.20, 0.95)
    while True:
        n = int(rng.integers(4, 40))
        azimuth = np.unique(np.round(rng.uniform(0.0, 359.9, n), 1))
        shape = rng.uniform(0.0, 1.0, len(azimuth)) ** rng.uniform(0.5, 3.0)
        low, high = 0.0, 5.0
        for _ in range(50):
            scale = 0.5 * (low + high)
            altitude = np.clip(90.0 * scale * shape, 0.0, 89.0)
            low, high = (scale, high) if _blocked(azimuth, altitude) < target else (low, scale)
        share = _blocked(azimuth, altitude)
        if abs(share - target) < 0.02:
            break
    upper = None
    if rng.random() < 0.3:
        closed = rng.random(len(azimuth)) < 0.3
        tops = np.where(closed, np.maximum(altitude, rng.uniform(40.0, 90.0, len(azimuth))), 90.0)
        upper = tuple(float(x) for x in tops)
    windows = []
    for _ in range(int(rng.integers(0, 3))):
        a = float(rng.uniform(0.0, 360.0))
        w = float(rng.uniform(2.0, 30.0))
        h = float(rng.uniform(0.0, 60.0))
        windows.append(Window(a, (a + w) % 360.0, h, h + float(rng.uniform(2.0, 25.0)), "lamp"))
    horizon = Horizon(
        tuple(float(x) for x in azimuth),
        tuple(float(x) for x in altitude),
        upper,
        tuple(windows),
        float(rng.uniform(0.0, 2.0)),
    )
    return horizon, share


def random_request(rng: np.random.Generator) -> tuple[PlanRequest, float]:
    """A whole request, and the share of sky its skyline blocks."""
    horizon, share = random_horizon(rng)
    scale = math.radians(float(rng.uniform(0.5, 8.0)) / 3600.0)
    pointing = None
    if rng.random() < 0.5:
        pointing = Pointing(
            float(rng.uniform(-math.pi, math.pi)), float(rng.uniform(-1.0, 1.0) * math.pi / 2)
        )
    lat = float(rng.uniform(5.0, 68.0) * rng.choice([-1.0, 1.0]))
    reach = float(rng.choice([45.0, 70.0, 85.0]))
    request = PlanRequest(
        site=Site(lat, float(rng.uniform(-180.0, 180.0)), float(rng.uniform(0.0, 2500.0))),
        utc_s=float(rng.uniform(1.735e9, 1.80e9)),  # the years 2024 to 2027
        noise=AttitudeNoise(scale, 3008, 2004, stars=float(rng.uniform(8.0, 200.0))),
        horizon=horizon,
        mount=MountLimits(
            meridian_buffer_deg=float(rng.uniform(2.0, 10.0)) if rng.random() < 0.9 else None,
            hour_angle_min_deg=float(rng.choice([-180.0, -120.0, -90.0])),
            hour_angle_max_deg=float(rng.choice([180.0, 120.0, 90.0])),
            declination_min_deg=-reach,
            declination_max_deg=reach,
        ),
        min_step=math.radians(float(rng.choice([4.0, 8.0, 14.0, 20.0]))),
        sky=SkyLimits(
            altitude_min_deg=float(rng.uniform(10.0, 35.0)),
            sun_avoid_deg=float(rng.uniform(20.0, 60.0)),
        ),
        timing=Timing(
            slew=AxisMotion(float(rng.uniform(0.5, 5.0)), float(rng.uniform(0.2, 4.0))),
            reserve_s=float(rng.uniform(0.0, 90.0)),
        ),
        pointing_margin_deg=float(rng.uniform(0.2, 2.5)),
        pointing=pointing,
    )
    return request, share
