"""How parameters are found and read: names, casing, and what counts as a number.

Casing rule: names in a query (GET) match in any casing, names in a form (PUT) only exactly.
Client ids are never a reason to refuse a request.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from enum import Enum
from urllib.parse import parse_qsl

from polewright_wire.errors import NotUnderstood

UINT32_MAX = 0xFFFFFFFF
_INT32 = range(-(2**31), 2**31)
_INTEGER = re.compile(r"[+-]?[0-9]+\Z")
_DECIMAL = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?\Z")


class Kind(Enum):
    """The type of a parameter on the wire."""

    INTEGER = "a whole number"
    NUMBER = "a decimal number"
    BOOLEAN = "True or False"
    TEXT = "a text"


Value = int | float | bool | str


class Parameters:
    """The parameters of one request, in the order they came."""

    def __init__(self, pairs: Iterable[tuple[str, str]], *, any_casing: bool) -> None:
        self._any_casing = any_casing
        self._values: dict[str, str] = {}
        for name, value in pairs:
            self._values.setdefault(name.lower() if any_casing else name, value)

    @classmethod
    def of_query(cls, query: str) -> Parameters:
        """Read the query string of a GET."""
        return cls(_pairs(query), any_casing=True)

    @classmethod
    def of_form(cls, body: bytes, content_type: str) -> Parameters:
        """Read the form of a PUT; a body of another kind holds no parameters."""
        kind = content_type.partition(";")[0].strip().lower()
        if kind not in ("", "application/x-www-form-urlencoded"):
            return cls((), any_casing=False)
        try:
            text = body.decode("utf-8")
        except UnicodeDecodeError:
            raise NotUnderstood("the form in the body is not UTF-8 text") from None
        return cls(_pairs(text), any_casing=False)

    def raw(self, name: str) -> str | None:
        """The text given for ``name``, or None."""
        return self._values.get(name.lower() if self._any_casing else name)

    def client_number(self, name: str) -> int:
        """ClientID or ClientTransactionID: a 32-bit unsigned number, 0 when unusable."""
        text = (self.raw(name) or "").strip()
        if not text.isascii() or not text.isdigit() or len(text) > 10:
            return 0
        number = int(text)
        return number if number <= UINT32_MAX else 0

    def take(self, wanted: Mapping[str, Kind]) -> list[Value]:
        """Return the wanted values in order.

        Raises:
            NotUnderstood: one is missing, wrongly cased in a form, or cannot be read.
        """
        return [self._one(name, kind) for name, kind in wanted.items()]

    def _one(self, name: str, kind: Kind) -> Value:
        text = self.raw(name)
        if text is None:
            place = "query" if self._any_casing else "form (exact casing counts)"
            raise NotUnderstood(f"parameter {name} is missing from the {place}")
        value = parse(text, kind)
        if value is None:
            raise NotUnderstood(f"parameter {name} must be {kind.value}, not {text[:80]!r}")
        return value


def _pairs(text: str) -> list[tuple[str, str]]:
    try:
        return parse_qsl(text, keep_blank_values=True, max_num_fields=100)
    except ValueError:
        raise NotUnderstood("more than 100 parameters") from None


def parse(text: str, kind: Kind) -> Value | None:
    """Read one value, or return None when it is not of that kind.

    Decimal point only, no thousands separators, no NaN and no infinity; booleans in any casing.
    """
    if kind is Kind.TEXT:
        return text
    text = text.strip()
    if kind is Kind.BOOLEAN:
        return {"true": True, "false": False}.get(text.lower())
    if kind is Kind.INTEGER:
        if not _INTEGER.match(text) or len(text) > 11:
            return None
        number = int(text)
        return number if number in _INT32 else None
    if not _DECIMAL.match(text):
        return None
    value = float(text)
    return value if abs(value) < 1e300 else None
