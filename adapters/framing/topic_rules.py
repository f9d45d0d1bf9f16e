"""Rules by which a topic says what its messages hold: topics and payloads in, readings out. Pure.

A rule is a pattern (`topic_patterns`). For plain numbers `{sensor}` in it is the sensor's name and `{quantity}` the
quantity, by a name in `columns.COLUMNS` or its SenML label; for JSON documents a map of pointers (`json_maps`) says
what is what, and the sensor may be named by any places.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from adapters.contract import QUANTITIES, SENSOR_ID, Reading, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, Column, value_of
from adapters.framing.json_maps import JsonMap, map_of
from adapters.framing.senml import Decoded
from adapters.framing.topic_patterns import TopicPattern, checked_template, filled, pattern_of

SENSOR_PLACE: Final = "{sensor}"
QUANTITY_PLACE: Final = "{quantity}"
_BY_LABEL: Final[Mapping[str, Column]] = {q.senml_label: COLUMNS[q.name] for q in QUANTITIES.values()}
_REMEMBERED: Final = 4096
"""For so many topics what they mean is remembered."""
_REMEMBERED_LENGTH: Final = 400
"""A longer topic is looked at anew each time: topics come from outside, and each may have 65,535 bytes."""
_MEND: Final = (
    '"house/{sensor}/temperature" = "temperature_c" takes the sensor from the topic; '
    '"shed/t" = { sensor = "shed", quantity = "temperature_f" } names it'
)


class Meaning(NamedTuple):
    """What the numbers of a topic are."""

    sensor: str
    column: Column


@dataclass(frozen=True, slots=True)
class NumberRule:
    """A rule for plain numbers.  sensor: a name in which places may stand.  column: where the topic does not say it."""

    pattern: TopicPattern
    sensor: str
    column: Column | None

    def meaning(self, places: Mapping[str, str], prefix: str) -> Meaning | Why:
        """Say what the numbers of a topic are, or why that cannot be said.  prefix: put before the name."""
        word = places.get("quantity", "")
        column = self.column or COLUMNS.get(word) or _BY_LABEL.get(word)
        if column is None:
            return Why.UNKNOWN_QUANTITY
        name = prefix + filled(self.sensor, places)
        return Meaning(name, column) if SENSOR_ID.fullmatch(name) else Why.NAME


def number_rule(topic: str, given: Any) -> NumberRule:
    """Make a rule of its topic and what the settings file says of it: a quantity, or { sensor = ..., quantity = ... }.

    Raises SettingsError when the two do not say whose numbers they are and of what.
    """
    pattern = pattern_of(topic)
    entry = given if isinstance(given, dict) else {"quantity": given}
    names = tuple(pattern.names.values())
    quantity = entry.get("quantity", QUANTITY_PLACE)
    column = COLUMNS.get(quantity) if isinstance(quantity, str) else None
    if not set(entry) <= {"sensor", "quantity"}:
        raise _rule_error(topic, "it is no rule for a topic")
    if column is None and not (quantity == QUANTITY_PLACE and "quantity" in names):
        raise SettingsError(
            f"{quantity!r} is no quantity", where=f'"{topic}"', mend=f"Use one of: {', '.join(COLUMNS)}"
        )
    return NumberRule(pattern, _sensor_of(topic, entry, names), column)


def _sensor_of(topic: str, entry: Mapping[str, Any], names: tuple[str, ...]) -> str:
    if "sensor" not in entry:
        if "sensor" not in names:
            raise _rule_error(topic, "it does not say whose numbers these are")
        return SENSOR_PLACE
    sensor = checked_template(entry["sensor"], names, f'"{topic}"')
    if "sensor" in names and SENSOR_PLACE not in sensor:
        raise _rule_error(topic, "it names the sensor twice")
    return sensor


def _rule_error(topic: str, what: str) -> SettingsError:
    return SettingsError(what, where=f'"{topic}"', mend=_MEND)


@dataclass(frozen=True, slots=True)
class DocumentRule:
    """A rule for JSON documents."""

    pattern: TopicPattern
    map: JsonMap


def document_rule(topic: str, given: Any) -> DocumentRule:
    """Make a rule of its topic and the map that the settings file gives for it (`json_maps.map_of`).

    Raises SettingsError when that does not say what is needed.
    """
    pattern = pattern_of(topic)
    entry = dict(given) if isinstance(given, dict) else given
    names = tuple(pattern.names.values())
    if isinstance(entry, dict) and "sensor" in names:
        entry.setdefault("sensor", SENSOR_PLACE)
    return DocumentRule(pattern, map_of(entry, places=names, where=f'"{topic}"'))


Reader = Callable[[bytes, int], Decoded]


class TopicRules:
    """All rules of an adapter; the first that fits a topic holds, those for numbers before those for documents."""

    def __init__(
        self, numbers: Mapping[str, Any], prefix: str = "", documents: Mapping[str, Any] | None = None
    ) -> None:
        """prefix: put before every sensor's name.  Raises SettingsError for a rule that cannot be."""
        self._numbers = tuple(number_rule(topic, given) for topic, given in numbers.items())
        self._documents = tuple(document_rule(topic, given) for topic, given in (documents or {}).items())
        self._prefix = prefix
        self._known = functools.lru_cache(maxsize=_REMEMBERED)(self._find)

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """Give the filters by which to subscribe, each once."""
        patterns = [rule.pattern for rule in self._numbers] + [rule.pattern for rule in self._documents]
        return tuple(dict.fromkeys(pattern.topic_filter for pattern in patterns))

    def covers(self, topic: str) -> bool:
        """Say whether any rule fits a topic."""
        return self._reader(topic) is not None

    def read(self, topic: str, payload: bytes, at_ms: int) -> Decoded:
        """Read one message.  Never raises for anything in it; every reading lies in its quantity's range."""
        reader = self._reader(topic)
        if reader is None:
            return _refused(Why.UNKNOWN_QUANTITY, topic)
        return reader(payload, at_ms)

    def _reader(self, topic: str) -> Reader | None:
        return self._known(topic) if len(topic) <= _REMEMBERED_LENGTH else self._find(topic)

    def _find(self, topic: str) -> Reader | None:
        for rule in self._numbers:
            if (places := rule.pattern.places(topic)) is not None:
                return functools.partial(_read_number, topic, rule.meaning(places, self._prefix))
        for document in self._documents:
            if (places := document.pattern.places(topic)) is not None:
                return functools.partial(document.map.read, places=places, prefix=self._prefix)
        return None


def _refused(why: Why, topic: str) -> Decoded:
    return Decoded([], [rejection(why, f"topic {topic[:100]}")])


def _read_number(topic: str, meaning: Meaning | Why, payload: bytes, at_ms: int) -> Decoded:
    if isinstance(meaning, Why):
        return _refused(meaning, topic)
    value = value_of(payload[:80].strip().decode("ascii", "replace"), meaning.column)
    if isinstance(value, Why):
        return Decoded([], [rejection(value, f"{topic[:100]}: {payload[:60]!r}", meaning.sensor)])
    return Decoded([Reading(meaning.sensor, meaning.column.quantity, value, at_ms, Stamp.ARRIVAL)], [])
