"""The predicted axis, from the document that a measurement writes."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from polewright.calculation.drift.decide import Predicted
from polewright.calculation.drift.errors import PredictionUnreadable
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, DEG, enu_from_azalt
from polewright.foundation.language import say

SITE_MAY_DIFFER_DEG = 0.2
"""A measurement from farther away, in latitude, is not of this mount's axis here (own choice)."""


def predicted_from_document(text: str, source: str, site: Site) -> Predicted:
    """Read the axis and its uncertainty from the JSON of a measurement.

    Args:
        text: the document.
        source: its name, for messages.
        site: where the check is made; the measurement must be from there.

    Raises:
        PredictionUnreadable: no such document, a failed or untrusted measurement, another site.
    """
    try:
        document = json.loads(text)
    except json.JSONDecodeError as exc:
        raise PredictionUnreadable(source, say("it is not JSON ({exc})", exc=exc)) from exc
    if not isinstance(document, Mapping) or not isinstance(document.get("axis"), Mapping):
        raise PredictionUnreadable(source, say("it holds no `axis`"))
    axis, where = document["axis"], document.get("site", {})
    if axis.get("trusted") is False:
        raise PredictionUnreadable(source, say("the measurement itself was not trusted"))
    off = abs(_number(where, "latitude_deg", source) - site.latitude_deg)
    if off > SITE_MAY_DIFFER_DEG:
        raise PredictionUnreadable(
            source,
            say("it was measured at a latitude {off:.2f} degrees away from this site", off=off),
        )
    enu = enu_from_azalt(
        _number(axis, "azimuth_deg", source) * DEG, _number(axis, "altitude_deg", source) * DEG
    )
    east = _number(axis, "sigma_az_sky_arcmin", source) * ARCMIN
    up = _number(axis, "sigma_alt_arcmin", source) * ARCMIN
    mixed = _number(axis, "correlation", source) * east * up
    if not (east > 0.0 and up > 0.0):
        raise PredictionUnreadable(source, say("its uncertainties are not positive"))
    # The document tells the covariance in (azimuth on the sky, altitude): back to the tangent.
    basis = tangent_basis(enu)
    none = Atmosphere.none()
    jacobian = np.array(
        [
            _components(basis @ direction, enu, site, none)
            for direction in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        ]
    ).T
    inverse = np.linalg.inv(jacobian)
    plane = inverse @ np.array([[east * east, mixed], [mixed, up * up]]) @ inverse.T
    return Predicted.of(enu, basis @ plane @ basis.T)


def _components(direction: Any, enu: Any, site: Site, air: Atmosphere) -> tuple[float, float]:
    """How a small step of the axis along ``direction`` changes (azimuth on the sky, altitude)."""
    step = 1e-6
    errors = [
        axis_error(
            (enu + sign * step * direction) / np.linalg.norm(enu + sign * step * direction),
            np.zeros((3, 3)),
            site,
            PoleTarget.TRUE,
            air,
        )
        for sign in (1.0, -1.0)
    ]
    return (
        (errors[0].d_az_sky - errors[1].d_az_sky) / (2.0 * step),
        (errors[0].d_alt - errors[1].d_alt) / (2.0 * step),
    )


def _number(table: Mapping[str, Any], key: str, source: str) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise PredictionUnreadable(source, say("`{key}` is missing or no number", key=key))
    return float(value)
