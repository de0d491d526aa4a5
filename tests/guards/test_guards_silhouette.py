"""What the simulated camera sees of a skyline that only the rig knows."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from polewright.foundation.angles import DEG
from polewright_sim.rig import SimulatedRig
from polewright_sim.spec import RigSpec


@pytest.mark.parametrize(
    ("place", "seen"),
    [((100.0, 30.0), 0.0), ((100.0, 50.0), 1.0), ((200.0, 80.0), 0.0), ((200.0, 60.0), 1.0)],
    ids=["behind the house", "above it", "behind the balcony", "below it"],
)
def test_a_rig_is_given_a_house_and_a_balcony(place, seen) -> None:
    """Corners in the rig's description hide the stars behind them, and only those."""
    rig = SimulatedRig(
        RigSpec(
            horizon=((80.0, 0.0), (81.0, 40.0), (119.0, 40.0), (120.0, 0.0)),
            overhang=((170.0, 90.0), (180.0, 70.0), (220.0, 70.0), (230.0, 90.0)),
        )
    )
    azimuth, altitude = (value * DEG for value in place)

    share = rig.sky.silhouette.open_share(azimuth, altitude, aperture_mm=80.0)

    assert float(share) == pytest.approx(seen)


@pytest.mark.parametrize("corner", [(370.0, 10.0), (10.0, 95.0), (float("nan"), 0.0)])
def test_a_corner_that_is_no_direction_is_refused(corner) -> None:
    """The rig's description names the bad corner."""
    with pytest.raises(ValidationError, match="is no direction"):
        RigSpec(horizon=(corner,))
