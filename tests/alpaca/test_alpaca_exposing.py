"""What becomes of the camera when an image cannot be fetched."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from polewright.devices.alpaca.one_exposure import Exposure, WaitingImage
from polewright.foundation.clock import CancelToken, SystemClock


def waiting(cancel: CancelToken | None = None) -> tuple[WaitingImage, list[str]]:
    """An image whose download breaks, and the commands that the camera then gets."""
    sent: list[str] = []
    states = iter([2, 0])  # another exposure runs by now

    def breaks(*_a, **_k):
        raise ConnectionResetError("made up")

    camera = SimpleNamespace(
        state=lambda: next(states, 0),
        abort_exposure=lambda: sent.append("abort"),
        image_path=lambda: "imagearray",
        where=None,
        info=lambda: SimpleNamespace(width=10, height=10),
        connection=SimpleNamespace(raw=breaks, next_id=lambda: 1),
    )
    settings = SimpleNamespace(width=10, height=10)
    exposure = Exposure(camera, SystemClock(), cancel, None)  # type: ignore[arg-type]
    return WaitingImage(exposure, settings, 1.0, 0.0, 0.0), sent  # type: ignore[arg-type]


def test_a_run_that_waits_for_its_image_aborts_what_the_camera_does() -> None:
    image, sent = waiting()
    with pytest.raises(ConnectionResetError):
        image.fetch()
    assert sent == ["abort"]


def test_a_fetch_that_nobody_waits_for_leaves_the_camera_alone() -> None:
    """Abandoned or cancelled: the exposure that runs now is somebody else's."""
    image, sent = waiting()
    image.abandon()
    cancel = CancelToken()
    cancel.cancel()
    other, also_sent = waiting(cancel)
    for one in (image, other):
        with pytest.raises(ConnectionResetError):
            one.fetch()
    assert sent == also_sent == []
