"""How air lifts the sky.

Two kinds of formulas. `refract` and its constants follow ERFA (``eraRefco``, ``eraAtioq``) and
are what every frame uses; `traced_lift` follows the ray where that series ends.
"""

from __future__ import annotations

import erfa
import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.angles import Vector

#: The standard air that a ray is traced through (ICAO): fall of temperature up to the tropopause,
#: even temperature above it; and the exponents' g M / R (K/m).
_FALL_K_PER_M, _TROPOPAUSE_M, _HYDROSTATIC_K_PER_M = 0.0065, 11_000.0, 0.0341632
_TOP_M = 80_000.0
_EARTH_M = 6_371_000.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)

#: Sine of the altitude below which the tan z series is frozen (ERFA's own limit, 2.9 deg).
LOWEST_SINE = 0.05


def refraction_constants(atmosphere: Atmosphere) -> tuple[float, float]:
    """Return A and B (rad) of ``A tan z + B tan^3 z``, z the observed zenith distance.

    Source: ERFA ``eraRefco``; 0.1 arcsec or better down to 15 deg altitude by its own table.
    """
    if atmosphere.pressure_hpa == 0.0:
        return 0.0, 0.0
    a, b = erfa.refco(
        atmosphere.pressure_hpa,
        atmosphere.temperature_c,
        atmosphere.relative_humidity,
        atmosphere.wavelength_um,
    )
    return float(a), float(b)


def refract(airless: Vector, constants: tuple[float, float]) -> NDArray[np.float64]:
    """Lift airless ENU unit vectors (..., 3) to where they are seen.

    The formula (with one Newton step from true to observed zenith distance) is that of ERFA
    ``eraAtioq``. Below 2.9 deg altitude the series diverges; there the lift is frozen at about
    16 arcmin times the cosine of the altitude. So it is finite, continuous and keeps the order of
    altitudes down to the nadir, but on the horizon about 17 arcmin short of the real sky. Nothing
    is measured down there; planners and renderers may still ask.
    """
    a, b = constants
    v = np.asarray(airless, dtype=np.float64)
    if a == 0.0 and b == 0.0:
        return v.copy()
    horizontal = np.maximum(np.hypot(v[..., 0], v[..., 1]), 1e-12)
    up = v[..., 2]
    sine = np.maximum(up, LOWEST_SINE)
    tangent = horizontal / sine
    cubic = b * tangent * tangent
    lift = (a + cubic) * tangent / (1.0 + (a + 3.0 * cubic) / (sine * sine))
    sin, cos = np.sin(lift), np.cos(lift)
    shrink = cos - sin * up / horizontal
    out = np.empty_like(v)
    out[..., 0] = v[..., 0] * shrink
    out[..., 1] = v[..., 1] * shrink
    out[..., 2] = up * cos + horizontal * sin
    return out


def unrefract(observed: Vector, constants: tuple[float, float]) -> NDArray[np.float64]:
    """Return the airless ENU unit vectors (..., 3) that `refract` lifts to ``observed``.

    Fixed-point iteration; agrees with `refract` to a microarcsecond above 5 deg altitude.
    """
    v = np.asarray(observed, dtype=np.float64)
    airless = v.copy()
    if constants == (0.0, 0.0):
        return airless
    for _ in range(8):
        airless = airless + (v - refract(airless, constants))
        airless /= np.linalg.norm(airless, axis=-1, keepdims=True)
    return airless


def traced_lift(altitude_true: float, atmosphere: Atmosphere) -> float:
    """Return by how much air lifts a true (airless) altitude (rad, 0 or more), the ray traced.

    For single directions near the horizon, where the series of `refract` ends: within 0.1 arcmin of
    the same integral in another library down to the horizon. The real air there differs from the
    standard one by an arcmin or more from night to night (from memory).
    """
    if atmosphere.pressure_hpa == 0.0:
        return 0.0
    apparent = altitude_true
    for _ in range(20):  # each round leaves a fifth of the error on the horizon, less above it
        apparent = altitude_true + _traced(apparent, atmosphere)
    return apparent - altitude_true


def _traced(altitude_apparent: float, atmosphere: Atmosphere) -> float:
    """Bending (rad) of the ray that arrives at an apparent altitude (rad).

    Spherical shells; the integral of ``dn/n tan(angle of incidence)`` over height h, with the root
    of h as the variable: then it stays finite on the horizon. The refractivity at the ground is
    that of ERFA's constants, so both agree above.
    """
    ground_k = atmosphere.temperature_c + 273.15
    a, _b = refraction_constants(atmosphere)
    refractivity = a / (1.0 - 4.4474e-6 * ground_k)  # eraRefco: A = gamma (1 - beta)
    upper_k = ground_k - _FALL_K_PER_M * _TROPOPAUSE_M
    power = _HYDROSTATIC_K_PER_M / _FALL_K_PER_M - 1.0
    invariant = (1.0 + refractivity) * _EARTH_M * np.cos(altitude_apparent)
    total = 0.0
    for low_m, high_m in ((0.0, _TROPOPAUSE_M), (_TROPOPAUSE_M, _TOP_M)):
        begin, end = np.sqrt(low_m), np.sqrt(high_m)
        root = begin + 0.5 * (end - begin) * (_NODES + 1.0)
        height = root * root
        if low_m == 0.0:
            kelvin = ground_k - _FALL_K_PER_M * height
            density = (kelvin / ground_k) ** power
            fall = power * _FALL_K_PER_M / kelvin
        else:
            density = (upper_k / ground_k) ** power * np.exp(
                -_HYDROSTATIC_K_PER_M * (height - low_m) / upper_k
            )
            fall = np.full_like(height, _HYDROSTATIC_K_PER_M / upper_k)
        index = 1.0 + refractivity * density
        across = index * (_EARTH_M + height)
        tangent = invariant / np.sqrt(across * across - invariant * invariant)
        bending = refractivity * density * fall / index * tangent
        total += 0.5 * (end - begin) * float(np.sum(_WEIGHTS * bending * 2.0 * root))
    return total
