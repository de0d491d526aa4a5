"""Brings a camera to what the configuration asks of it; again after its driver restarted."""

from __future__ import annotations

from polewright.devices.alpaca.camera import Camera
from polewright.foundation.config import CameraSection


def ready_camera(camera: Camera, section: CameraSection) -> None:
    """Set binning, gain and offset of a connected camera.

    Raises:
        DeviceError: it refuses.
    """
    camera.set_geometry(section.binning)
    if section.gain is not None:
        camera.set_gain(section.gain)
    if section.offset is not None:
        camera.set_offset(section.offset)
