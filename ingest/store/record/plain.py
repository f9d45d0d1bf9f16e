"""The nouns as plain JSON values and back, and JSON in its one canonical form. Pure.

Fields keep their names; enums become their values; a field that is missing takes its default, so that an old entry can
be read after a field was added; a field that is no longer known is passed over.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import json
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

Noun = TypeVar("Noun")


def to_plain(value: Any) -> Any:
    """Give a frozen dataclass (with enums, tuples and dataclasses in it) as JSON-able values."""
    if dataclasses.is_dataclass(value):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(name): to_plain(item) for name, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    return value


def from_plain(noun: type[Noun], plain: Mapping[str, Any]) -> Noun:
    """Make a dataclass of what `to_plain` gave. Raises TypeError or ValueError where it does not fit."""
    hints = _hints(noun)  # type: ignore[arg-type]  # a class is hashable
    return noun(**{name: _revived(hints[name], item) for name, item in plain.items() if name in hints})


def canonical_json(value: Any) -> str:
    """Give JSON that is the same text for the same value: keys sorted, no spaces, no escapes that are not needed.

    Raises ValueError for NaN and infinities, TypeError for what JSON cannot say.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


@functools.cache
def _hints(noun: type) -> dict[str, Any]:
    return typing.get_type_hints(noun)


def _revived(hint: Any, item: Any) -> Any:
    if item is None:
        return None
    if typing.get_origin(hint) in (types.UnionType, typing.Union):
        hint = next(option for option in typing.get_args(hint) if option is not types.NoneType)
    if typing.get_origin(hint) is tuple:
        return tuple(_revived(typing.get_args(hint)[0], each) for each in item)
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return from_plain(hint, item)
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        return hint(item)
    return item
