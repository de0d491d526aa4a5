"""What comes back over the wire, read leniently: real servers stray from the standard.

Seen in the field and accepted here: numbers as strings, 0/1 for booleans, ErrorNumber or Value
missing, trailing commas, byte order marks, dates without Z. What cannot be read raises
`BadReply`, never anything else.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError

from polewright.devices.alpaca.errors import BadReply, Where
from polewright.foundation.language import say
from polewright.foundation.plain_text import LONGEST, plain

T = TypeVar("T")


def _none_is_zero(value: Any) -> Any:
    return 0 if value is None or value == "" else value


def _text(value: Any) -> str:
    """Whatever a device says, as a text that is harmless to show and to store."""
    return "" if value is None else plain(str(value), LONGEST)


def _lower(value: Any) -> str:
    return _text(value).strip().lower()


def _no_bool(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("a number is expected, not true or false")  # noqa: TRY004 pydantic's way
    return value


FLOAT: TypeAdapter[float] = TypeAdapter(
    Annotated[float, BeforeValidator(_no_bool), Field(allow_inf_nan=False)]
)
INT: TypeAdapter[int] = TypeAdapter(Annotated[int, BeforeValidator(_no_bool)])
BOOL: TypeAdapter[bool] = TypeAdapter(bool)
TEXT: TypeAdapter[str] = TypeAdapter(Annotated[str, BeforeValidator(_text)])
TEXTS: TypeAdapter[list[str]] = TypeAdapter(list[Annotated[str, BeforeValidator(_text)]])


class _Wire(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class Reply(_Wire):
    """The envelope of every JSON answer."""

    Value: Any = None
    ErrorNumber: Annotated[int, BeforeValidator(_none_is_zero)] = 0
    ErrorMessage: Annotated[str, BeforeValidator(_text)] = ""
    ClientTransactionID: int | None = None
    ServerTransactionID: int | None = None


class StateEntry(_Wire):
    """One named value of ``devicestate``."""

    Name: Annotated[str, BeforeValidator(_text)]
    Value: Any = None


class ConfiguredDevice(_Wire):
    """One device a server offers."""

    DeviceName: Annotated[str, BeforeValidator(_text)] = ""
    DeviceType: Annotated[str, BeforeValidator(_lower)]
    """Lower case, as in paths."""
    DeviceNumber: int = Field(default=0, ge=0)
    UniqueID: Annotated[str, BeforeValidator(_text)] = ""


class ServerDescription(_Wire):
    """Who runs the server."""

    ServerName: Annotated[str, BeforeValidator(_text)] = ""
    Manufacturer: Annotated[str, BeforeValidator(_text)] = ""
    ManufacturerVersion: Annotated[str, BeforeValidator(_text)] = ""
    Location: Annotated[str, BeforeValidator(_text)] = ""


ANYTHING: TypeAdapter[Any] = TypeAdapter(Any)
DEVICES: TypeAdapter[list[Any]] = TypeAdapter(list[Any])
DESCRIPTION: TypeAdapter[ServerDescription] = TypeAdapter(ServerDescription)

_TRAILING_COMMA = re.compile(r",(\s*[}\]])")


def excerpt(body: bytes | bytearray | memoryview | str, length: int = 120) -> str:
    """Return the start of a body as one printable line, for a message."""
    text = body if isinstance(body, str) else bytes(body[: 4 * length]).decode("utf-8", "replace")
    # Only what is shown is looked at: a body may have megabytes.
    return plain(" ".join(text[: 4 * length].split()), length)


def parse_json(body: bytes | bytearray, where: Where, member: str) -> Any:
    """Return the JSON document in ``body``; raise `BadReply` showing how it starts."""
    text = body.decode("utf-8-sig", "replace")
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        pass
    try:
        return json.loads(_TRAILING_COMMA.sub(r"\1", text))
    except (ValueError, RecursionError):
        detail = (
            say("not JSON: '{text}'", text=excerpt(text))
            if text.strip()
            else say("the answer is empty")
        )
        raise BadReply(where, member, detail) from None


def parse_reply(body: bytes | bytearray, where: Where, member: str) -> Reply:
    """Return the envelope in ``body``; raise `BadReply` when it is none."""
    document = parse_json(body, where, member)
    if not isinstance(document, dict):
        raise BadReply(where, member, say("not a JSON object: '{body}'", body=excerpt(body)))
    return reply_of(document, where, member)


def reply_of(document: dict[str, Any], where: Where, member: str) -> Reply:
    """Return the envelope in a JSON object; odd transaction ids become None."""
    for key in ("ClientTransactionID", "ServerTransactionID"):
        number = document.get(key)
        if number is not None and (isinstance(number, bool) or not isinstance(number, int)):
            text = str(number).strip()
            document = {**document, key: int(text) if re.fullmatch(r"\d{1,10}", text) else None}
    try:
        return Reply.model_validate(document)
    except ValidationError as exc:
        raise BadReply(where, member, _first_complaint(exc)) from None


def convert(kind: TypeAdapter[T], value: Any, where: Where, member: str) -> T:
    """Return ``value`` as ``kind``; raise `BadReply` naming value and complaint."""
    try:
        return kind.validate_python(value)
    except ValidationError as exc:
        shown = excerpt(repr(value), 60)
        raise BadReply(
            where, member, say("Value {shown}: {exc}", shown=shown, exc=_first_complaint(exc))
        ) from None
    except (ValueError, RecursionError, OverflowError) as exc:  # e.g. integers of 5000 digits
        raise BadReply(where, member, say("Value: {exc}", exc=excerpt(str(exc), 60))) from None


def _first_complaint(exc: ValidationError) -> str:
    first = exc.errors(include_url=False, include_context=False, include_input=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    return f"{place}: {first['msg']}" if place else str(first["msg"])


_DATE = re.compile(
    r"(\d{4})-(\d{1,2})-(\d{1,2})[T ](\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,12}))?)?"
    r"\s*(Z|z|[+-]\d{2}:?\d{2})?",
    re.ASCII,
)


def parse_utc(text: str) -> float:
    """Return Unix seconds of an ISO 8601 or FITS date; a missing zone means UTC.

    Raises ValueError when it is no date. A leap second (:60) counts as the next second.
    """
    match = _DATE.fullmatch(text.strip())
    if match is None:
        raise ValueError(
            say("'{text}' is not a date like 2026-01-31T23:59:59Z", text=excerpt(text, 40))
        )
    year, month, day, hour, minute = (int(match[i]) for i in range(1, 6))
    second = int(match[6] or 0)
    leap = second == 60
    whole = datetime(year, month, day, hour, minute, 59 if leap else second, tzinfo=UTC)
    seconds = (whole - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() + (1.0 if leap else 0.0)
    if match[7]:
        seconds += float(f"0.{match[7]}")
    zone = match[8]
    if zone and zone not in {"Z", "z"}:
        digits = zone[1:].replace(":", "")
        offset = 3600 * int(digits[:2]) + 60 * int(digits[2:])
        seconds -= offset if zone[0] == "+" else -offset
    return seconds
