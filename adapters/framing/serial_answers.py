"""Questions to devices that answer on a serial line, and their answers: text in, readings and rejections out. Pure.

An answer is a SenML pack, or a line of text in which a map says which numbers are what: by their place among the pieces
between separators, or by the label that stands before them. No patterns: every answer is read in one pass.
"""

from __future__ import annotations

import binascii
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from adapters.contract import SENSOR_ID, Reading, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, GAPS, Column, converted, number_of
from adapters.framing.senml import Decoded

MOST_QUESTIONS: Final = 247
LONGEST_QUESTION: Final = 256
KEYS: Final = ("ask", "ask_hex", "sensor", "begins", "between", "pieces", "fields")
FIELD_KEYS: Final = ("quantity", "sensor", "scale", "offset", "missing")
USUAL_BETWEEN: Final = ",; \t"
_SIGNS: Final = "+-"
_UNITS: Final[Mapping[str, str]] = {
    "c": "_c", "°c": "_c", "degc": "_c", "f": "_f", "°f": "_f", "degf": "_f", "%": "_percent", "%rh": "_percent",
    "rh": "_percent", "rh%": "_percent", "hpa": "_hpa", "mbar": "_hpa", "kpa": "_kpa", "inhg": "_inhg", "dbm": "_dbm",
}  # fmt: skip
"""Units that may stand behind a number, and how the columns end that are in them. Any other letter there is garbage: a
digit that was hurt on the way would otherwise pass for a unit, and 472 for 47."""
_EXAMPLE: Final = '{ ask = "#01\\r", sensor = "hall", begins = ">", fields = { "1" = "temperature_c" } }'
_NUMBER_AND_UNIT: Final = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)([^0-9+.-]*)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Field:
    """One value of an answer: value = number * scale + offset, in the column's unit.

    place: which piece, from 1; 0 = the one behind `label`.  unit: the column's name, which ends in its unit.
    missing: what the device writes where it has no value.
    """

    place: int
    label: str
    sensor: str
    unit: str
    column: Column
    scale: float
    offset: float
    missing: str | None


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, and how its answer is read.

    fields: none = the answer is a SenML pack.  begins: what a right answer begins with, as an address; it tells an
    answer that came too late from the one that was asked for.  pieces: how many there must be; 0 = any number.
    """

    ask: bytes
    sensor: str | None
    begins: str
    between: str
    pieces: int
    fields: tuple[Field, ...]

    def read(self, answer: bytes, at_ms: int) -> Decoded:
        """Read a line.  Never raises for anything in it; every reading lies in its quantity's range."""
        text = answer.decode("ascii", "replace").strip()
        if not text.startswith(self.begins):
            return Decoded([], [rejection(Why.OUT_OF_STEP, answer, self.sensor)])
        text = text[len(self.begins) :]
        pieces = pieces_of(text, self.between)
        if self.pieces and len(pieces) != self.pieces:
            return Decoded([], [rejection(Why.NO_VALUE, answer, self.sensor)])
        decoded = Decoded([], [])
        for field in self.fields:
            found = _value(field, text, pieces, self.between)
            if isinstance(found, float):
                decoded.readings.append(Reading(field.sensor, field.column.quantity, found, at_ms, Stamp.ARRIVAL))
            elif isinstance(found, Why):
                decoded.rejections.append(rejection(found, f"{field.label or field.place}: {text[:80]}", field.sensor))
        return decoded


def pieces_of(text: str, between: str) -> list[str]:
    """Part a text at every separator.

    Spaces, where they part, do so in any number, and not beside another separator; two commas in a row have an empty
    piece between them. A sign among the separators begins a piece and stays with it, as in +21.5-3.
    """
    hard = "".join(sorted(set(between) - {" ", "\t", *_SIGNS}))
    pieces: list[str] = []
    for part in re.split(f"[{re.escape(hard)}]", text) if hard else [text]:
        some = part.split() if set(between) & {" ", "\t"} else [part.strip()]
        if set(between) & set(_SIGNS):
            some = [piece for one in some for piece in _at_signs(one)]
        pieces += some or [""]
    return pieces


def _at_signs(text: str) -> list[str]:
    begins = [at for at, c in enumerate(text) if c in _SIGNS and at and text[at - 1] not in "eE"]
    return [text[begin:end] for begin, end in itertools.pairwise([0, *begins, len(text)])]


def _behind(text: str, label: str) -> str | None:
    """Give what stands behind a label; None where it is not there exactly once (as a word's beginning)."""
    begun, found = 0, []
    while (at := text.find(label, begun)) >= 0:
        if not (at and text[at - 1].isalnum() and label[0].isalnum()):
            found.append(at)
        begun = at + 1
    return text[found[0] + len(label) :].lstrip(" ") if len(found) == 1 else None


def _piece(field: Field, text: str, pieces: Sequence[str], between: str) -> str | None:
    if not field.label:
        return pieces[field.place - 1].strip() if field.place <= len(pieces) else None
    behind = _behind(text, field.label)
    return None if behind is None else pieces_of(behind, between)[0]


def _value(field: Field, text: str, pieces: Sequence[str], between: str) -> float | Why | None:
    """Give the value in our unit, None for a gap, or why it is none."""
    piece = _piece(field, text, pieces, between)
    if piece is None:
        return Why.NO_VALUE
    match = _NUMBER_AND_UNIT.fullmatch(piece[:100])
    if piece.lower() in GAPS or field.missing in (piece, match[1] if match else piece):
        return None
    if match is None:
        return Why.NO_VALUE
    number = number_of(match[1])
    if isinstance(number, Why):
        return number
    return _wrong_unit(match[2], field) or converted(number * field.scale + field.offset, field.column)


