"""Why something that arrived became no reading, as one closed list, so that counts of it can be grouped and explained.

PROTOCOL.md lists these wordings, and a test keeps the two alike.
"""

from __future__ import annotations

import enum
from typing import Final

from adapters.contract import Rejection

DETAIL_LENGTH: Final = 200
"""How much of what arrived is kept (characters)."""


class Why(enum.StrEnum):
    """The reasons; the member's value is the wording that people see."""

    # lines and packs as a whole
    CHECKSUM_WRONG = "checksum wrong"
    CHECKSUM_MISSING = "checksum missing"
    TOO_LONG = "too long"
    NOT_JSON = "not JSON"
    NOT_A_PACK = "not a SenML pack"
    VERSION = "SenML version not known"
    MUST_UNDERSTAND = "label that must be understood is not known"
    # single records, rows and broadcasts
    NAME = "name not allowed"
    NO_SENSOR = "no sensor named"
    NOT_ALLOWED = "sensor not on the allow-list"
    UNKNOWN_QUANTITY = "quantity not known"
    WRONG_UNIT = "unit does not fit the quantity"
    NO_VALUE = "no numeric value"
    SEVERAL_VALUES = "more than one value"
    WRONG_TYPE = "field of the wrong type"
    NOT_FINITE = "value not finite"
    OUT_OF_RANGE = "value out of range"
    TIME = "time not usable"
    FUTURE = "time lies ahead"
    ROW = "row not readable"
    UNDECODABLE = "broadcast not readable"
    ENCRYPTED = "broadcast is encrypted"


def rejection(why: Why, detail: object, sensor: str | None = None) -> Rejection:
    """Make a rejection whose detail is printable ASCII of at most `DETAIL_LENGTH` characters.

    detail: what arrived (bytes or anything with a text); it comes from outside, so nothing in it is kept that could
    steer a terminal.
    """
    # Cut before escaping: what arrived may be a megabyte long.
    text = detail[:DETAIL_LENGTH].decode("ascii", "backslashreplace") if isinstance(detail, bytes) else str(detail)
    text = text[:DETAIL_LENGTH].encode("ascii", "backslashreplace").decode()
    printable = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return Rejection(why.value, printable[:DETAIL_LENGTH], sensor)
