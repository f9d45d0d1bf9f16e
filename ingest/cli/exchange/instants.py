"""Instants as people type them and as files hold them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.errors import SettingsError
from ingest.site.series import Int64s

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MEND = "Give it as 2026-01-31, 2026-01-31T14:30 or 2026-01-31T14:30Z."


def instant_ms(text: str, zone_name: str, *, where: str) -> int:
    """Give the instant (UTC ms) that a date, or a date and time, stands for.

    text: ISO 8601; without an offset it is meant in the zone, and a bare date means its first moment there.
    zone_name: an IANA name.  where: the option, for messages.  Raises SettingsError when it is no instant, or one that
    the zone's clocks skip or show twice.
    """
    try:
        when = dt.datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise SettingsError(f"{text[:40]!r} is no date and time", where=where, mend=_MEND) from error
    if when.tzinfo is None:
        when = _in_zone(when, ZoneInfo(zone_name), text, where)
    return (when - _EPOCH) // dt.timedelta(milliseconds=1)


def _in_zone(when: dt.datetime, zone: ZoneInfo, text: str, where: str) -> dt.datetime:
    first, second = when.replace(tzinfo=zone, fold=0), when.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    skipped = first.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != when
    raise SettingsError(
        f"the clocks of {zone.key} {f'never show {text}' if skipped else f'show {text} twice'}",
        where=where,
        mend="Add the offset from UTC, as in 2026-10-25T02:30+02:00.",
    )


def instant_texts(at_ms: Int64s) -> NDArray[np.str_]:
    """Give instants as text, to the millisecond, in UTC: 2026-01-31T14:30:00.000Z.  at_ms: int64 (n,), UTC."""
    return np.datetime_as_string(at_ms.astype("datetime64[ms]"), unit="ms", timezone="UTC")
