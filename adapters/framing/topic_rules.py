"""Rules by which a topic says what the number in its messages is: topics and payloads in, readings out. Pure.

A rule is a topic whose levels are words, `+` (any word), `{sensor}` (the word is the sensor's name) or `{quantity}`
(the word is the quantity, by a name in `columns.COLUMNS` or its SenML label).
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from adapters.contract import QUANTITIES, SENSOR_ID, Reading, Rejection, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, Column, value_of

SENSOR_LEVEL: Final = "{sensor}"
QUANTITY_LEVEL: Final = "{quantity}"
_BY_LABEL: Final[Mapping[str, Column]] = {q.senml_label: COLUMNS[q.name] for q in QUANTITIES.values()}
_MEND: Final = (
    '"house/{sensor}/temperature" = "temperature_c" takes the sensor from the topic; '
    '"shed/t" = { sensor = "shed", quantity = "temperature_f" } names it'
)


class Meaning(NamedTuple):
    """What the numbers of a topic are."""

    sensor: str
    column: Column


@dataclass(frozen=True, slots=True)
class TopicRule:
    """One rule.  sensor, column: where the topic does not say them."""

    levels: tuple[str, ...]
    sensor: str | None
    column: Column | None

    @property
    def topic_filter(self) -> str:
        """Give the filter by which to subscribe to the rule's topics."""
        return "/".join("+" if level in (SENSOR_LEVEL, QUANTITY_LEVEL) else level for level in self.levels)

    def fits(self, topic: str) -> bool:
        """Say whether a topic is one of the rule's."""
        words = topic.split("/")
        return len(words) == len(self.levels) and all(
            level in ("+", SENSOR_LEVEL, QUANTITY_LEVEL) or level == word
            for level, word in zip(self.levels, words, strict=True)
        )

    def meaning(self, topic: str, prefix: str = "") -> Meaning | Why:
        """Say what the numbers of a topic that fits are, or why that cannot be said.  prefix: put before the name."""
        sensor, column = self.sensor, self.column
        for level, word in zip(self.levels, topic.split("/"), strict=True):
            if level == SENSOR_LEVEL:
                sensor = word
            elif level == QUANTITY_LEVEL:
                column = COLUMNS.get(word) or _BY_LABEL.get(word)
        if column is None:
            return Why.UNKNOWN_QUANTITY
        name = f"{prefix}{sensor or ''}"
        return Meaning(name, column) if SENSOR_ID.fullmatch(name) else Why.NAME


def rule_of(topic: str, meaning: Any) -> TopicRule:
    """Make a rule of its topic and what the wiring file says of it: a quantity, or { sensor = ..., quantity = ... }.

    Raises SettingsError when the two do not say whose numbers they are and of what.
    """
    levels = tuple(topic.split("/"))
    given = meaning if isinstance(meaning, dict) else {"quantity": meaning}
    sensor, quantity = given.get("sensor"), given.get("quantity", QUANTITY_LEVEL)
    column = COLUMNS.get(quantity) if isinstance(quantity, str) else None
    if not set(given) <= {"sensor", "quantity"} or "#" in topic or "" in levels:
        raise _rule_error(topic, "it is no rule for a topic")
    if column is None and not (quantity == QUANTITY_LEVEL and QUANTITY_LEVEL in levels):
        raise SettingsError(
            f"{quantity!r} is no quantity", where=f'"{topic}"', mend=f"Use one of: {', '.join(COLUMNS)}"
        )
    if SENSOR_LEVEL not in levels and sensor is None:
        raise _rule_error(topic, "it does not say whose numbers these are")
    if sensor is not None and not (isinstance(sensor, str) and SENSOR_ID.fullmatch(sensor)):
        raise _rule_error(topic, f"{sensor!r} cannot be a sensor's name")
    if levels.count(SENSOR_LEVEL) + (sensor is not None) > 1:
        raise _rule_error(topic, "it names the sensor twice")
    return TopicRule(levels, sensor, column)


def _rule_error(topic: str, what: str) -> SettingsError:
    return SettingsError(what, where=f'"{topic}"', mend=_MEND)


class TopicRules:
    """All rules of an adapter; the first that fits a topic holds."""

    def __init__(self, rules: Mapping[str, Any], prefix: str = "") -> None:
        """Raises SettingsError for a rule that cannot be."""
        self._rules = tuple(rule_of(topic, meaning) for topic, meaning in rules.items())
        self._meaning = functools.lru_cache(maxsize=4096)(functools.partial(self._find, prefix))

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """Give the filters by which to subscribe, each once."""
        return tuple(dict.fromkeys(rule.topic_filter for rule in self._rules))

    def covers(self, topic: str) -> bool:
        """Say whether any rule fits a topic."""
        return self._meaning(topic) is not None

    def read(self, topic: str, payload: bytes, at_ms: int) -> Reading | Rejection:
        """Read one message's number.  Never raises for anything in it; every reading lies in its quantity's range."""
        meaning = self._meaning(topic)
        if meaning is None or isinstance(meaning, Why):
            return rejection(meaning or Why.UNKNOWN_QUANTITY, f"topic {topic[:100]}")
        value = value_of(payload[:80].strip().decode("ascii", "replace"), meaning.column)
        if isinstance(value, Why):
            return rejection(value, f"{topic[:100]}: {payload[:60]!r}", meaning.sensor)
        return Reading(meaning.sensor, meaning.column.quantity, value, at_ms, Stamp.ARRIVAL)

    def _find(self, prefix: str, topic: str) -> Meaning | Why | None:
        rule = next((rule for rule in self._rules if rule.fits(topic)), None)
        return rule.meaning(topic, prefix) if rule else None
