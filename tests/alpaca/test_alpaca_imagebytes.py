"""Image data: every type, both orders of trouble, and no exception that is not ours."""

from __future__ import annotations

import contextlib
import json
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.errors import AlpacaError, Where
from polewright.devices.alpaca.imagebytes import (
    CONTENT_TYPE,
    ELEMENT_TYPES,
    HEADER_BYTES,
    decode,
    decode_imagebytes,
    decode_json,
)
from polewright.devices.alpaca.models import (
    ANYTHING,
    BOOL,
    FLOAT,
    INT,
    TEXT,
    TEXTS,
    convert,
    parse_reply,
    parse_utc,
)

AT = Where("127.0.0.1", 11111, "camera", 0)


def encode(
    columns_first: np.ndarray,
    wire_type: int,
    *,
    image_type: int = 2,
    start: int = HEADER_BYTES,
    error: int = 0,
    version: int = 1,
    rank: int | None = None,
    dimensions: tuple[int, int, int] | None = None,
) -> bytes:
    """Write ImageBytes by hand: words as in the standard's table, x slowest."""
    shape = (*columns_first.shape, 0)[:3]
    head = struct.pack(
        "<iiIIiiiiiii",
        version,
        error,
        5,
        6,
        start,
        image_type,
        wire_type,
        columns_first.ndim if rank is None else rank,
        *(shape if dimensions is None else dimensions),
    )
    data = np.ascontiguousarray(columns_first, ELEMENT_TYPES[wire_type]).tobytes()
    return head + bytes(start - HEADER_BYTES) + data


@pytest.mark.parametrize("wire_type", sorted(ELEMENT_TYPES))
@pytest.mark.parametrize("shape", [(5, 3), (5, 3, 3)])
@pytest.mark.parametrize("start", [44, 48, 1024])
def test_every_element_type_keeps_values_and_order(
    wire_type: int, shape: tuple[int, ...], start: int
) -> None:
    """pixels[row, column] is Alpaca's [x=column][y=row]."""
    sent = (np.arange(np.prod(shape)) % 120).reshape(shape)
    image = decode_imagebytes(encode(sent, wire_type, start=start), AT)

    assert image.pixels.shape == (3, 5, *shape[2:])
    assert image.pixels.dtype == ELEMENT_TYPES[wire_type]
    for x in range(5):
        for y in range(3):
            assert np.array_equal(image.pixels[y, x], sent[x, y])
    assert image.client_transaction == 5


def test_full_range_of_16_bit_survives() -> None:
    sent = np.array([[0, 65535], [32768, 1]])

    assert decode_imagebytes(encode(sent, 8), AT).pixels.tolist() == [[0, 32768], [65535, 1]]


def test_pixels_are_a_read_only_view_of_the_body() -> None:
    """A 26-megapixel frame is not copied."""
    body = bytearray(encode(np.zeros((4, 2)), 8))
    pixels = decode_imagebytes(body, AT).pixels
    body[HEADER_BYTES] = 7

    assert pixels[0, 0] == 7
    assert not pixels.flags.writeable


def test_error_in_the_header_comes_with_its_message() -> None:
    body = encode(np.zeros((1, 1)), 8, error=0x40B)[:HEADER_BYTES] + "kein Bild: é".encode()
    with pytest.raises(errors.InvalidOperation, match="kein Bild: é"):
        decode_imagebytes(body, AT)


GOOD = encode(np.arange(12).reshape(4, 3), 8)


@pytest.mark.parametrize("length", [0, 1, 43, 44, 45, len(GOOD) - 1])
def test_cut_images_say_how_much_came(length: int) -> None:
    with pytest.raises(errors.TruncatedImage) as caught:
        decode_imagebytes(GOOD[:length], AT)

    assert caught.value.got == length
    assert caught.value.expected > length


