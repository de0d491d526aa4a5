"""A camera: exposures that always come to an end.

The work of one exposure is in `one_exposure`.
"""

from __future__ import annotations

from collections.abc import Callable

from polewright.calculation.images.frame import Frame
from polewright.devices.alpaca.camera_commands import CameraDevice
from polewright.devices.alpaca.one_exposure import Exposure, ExposureProgress, WaitingImage
from polewright.foundation.clock import CancelToken, Clock


class Camera(CameraDevice):
    """A camera of interface version 1 to 4."""

    def expose(
        self,
        duration_s: float,
        light: bool = True,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        on_progress: Callable[[ExposureProgress], None] | None = None,
        *,
        margin_s: float = 60.0,
    ) -> Frame:
        """Expose with the present settings, wait, download, and return the frame.

        Too short a duration is raised to the camera's minimum, with a note.

        Args:
            duration_s: seconds of ``clock``.
            light: False for a dark frame.
            clock: time base of waits, deadlines and the frame's time; the device's when None.
            cancel: looked at in every wait.
            on_progress: called about twice a second.
            margin_s: longest wait for the image beyond ``duration_s``.

        Raises: `CameraBusy`, `ExposureOutOfRange`, `ExposureFailed`, `ExposureTimedOut`,
            `StaleImage`, `TruncatedImage`, `MislabelledImage`, `Cancelled` (after the camera
            was told to abort), and what the device refuses.
        """
        waiting = self.expose_only(duration_s, light, clock, cancel, on_progress, margin_s=margin_s)
        return waiting.fetch()

    def expose_only(
        self,
        duration_s: float,
        light: bool = True,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        on_progress: Callable[[ExposureProgress], None] | None = None,
        *,
        margin_s: float = 60.0,
        brisk: bool = False,
    ) -> WaitingImage:
        """Expose and wait until the image is ready, and leave it in the camera for `fetch`.

        Arguments and errors as of `expose`, but for those of the image itself. ``brisk`` is for
        many short exposures one after the other: see `Exposure`.
        """
        return Exposure(self, clock or self.clock, cancel, on_progress, brisk=brisk).expose(
            duration_s, light, margin_s
        )
