"""Image data of a camera: ImageBytes and its JSON fallback. Pure: bytes in, array out.

Layout of ImageBytes (ASCOM Alpaca API Reference v12, "ImageBytes"): eleven little-endian 32-bit
words, then pixels from DataStart on, dimension 1 (columns) slowest, so a reshaped view has to be
transposed to become [row, column].
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.devices.alpaca.errors import (
    BadReply,
    MislabelledImage,
    TruncatedImage,
    Where,
    refusal,
)
from polewright.devices.alpaca.models import excerpt, parse_json, reply_of
from polewright.foundation.language import say
from polewright.foundation.plain_text import LONGEST

MEMBER = "imagearray"
CONTENT_TYPE = "application/imagebytes"
HEADER = struct.Struct("<iiIIiiiiiii")
HEADER_BYTES = 44
MAX_SIDE = 200_000
MAX_PLANES = 4

#: ImageBytes element types. 0 is "unknown" and describes nothing.
ELEMENT_TYPES: dict[int, np.dtype[Any]] = {
    1: np.dtype("<i2"),
    2: np.dtype("<i4"),
    3: np.dtype("<f8"),
    4: np.dtype("<f4"),
    5: np.dtype("<u8"),
    6: np.dtype("u1"),
    7: np.dtype("<i8"),
    8: np.dtype("<u2"),
    9: np.dtype("<u4"),
}
#: Types that the JSON form can name; the array's values decide what is stored.
_JSON_TYPES = {1: np.int16, 2: np.int32, 3: np.float64}


@dataclass(frozen=True)
class CameraImage:
    """Pixels as sent."""

    pixels: NDArray[np.generic]
    """(H, W) or (H, W, planes), row 0 at the top; a read-only view of the body for ImageBytes."""
    client_transaction: int | None = None
    image_type: int = 0
    """The driver's own element type, before any compression for the wire."""


def decode(content_type: str, body: bytes | bytearray, where: Where) -> CameraImage:
    """Decode an answer by what it says it is; drivers send either form, whatever was asked for.

    Raises: `BadReply`, `TruncatedImage`, `MislabelledImage`, or the device's own refusal.
    """
    if CONTENT_TYPE in content_type.lower():
        return decode_imagebytes(body, where)
    return decode_json(body, where)


def decode_imagebytes(body: bytes | bytearray, where: Where) -> CameraImage:
    """Decode ImageBytes without copying the pixels. Raises as `decode`."""
    if len(body) < HEADER_BYTES:
        raise TruncatedImage(where, MEMBER, len(body), HEADER_BYTES)
    (
        version,
        error,
        transaction,
        _server_transaction,
        start,
        image_type,
        wire_type,
        rank,
        *dimensions,
    ) = HEADER.unpack_from(body)
    if version != 1:
        raise BadReply(
            where, MEMBER, say("ImageBytes version {version}, only 1 is known", version=version)
        )
    if error:
        message = bytes(body[max(start, HEADER_BYTES) :]).decode("utf-8", "replace")
        raise refusal(where, MEMBER, error, excerpt(message, 300))
    if start < HEADER_BYTES:
        raise MislabelledImage(where, MEMBER, say("data start at byte {start}", start=start))
    dtype = ELEMENT_TYPES.get(wire_type)
    if dtype is None:
        raise MislabelledImage(
            where, MEMBER, say("unknown transmission type {wire_type}", wire_type=wire_type)
        )
    if image_type not in ELEMENT_TYPES and image_type != 0:
        raise MislabelledImage(
            where, MEMBER, say("unknown image element type {image_type}", image_type=image_type)
        )
    if rank not in {2, 3}:
        raise MislabelledImage(where, MEMBER, say("rank {rank}, 2 or 3 expected", rank=rank))
    shape = tuple(dimensions[:rank])
    _check_shape(shape, where)
    size = dtype.itemsize
    for side in shape:
        size *= side
    if len(body) - start < size:
        raise TruncatedImage(where, MEMBER, len(body), start + size)
    if len(body) - start > size:
        raise MislabelledImage(
            where,
            MEMBER,
            say(
                "{data_bytes} bytes of data, {header_bytes} by its header",
                data_bytes=len(body) - start,
                header_bytes=size,
            ),
        )
    flat = np.frombuffer(body, dtype, offset=start)
    return CameraImage(_rows_first(flat.reshape(shape)), transaction, image_type)


def decode_json(body: bytes | bytearray, where: Where) -> CameraImage:
    """Decode the JSON form. Raises as `decode`."""
    document = parse_json(body, where, MEMBER)
    if not isinstance(document, dict):
        raise BadReply(where, MEMBER, say("not a JSON object: '{body}'", body=excerpt(body)))
    value, image_type, rank = (document.pop(key, None) for key in ("Value", "Type", "Rank"))
    reply = reply_of(document, where, MEMBER)
    if reply.ErrorNumber:
        raise refusal(where, MEMBER, reply.ErrorNumber, excerpt(reply.ErrorMessage, LONGEST))
    if not isinstance(value, list) or not value:
        raise BadReply(where, MEMBER, say("the answer has no Value"))
    array = _array_of(value, where)
    if rank is not None and str(rank) != str(array.ndim):
        raise MislabelledImage(
            where,
            MEMBER,
            say("rank {rank}, found {ndim}", rank=excerpt(str(rank), 20), ndim=array.ndim),
        )
    _check_shape(array.shape, where)
    kind = image_type if isinstance(image_type, int) and image_type in _JSON_TYPES else 0
    return CameraImage(_rows_first(array), reply.ClientTransactionID, kind)


def _array_of(value: list[Any], where: Where) -> NDArray[np.generic]:
    try:
        array: NDArray[np.generic] = np.array(value)
    except (ValueError, OverflowError, TypeError, RecursionError) as exc:  # ragged, too deep
        raise MislabelledImage(where, MEMBER, excerpt(str(exc), 80)) from None
    if array.ndim not in {2, 3} or array.dtype.kind not in "iuf":
        raise MislabelledImage(
            where,
            MEMBER,
            say(
                "{ndim} dimensions of {dtype}, numbers in 2 or 3 expected",
                ndim=array.ndim,
                dtype=array.dtype,
            ),
        )
    if array.dtype.kind in "iu":
        small = np.int64 if array.size == 0 else _smallest(int(array.min()), int(array.max()))
        return array.astype(small)
    return array


def _smallest(low: int, high: int) -> type[np.generic]:
    for kind in (np.uint16, np.int16, np.int32):
        limits = np.iinfo(kind)
        if limits.min <= low and high <= limits.max:
            return kind
    return np.int64 if high <= np.iinfo(np.int64).max else np.uint64


def _check_shape(shape: tuple[int, ...], where: Where) -> None:
    width, height = shape[:2]
    planes = shape[2] if len(shape) == 3 else 1
    if not (1 <= width <= MAX_SIDE and 1 <= height <= MAX_SIDE and 1 <= planes <= MAX_PLANES):
        sides = " x ".join(str(side) for side in shape)
        raise MislabelledImage(where, MEMBER, say("dimensions {sides}", sides=sides))


def _rows_first(columns_first: NDArray[np.generic]) -> NDArray[np.generic]:
    """[x][y] or [x][y][plane] to [row, column] or [row, column, plane], as a view."""
    view = columns_first.swapaxes(0, 1)
    view.flags.writeable = False
    return view