@pytest.mark.parametrize(
    "body",
    [
        GOOD + b"\0",
        encode(np.zeros((4, 3)), 2, dimensions=(4, 3, 0))[:28] + GOOD[28:],
        encode(np.zeros((4, 3)), 8, image_type=77),
        encode(np.zeros((4, 3)), 8, rank=1),
        encode(np.zeros((4, 3)), 8, rank=4),
        encode(np.zeros((4, 3)), 8, dimensions=(-4, -3, 0)),
        encode(np.zeros((4, 3)), 8, dimensions=(0, 3, 0)),
        encode(np.zeros((4, 3)), 8, rank=3, dimensions=(4, 3, 0)),
        encode(np.zeros((4, 3)), 8, rank=3, dimensions=(1, 1, 12)),
        encode(np.zeros((4, 3)), 8, dimensions=(2**31 - 1, 2**31 - 1, 0)),
        GOOD[:16] + struct.pack("<i", 20) + GOOD[20:],
        GOOD[:16] + struct.pack("<i", -1) + GOOD[20:],
        GOOD[:24] + struct.pack("<i", 0) + GOOD[28:],
        GOOD[:24] + struct.pack("<i", 10) + GOOD[28:],
    ],
)
def test_headers_that_contradict_the_data_are_refused(body: bytes) -> None:
    with pytest.raises((errors.MislabelledImage, errors.TruncatedImage)):
        decode_imagebytes(body, AT)


def test_other_versions_are_refused() -> None:
    with pytest.raises(errors.BadReply, match="version 2"):
        decode_imagebytes(encode(np.zeros((4, 3)), 8, version=2), AT)


@pytest.mark.parametrize(
    ("value", "rank", "dtype"),
    [
        ([[1, 2, 3], [4, 5, 65535]], 2, np.uint16),
        ([[1, 2, 3], [4, 5, -6]], 2, np.int16),
        ([[1, 2, 3], [4, 5, 70000]], 2, np.int32),
        ([[1, 2, 3], [4, 5, 2**40]], 2, np.int64),
        ([[1.5, 2, 3], [4, 5, 6]], 2, np.float64),
        ([[[1, 2, 3], [4, 5, 6]]], 3, np.uint16),
    ],
)
def test_json_images_have_the_same_order(
    value: list[object], rank: int, dtype: type[np.generic]
) -> None:
    body = json.dumps({"Type": 2, "Rank": rank, "Value": value, "ErrorNumber": 0}).encode()
    image = decode("application/json; charset=utf-8", body, AT)

    assert image.pixels.dtype == dtype
    assert np.array_equal(image.pixels.swapaxes(0, 1), np.array(value))


def test_form_is_told_by_the_answer_not_by_the_request() -> None:
    assert decode(f"{CONTENT_TYPE}", GOOD, AT).pixels.shape == (3, 4)
    assert decode("Application/ImageBytes; x=1", GOOD, AT).pixels.shape == (3, 4)
    with pytest.raises(errors.BadReply):
        decode("application/json", GOOD, AT)
    with pytest.raises(AlpacaError):
        decode(CONTENT_TYPE, b'{"Type":2,"Rank":2,"Value":[[1]],"ErrorNumber":0,"x":"yyyyy"}', AT)


@pytest.mark.parametrize(
    ("document", "kind"),
    [
        ({"Value": [[1, 2], [3]]}, errors.MislabelledImage),
        ({"Value": [1, 2]}, errors.MislabelledImage),
        ({"Value": [[[[1]]]]}, errors.MislabelledImage),
        ({"Value": [["a"]]}, errors.MislabelledImage),
        ({"Value": [[None]]}, errors.MislabelledImage),
        ({"Value": [[2**70]]}, errors.MislabelledImage),
        ({"Value": [[]]}, errors.MislabelledImage),
        ({"Value": [[1]], "Rank": 3}, errors.MislabelledImage),
        ({"Value": []}, errors.BadReply),
        ({"Value": None}, errors.BadReply),
        ({}, errors.BadReply),
        ({"Value": 3}, errors.BadReply),
        ({"ErrorNumber": 0x40B, "ErrorMessage": "none yet"}, errors.InvalidOperation),
    ],
)
def test_unusable_json_images_are_refused(
    document: dict[str, object], kind: type[AlpacaError]
) -> None:
    with pytest.raises(kind):
        decode_json(json.dumps(document).encode(), AT)


# -- whatever comes, only our own errors ----------------------------------------------------

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["Value", "Rank", "Minimum", "Name", "x"]), inner, max_size=3
        )
    ),
    max_leaves=12,
)
REPLIES = st.fixed_dictionaries(
    {},
    optional={
        "Value": JSON_VALUES,
        "ErrorNumber": JSON_VALUES,
        "ErrorMessage": JSON_VALUES,
        "ClientTransactionID": JSON_VALUES,
        "ServerTransactionID": JSON_VALUES,
        "Rank": JSON_VALUES,
        "Type": JSON_VALUES,
    },
)


