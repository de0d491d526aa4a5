"""What a frame shows: its stars, how good it is; told to whoever listens."""

from __future__ import annotations

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.quality import FrameQuality, frame_quality
from polewright.observing.rig.rig import Rig
from polewright.records.events import FrameMeasured


def measure_stars(rig: Rig, frame: Frame) -> tuple[StarList, FrameQuality]:
    """Find the stars of a frame and tell how good it is."""
    stars = rig.detector.detect(frame)
    return stars, frame_quality(stars)


def tell_frame(
    rig: Rig, frame: Frame, stars: StarList, quality: FrameQuality, number: int = 0
) -> None:
    """Tell what a frame shows, and hand it to whoever shows or keeps pictures."""
    rig.emit(
        FrameMeasured(
            utc_s=rig.clock.utc_s(),
            point=number,
            star_count=quality.star_count,
            hfd_px=quality.hfd_px,
            elongation=quality.elongation,
            background_adu=quality.background_adu,
            exposure_s=frame.exposure_s,
        )
    )
    if rig.on_frame is not None:
        rig.on_frame(frame, stars)


def look_at(rig: Rig, frame: Frame, number: int = 0) -> tuple[StarList, FrameQuality]:
    """Find the stars of a frame and tell how good it is, to everybody."""
    stars, quality = measure_stars(rig, frame)
    tell_frame(rig, frame, stars, quality, number)
    return stars, quality
