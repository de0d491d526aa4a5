"""What finds the stars of a frame: the embedded detector, or one that a package brings."""

from __future__ import annotations

from typing import Protocol

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, StarList


class StarDetector(Protocol):
    """Finds stars. Pure: a frame goes in, a star list comes out.

    An implementation is found by entry point in the group ``polewright.detectors``; the entry
    point is a callable ``create() -> StarDetector``. It is asked for every frame that is measured
    or solved, from more than one thread. Windows of live frames and settle frames, whose stars are
    compared with each other only, are always measured by the embedded one.
    """

    @property
    def name(self) -> str:
        """Short name for reports."""

    def detect(self, frame: Frame) -> StarList:
        """Return the stars of a frame, brightest first; an empty list when there are none.

        Raises:
            polewright.calculation.images.errors.BadFrame: the pixels cannot be an image of that
                sensor kind.
            polewright.calculation.images.errors.EmptyFrame: there is no number among the pixels.
        """


class EmbeddedDetector:
    """The detector that comes with the program."""

    name = "embedded"

    def detect(self, frame: Frame) -> StarList:
        """See `StarDetector.detect`."""
        return detect_stars(frame)


def create() -> EmbeddedDetector:
    """Return the embedded detector; its entry point."""
    return EmbeddedDetector()
