"""Instants as recorded files write them: ISO 8601, a form of one's own, Unix time; zones whose clocks are set. Pure.

Where clocks were set back an hour stands twice: rows of one sensor in order are told apart by their order, and each is
marked, for whoever wants to tell. Where clocks were set forward an hour never was: such a time is refused.
"""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Callable, Hashable
from typing import Final, NamedTuple

from adapters.contract import SettingsError

UNIX: Final = {"unix": 1000.0, "unix_ms": 1.0}
"""Words for a `time_format` of numbers that count from 1970-01-01T00:00Z, and what brings them to milliseconds."""
LATEST_MS: Final = 253_402_300_799_999
"""The end of the year 9999."""
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND: Final = dt.timedelta(microseconds=1)
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)
_NUMBER: Final = re.compile(r"\d{1,15}(\.\d{1,9})?", re.ASCII)
_YEARS: Final = ("%Y", "%y", "%G", "%c", "%x", "%D")
_SAMPLE: Final = dt.datetime(2001, 2, 3, 16, 5, tzinfo=dt.UTC)


class Instant(NamedTuple):
    """An instant (UTC ms).  doubled: the clocks showed that time twice, and the order of the rows told which it was."""

    at_ms: int
    doubled: bool = False


class UnclearTimeError(Exception):
    """A recorded time that stands for no instant; the text says why in few words, and may be empty."""


def zone_named(text: str) -> dt.tzinfo:
    """Give the time zone of an IANA name ("Europe/Helsinki") or an offset from UTC ("+02:00").

    Raises SettingsError when it is neither.
    """
    offset = _OFFSET.fullmatch(text)
    if offset and int(offset[2]) < 24 and int(offset[3]) < 60:
        sign = -1 if offset[1] == "-" else 1
        return dt.timezone(sign * dt.timedelta(hours=int(offset[2]), minutes=int(offset[3])))
    try:
        return zoneinfo.ZoneInfo(text)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError) as error:
        raise SettingsError(
            f"{text!r} is no time zone", where="zone", mend='Give a name as "Europe/Helsinki" or an offset as "+02:00"'
        ) from error


def checked_time_format(text: str | None, where: str = "time_format") -> str | None:
    """Give a form of times back when dates can be read with it.  Raises SettingsError where they cannot."""
    if text is None or text in UNIX:
        return text
    told = ""
    try:
        # Without a year no date is known; and reading one then is about to become an error of Python's.
        if any(year in text for year in _YEARS):
            found = dt.datetime.strptime(_SAMPLE.strftime(text), text)  # noqa: DTZ007
            if found.date() == _SAMPLE.date():
                return text
    except ValueError as error:
        told = f" ({error})"
    raise SettingsError(
        f"{text!r} does not say year, month and day{told}",
        where=where,
        mend='Write it as "%d.%m.%Y %H:%M" (day, month, year, hour, minute), "unix" (seconds since 1970) or "unix_ms"',
    )


class Times:
    """Reads the times of one file, in its order."""

    def __init__(self, zone: dt.tzinfo | None, time_format: str | None = None) -> None:
        """zone: of times without an offset; None = they are refused.  time_format: where it is not ISO 8601."""
        self._zone = zone
        self._format = time_format
        self._last: dict[str, int] = {}
        self._alike: dict[tuple[str, Hashable], int] = {}  # of rows in a doubled hour, by what they hold

    def instant(self, sensor: str, value: object, holds: Callable[[], Hashable] = lambda: None) -> Instant:
        """Give the instant of a text, a datetime, or a whole number of milliseconds since 1970.

        holds: says which values the row holds: of two rows alike with one time in a doubled hour, as an hourly logger
        writes them, the second is the second.
        Raises UnclearTimeError where there is none, or where neither an offset nor a zone says which.
        """
        found = self._found(sensor, value, holds)
        if not 0 <= found.at_ms <= LATEST_MS:
            raise UnclearTimeError("")
        self._last[sensor] = found.at_ms
        return found

    def _found(self, sensor: str, value: object, holds: Callable[[], Hashable]) -> Instant:
        if isinstance(value, str):
            value = self._of_text(value)
        if isinstance(value, int) and not isinstance(value, bool):
            return Instant(value)
        if not isinstance(value, dt.datetime):
            raise UnclearTimeError("")
        return Instant(_ms(value)) if value.tzinfo is not None else self._in_zone(sensor, value, holds)

    def _of_text(self, text: str) -> dt.datetime | int:
        try:
            if self._format is None:
                return dt.datetime.fromisoformat(text)
            if self._format not in UNIX:
                # Naive where there is no offset: the zone is added where the hour that comes twice is told apart.
                return dt.datetime.strptime(text, self._format)  # noqa: DTZ007
        except ValueError:
            raise UnclearTimeError("") from None
        if not _NUMBER.fullmatch(text):
            raise UnclearTimeError("")
        return round(float(text) * UNIX[self._format])

    def _in_zone(self, sensor: str, naive: dt.datetime, holds: Callable[[], Hashable]) -> Instant:
        if self._zone is None:
            raise UnclearTimeError("no offset, and no zone is named")
        first = naive.replace(tzinfo=self._zone)
        second = first.replace(fold=1)
        before, after = first.utcoffset(), second.utcoffset()
        if before is None or after is None or before < after:
            raise UnclearTimeError("the clocks never show it: they are set forward over it")
        if before == after:
            return Instant(_ms(first))
        at_ms, alike = _ms(first), (sensor, holds())
        if at_ms < self._last.get(sensor, 0) or at_ms == self._alike.get(alike):
            at_ms = _ms(second)
        self._alike[alike] = at_ms
        return Instant(at_ms, doubled=True)


def plain_ms(text: str) -> int | None:
    """Give a whole number of milliseconds since 1970, or None where the text is none."""
    if not (text.isascii() and text.isdigit() and len(text) <= 15):
        return None
    return int(text) if int(text) <= LATEST_MS else None


def _ms(time: dt.datetime) -> int:
    return ((time - _EPOCH) // _MICROSECOND + 500) // 1000
