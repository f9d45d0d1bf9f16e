"""Topics with places in them: which topics fit, what the places hold, what is made of it. Pure.

A pattern is a topic whose levels are words, `+` (any word) or `{name}` (any word, kept under that name).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from adapters.contract import SENSOR_ID, SettingsError

_PLACE: Final = re.compile(r"\{([a-z][a-z0-9_]{0,30})\}")
_LONGEST_LEVEL: Final = 200


@dataclass(frozen=True, slots=True)
class TopicPattern:
    """One pattern.  levels: as written.  names: of the places, by the number of their level."""

    levels: tuple[str, ...]
    names: Mapping[int, str]

    @property
    def topic_filter(self) -> str:
        """Give the filter by which to subscribe to the pattern's topics."""
        return "/".join("+" if n in self.names else level for n, level in enumerate(self.levels))

    def places(self, topic: str) -> dict[str, str] | None:
        """Give what stands in the places, by name; None where the topic does not fit."""
        words = topic.split("/")
        if len(words) != len(self.levels):
            return None
        found: dict[str, str] = {}
        for number, (level, word) in enumerate(zip(self.levels, words, strict=True)):
            if number in self.names:
                found[self.names[number]] = word[:_LONGEST_LEVEL]
            elif level not in ("+", word):
                return None
        return found


def pattern_of(topic: str) -> TopicPattern:
    """Make a pattern.  Raises SettingsError where the topic cannot be one."""
    levels = tuple(topic.split("/"))
    places = {n: match[1] for n, level in enumerate(levels) if (match := _PLACE.fullmatch(level))}
    plain = [level for n, level in enumerate(levels) if n not in places and level != "+"]
    if "" in levels or any(set(level) & set("#+{}") for level in plain) or not topic.isprintable():
        raise SettingsError(
            "it is no rule for a topic",
            where=f'"{topic}"',
            mend="Write words, + (any word) and places as {sensor} between slashes; each stands for one level",
        )
    if len(set(places.values())) < len(places):
        raise SettingsError("a place stands in it twice", where=f'"{topic}"', mend="Give each place a name of its own")
    return TopicPattern(levels, places)


def checked_template(text: Any, places: Iterable[str], where: str) -> str:
    """Give a sensor's name in which places may stand, as "{floor}-{room}".  Raises SettingsError where it cannot be."""
    known = tuple(places)
    if isinstance(text, str):
        missing = [name for name in _PLACE.findall(text) if name not in known]
        if missing:
            mend = f"Places there are: {', '.join(known) or 'none'}"
            raise SettingsError(f"there is no place {{{missing[0]}}} in the topic", where=where, mend=mend)
        if SENSOR_ID.fullmatch(_PLACE.sub("x", text)):
            return text
    raise SettingsError(
        f"{text!r} cannot be a sensor's name",
        where=where,
        mend="Use letters, digits and - : . / _, a letter or digit first, at most 120 of them",
    )


def filled(template: str, places: Mapping[str, str]) -> str:
    """Put what stands in the places into a template; whether that is a sensor's name is for the caller to see."""
    return _PLACE.sub(lambda match: places.get(match[1], ""), template)
