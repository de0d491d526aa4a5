"""A drift check says it before a slew crosses the meridian, as every other run does."""

from __future__ import annotations

from unittest.mock import MagicMock

import pytest

from polewright.calculation.drift.fields import DriftField
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG
from polewright.observing.runs import drift_run
from polewright.records.events import Note


@pytest.mark.parametrize(("hour_angle_deg", "waits"), [(20.0, True), (-40.0, False)])
def test_a_slew_across_the_meridian_is_told_and_waited_for(
    hour_angle_deg: float, monkeypatch: pytest.MonkeyPatch, *, waits: bool
) -> None:
    """From 20 degrees east of it."""
    rig = MagicMock()
    told: list[Note] = []
    rig.emit = told.append
    request = PlanRequest(Site(33.0, 10.0), 1.79e9, AttitudeNoise(3.8 * ARCSEC, 3008, 2004))
    monkeypatch.setattr(drift_run, "pointing_now", lambda _rig: Pointing(-20.0 * DEG, 0.3))
    rig.clock.utc_s.return_value = 1.79e9
    place = DriftField(hour_angle_deg * DEG, 0.3, 0.8, 3.0, "a field", 600.0)

    drift_run._step_back(rig, request, place)

    assert [("crosses the meridian" in event.text) for event in told] == [True] * waits
    assert rig.clock.sleep.call_count == waits
