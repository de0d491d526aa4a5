"""A second opinion on plans, on purpose the slow and simple way.

Shares no code with the planner: school trigonometry, linear interpolation by search, discs of
sample directions instead of distances, a low-precision Sun. Everything in degrees and seconds.
"""

from __future__ import annotations

import math

import numpy as np

SIDEREAL_DEG_S = 360.9856473 / 86400.0


def altaz(lat: float, ha, dec):
    """Meeus, Astronomical Algorithms, 2nd ed., formulae 13.5 and 13.6 (its azimuth: from south)."""
    h, d, p = np.radians(ha), np.radians(dec), math.radians(lat)
    alt = np.arcsin(np.clip(np.sin(p) * np.sin(d) + np.cos(p) * np.cos(d) * np.cos(h), -1, 1))
    south = np.arctan2(
        np.sin(h) * np.cos(d), np.cos(h) * np.sin(p) * np.cos(d) - np.sin(d) * np.cos(p)
    )
    return np.degrees(alt), (np.degrees(south) + 180.0) % 360.0


def sun_ra_dec(utc_s: float) -> tuple[float, float]:
    """Low-precision Sun (0.01 deg, 1950 to 2050): The Astronomical Almanac, page C5."""
    n = utc_s / 86400.0 + 2440587.5 - 2451545.0
    mean = 280.460 + 0.9856474 * n
    g = math.radians(357.528 + 0.9856003 * n)
    lam = math.radians(mean + 1.915 * math.sin(g) + 0.020 * math.sin(2 * g))
    eps = math.radians(23.439 - 0.0000004 * n)
    ra = math.degrees(math.atan2(math.cos(eps) * math.sin(lam), math.cos(lam)))
    return ra % 360.0, math.degrees(math.asin(math.sin(eps) * math.sin(lam)))


def sun_ha_dec(utc_s: float, lon: float) -> tuple[float, float]:
    """Greenwich mean sidereal time: Meeus formula 12.4, linear term."""
    n = utc_s / 86400.0 + 2440587.5 - 2451545.0
    ra, dec = sun_ra_dec(utc_s)
    return (280.46061837 + 360.98564736629 * n + lon - ra) % 360.0, dec


def apart(alt1, az1, alt2, az2):
    """Angle between directions, by the haversine."""
    a1, a2, dz = np.radians(alt1), np.radians(alt2), np.radians(np.subtract(az1, az2))
    h = np.sin((a1 - a2) / 2) ** 2 + np.cos(a1) * np.cos(a2) * np.sin(dz / 2) ** 2
    return np.degrees(2 * np.arcsin(np.sqrt(np.clip(h, 0, 1))))


def profile(azimuths, heights, az):
    """Straight lines between the points, around the circle, by searching the segment."""
    x = np.array([azimuths[-1] - 360.0, *azimuths, azimuths[0] + 360.0])
    y = np.array([heights[-1], *heights, heights[0]])
    az = np.asarray(az) % 360.0
    k = np.clip(np.searchsorted(x, az, side="right") - 1, 0, len(x) - 2)
    f = (az - x[k]) / (x[k + 1] - x[k])
    return y[k] + f * (y[k + 1] - y[k])


def open_sky(horizon, alt, az):
    """Whether directions see the sky."""
    ok = alt > profile(horizon.azimuth_deg, horizon.altitude_deg, az) - 1e-6
    if horizon.upper_deg is not None:
        limit = profile(horizon.azimuth_deg, horizon.upper_deg, az)
        ok &= (alt < limit + 1e-6) | (limit > 90.0 - 1e-6)
    for w in horizon.windows:
        a, b = w.azimuth_from_deg, w.azimuth_to_deg
        z = np.asarray(az) % 360.0
        within = ((z >= a) & (z <= b)) if a < b else ((z >= a) | (z <= b))
        ok &= ~(within & (alt > w.altitude_from_deg) & (alt < w.altitude_to_deg))
    return ok


