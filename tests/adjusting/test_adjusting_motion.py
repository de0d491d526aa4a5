"""Moving, settling, settled, lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from adjusting.hand import ToyMount, toy_mount, turn

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.engine import AdjustmentEngine
from polewright.calculation.adjusting.errors import FramesOutOfOrder
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.notices import NoticeKind
from polewright.calculation.adjusting.observation import Light, NoReading
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE


@pytest.fixture
def mount() -> ToyMount:
    return toy_mount(np.random.default_rng(3), latitude_deg=40.0, error_deg=0.2)


@pytest.fixture
def engine(mount: ToyMount) -> AdjustmentEngine:
    axis, covariance = mount.swept(2.0 * ARCSEC)
    return AdjustmentEngine(axis, covariance, mount.look(), Site(40.0, 0.0))


def states(
    engine: AdjustmentEngine, mount: ToyMount, elongations: list[float], step: float = 0.0
) -> list[State]:
    found = []
    for elongation in elongations:
        mount.altitude += step
        mount.wait(3.0)
        found.append(engine.update(mount.look(elongation)).state)
    return found


def test_one_frame_is_not_enough(engine: AdjustmentEngine, mount: ToyMount) -> None:
    """The first clean frame is SETTLING, the second that agrees SETTLED."""
    assert states(engine, mount, [1.1, 1.1]) == [State.SETTLING, State.SETTLED]


def test_smear_is_moving_even_where_the_axis_agrees(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """Long stars: something turned during the exposure; two clean frames are needed after it."""
    found = states(engine, mount, [1.1, 1.1, 1.9, 1.1, 1.1])

    assert found[2:] == [State.MOVING, State.SETTLING, State.SETTLED]


def test_a_jump_between_round_frames_is_moving(engine: AdjustmentEngine, mount: ToyMount) -> None:
    """Round stars but elsewhere: it moved between the exposures."""
    states(engine, mount, [1.1, 1.1])
    found = states(engine, mount, [1.1, 1.1], step=1.0 * ARCMIN)
    still = states(engine, mount, [1.1])

    assert found == [State.MOVING, State.MOVING]
    assert still == [State.SETTLED]


def test_a_lost_frame_keeps_the_last_numbers_and_their_age(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """LOST repeats the axis, says why, and the next frame must be confirmed again."""
    states(engine, mount, [1.1, 1.1])
    before = engine.reading
    assert before is not None
    mount.wait(10.0)
    lost = engine.update(NoReading("3 stars found, 8 needed", mount.utc_s))
    after = states(engine, mount, [1.1, 1.1])

    assert lost.state is State.LOST
    assert np.array_equal(lost.axis, before.axis)
    assert lost.age_s == pytest.approx(10.0)
    assert "3 stars found" in lost.advice.sentence
    assert lost.advice.action is Action.WAIT
    assert after == [State.SETTLING, State.SETTLED]


def test_many_lost_frames_suggest_where_to_look(engine: AdjustmentEngine, mount: ToyMount) -> None:
    """After four in a row cloud, dew and cap are named."""
    for _ in range(4):
        mount.wait(3.0)
        reading = engine.update(NoReading("no stars", mount.utc_s))

    assert [n.kind for n in reading.notices] == [NoticeKind.LOST_LONG]


def test_an_unsolved_smeared_frame_is_moving(engine: AdjustmentEngine, mount: ToyMount) -> None:
    """Long trails that do not solve come from turning, not from cloud."""
    states(engine, mount, [1.1, 1.1])
    mount.wait(3.0)

    assert engine.update(NoReading("no match", mount.utc_s, elongation=4.0)).state is State.MOVING


def test_stars_that_stay_long_become_the_yardstick(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """Tracking switched off trails every frame; with an axis that agrees that is no motion."""
    found = states(engine, mount, [1.1, 1.1, 1.9, 1.9, 1.9, 1.9, 1.9, 1.9])

    assert State.SETTLED in found[3:]
    assert found[-1] is State.SETTLED


def test_slow_creep_over_many_frames_is_noticed_as_a_move(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """Each step hides in the noise, the sum does not: it is booked as way made."""
    states(engine, mount, [1.1, 1.1])
    for _ in range(60):
        states(engine, mount, [1.1], step=1.0 * ARCSEC)

    assert engine.reading is not None
    assert engine.reading.moved > 30.0 * ARCSEC


def test_frames_out_of_order_are_refused(engine: AdjustmentEngine, mount: ToyMount) -> None:
    """A clock that was set back must not pass silently."""
    states(engine, mount, [1.1])
    mount.utc_s -= 60.0

    with pytest.raises(FramesOutOfOrder, match=r"60\.0 s older"):
        engine.update(mount.look())


def test_after_a_step_back_of_the_clock_the_axis_is_carried_on() -> None:
    """An hour back with an error of 0.2 degrees: tracking goes on by the new clock, the reading
    keeps its size, and settles again; its direction turns by at most the hour's 15 degrees."""
    mount = toy_mount(np.random.default_rng(3), latitude_deg=40.0, error_deg=0.2, tracking=True)
    axis, covariance = mount.swept(2.0 * ARCSEC)
    engine = AdjustmentEngine(axis, covariance, mount.look(), Site(40.0, 0.0))
    states(engine, mount, [1.1, 1.1])
    before = engine.reading
    mount.utc_s -= 3600.0
    # By the clock the sky has turned back by an hour; what the camera sees has not changed.
    back = turn(mount.pole, SIDEREAL_RATE * 3600.0)
    mount.kick = back @ mount.kick
    frame = mount.look()

    with pytest.raises(FramesOutOfOrder):
        engine.update(frame)
    engine.go_on_from(frame.utc_s)

    assert engine.update(frame).state is State.SETTLING
    assert states(engine, mount, [1.1]) == [State.SETTLED]
    assert before is not None
    assert engine.reading is not None
    assert abs(engine.reading.error.total - before.error.total) < 10.0 * ARCSEC


