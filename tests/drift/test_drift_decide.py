"""Verdicts: small version of the bench, prediction documents, best pole."""

from __future__ import annotations

import json

import drift_rigs
import numpy as np
import pytest

from polewright.calculation.drift.bestpole import Criterion, TargetSpan, best_pole
from polewright.calculation.drift.decide import StopRule
from polewright.calculation.drift.errors import (
    DriftSettingsWrong,
    PredictionUnreadable,
    TargetNotUp,
)
from polewright.calculation.drift.prediction import predicted_from_document
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu

SITE = Site(48.0, 8.0, 300.0)
AIR = Atmosphere.standard(300.0)


@pytest.mark.parametrize("seed", [1, 3, 4, 5, 7])
def test_random_rigs_get_the_right_verdict(seed) -> None:
    """A sound rig agrees; flexure, creep, a slip and a moved axis are found."""
    outcome = drift_rigs.run_rig(seed)
    assert outcome.right, (outcome.fault, outcome.sentence)
    if not outcome.fault:
        assert outcome.axis_near


def document(**changes) -> str:
    axis = {
        "azimuth_deg": 0.2,
        "altitude_deg": 48.1,
        "sigma_az_sky_arcmin": 0.1,
        "sigma_alt_arcmin": 0.2,
        "correlation": -0.4,
        "trusted": True,
    }
    return json.dumps({"axis": {**axis, **changes}, "site": {"latitude_deg": 48.0}})


def test_a_measurement_comes_back_with_its_covariance() -> None:
    """Axis, sigmas and correlation survive the way through the document."""
    found = predicted_from_document(document(), "axis.json", SITE)
    azimuth, altitude = azalt_from_enu(found.vector)
    assert float(azimuth) / DEG == pytest.approx(0.2)
    assert float(altitude) / DEG == pytest.approx(48.1)
    error = axis_error(found.vector, np.array(found.covariance), SITE, PoleTarget.TRUE, AIR)
    assert error.sigma_az_sky / ARCMIN == pytest.approx(0.1, rel=1e-3)
    assert error.sigma_alt / ARCMIN == pytest.approx(0.2, rel=1e-3)
    correlation = error.covariance[0, 1] / error.sigma_alt / error.sigma_az_sky
    assert correlation == pytest.approx(-0.4, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("no json", "JSON"),
        ("{}", "axis"),
        (document(trusted=False), "trusted"),
        (document(azimuth_deg="north"), "azimuth_deg"),
        (document(sigma_alt_arcmin=0.0), "positive"),
        (document().replace("48.0}", "12.0}"), "latitude"),
    ],
)
def test_other_documents_are_refused_with_the_reason(text, word) -> None:
    """What is wrong with the file is said, with its name."""
    with pytest.raises(PredictionUnreadable, match=word) as caught:
        predicted_from_document(text, "axis.json", SITE)
    assert "axis.json" in str(caught.value)


def test_a_goal_of_nothing_is_refused() -> None:
    """Stop rules must be possible."""
    with pytest.raises(DriftSettingsWrong, match="goal"):
        StopRule(goal=0.0)


NIGHT_S = 1796932800.0  # 2026-12-10 20:00 UTC


@pytest.mark.parametrize("criterion", list(Criterion))
@pytest.mark.parametrize("latitude", [48.0, -33.0])
def test_no_axis_nearby_is_better_than_the_best(latitude, criterion) -> None:
    """The answer is a minimum: steps of 10 arcsec any way make it no better, nor are the poles."""
    site = Site(latitude, 8.0, 300.0)
    span = TargetSpan(84.0, 30.0 if latitude > 0 else -30.0, NIGHT_S, NIGHT_S + 10800.0)
    found = best_pole(site, AIR, span, criterion)
    assert found.best.rms <= min(found.true.rms, found.refracted.rms) * (1.0 + 1e-9)
    assert found.gain >= -1e-12
    assert found.true.d_alt == pytest.approx(0.0, abs=1e-9)


def test_without_air_the_true_pole_is_best() -> None:
    """No refraction: nothing to gain, the best axis is the true pole."""
    span = TargetSpan(84.0, 10.0, NIGHT_S, NIGHT_S + 7200.0)
    found = best_pole(SITE, Atmosphere.none(), span)
    assert abs(found.best.d_alt) < 0.5 * ARCSEC
    assert abs(found.best.d_az_sky) < 0.5 * ARCSEC
    assert found.true.rms < 0.01 * ARCSEC


def test_high_near_the_meridian_the_refracted_pole_is_close_to_best() -> None:
    """For a circumpolar target in declination the best pole lies between the two, near the
    refracted one (found here to two thirds or more of its lift)."""
    span = TargetSpan(84.0, 70.0, NIGHT_S, NIGHT_S + 32400.0)
    found = best_pole(SITE, AIR, span, Criterion.DECLINATION)
    lift = axis_error(
        pole_enu(SITE, PoleTarget.REFRACTED, AIR), np.zeros((3, 3)), SITE, PoleTarget.TRUE, AIR
    ).d_alt
    assert 0.6 * lift < found.best.d_alt < 1.1 * lift
    assert found.best.rms < found.refracted.rms < found.true.rms


def test_a_target_below_the_horizon_is_refused() -> None:
    """A target that never rises has no best pole."""
    with pytest.raises(TargetNotUp, match="does not rise above 10"):
        best_pole(SITE, AIR, TargetSpan(84.0, -80.0, NIGHT_S, NIGHT_S + 7200.0))
