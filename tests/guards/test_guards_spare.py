"""Which other place is tried for a point that did not solve."""

from __future__ import annotations

import pytest

from polewright.calculation.planning.alternative_points import SparePoint
from polewright.foundation.angles import DEG
from polewright.observing.sweep.recovery import choose_spare


def spares(**sigma_by_angle: float) -> list[SparePoint]:
    """Places by hour angle (m12 is -12 degrees) with the axis error they would give."""
    return [
        SparePoint(float(name.replace("m", "-").replace("p", "")) * DEG, sigma)
        for name, sigma in sigma_by_angle.items()
    ]


@pytest.mark.parametrize(
    ("offered", "anchors", "failed", "expected"),
    [
        # Best for the axis, but behind the failed one as seen from the solved ones: not first.
        (spares(m80=1.0, m50=2.0, m10=3.0), [-20, -40], [-60], -50.0),
        # Three degrees from the failed one: only if there is nothing farther.
        (spares(m57=1.0, m30=2.0), [-20, -40], [-60], -30.0),
        (spares(m57=1.0), [-20, -40], [-60], -57.0),
        # Nothing but places behind it: then those.
        (spares(m80=1.0, m75=0.5), [-20, -40], [-60], -75.0),
        # Nothing solved yet and nothing to come: best for the axis.
        (spares(m80=1.0, m50=2.0), [], [-60], -80.0),
        ([], [-20], [-60], None),
    ],
    ids=["clear side", "far first", "near at need", "behind at need", "no anchor", "none"],
)
def test_the_place_is_far_on_the_clear_side_and_good(offered, anchors, failed, expected) -> None:
    """Far from what failed, not behind it, and then best for the axis."""
    chosen = choose_spare(
        offered, [angle * DEG for angle in anchors], [angle * DEG for angle in failed]
    )

    if expected is None:
        assert chosen is None
    else:
        assert chosen is not None
        assert chosen.hour_angle / DEG == pytest.approx(expected)