def test_hours_of_tracking_leave_the_axis_where_it_was() -> None:
    """Three hours, both hemispheres: the carried axis stays within its noise, no slip is seen."""
    for latitude in (-50.0, 35.0):
        mount = toy_mount(
            np.random.default_rng(8), latitude_deg=latitude, error_deg=1.0, tracking=True
        )
        axis, covariance = mount.swept(0.5 * ARCSEC)
        engine = AdjustmentEngine(axis, covariance, mount.look(), Site(latitude, 0.0))
        for _ in range(60):
            mount.wait(180.0)
            reading = engine.update(mount.look())
        off = np.linalg.norm(reading.axis - mount.axis)

        assert off < 20.0 * ARCSEC
        assert reading.unexplained_turn is not None
        assert abs(reading.unexplained_turn) < 1.0 * ARCMIN
        assert reading.state is not State.BUMPED


def test_tilt_of_the_base_does_not_matter_to_the_reading() -> None:
    """A base 3 deg out of level, turned by 1 deg: the live axis is the true one."""
    mount = toy_mount(np.random.default_rng(5), latitude_deg=-25.0, error_deg=1.0, tilt_deg=3.0)
    mount.boresight_sigma = mount.roll_sigma = 0.01 * ARCSEC
    axis, covariance = mount.axis, np.eye(3) * 1e-14
    engine = AdjustmentEngine(axis, covariance, mount.look(), Site(-25.0, 0.0))
    mount.azimuth += 1.0 * DEG
    mount.wait(100.0)

    reading = engine.update(mount.look())

    assert np.linalg.norm(reading.axis - mount.axis) < 0.1 * ARCSEC


# -- light -------------------------------------------------------------------------------------


def lit(engine: AdjustmentEngine, mount: ToyMount, *lights: Light | None) -> list[State]:
    """States of round frames at one place whose stars have this light."""
    found = []
    for light in lights:
        mount.wait(3.0)
        found.append(engine.update(replace(mount.look(), light=light)).state)
    return found


CLEAR = Light(1.0, 0.0, 1.0)


def test_light_elsewhere_is_moving_although_stars_are_round_and_where_they_were(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """Every star is there twice: a frame at the old place is not settled, nor is the next."""
    found = lit(engine, mount, CLEAR, CLEAR, Light(0.9, 0.1, 0.02), CLEAR, CLEAR)

    assert found[1:] == [State.SETTLED, State.MOVING, State.SETTLING, State.SETTLED]


def test_light_elsewhere_in_every_frame_is_no_motion(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    """A ghost in the optics: four frames at one place show it, then it counts as usual."""
    ghost = Light(1.0, 0.06, 1.0)
    found = lit(engine, mount, *[ghost] * 7)

    assert found[0] is State.MOVING
    assert found[-2:] == [State.SETTLED, State.SETTLED]
    assert lit(engine, mount, Light(1.0, 0.2, 1.0)) == [State.MOVING]


@pytest.mark.parametrize(
    ("dimmed", "state"),
    [
        (Light(0.97, 0.0, 1.0), State.SETTLED),  # as stars waver
        (Light(0.9, 0.0, 1.0), State.SETTLING),  # nobody looked where it may be
        (Light(0.9, 0.0, 0.02), State.SETTLED),  # it would have been found: a cloud
        (Light(0.9, 0.0, 0.2), State.SETTLING),  # it may be on a faint trail
        (Light(0.6, 0.0, 0.2), State.SETTLED),  # more than could hide there: a cloud
    ],
)
def test_missing_light_asks_for_one_more_frame_unless_it_is_a_clouds_doing(
    engine: AdjustmentEngine, mount: ToyMount, dimmed: Light, state: State
) -> None:
    found = lit(engine, mount, CLEAR, CLEAR, dimmed, dimmed)

    assert found[2:] == [state, State.SETTLED]


def test_under_passing_clouds_only_the_first_one_asks(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    found = lit(
        engine, mount, CLEAR, CLEAR, *(Light(b, 0.0, 0.2) for b in (0.9, 0.8, 0.85, 0.7, 0.6))
    )

    assert found[2:] == [State.SETTLING, *[State.SETTLED] * 4]


def test_frames_without_a_word_about_light_are_judged_as_ever(
    engine: AdjustmentEngine, mount: ToyMount
) -> None:
    assert lit(engine, mount, None, None, CLEAR, CLEAR)[1:] == [State.SETTLED] * 3
