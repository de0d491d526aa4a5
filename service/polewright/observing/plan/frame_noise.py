"""The error of each frame that its stars do not show: as any rig's, or as this one's past tells."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from polewright.calculation.geometry.learnt_noise import (
    FrameNoise,
    PastSweep,
    floor_share,
    learnt_noise,
)
from polewright.calculation.geometry.shared_errors import STANDARD_NOISE_DOF
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, DEG
from polewright.foundation.config import Config
from polewright.foundation.language import say
from polewright.observing.rig.past_sweeps import RigSweep
from polewright.observing.rig.rig import Rig

if TYPE_CHECKING:
    from polewright.records.history.run_record import RunRecord

#: The air moves all stars of a frame less the longer it is exposed, and what rings averages out:
#: [sweep] frame_floor_arcsec holds from so many seconds on, shorter frames are worse by the root
#: (common practice, no source).
CALM_S = 2.0
#: Other focal lengths and binnings have another noise; a solved scale is surer than this share.
SAME_SCALE = 0.05


def frame_floor(rig: Rig, exposure_s: float) -> float:
    """Return the error (1 sigma, rad) of a frame's attitude that its stars do not show."""
    return frame_noise(rig).floor * _unrest(exposure_s)


def _unrest(exposure_s: float) -> float:
    return math.sqrt(max(1.0, CALM_S / max(exposure_s, 1e-3)))


def frame_noise(rig: Rig) -> FrameNoise:
    """Return the noise of frames from `CALM_S` on; a floor that was configured wins over the past.

    Past sweeps count once the scale is known, and where it was the same.
    """
    prior = FrameNoise(rig.config.sweep.frame_floor_arcsec * ARCSEC, STANDARD_NOISE_DOF)
    scale = rig.plates.scale
    if configured(rig.config) or scale is None:
        return prior
    same = [item.left for item in rig.past_sweeps if abs(item.scale / scale - 1.0) <= SAME_SCALE]
    return learnt_noise(prior, same)


def configured(config: Config) -> bool:
    """Whether the file tells the floor, so that the past is not asked."""
    return "frame_floor_arcsec" in config.sweep.model_fields_set


def tell_frame_noise(rig: Rig) -> None:
    """Note what the past has taught, if anything."""
    noise = frame_noise(rig)
    if noise.sweeps:
        sweeps = "1 sweep" if noise.sweeps == 1 else say("{sweeps} sweeps", sweeps=noise.sweeps)
        rig.note(
            say(
                "Frame floor {floor}, learnt from {sweeps} of this rig ([sweep] "
                "frame_floor_arcsec overrides it).",
                floor=angle_text(noise.floor),
                sweeps=sweeps,
            )
        )


def sweeps_of(record: RunRecord) -> Iterator[RigSweep]:
    """Yield what the sweeps of a run teach."""
    configured = record.config.get("sweep", {}).get("frame_floor_arcsec")
    for sweep in record.sweeps:
        axis, points = sweep.result.axis, sweep.result.points
        floor_arcsec = axis.frame_floor_arcsec or configured
        if not (floor_arcsec and points and axis.trusted and axis.dof > 0):
            continue

        def rms(values: list[float]) -> float:
            return math.sqrt(sum(value**2 for value in values) / len(values))

        share = floor_share(
            floor_arcsec * _unrest(min(point.exposure_s for point in points)),
            rms([point.sigma_pointing_arcsec for point in points]),
            rms([point.sigma_roll_arcsec for point in points]),
            points[0].dec_deg * DEG,
        )
        yield RigSweep(
            PastSweep(axis.chi2, axis.dof, floor_arcsec * ARCSEC, share),
            points[0].scale_arcsec_per_px * ARCSEC,
        )
