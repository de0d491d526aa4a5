"""The image a camera hands over, as ImageBytes or as JSON.

ImageBytes: a header of eleven little-endian 32-bit numbers, then the pixels, the first dimension
(x) changing slowest. Numbers of the element types: ASCOM Alpaca API Reference, section on
ImageBytes.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

IMAGE_BYTES = "application/imagebytes"
HEADER_SIZE = 44
_HEADER = struct.Struct("<iiIIiiiiiii")
_ELEMENT_NUMBERS = {
    np.dtype(np.int16): 1,
    np.dtype(np.int32): 2,
    np.dtype(np.float64): 3,
    np.dtype(np.float32): 4,
    np.dtype(np.uint64): 5,
    np.dtype(np.uint8): 6,
    np.dtype(np.int64): 7,
    np.dtype(np.uint16): 8,
    np.dtype(np.uint32): 9,
}
_INT32_ELEMENT, _DOUBLE_ELEMENT = 2, 3
_COLUMNS_A_CHUNK = 64
_BYTES_A_CHUNK = 1 << 20
_BLOCK = 256


def to_wire_order(rows_first: NDArray[Any]) -> NDArray[Any]:
    """Turn (H, W) or (H, W, planes) into a contiguous (W, H[, planes]) array.

    Works in square blocks: on large frames a plain transposed copy misses the cache at each
    pixel and takes several times as long.
    """
    source = np.swapaxes(rows_first, 0, 1)
    target = np.empty(source.shape, dtype=source.dtype)
    width, height = target.shape[:2]
    for x in range(0, width, _BLOCK):
        for y in range(0, height, _BLOCK):
            target[x : x + _BLOCK, y : y + _BLOCK] = source[x : x + _BLOCK, y : y + _BLOCK]
    return target


class ImagePayload:
    """An image in the order of the wire, encoded without copying it."""

    def __init__(self, columns_first: NDArray[Any]) -> None:
        """Keep (W, H) or (W, H, planes); made contiguous and little-endian if it is not."""
        array = np.ascontiguousarray(columns_first)
        array = array.astype(array.dtype.newbyteorder("<"), copy=False)
        if array.ndim not in (2, 3) or array.dtype not in _ELEMENT_NUMBERS:
            raise ValueError(f"no wire form for an image of {array.ndim} axes and {array.dtype}")
        self.array = array

    @property
    def _json_type(self) -> int:
        return _DOUBLE_ELEMENT if self.array.dtype.kind == "f" else _INT32_ELEMENT

    def image_bytes(
        self, client_transaction: int, server_transaction: int
    ) -> list[bytes | memoryview]:
        """The ImageBytes body in pieces; the pixels are views, not copies."""
        shape = (*self.array.shape, 0)[:3]
        header = _HEADER.pack(
            1,
            0,
            client_transaction,
            server_transaction,
            HEADER_SIZE,
            self._json_type,
            _ELEMENT_NUMBERS[self.array.dtype],
            self.array.ndim,
            *shape,
        )
        pixels = self.array.reshape(-1).view(np.uint8).data
        starts = range(0, len(pixels), _BYTES_A_CHUNK)
        return [header, *(pixels[start : start + _BYTES_A_CHUNK] for start in starts)]

    def json_pieces(self, client_transaction: int, server_transaction: int) -> Iterator[bytes]:
        """The JSON body in pieces of some columns each."""
        head = {
            "Type": self._json_type,
            "Rank": self.array.ndim,
            "ClientTransactionID": client_transaction,
            "ServerTransactionID": server_transaction,
            "ErrorNumber": 0,
            "ErrorMessage": "",
        }
        yield (json.dumps(head)[:-1] + ', "Value": [').encode()
        for start in range(0, self.array.shape[0], _COLUMNS_A_CHUNK):
            columns = self.array[start : start + _COLUMNS_A_CHUNK].tolist()
            text = json.dumps(columns, separators=(",", ":"))[1:-1]
            yield ("," if start else "").encode() + text.encode()
        yield b"]}"