def disc(alt, az, radius, rings, spokes):
    """Directions around each direction; shapes (..., rings * spokes + 1)."""
    alt, az = np.asarray(alt)[..., None], np.asarray(az)[..., None]
    r = np.radians(np.concatenate([[0.0], np.repeat(np.array(rings) * radius, spokes)]))
    b = np.concatenate([[0.0], np.tile(np.arange(spokes) * 2 * np.pi / spokes, len(rings))])
    a = np.radians(alt)
    sin2 = np.sin(a) * np.cos(r) + np.cos(a) * np.sin(r) * np.cos(b)
    alt2 = np.degrees(np.arcsin(np.clip(sin2, -1, 1)))
    dz = np.degrees(np.arctan2(np.sin(b) * np.sin(r) * np.cos(a), np.cos(r) - np.sin(a) * sin2))
    return alt2, az + dz


#: Coarse for a whole sky at once; fine, because a thin tower may stand between coarse samples.
COARSE = {"rings": (0.25, 0.5, 0.75, 0.995), "spokes": 24}
FINE = {"rings": (0.2, 0.4, 0.6, 0.8, 0.9, 0.995), "spokes": 72}


def clear(horizon, alt, az, radius, samples):
    """Whether everything within ``radius`` is open."""
    alt2, az2 = disc(alt, az, radius, **samples)
    return np.all(open_sky(horizon, alt2, az2), axis=-1)


def field_margin(request) -> float:
    width = 2 * math.atan(0.5 * request.noise.width_px * request.noise.pixel_scale)
    height = 2 * math.atan(0.5 * request.noise.height_px * request.noise.pixel_scale)
    return min(3.0, math.degrees(min(width, height)) / 2)


def fixed_faults(request, ha, dec, exposing: bool, samples=FINE):
    """Faults that do not depend on the time: dict of name to mask."""
    alt, az = altaz(request.site.latitude_deg, ha, dec)
    m = request.pointing_margin_deg
    radius = request.horizon.clearance_deg + m + (field_margin(request) if exposing else 0.0)
    h = (np.asarray(ha) + 180.0) % 360.0 - 180.0
    eps = 1e-6
    faults = {
        "low": alt < request.sky.altitude_min_deg - eps,
        "mount altitude": alt < request.mount.altitude_min_deg + m - eps,
        "obstacle": ~clear(request.horizon, alt, az, radius, samples),
        "hour angle": (h < request.mount.hour_angle_min_deg - eps)
        | (h > request.mount.hour_angle_max_deg + eps),
        "declination": (dec < request.mount.declination_min_deg - eps)
        | (dec > request.mount.declination_max_deg + eps),
    }
    if request.mount.altitude_max_deg < 90.0:
        faults["mount altitude"] |= alt > request.mount.altitude_max_deg - m + eps
    if request.mount.meridian_buffer_deg is not None:
        buffer = request.mount.meridian_buffer_deg + m
        faults["meridian"] = (np.abs(h) < buffer - eps) | (np.abs(h) > 180.0 - buffer + eps)
    return faults


def sun_fault(request, ha, dec, utc_s, margin: float):
    """Whether directions at times (arrays) are too near a Sun that counts."""
    out = np.zeros(np.shape(ha), dtype=bool)
    lat = request.site.latitude_deg
    for i, (h, d, t) in enumerate(zip(ha, dec, utc_s, strict=True)):
        sun_alt, sun_az = altaz(lat, *sun_ha_dec(float(t), request.site.longitude_deg))
        # Refraction lifts the Sun by at most 0.6 deg; here without it, 0.02 for the low precision.
        if sun_alt > -6.0 + 0.02:
            alt, az = altaz(lat, h, d)
            lift = 0.6 if sun_alt < 15 else 0.1
            out[i] = apart(alt, az, sun_alt, sun_az) < request.sky.sun_avoid_deg + margin - lift
    return out


