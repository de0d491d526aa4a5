"""Memory from the body of a download to an attitude, in sizes of the frame."""

from __future__ import annotations

import dataclasses
import tracemalloc
from collections.abc import Callable

import bench_frames
import numpy as np

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.quality import frame_quality
from polewright.devices.alpaca.errors import Where
from polewright.devices.alpaca.imagebytes import decode_imagebytes
from polewright.foundation.clock import CancelToken
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.solving.registry import load_solver
from polewright_wire.image_payload import ImagePayload


def peak_over_frame(work: Callable[[], int]) -> float:
    """Most memory that ``work`` had allocated at once, over the bytes that it returns."""
    tracemalloc.start()
    try:
        frame_bytes = work()
        return tracemalloc.get_traced_memory()[1] / frame_bytes
    finally:
        tracemalloc.stop()


def test_body_to_attitude_needs_less_than_four_frames_of_memory() -> None:
    """The body itself counts; one copy of it in double precision would be four more."""
    studio = bench_frames.Studio(4, focal_mm=200.0, seed=3)
    shot = studio.shoot(studio.anywhere())
    columns_first = np.swapaxes(shot.frame.pixels, 0, 1)
    pieces = ImagePayload(columns_first).image_bytes(1, 1)
    solver = load_solver("embedded")
    solver.solve(detect_stars(shot.frame), shot.hint)  # the catalogue is read once a process
    copies: list[np.ndarray] = []

    def from_body(careless: bool) -> int:
        body = bytearray().join(pieces)
        pixels = decode_imagebytes(body, Where("127.0.0.1", 1, "camera", 0)).pixels
        assert np.shares_memory(pixels, np.frombuffer(body, np.uint8))
        if careless:
            copies.append(pixels.astype(np.float64))
        frame = dataclasses.replace(shot.frame, pixels=pixels)
        plates = PlateSolver(
            solver, studio.site, studio.air, nominal_scale=studio.scale, hint_radius=0.1,
            blind=False, timeout_s=60.0,
        )  # fmt: skip
        stars = detect_stars(frame)
        frame_quality(stars)
        plates.solve(stars, frame, shot.hint.centre_icrs, CancelToken())
        near = plates.look_near(frame, tracking=True)
        assert near is not None
        plates.follow(near.stars, frame, None, CancelToken(), tracking=True, near=near)
        return int(pixels.nbytes)

    assert peak_over_frame(lambda: from_body(careless=False)) < 4.0
    assert peak_over_frame(lambda: from_body(careless=True)) > 4.0