@given(st.binary(max_size=300) | REPLIES.map(lambda d: json.dumps(d).encode()))
@settings(max_examples=120, deadline=None)
def test_reply_parser_raises_only_typed_errors(body: bytes) -> None:
    try:
        reply = parse_reply(body, AT, "x")
    except AlpacaError:
        return
    assert isinstance(reply.ErrorNumber, int)
    for kind in (FLOAT, INT, BOOL, TEXT, TEXTS, ANYTHING):
        with contextlib.suppress(AlpacaError):
            convert(kind, reply.Value, AT, "x")


@given(st.binary(max_size=300) | REPLIES.map(lambda d: json.dumps(d).encode()))
@settings(max_examples=120, deadline=None)
def test_json_image_decoder_raises_only_typed_errors(body: bytes) -> None:
    try:
        image = decode_json(body, AT)
    except AlpacaError:
        return
    assert image.pixels.ndim in {2, 3}
    assert image.pixels.dtype.kind in "iuf"


@given(
    st.integers(0, 44).flatmap(
        lambda at: st.tuples(st.just(at), st.binary(min_size=1, max_size=8))
    ),
    st.integers(0, len(GOOD) + 20),
)
@settings(max_examples=120, deadline=None)
def test_damaged_imagebytes_raise_only_typed_errors(patch: tuple[int, bytes], length: int) -> None:
    at, data = patch
    body = (GOOD[:at] + data + GOOD[at + len(data) :] + bytes(20))[:length]
    try:
        image = decode_imagebytes(body, AT)
    except AlpacaError:
        return
    assert image.pixels.nbytes <= len(body)


@given(st.binary(max_size=200))
@settings(max_examples=120, deadline=None)
def test_noise_instead_of_imagebytes_raises_only_typed_errors(body: bytes) -> None:
    try:
        image = decode(CONTENT_TYPE, body, AT)
    except AlpacaError:
        return
    assert image.pixels.nbytes <= len(body)


@given(hnp.arrays(np.uint16, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9)))
@settings(max_examples=100, deadline=None)
def test_both_forms_of_an_image_agree(sent: np.ndarray) -> None:
    quick = decode_imagebytes(encode(sent, 8), AT).pixels
    slow = decode_json(json.dumps({"Value": sent.tolist(), "Rank": 2}).encode(), AT).pixels

    assert np.array_equal(quick, slow)
    assert np.array_equal(quick, sent.T)


@pytest.mark.parametrize(
    "body",
    [b"[" * 100_000, b'{"Value":' * 5000, b'{"ErrorNumber":' + b"9" * 5000 + b"}", b"\xff\xfe{}"],
)
def test_malicious_json_is_a_bad_reply(body: bytes) -> None:
    with pytest.raises(errors.BadReply) as caught:
        parse_reply(body, AT, "x")

    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        # Whole seconds by `date -u -d ... +%s`.
        ("1970-01-01T00:00:00Z", 0.0),
        ("2026-11-25T09:11:52Z", 1795597912.0),
        ("2026-11-25T09:11:52", 1795597912.0),
        ("2026-11-25 09:11:52.25", 1795597912.25),
        ("2026-11-25T09:11:52.1234567Z", 1795597912.1234567),
        ("2026-11-25T10:11:52+01:00", 1795597912.0),
        ("2026-11-25T04:11:52-0500", 1795597912.0),
        ("2026-11-25T09:11Z", 1795597860.0),
        ("2016-12-31T23:59:60Z", 1483228800.0),
        ("2024-02-29T12:00:00.5Z", 1709208000.5),
    ],
)
def test_dates_are_read_in_all_forms_seen(text: str, seconds: float) -> None:
    assert parse_utc(text) == pytest.approx(seconds, abs=1e-6)


@given(st.text(max_size=40) | st.from_regex(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z?"))
@settings(max_examples=120, deadline=None)
def test_dates_that_are_none_raise_value_error(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert abs(parse_utc(text)) < 1e12