def _wrong_unit(unit: str, field: Field) -> Why | None:
    told = unit.strip().lower().replace("\ufffd\ufffd", "°").replace("\ufffd", "°")
    if not told:
        return None
    ending = _UNITS.get(told)
    if ending is None:
        return Why.NO_VALUE
    return None if field.unit.endswith(ending) else Why.WRONG_UNIT


def questions_of(given: Sequence[Any]) -> tuple[Question, ...]:
    """Make the questions of the settings file's list.  Raises SettingsError for the first that cannot be."""
    if not 0 < len(given) <= MOST_QUESTIONS:
        mend = f"Give 1 to {MOST_QUESTIONS}, as questions = [{_EXAMPLE}]"
        raise SettingsError(f"there are {len(given)} questions", where="questions", mend=mend)
    return tuple(_question(entry, f"questions, entry {number}") for number, entry in enumerate(given, 1))


def _question(entry: Any, where: str) -> Question:
    if not isinstance(entry, dict):
        raise SettingsError(f"{entry!r} is no table", where=where, mend=f"Write {_EXAMPLE}")
    _refuse_unknown(entry, KEYS, where)
    sensor = _sensor(entry["sensor"], where) if "sensor" in entry else None
    fields = entry.get("fields", {})
    if not isinstance(fields, dict):
        raise SettingsError(f"fields {fields!r} is no table", where=where, mend=f"Write {_EXAMPLE}")
    between = _text(entry, "between", USUAL_BETWEEN, where)
    if not between or any(character.isalnum() or character == "." for character in between):
        mend = 'Give the characters that stand between pieces, as ","; a + or - among them begins a piece'
        raise SettingsError(f"between {between!r} cannot part numbers", where=where, mend=mend)
    return Question(
        ask=_asked(entry, where),
        sensor=sensor,
        begins=_text(entry, "begins", "", where),
        between=between,
        pieces=_pieces(entry, where),
        fields=tuple(_field(key, meant, sensor, where) for key, meant in fields.items()),
    )


def _asked(entry: Mapping[str, Any], where: str) -> bytes:
    if ("ask" in entry) == ("ask_hex" in entry):
        raise SettingsError("it takes either ask or ask_hex", where=where, mend=f"Write {_EXAMPLE}")
    try:
        ask = _text(entry, "ask", "", where).encode("ascii") or binascii.unhexlify(
            _text(entry, "ask_hex", "", where).replace(" ", "")
        )
    except (UnicodeEncodeError, binascii.Error, ValueError) as error:
        mend = 'Write plain characters in ask, or pairs of hexadecimal digits in ask_hex: "02 30 31 03"'
        raise SettingsError(f"this cannot be sent ({error})", where=where, mend=mend) from error
    if not 0 < len(ask) <= LONGEST_QUESTION:
        mend = f"Ask with 1 to {LONGEST_QUESTION} octets; a device that talks unasked is a serial_line"
        raise SettingsError(f"a question of {len(ask)} octets", where=where, mend=mend)
    return ask


def _field(key: str, given: Any, sensor: str | None, where: str) -> Field:
    told = given if isinstance(given, dict) else {"quantity": given}
    _refuse_unknown(told, FIELD_KEYS, where)
    quantity = told.get("quantity")
    if not isinstance(quantity, str) or quantity not in COLUMNS:
        raise SettingsError(f"{quantity!r} is no quantity", where=where, mend=f"Use one of: {', '.join(COLUMNS)}")
    whose = _sensor(told.get("sensor", sensor), where)
    is_place = key.isascii() and key.isdigit() and 0 < int(key[:4]) <= 100
    if not key.strip() or (key.isdigit() and not is_place):
        mend = 'Name a piece by its place ("1" is the first) or by the label before it ("RH=")'
        raise SettingsError(f"{key!r} is no field", where=where, mend=mend)
    return Field(
        place=int(key) if is_place else 0,
        label="" if is_place else key,
        sensor=whose,
        unit=quantity,
        column=COLUMNS[quantity],
        scale=_number(told, "scale", 1.0, where),
        offset=_number(told, "offset", 0.0, where),
        missing=_text(told, "missing", "", where) or None,
    )


def _refuse_unknown(given: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    for key in given:
        if key not in known:
            raise SettingsError(f"there is no key {key!r}", where=where, mend=f"Keys are: {', '.join(known)}")


def _sensor(name: Any, where: str) -> str:
    if isinstance(name, str) and SENSOR_ID.fullmatch(name):
        return name
    raise SettingsError(f"sensor {name!r} cannot be a sensor's name", where=where, mend=f"Write {_EXAMPLE}")


def _text(given: Mapping[str, Any], key: str, default: str, where: str) -> str:
    value = given.get(key, default)
    if not isinstance(value, str):
        raise SettingsError(f"{key} {value!r} is no text", where=where, mend="Put it into quotes")
    return value


def _pieces(given: Mapping[str, Any], where: str) -> int:
    value = given.get("pieces", 0)
    if type(value) is not int or not 0 <= value <= 100:
        raise SettingsError(f"pieces {value!r} is no such number", where=where, mend="Give 1 to 100, or leave it out")
    return value


def _number(given: Mapping[str, Any], key: str, default: float, where: str) -> float:
    value = given.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SettingsError(f"{key} {value!r} is no number", where=where, mend="Give a number as 0.1")
    return float(value)