def run(request, plan, delays):
    """Play a plan: seconds, hour angle, whether exposing; ``delays`` (n,) s spent at each point."""
    a, v = request.timing.slew.acceleration_deg_s2, request.timing.slew.rate_deg_s
    t = plan.points[0].arrive_utc_s
    times, angles, exposing = [], [], []
    ha = math.degrees(plan.points[0].hour_angle)
    step = math.degrees(plan.step) * plan.direction
    for i, delay in enumerate(delays):
        target = math.degrees(plan.points[0].hour_angle) + i * step
        if i:
            way = target - ha
            ramp = min(v / a, math.sqrt(abs(way) / a))
            speed = a * ramp
            cruise = (abs(way) - speed * ramp) / speed
            total = 2 * ramp + cruise
            s = np.linspace(0.0, total, 300)
            gone = np.where(
                s < ramp,
                0.5 * a * s**2,
                np.where(
                    s < ramp + cruise,
                    0.5 * speed * ramp + speed * (s - ramp),
                    abs(way) - 0.5 * a * (total - s) ** 2,
                ),
            )
            times.append(t + s)
            angles.append(ha + math.copysign(1.0, way) * gone)
            exposing.append(np.zeros(len(s), bool))
            t += total
        stay = request.timing.dwell_s + delay
        s = np.linspace(0.0, stay, 12)
        times.append(t + s)
        angles.append(target + s * SIDEREAL_DEG_S)
        exposing.append(np.ones(len(s), bool))
        t += stay
        ha = target + stay * SIDEREAL_DEG_S
    return np.concatenate(times), np.concatenate(angles), np.concatenate(exposing)


def first_slew_paths(request, goal_ha: float, goal_dec: float):
    """Ways of the two axes: RA first, declination first, and several ratios of speed."""
    start_ha = math.degrees(request.pointing.hour_angle)
    start_dec = math.degrees(request.pointing.declination)
    pole = -1.0 if request.site.latitude_deg < 0 else 1.0
    f = np.linspace(0, 1, 60)
    courses = [(np.minimum(1, f * k), np.minimum(1, f * j)) for k, j in ((1, 1), (3, 1), (1, 3))]
    one, zero = np.ones_like(f), np.zeros_like(f)
    courses += [(np.concatenate([f, one]), np.concatenate([zero, f]))]
    courses += [(np.concatenate([zero, f]), np.concatenate([f, one]))]
    turn = (goal_ha - start_ha + 180) % 360 - 180
    for u, w in courses:
        yield start_ha + u * turn, start_dec + w * (goal_dec - start_dec)
    if request.mount.meridian_buffer_deg is None:
        return

    def shaft(ha, dec):  # counterweight shaft's turn from hanging down, tube's angle from the pole
        h = (ha + 180) % 360 - 180
        return (h - 90, 90 - pole * dec) if h >= 0 else (h + 90, -(90 - pole * dec))

    (s0, q0), (s1, q1) = shaft(start_ha, start_dec), shaft(goal_ha, goal_dec)
    for u, w in courses:
        s, q = np.radians(s0 + u * (s1 - s0)), np.radians(q0 + w * (q1 - q0))
        # The tube turns about the declination axis, which lies at hour angle s: from the pole
        # towards the equator at hour angle s + 90 deg.
        x, y, z = np.sin(q) * -np.sin(s), np.sin(q) * np.cos(s), np.cos(q) * pole
        yield np.degrees(np.arctan2(y, x)), np.degrees(np.arcsin(np.clip(z, -1, 1)))


def faults_of(request, plan, rng) -> list[str]:
    """Everything wrong with a plan; empty when nothing is."""
    out = []
    n = len(plan.points)
    decs = {round(p.declination, 12) for p in plan.points}
    if len(decs) != 1:
        out.append("declination changes")
    angles = np.degrees([p.hour_angle for p in plan.points])
    if not np.allclose(np.diff(angles), math.degrees(plan.step) * plan.direction, atol=1e-9):
        out.append("points are not equally spaced")
    if math.degrees(plan.step) > math.degrees(request.step) + 1e-9:
        out.append("step is wider than wanted")
    if math.degrees(plan.step) < math.degrees(request.min_step) - 1e-9:
        out.append("step is narrower than allowed")
    dec = math.degrees(plan.points[0].declination)
    for p in plan.points:
        alt, az = altaz(request.site.latitude_deg, math.degrees(p.hour_angle), dec)
        if apart(alt, az, math.degrees(p.altitude), math.degrees(p.azimuth)) > 1e-6:
            out.append("azimuth or altitude of a point is wrong")
    reserve = request.timing.reserve_s
    for delays in (np.zeros(n), np.full(n, reserve), rng.uniform(0, reserve, n)):
        t, ha, exposing = run(request, plan, delays)
        d = np.full(len(ha), dec)
        for use in (True, False):
            chosen = exposing == use
            for name, mask in fixed_faults(request, ha[chosen], d[chosen], use).items():
                if np.any(mask):
                    out.append(f"{name} while {'exposing' if use else 'slewing'}")
        pick = np.unique(np.append(np.arange(0, len(ha), 20), len(ha) - 1))
        if np.any(sun_fault(request, ha[pick], d[pick], t[pick], request.pointing_margin_deg)):
            out.append("sun")
        if len({h > 0 for h in ((ha + 180) % 360 - 180)}) != 1 and (
            request.mount.meridian_buffer_deg is not None
        ):
            out.append("changes sides")
    if request.pointing is not None:
        for ha, d in first_slew_paths(request, float(angles[0]), dec):
            times = np.full(len(ha), request.utc_s + 20.0)
            if np.any(sun_fault(request, ha, d, times, 0.0)):
                out.append("sun on the first slew")
    return sorted(set(out))


