"""Mistakes in a settings file as sentences: which line, which key, what it says, what is wrong and how to mend it."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from ingest.errors import SettingsError

Steps = tuple[str | int, ...]
"""Where something stands in the file: keys, and the number of the entry in a [[list]] counted from 0."""

ABSENT: Final = object()

_SHOWN_LENGTH = 60
_SECRET: Final = re.compile(r"password|token|secret|key$", re.IGNORECASE)
_HEADER: Final = re.compile(r"\s*\[(?P<list>\[)?\s*(?P<name>[^\]]+?)\s*\]")
_KEY: Final = re.compile(r"""\s*(?P<name>[A-Za-z0-9_.\-"']+)\s*=""")


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing to mend.  line: counted from 1, 0 where it cannot be told.  where: section, entry and key."""

    line: int
    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        place = f"line {self.line}, {self.where}" if self.line else self.where
        stop = "" if self.mend.endswith((".", "?", "!")) else "."
        return f"{place}: {self.what}. {self.mend}{stop}"


class WiringError(SettingsError):
    """A settings file with mistakes; its text lists every one of them."""

    def __init__(self, path: Path, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        if len(mistakes) == 1:
            text = f"{path}: {mistakes[0]}"
        else:
            lines = [f"  {number}. {mistake}" for number, mistake in enumerate(mistakes, 1)]
            text = "\n".join([f"{path} has {len(mistakes)} mistakes:", *lines])
        super().__init__(text)


class Findings:
    """Gathers the mistakes and cautions of one file, knowing its text well enough to say where each stands."""

    def __init__(self, raw: Mapping[str, Any], text: str) -> None:
        self.raw = raw
        self.mistakes: list[Mistake] = []
        self.cautions: list[str] = []
        self._lines = line_numbers(text)

    def wrong(self, at: Steps, what: str, mend: str) -> None:
        """Note a mistake at that place.  what: without a full stop.  mend: one or more whole sentences."""
        self.mistakes.append(Mistake(self._line(at), self._where(at), what, mend))

    def in_order(self) -> list[Mistake]:
        """Give the mistakes in the order of the file."""
        return sorted(self.mistakes, key=lambda mistake: mistake.line or 10**9)

    def _line(self, at: Steps) -> int:
        while at:
            if at in self._lines:
                return self._lines[at]
            at = at[:-1]
        return 0

    def _where(self, at: Steps) -> str:
        return place_in_words(at, self.raw) + shown_value(at, self.raw)


def place_in_words(at: Steps, raw: Mapping[str, Any]) -> str:
    """Say where that is, as it is written in the file: `[[room]] "oak-store", [room.window] rh_percent`."""
    parts: list[str] = []
    key = ""
    for index, step in enumerate(at):
        if isinstance(step, int):
            dotted = ".".join(str(s) for s in at[: index + 1] if isinstance(s, str))
            parts.append(f"[[{dotted}]] {_entry_name(_value_at(at[: index + 1], raw), step)}")
        elif index + 1 == len(at):
            value = _value_at(at, raw)
            alone = index == 0 or isinstance(value, dict)
            key = f"[{'.'.join(str(s) for s in at if isinstance(s, str))}]" if alone else step
        elif not isinstance(at[index + 1], int):
            parts.append(f"[{'.'.join(str(s) for s in at[: index + 1] if isinstance(s, str))}]")
    return f"{', '.join(parts)} {key}".strip()


def _entry_name(entry: object, index: int) -> str:
    name = (entry.get("id") or entry.get("name")) if isinstance(entry, dict) else None
    return f'"{name}"' if isinstance(name, str) else f"number {index + 1}"


def shown_value(at: Steps, raw: Mapping[str, Any]) -> str:
    """Give " = value" for a plain value that may be shown, else nothing."""
    value = _value_at(at, raw)
    if value is ABSENT or isinstance(value, dict) or not at or isinstance(at[-1], int):
        return ""
    if _SECRET.search(str(at[-1])) or (isinstance(value, list) and any(isinstance(v, dict) for v in value)):
        return ""
    return f" = {cut(json.dumps(value, ensure_ascii=False, default=str))}"


def cut(text: str, length: int = _SHOWN_LENGTH) -> str:
    """Shorten a text for showing."""
    return text if len(text) <= length else f"{text[: length - 1]}…"


def _value_at(at: Steps, raw: Any) -> Any:
    value = raw
    for step in at:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return ABSENT
    return value


def nearest(name: str, allowed: Iterable[str]) -> str | None:
    """Give the allowed name that is spelled most like this one, or None where nothing comes near."""
    by_lower = {candidate.lower(): candidate for candidate in allowed}
    close = difflib.get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None


def line_numbers(text: str) -> dict[Steps, int]:
    """Find the lines of sections and keys in a TOML text.

    Plain scanning: keys inside inline tables are not found (their line is that of the key that holds them).
    """
    found: dict[Steps, int] = {}
    entries: dict[Steps, int] = {}
    section: Steps = ()
    in_long_text = False
    for number, line in enumerate(text.splitlines(), 1):
        opens = (line.count('"""') + line.count("'''")) % 2 == 1
        if not in_long_text:
            header = _HEADER.match(line)
            key = None if header else _KEY.match(line)
            if header:
                section = _section(_names(header["name"]), bool(header["list"]), entries)
                found.setdefault(section, number)
            elif key:
                found.setdefault((*section, *_names(key["name"])), number)
        in_long_text ^= opens
    return found


def _names(dotted: str) -> list[str]:
    return [name.strip().strip("\"'") for name in dotted.split(".")]


def _section(names: list[str], is_list: bool, entries: dict[Steps, int]) -> Steps:
    steps: Steps = ()
    for index, name in enumerate(names):
        steps = (*steps, name)
        if is_list and index + 1 == len(names):
            entries[steps] = entries.get(steps, -1) + 1
        if steps in entries:
            steps = (*steps, entries[steps])
    return steps
