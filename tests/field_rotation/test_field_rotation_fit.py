"""The axis from frames of tracked targets: exact rigs, honest regions, piers that move."""

from __future__ import annotations

import math

import numpy as np
import pytest
from field_rotation.nights import exposures, fitted, knocked, rig, seen

from polewright.calculation.field_rotation.expected import (
    Stretch,
    expected_covariance,
    widest95,
)
from polewright.calculation.field_rotation.groups import SkyFrame, group_frames, night_of
from polewright.calculation.field_rotation.tracked_axis import Moved, TrackedFit
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, HOUR, separation
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import Target, tracked_exposures

START = 1796000000.0


def two_targets(spec: RigSpec, hours: float = 6.0) -> list[Target]:
    side = math.copysign(1.0, spec.site.latitude_deg)
    return [
        Target("one", -3.0 * HOUR, side * 40.0 * DEG, hours / 2.0),
        Target("two", 0.5 * HOUR, side * 12.0 * DEG, hours / 2.0),
    ]


def night(seed: int, *, unguided: bool = False, **how: float) -> tuple[TrackedFit, float, RigSpec]:
    """(fit, distance from the true axis in arcsec, the rig)."""
    knock = how.pop("knock_arcsec", 0.0)
    rng = np.random.default_rng(seed)
    spec = rig(rng, **how)
    moved = knocked(START, 3.0, knock, 70.0) if knock else None
    shots = exposures(spec, two_targets(spec), START, knock=moved, guided=not unguided)
    fit = fitted(spec, seen(spec, shots, rng), unguided=unguided)
    return fit, float(separation(fit.axis, shots[len(shots) // 2].axis)) / ARCSEC, spec


@pytest.mark.parametrize("latitude_deg", [-38.0, 51.0])
def test_six_hours_of_two_targets_tell_the_axis_to_some_arcseconds(latitude_deg: float) -> None:
    found = [night(seed, latitude_deg=latitude_deg, error_arcmin=4.0) for seed in range(6)]
    assert np.median([off for _, off, _ in found]) < 15.0
    for fit, off, _ in found:
        assert off < 3.0 * widest95(fit.covariance) / 2.45 / ARCSEC + 5.0
        assert fit.trusted


def test_frames_of_nobody_guiding_tell_more() -> None:
    """Drift is a second number, and a surer one than the roll."""
    for seed in (1, 2):
        guided, _, _ = night(seed, error_arcmin=3.0)
        drifted, off, _ = night(seed, error_arcmin=3.0, unguided=True)
        assert widest95(drifted.covariance) < widest95(guided.covariance)
        assert off < 2.0 * widest95(drifted.covariance) / ARCSEC


def test_a_pier_that_leans_over_is_refused_with_its_time() -> None:
    refused = [fit for fit, _, _ in (night(seed, knock_arcsec=180.0) for seed in range(5))]
    named = [fit.change for fit in refused if not fit.trusted and fit.change is not None]
    assert len(named) >= 4
    assert sum(change.what is Moved.PIER for change in named) >= 3
    for change in named:
        if change.what is Moved.PIER:
            assert abs(change.utc_s - (START + 3.0 * 3600.0)) < 1200.0


@pytest.mark.parametrize(
    ("after_hours", "between"), [(1.7, True), (2.7, False)], ids=["at a change", "within a target"]
)
def test_a_step_is_told_where_it_was_also_at_a_change_of_target(
    after_hours: float, between: bool
) -> None:
    """There the next target's own constant hides most of it, and it seems a smaller one elsewhere.

    Three targets, a frame every two minutes.
    """
    for seed in range(3):
        rng = np.random.default_rng(seed)
        spec = rig(rng)
        targets = [
            Target("a", -3.0 * HOUR, 40.0 * DEG, 1.7),
            Target("b", 0.5 * HOUR, 12.0 * DEG, 2.1),
            Target("c", -1.0 * HOUR, 70.0 * DEG, 2.2),
        ]
        knock = knocked(START, after_hours, 180.0, 70.0)
        shots = list(
            tracked_exposures(spec, targets, start_utc_s=START, every_s=120.0, knock=knock)
        )
        moved = float(separation(shots[0].axis, shots[-1].axis))
        change = fitted(spec, seen(spec, shots, rng)).change
        assert change is not None
        assert change.what is Moved.PIER
        assert change.between_groups is between
        assert abs(change.utc_s - (START + 3600.0 * after_hours)) < 130.0
        assert change.size == pytest.approx(moved, rel=0.35 if between else 0.1)


def test_one_frame_of_each_target_tells_nothing() -> None:
    rng = np.random.default_rng(5)
    spec = rig(rng)
    told = seen(spec, exposures(spec, two_targets(spec), START), rng)
    told.frames[1:-1] = []
    with pytest.raises(TooFewDirections):
        fitted(spec, told)


def grouped(frames: list[SkyFrame], spec: RigSpec) -> list[tuple[int, bool, bool]]:
    site = spec.site.site()
    pole = pole_enu(site, PoleTarget.TRUE, spec.site.atmosphere())
    groups = group_frames(frames, pole, site)
    return [(len(group.members), group.turned_over, group.other_angle) for group in groups]


def frames_of(hours: float = 6.0, **changes: object) -> tuple[list[SkyFrame], RigSpec]:
    rng = np.random.default_rng(3)
    spec = rig(rng)
    told = seen(spec, exposures(spec, two_targets(spec, hours), START), rng)
    frames = [SkyFrame(**{**vars(frame), **changes}) for frame in told.frames]
    return frames, spec


def test_targets_and_sides_of_the_pier_are_groups_with_and_without_the_header() -> None:
    frames, spec = frames_of(8.0)
    with_header = grouped(frames, spec)
    assert [over for _, over, _ in with_header] == [True, False, False]
    unheaded, _ = frames_of(8.0, pier_side="")
    assert grouped(unheaded, spec) == with_header


def test_a_camera_that_was_turned_begins_a_group() -> None:
    frames, spec = frames_of()
    attitudes = [frame.attitude for frame in frames]
    for i in range(10, len(frames)):
        matrix = rotation_about(attitudes[i].matrix[:, 2], 9.0 * ARCMIN) @ attitudes[i].matrix
        values = {**vars(attitudes[i]), "matrix": matrix}
        frames[i] = SkyFrame(**{**vars(frames[i]), "attitude": type(attitudes[i])(**values)})
    groups = grouped(frames, spec)
    assert groups[0] == (10, True, False)
    assert groups[1][2]


def test_a_rotator_that_moved_begins_a_group_and_one_that_did_not_none() -> None:
    still, spec = frames_of(rotator_deg=12.0)
    before = grouped(still, spec)
    turned = [
        SkyFrame(**{**vars(frame), "rotator_deg": 12.0 if i < 7 else 12.5})
        for i, frame in enumerate(still)
    ]
    after = grouped(turned, spec)
    assert len(after) == len(before) + 1
    assert after[0][0] == 7


def test_a_night_ends_at_noon() -> None:
    evening = 1795287600.0  # 2026-11-21 19:00 UTC
    assert night_of(evening, 0.0) == night_of(evening + 12.0 * 3600.0, 0.0)
    assert night_of(evening + 20.0 * 3600.0, 0.0) == night_of(evening, 0.0) + 1
    assert night_of(evening, 170.0) == night_of(evening + 5.0 * 3600.0, 170.0) - 0


def test_more_hours_and_a_second_target_make_it_surer() -> None:
    site, air = Site(50.0, 8.0, 200.0), Atmosphere.standard(200.0)

    def sure(*stretches: Stretch) -> float:
        covariance = expected_covariance(
            site,
            stretches,
            every_s=300.0,
            roll_sigma=3.0 * ARCSEC,
            shared=SharedErrors(sag=8.0 * ARCSEC),
            shift_floor=ARCSEC,
            air=air,
        )
        return widest95(covariance)

    one, longer = (Stretch(-1.5 * HOUR, 40.0 * DEG, hours) for hours in (1.0, 4.0))
    assert sure(longer) < 0.5 * sure(one)
    assert sure(longer, Stretch(2.0 * HOUR, 60.0 * DEG, 2.0)) < sure(longer)
