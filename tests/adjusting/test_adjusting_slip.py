"""What moved besides the adjusters: found where it can be found, and no false alarms."""

from __future__ import annotations

import numpy as np
import pytest
from adjusting.hand import Hand, ToyKnob, ToyMount, random_hand, toy_mount, turn

from polewright.calculation.adjusting.advice import Verdict
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.notices import NoticeKind
from polewright.calculation.adjusting.observation import NoReading
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG


def start(mount: ToyMount) -> AdjustmentEngine:
    axis, covariance = mount.swept(2.0 * ARCSEC)
    return AdjustmentEngine(axis, covariance, mount.look(), Site(mount.latitude / DEG, 0.0))


def settle(engine: AdjustmentEngine, mount: ToyMount) -> Reading:
    for _ in range(10):
        mount.wait(3.0)
        reading = engine.update(mount.look())
        if reading.settled:
            return reading
    raise AssertionError("ten still frames and not settled")


def six_hours_from_the_meridian(latitude: float, *, tracking: bool) -> ToyMount:
    """The declination axis stands in the meridian's plane, where its turn shows best."""
    mount = toy_mount(
        np.random.default_rng(4), latitude_deg=latitude, error_deg=0.3, tracking=tracking
    )
    mount.declination_axis = np.array([0.0, 0.0, 1.0])
    # A camera on that declination axis looks along the mount's x.
    mount.camera = np.column_stack([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    return mount


@pytest.mark.parametrize("tracking", [True, False])
@pytest.mark.parametrize("latitude", [-55.0, -30.0, 30.0, 55.0])
def test_a_slip_of_the_declination_axis_stops_the_adjusting(
    latitude: float, tracking: bool
) -> None:
    """20 arcmin about the declination axis, six hours from the meridian: BUMPED for good."""
    mount = six_hours_from_the_meridian(latitude, tracking=tracking)
    engine = start(mount)
    assert settle(engine, mount).slip_would_show

    mount.slip = 20.0 * ARCMIN
    reading = settle(engine, mount)
    mount.slip = 0.0
    later = settle(engine, mount)

    assert reading.state is State.BUMPED
    assert reading.advice.action is Action.CHECK_MOUNT
    assert later.advice.action is Action.CHECK_MOUNT
    assert later.verdict is Verdict.UNKNOWN


def test_a_slip_on_the_meridian_is_known_to_be_invisible() -> None:
    """There a turn of the declination axis is the same as an altitude move; the reading says that
    it cannot tell."""
    mount = six_hours_from_the_meridian(45.0, tracking=False)
    mount.declination_axis = np.array([1.0, 0.0, 0.0])
    mount.camera = np.column_stack([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    engine = start(mount)
    before = settle(engine, mount)
    mount.slip = 20.0 * ARCMIN

    reading = settle(engine, mount)

    assert not before.slip_would_show
    assert reading.state is State.SETTLED


def test_a_clutch_that_slips_in_ra_is_noticed() -> None:
    """RA turned by a degree with tracking off; harmless to the axis, but something is loose."""
    mount = toy_mount(np.random.default_rng(6), latitude_deg=48.0, error_deg=0.2, tracking=False)
    engine = start(mount)
    settle(engine, mount)

    mount.ra += 1.0 * DEG
    reading = settle(engine, mount)

    assert reading.state is State.BUMPED
    assert "60 arcmin about the RA axis" in reading.advice.sentence


def test_backlash_and_periodic_error_in_ra_raise_no_alarm() -> None:
    """2 arcmin of RA play taken up while turning an adjuster is normal."""
    mount = toy_mount(np.random.default_rng(6), latitude_deg=48.0, error_deg=0.2, tracking=True)
    engine = start(mount)
    settle(engine, mount)

    mount.ra += 2.0 * ARCMIN
    mount.altitude += 3.0 * ARCMIN
    reading = settle(engine, mount)

    assert reading.state is State.SETTLED


def test_a_kicked_tripod_is_noticed() -> None:
    """A leg sinks by 15 arcmin about a line that is neither adjuster's: both components or RA
    change at once."""
    mount = toy_mount(np.random.default_rng(9), latitude_deg=42.0, error_deg=0.3, tracking=True)
    engine = start(mount)
    settle(engine, mount)

    mount.kick = turn(np.array([0.8, 0.6, 0.0]), 15.0 * ARCMIN)
    reading = settle(engine, mount)

    assert reading.state is State.BUMPED
    # The axis itself is still right: base and RA were all that turned.
    assert np.linalg.norm(reading.axis - mount.axis) < 15.0 * ARCSEC


def test_turning_the_other_adjuster_too_is_named_and_the_end_needs_a_sweep() -> None:
    """Both components change by 8 arcmin in one move: said, and DONE is off for this pass."""
    mount = toy_mount(
        np.random.default_rng(2), latitude_deg=40.0, error_deg=0.25, tilt_deg=1.0, tracking=True
    )
    hand = Hand(mount, ToyKnob(60.0, 0.0), ToyKnob(60.0, 0.0), cross_talk=0.0)
    engine = start(mount)
    first = settle(engine, mount)
    hand.push(Axis.ALTITUDE, -first.error.d_alt)
    hand.push(Axis.AZIMUTH, -first.error.d_az_base)

    reading = settle(engine, mount)

    assert [n.kind for n in reading.notices] == [NoticeKind.OTHER_AXIS_MOVED]
    assert reading.state is State.BUMPED
    assert reading.verdict is Verdict.UNSURE
    assert reading.advice.action is Action.SNUG_AND_RECHECK
    engine.note_snugged()
    assert settle(engine, mount).advice.action is Action.STOP_AND_SWEEP


def test_unknown_tracking_gives_no_alarm_and_no_claim() -> None:
    """A mount that does not say whether it tracks: the RA part has no expectation."""
    mount = six_hours_from_the_meridian(45.0, tracking=True)
    mount.reports_tracking = False
    engine = start(mount)
    settle(engine, mount)
    mount.slip = 20.0 * ARCMIN

    reading = settle(engine, mount)

    assert reading.unexplained_turn is None
    assert not reading.slip_would_show
    assert reading.advice.action is not Action.CHECK_MOUNT


def test_honest_adjusting_raises_no_alarm() -> None:
    """Ten random rigs, out of level, adjusted to the end: not one notice of a slip."""
    kinds = []
    for seed in range(10):
        hand = random_hand(np.random.default_rng(300 + seed), error_deg=1.0)
        hand.align()
        kinds += [n.kind for r in hand.readings for n in r.notices]

    assert NoticeKind.SLIPPED not in kinds
    assert kinds.count(NoticeKind.OTHER_AXIS_MOVED) <= 2


def test_slips_are_found_where_the_reading_says_they_would_show() -> None:
    """60 random rigs, slip of 30 arcmin: found in at least 95 % of those that say it would."""
    found, shown = 0, 0
    for seed in range(60):
        mount = toy_mount(np.random.default_rng(700 + seed), error_deg=0.5)
        # the telescope on its declination axis: boresight square to that axis
        boresight = np.cross(mount.declination_axis, [0.0, 1.0, 0.0])
        boresight /= np.linalg.norm(boresight)
        mount.camera = np.column_stack(
            [np.cross(mount.declination_axis, boresight), mount.declination_axis, boresight]
        )
        engine = start(mount)
        claims = settle(engine, mount).slip_would_show
        mount.slip = 30.0 * ARCMIN
        reading = settle(engine, mount)
        shown += claims
        found += claims and reading.advice.action is Action.CHECK_MOUNT

    assert shown >= 15
    assert found >= 0.95 * shown


def test_a_move_after_done_is_named_and_takes_done_back() -> None:
    """On the pole and DONE; then the axis moves by 5 arcmin although nothing was asked."""
    mount = toy_mount(
        np.random.default_rng(2), latitude_deg=40.0, error_deg=0.0, tilt_deg=0.0, tracking=True
    )
    engine = start(mount)
    done = settle(engine, mount)
    mount.altitude += 5.0 * ARCMIN
    reading = settle(engine, mount)

    assert done.advice.action is Action.DONE
    assert reading.state is State.BUMPED
    assert [n.kind for n in reading.notices] == [NoticeKind.MOVED_UNASKED]
    assert reading.advice.action is Action.LOWER
    assert reading.verdict is Verdict.OUTSIDE


@pytest.mark.parametrize("seed", range(6))
def test_a_slip_told_as_a_bump_claims_nothing_that_the_slip_would_make_untrue(seed: int) -> None:
    """On the pole, the declination axis slips on the meridian, where that looks like a move of the
    base; the person turns the base to where the reading is small. The bound knows of the slip."""
    rng = np.random.default_rng(seed)
    mount = toy_mount(rng, latitude_deg=45.0, error_deg=0.0, tilt_deg=0.0, tracking=False)
    mount.ra, mount.declination_axis = 0.0, np.array([1.0, 0.0, 0.0])
    mount.camera = np.column_stack([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    site, air = Site(45.0, 0.0), Atmosphere.none()
    engine = start(mount)
    assert settle(engine, mount).advice.action is Action.DONE
    mount.slip = float(rng.uniform(4.0, 9.0)) * ARCMIN

    told = settle(engine, mount)
    hand = Hand(mount, ToyKnob(60.0, 0.0), ToyKnob(60.0, 0.0), cross_talk=0.0)
    hand.push(Axis.ALTITUDE, -told.error.d_alt)
    hand.push(Axis.AZIMUTH, -told.error.d_az_base)
    reading = settle(engine, mount)

    assert told.state is State.BUMPED
    (notice,) = told.notices
    assert "declination clutch slipped: then the axis is where it was" in notice.sentence
    true = axis_error(mount.axis, np.zeros((3, 3)), site, PoleTarget.TRUE, air).total
    assert true > 3.0 * ARCMIN
    assert reading.error.total < 0.5 * ARCMIN
    assert reading.bound > true
    assert reading.verdict is Verdict.UNSURE


def test_a_mount_that_somebody_slewed_is_told_as_that_until_a_new_sweep() -> None:
    """Whether its stars are found again or not: not as lost, and not as a slip."""
    mount = toy_mount(np.random.default_rng(6), latitude_deg=48.0, error_deg=0.2, tracking=True)
    engine = start(mount)
    settle(engine, mount)
    engine.mount_was_moved(12.0 * DEG)
    mount.ra += 12.0 * DEG

    read = [engine.update(NoReading("no stars", mount.utc_s + n)) for n in range(1, 7)]
    mount.wait(10.0)
    read.append(settle(engine, mount))

    for reading in read:
        assert reading.advice.action is Action.CHECK_MOUNT
        assert "moved or synchronised by someone else" in reading.advice.sentence
        assert all("cloud" not in notice.sentence for notice in reading.notices)
        assert reading.verdict is Verdict.UNKNOWN