def exhaustive(request) -> tuple[float, float, int, int] | None:
    """Look for any sweep on a grid of 1 deg in start, declination and step; (ha, dec, step, way).

    Sub-degree sampling along each course in hour angle; the Sun where it is during the sweep.
    """
    lat, lon = request.site.latitude_deg, request.site.longitude_deg
    fine = 0.25
    has = np.arange(-180.0, 180.0, fine)
    lo, hi = request.mount.declination_min_deg, request.mount.declination_max_deg
    decs = np.arange(math.ceil(lo), math.floor(hi) + 1.0)
    ha, dec = (g.ravel() for g in np.meshgrid(has, decs))
    masks = {}
    suns = []
    timing = request.timing
    quickest = request.min_step
    length = timing.first_slew_s + timing.sweep_seconds(
        quickest, request.n_points, with_reserve=True
    )
    for t in np.linspace(request.utc_s, request.utc_s + length, 5):
        alt, az = altaz(lat, *sun_ha_dec(float(t), lon))
        if alt > -6.0:
            suns.append((alt, az))
    for exposing in (True, False):
        alt, az = altaz(lat, ha, dec)
        ok = (alt >= request.sky.altitude_min_deg) & open_sky(request.horizon, alt, az)
        for sun in suns[:1] + suns[-1:]:
            ok &= apart(alt, az, *sun) >= request.sky.sun_avoid_deg + request.pointing_margin_deg
        index = np.flatnonzero(ok)
        for part in np.array_split(index, max(1, len(index) // 20000)):
            bad = np.zeros(len(part), bool)
            for mask in fixed_faults(request, ha[part], dec[part], exposing, COARSE).values():
                bad |= mask
            ok[part] &= ~bad
        masks[exposing] = ok.reshape(len(decs), len(has))
    drift = (request.timing.dwell_s + request.timing.reserve_s) * SIDEREAL_DEG_S
    per = round(1 / fine)
    stay = math.ceil(drift / fine)
    n = request.n_points
    shots, passing = masks[True], masks[False]
    for step in range(
        math.floor(math.degrees(request.step) + 1e-9),
        math.ceil(math.degrees(request.min_step) - 1e-9) - 1,
        -1,
    ):
        span = (n - 1) * step * per + stay
        for start in range(0, len(has) - span, per):
            good = np.all(passing[:, start : start + span + 1], axis=1)
            for i in range(n):
                if not good.any():
                    break
                first = start + i * step * per
                good &= np.all(shots[:, first : first + stay + 1], axis=1)
            for k in np.flatnonzero(good):
                if _holds(request, float(has[start]), float(decs[k]), step, drift):
                    return float(has[start]), float(decs[k]), step, 1
    return None


def _holds(request, start: float, dec: float, step: float, drift: float) -> bool:
    """Whether a sweep found on the grid also holds when looked at finely."""
    n = request.n_points
    for exposing, ha in (
        (True, np.concatenate([start + i * step + np.linspace(0, drift, 8) for i in range(n)])),
        (False, np.linspace(start, start + (n - 1) * step + drift, 60 * n)),
    ):
        faults = fixed_faults(request, ha, np.full(len(ha), dec), exposing)
        if any(np.any(mask) for mask in faults.values()):
            return False
    return True
