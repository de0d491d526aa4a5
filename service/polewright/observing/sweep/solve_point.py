"""From a frame of a point to a solved point: stars, solve, what is told of it, the judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from polewright.calculation.images.errors import EmptyFrame
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.quality import FrameQuality
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.mount_coordinates import icrs_from_mount
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    Vector,
    azalt_from_enu,
    separation,
    spherical,
)
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import say
from polewright.observing.rig.plate_solver import FOCAL_TOLD, Plate, ScaleContradicts
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.tonight_tolerance import Known, tonights_tolerance
from polewright.records.events import PointSolved
from polewright.solving.errors import NoMatch, SolutionRejected, SolverTimedOut, TooFewStars

#: What another exposure or another place can cure.
UNSOLVED = (
    TooFewStars,
    NoMatch,
    SolutionRejected,
    SolverTimedOut,
    ScaleContradicts,
    EmptyFrame,
)


@dataclass(frozen=True)
class SolvedPoint:
    """What one point of the sweep came to."""

    number: int
    target: Pointing
    frame: Frame
    quality: FrameQuality
    plate: Plate
    mount_declination: float | None = None
    """The mount's own word while it was exposed, of date, rad."""
    rest: Rest | None = None
    """What looks after the exposure told, where it was exposed before the mount was still."""


@dataclass(frozen=True)
class StarsWord:
    """A solved frame beside the mount's word for it."""

    plate: Plate
    pointing: Pointing
    """By the mount's word."""
    expected: Vector | None
    """Where (ICRS) the centre should be, by the offset found at the point before."""


def solve_frame(
    rig: Rig, frame: Frame, stars: StarList, told: tuple[float, float], cancel: CancelToken
) -> StarsWord:
    """Solve a frame of the sweep; asks no device and tells nobody.

    Args:
        rig: the rig.
        frame: the frame.
        stars: what was detected in it.
        told: the mount's word for the exposure, right ascension in hours and declination in
            degrees.
        cancel: raises out of the solve.

    Raises:
        SolveError: as the solver says.
    """
    sky = rig.plates.sky_at(frame.utc_mid_s)
    mount_icrs = icrs_from_mount(sky, rig.equatorial_system, *told)
    expected = rig.plates.expected_centre(mount_icrs)
    plate = rig.plates.solve(stars, frame, mount_icrs, cancel)
    return StarsWord(plate, pointing_from_mount(sky, rig.equatorial_system, *told), expected)


def judge(rig: Rig, point: SolvedPoint, total: int, word: StarsWord) -> None:
    """Tell a solved point, and have the guards compare it with the mount's word.

    Raises:
        GuardError: the stars say that the mount was not where it should have been.
    """
    report_plate(rig, word.plate, point.number, total)
    miss: float | None = None
    if word.expected is not None:
        miss = float(separation(word.expected, word.plate.solution.centre_icrs))
    rig.guards.solved(point.number, word.plate, word.pointing, miss)
    if rig.patience is not None:
        rig.patience.solved()


def tell_focal_length(rig: Rig) -> None:
    """Say it, once a run, when the stars tell another focal length than was told.

    Tonight's tolerance, where it follows from that, is then computed again: also when a first
    solution that was believed has turned out false.
    """
    if rig.plates.claim_corrected:
        rig.note(rig.plates.claim_corrected, warning=True)
    known = rig.known
    if known is None or rig.config.tonight.focal_length_mm:
        return
    using_mm, found_mm = known.focal_length_mm, rig.plates.focal_length_mm
    if found_mm is None:
        return
    if using_mm is not None and abs(found_mm / using_mm - 1.0) <= FOCAL_TOLD:
        return
    try:
        know_tonight(rig, replace(known, focal_length_mm=found_mm))
    except PolewrightError as error:
        rig.note(say("Tonight's tolerance stays as it was ({error}).", error=error), warning=True)


def know_tonight(rig: Rig, known: Known) -> None:
    """Let tonight's exposures set the run's tolerance, and tell it.

    Raises:
        FigureMissing, ImagingNotUsable, TargetTooLow: it cannot be computed; says why.
    """
    rig.known = known
    rig.tolerance_arcmin, told, warned = tonights_tolerance(
        rig.config, known, rig.site, rig.atmosphere
    )
    for sentence, warning in ((told, False), (warned, True)):
        if sentence:
            rig.note(sentence, warning=warning)


def report_plate(rig: Rig, plate: Plate, number: int, total: int) -> None:
    """Tell that a point is solved, in the units people use."""
    tell_focal_length(rig)
    ra, dec = spherical(plate.solution.centre_icrs)
    azimuth, altitude = azalt_from_enu(plate.attitude.matrix[:, 2])
    covariance = plate.attitude.covariance
    rig.emit(
        PointSolved(
            utc_s=rig.clock.utc_s(),
            point=number,
            points=total,
            ra_deg=float(ra) / DEG,
            dec_deg=float(dec) / DEG,
            azimuth_deg=float(azimuth) / DEG,
            altitude_deg=float(altitude) / DEG,
            scale_arcsec_per_px=plate.attitude.scale / ARCSEC,
            parity=plate.attitude.parity,
            matched=plate.attitude.matched,
            rms_arcsec=plate.attitude.rms_px * plate.attitude.scale / ARCSEC,
            sigma_pointing_arcsec=math.sqrt((covariance[0, 0] + covariance[1, 1]) / 2.0) / ARCSEC,
            sigma_roll_arcsec=math.sqrt(covariance[2, 2]) / ARCSEC,
            solve_s=plate.solve_s,
            mount_offset_arcmin=plate.mount_offset / ARCMIN,
        )
    )
