"""A SenML pack's bytes into its records, from JSON or CBOR (RFC 8428, sections 5 and 6). Pure.

Records come out as objects with SenML's own labels ("n", "v", ...) and every number as a float: SenML numbers are IEEE
doubles. What a record means is for `senml`.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final, NoReturn

import cbor2

from adapters.contract import Why

MAX_PACK_BYTES: Final = 1_000_000
MAX_RECORDS: Final = 10_000
_MAX_DEPTH: Final = 8


class Form(enum.Enum):
    """How a pack is written down; the values are the media types."""

    JSON = "application/senml+json"
    CBOR = "application/senml+cbor"
    EITHER = "*/*"  # told from the first byte: a CBOR array begins with one that UTF-8 text cannot begin with


class RefusedPackError(Exception):
    """The pack breaks a rule that concerns all of it."""

    def __init__(self, why: Why, detail: object) -> None:
        super().__init__(why, detail)
        self.why = why
        self.detail = detail


def parse(data: bytes, form: Form) -> list[Any]:
    """Give the records of a pack, not yet checked one by one.  Raises RefusedPackError."""
    if len(data) > MAX_PACK_BYTES:
        raise RefusedPackError(Why.TOO_LONG, f"{len(data)} bytes, at most {MAX_PACK_BYTES} allowed")
    if form is Form.EITHER:
        form = Form.CBOR if 0x80 <= (data[0] if data else 0) <= 0x9F else Form.JSON
    records = _from_cbor(data) if form is Form.CBOR else _from_json(data)
    if not isinstance(records, list) or not records:
        raise RefusedPackError(Why.NOT_A_PACK, data)
    if len(records) > MAX_RECORDS:
        raise RefusedPackError(Why.TOO_LONG, f"{len(records)} records, at most {MAX_RECORDS} allowed")
    return records if form is Form.JSON else [_labelled(record) for record in records]


def _no_constant(text: str) -> float:
    raise RefusedPackError(Why.NOT_JSON, f"{text} is no JSON number")


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise RefusedPackError(Why.NOT_A_PACK, f"a label stands twice in one record: {[label for label, _ in pairs]}")
    return fields


# All numbers as float: an integer of a million digits is not worth the time that it would take.
_JSON: Final = json.JSONDecoder(object_pairs_hook=_no_duplicates, parse_constant=_no_constant, parse_int=float)


def _from_json(data: bytes) -> Any:
    try:
        return _JSON.decode(data.decode("utf-8"))
    except (ValueError, RecursionError):
        raise RefusedPackError(Why.NOT_JSON, data) from None


_LABELS: Final[Mapping[int, str]] = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""RFC 8428, table 4. The list is closed: labels that were added later are texts."""


def _refuse_tag(*_: object) -> NoReturn:
    raise RefusedPackError(Why.NOT_CBOR, "a tag that SenML has no use for")


# What may stand for a number is left to the library (bignum 2 and 3, decimal fraction 4); the rest could be dates,
# patterns, or references by which a few bytes become very many.
_TAGS_REFUSED: Final = (
    0, 1, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000
)  # fmt: skip
_REFUSALS: Final[dict[int, Any]] = dict.fromkeys(_TAGS_REFUSED, _refuse_tag)


def _from_cbor(data: bytes) -> Any:
    try:
        return cbor2.loads(
            data,
            max_depth=_MAX_DEPTH,
            allow_duplicate_keys=False,
            tag_hook=_refuse_tag,
            semantic_decoders=_REFUSALS,
        )
    except (cbor2.CBORError, ValueError, ArithmeticError, TypeError, RecursionError):
        raise RefusedPackError(Why.NOT_CBOR, data) from None


def _labelled(record: Any) -> Any:
    """Give a record of a CBOR pack as one of a JSON pack would be."""
    if type(record) is not dict:
        return record
    fields: dict[str, Any] = {}
    for key, value in record.items():
        label = key if isinstance(key, str) else _LABELS.get(key) if type(key) is int else None
        if label is None:
            continue
        if label in fields:
            raise RefusedPackError(Why.NOT_A_PACK, f"a label stands twice in one record: {label[:40]}")
        fields[label] = _as_in_json(label, value)
    return fields


def _as_in_json(label: str, value: Any) -> Any:
    if type(value) is int or isinstance(value, Decimal):
        try:
            return float(value)
        except (OverflowError, ValueError):
            return float("inf")  # as JSON's own huge numbers become: no finite value, and told so
    return "" if label == "vd" and isinstance(value, bytes) else value
