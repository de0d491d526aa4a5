"""A small, stretched picture of a frame, for the page and the report."""

from __future__ import annotations

import io
import math
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from polewright.calculation.images.frame import Frame, SensorKind, StarList

MOST_PX = 1200
MOST_RINGS = 250
RING = (255, 176, 64)
#: Where the sky's own level comes to lie between black and white (own choice).
SKY_LEVEL = 0.12

PictureFormat = Literal["png", "jpeg"]


def shrunk(frame: Frame, most_px: int = MOST_PX) -> tuple[NDArray[np.float32], int]:
    """Return block means, float32 (h, w) with neither side above ``most_px``, and a block's side.

    Sums along the direction in which the pixels lie in memory come last, which is what makes
    26 megapixels quick.
    """
    factor = max(1, math.ceil(max(frame.width, frame.height) / most_px))
    if frame.sensor is SensorKind.BAYER and factor % 2:
        factor += 1  # whole mosaic cells, or the colours of the sky would beat with the blocks
    data: NDArray[Any] = frame.pixels
    if data.ndim == 3:
        data = data[:, :, 1]  # green stands for all in a small picture
    swapped = abs(data.strides[0]) < abs(data.strides[1])
    if swapped:
        data = data.T
    rows, columns = data.shape[0] // factor, data.shape[1] // factor
    total = np.uint32 if data.dtype.kind == "u" and data.dtype.itemsize <= 2 else np.float32
    cut = data[: rows * factor, : columns * factor]
    tall = cut.reshape(rows, factor, columns * factor).sum(axis=1, dtype=total)
    small = tall.reshape(rows, columns, factor).sum(axis=2, dtype=total).astype(np.float32)
    small *= np.float32(1.0 / factor**2)
    small = np.nan_to_num(small, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
    return (small.T if swapped else small), factor


def stretched(small: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return 8-bit grey (h, w): the sky dark grey, faint stars lifted by an asinh curve."""
    sample = small[:: max(1, small.shape[0] // 300), :: max(1, small.shape[1] // 300)]
    low, sky, high = (float(value) for value in np.percentile(sample, (0.5, 50.0, 99.9)))
    spread = max(sky - low, 1e-3 * max(abs(sky), 1.0))
    black = sky - 2.0 * spread
    reach = max(high - black, 20.0 * spread)  # or the noise of an empty field would fill it
    unit = np.clip((small - np.float32(black)) / np.float32(reach), 0.0, 1.0)
    softness = _softness((sky - black) / reach)
    lifted = np.arcsinh(unit * np.float32(softness)) / np.float32(np.arcsinh(softness))
    return np.asarray(lifted * np.float32(255.0), dtype=np.uint8)


def _softness(sky: float) -> float:
    """Return the strength of the curve that puts ``sky`` (0 to 1) at `SKY_LEVEL`."""
    low, high = 1e-3, 1e4
    for _ in range(40):
        middle = math.sqrt(low * high)
        if math.asinh(sky * middle) / math.asinh(middle) < SKY_LEVEL:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def frame_picture(
    frame: Frame,
    stars: StarList | None,
    picture: PictureFormat = "png",
    most_px: int = MOST_PX,
) -> bytes:
    """Return the frame as a picture file; ``stars`` are ringed when given."""
    small, factor = shrunk(frame, most_px)
    image = Image.fromarray(stretched(np.ascontiguousarray(small)))
    if stars is not None and len(stars):
        image = image.convert("RGB")
        draw = ImageDraw.Draw(image)
        shown = slice(0, max(30, MOST_RINGS * most_px // MOST_PX))  # the brightest; a few if small
        for x, y, hfd in zip(stars.x[shown], stars.y[shown], stars.hfd_px[shown], strict=True):
            # Pixel centres are whole numbers, in the frame as in the picture.
            cx, cy = (float(x) + 0.5) / factor - 0.5, (float(y) + 0.5) / factor - 0.5
            size = float(hfd) if math.isfinite(hfd) else 4.0
            r = min(max(5.0, 1.6 * size / factor), 30.0)
            # Rounded here: the library would cut decimals off, towards the upper left.
            box = tuple(round(value) for value in (cx - r, cy - r, cx + r, cy + r))
            draw.ellipse(box, outline=RING)
    out = io.BytesIO()
    if picture == "png":
        image.save(out, "PNG", compress_level=1)
    else:
        image.save(out, "JPEG", quality=80)
    return out.getvalue()
