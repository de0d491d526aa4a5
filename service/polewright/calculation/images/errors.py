"""What can be wrong with a frame.

::

    ImageError (foundation/errors.py)
    ├── BadFrame    not an image that can be measured: wrong shape, type or mosaic
    └── EmptyFrame  no pixels, or nothing but one value or unusable numbers
"""

from __future__ import annotations

from polewright.foundation.errors import ImageError
from polewright.foundation.language import say


class BadFrame(ImageError):
    """The frame is not an image that can be measured."""

    code = "bad_frame"
    advice = say("Check the camera's sensor type and readout mode; take the frame again.")

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason

    def __str__(self) -> str:
        return say("the frame cannot be measured: {reason}", reason=self.reason)


class EmptyFrame(ImageError):
    """The frame holds no picture: no pixels, or no usable number in it."""

    code = "empty_frame"
    advice = say("Take the frame again; if it stays empty, reconnect the camera.")

    def __init__(self, reason: str, width: int, height: int) -> None:
        super().__init__(reason, width, height)
        self.reason = reason
        self.width = width
        self.height = height

    def __str__(self) -> str:
        return say(
            "the frame ({width} x {height} pixels) is empty: {reason}",
            width=self.width,
            height=self.height,
            reason=self.reason,
        )
