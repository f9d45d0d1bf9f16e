"""The pictures of a mail, drawn from the store when it is written: charts over the time that a notice tells of.

Nothing later than the notice is drawn, so that a mail sent a day late shows what its words say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final, Protocol

import numpy as np

from ingest.notices.letters.envelope import Shown
from ingest.notices.letters.story import telling_of
from ingest.present import mail_look
from ingest.present.chart_axes import Floats
from ingest.present.raster import png_of
from ingest.present.time_picture import TimeLine, TimePicture, describe
from ingest.present.time_strip import LARGE, MOST_LINES, SMALL, Strip, time_strip_svg
from ingest.site.incidents import IncidentKind, Notice, NoticeKind
from ingest.site.places import Bounds
from ingest.site.series import Buckets, SeriesKey
from ingest.store.api import SeriesReader

BUCKETS: Final = 200
DAY_MS: Final = 86_400_000
LONGEST_MS: Final = 14 * DAY_MS
MOST_PICTURES: Final = 12
"""A digest shows so many rooms in pictures, those that are not well first; the others are told in words."""

_VOUCHED: Final = 0.5

QUANTITY_OF: Final[Mapping[IncidentKind, str]] = {
    IncidentKind.OFFLINE: "rh_percent",
    IncidentKind.CHANGE: "rh_percent",
    IncidentKind.HEADING: "rh_percent",
    IncidentKind.CONDENSATION: "surface_temperature_c",
    IncidentKind.SLAB: "slab_rh_percent",
    IncidentKind.STUCK: "rh_percent",
    IncidentKind.APART: "rh_percent",
    IncidentKind.BATTERY: "battery_percent",
    IncidentKind.MOULD: "rh_percent",
    IncidentKind.DRYING: "rh_percent",
}
"""What is shown of incidents that are not about the window."""


class Pictures(Protocol):
    """Gives the pictures of a notice. Blocks."""

    def __call__(self, notice: Notice) -> tuple[Shown, ...]:
        """Draw them; nothing where there is nothing to draw."""
        ...


class NoPictures:
    """Draws nothing: where there is no store at hand."""

    def __call__(self, notice: Notice) -> tuple[Shown, ...]:
        """Give none."""
        return ()


class StorePictures:
    """Draws from a store."""

    def __init__(self, read: SeriesReader) -> None:
        self._read = read

    def __call__(self, notice: Notice) -> tuple[Shown, ...]:
        """Draw the pictures of a notice. Reads the store: not for the event loop. Raises StorageError."""
        if notice.kind in (NoticeKind.DIGEST, NoticeKind.MONTH):
            return self._of_rooms(notice)
        if notice.kind is NoticeKind.COLLECTED or not notice.facts["incident"]["sensor"]:
            return ()
        return (_shown(incident_picture(self._read, notice), f"chart.{notice.number}@lumberroom", LARGE),)

    def _of_rooms(self, notice: Notice) -> tuple[Shown, ...]:
        asked = [(one["room"], one["picture"]) for one in notice.facts["rooms"] if one["picture"]][:MOST_PICTURES]
        return tuple(
            _shown(room_picture(self._read, facts, notice.facts), cid_of(notice, room), SMALL) for room, facts in asked
        )


def cid_of(notice: Notice, room: str) -> str:
    """Name a room's picture within a mail."""
    return f"{room}.{notice.number}@lumberroom"


def example() -> Shown:
    """Draw a picture of nothing, for trying whether pictures arrive."""
    edges_ms = np.arange(25, dtype=np.int64) * 3_600_000
    wave = 45.0 + 5.0 * np.sin(np.arange(24) / 4.0)
    line = TimeLine("example", wave, wave, wave)
    picture = TimePicture("rh_percent", edges_ms, (line,), "UTC", Bounds(35.0, 55.0))
    shown = _shown(picture, "example@lumberroom", SMALL)
    words = "A drawn example: if you see a wavy line on a band here, pictures arrive."
    return Shown(mail_look.Picture(shown.picture.cid, words, SMALL.width, SMALL.height), shown.png)


def incident_picture(read: SeriesReader, notice: Notice) -> TimePicture:
    """Gather the picture of an incident: a day and more up to the notice, with what the window asks for."""
    facts = notice.facts
    incident = facts["incident"]
    kind = IncidentKind(incident["kind"])
    quantity = QUANTITY_OF.get(kind) or incident["quantity"] or "rh_percent"
    to_ms = notice.created_ms
    from_ms = max(min(incident["began_ms"] - DAY_MS // 4, to_ms - DAY_MS), to_ms - LONGEST_MS)
    edges_ms = np.linspace(from_ms, to_ms, BUCKETS + 1).astype(np.int64)
    lines = (_line(read.buckets(SeriesKey(incident["sensor"], quantity), edges_ms), facts["sensor"]),)
    bounds = (facts["window"] or {}).get(quantity)
    picture = _picture(quantity, edges_ms, lines, facts, bounds)
    return replace(picture, began_ms=incident["began_ms"], ended_ms=incident["closed_ms"])


def room_picture(read: SeriesReader, asked: Mapping[str, Any], facts: Mapping[str, Any]) -> TimePicture:
    """Gather the picture of a room over the time of a digest."""
    edges_ms = np.linspace(asked["from_ms"], asked["to_ms"], BUCKETS + 1).astype(np.int64)
    lines = tuple(
        _line(read.buckets(SeriesKey(sensor, asked["quantity"]), edges_ms), title)
        for sensor, title in asked["sensors"][:MOST_LINES]
    )
    return _picture(asked["quantity"], edges_ms, lines, facts, asked["bounds"])


def _picture(
    quantity: str,
    edges_ms: Any,
    lines: tuple[TimeLine, ...],
    facts: Mapping[str, Any],
    bounds: Mapping[str, float | None] | None,
) -> TimePicture:
    telling = telling_of(facts)
    return TimePicture(
        quantity=quantity,
        edges_ms=edges_ms,
        lines=lines,
        time_zone=telling.time_zone,
        bounds=Bounds(**bounds) if bounds else None,
        units=telling.units,
        clock=telling.clock,
    )


def _line(buckets: Buckets, title: str) -> TimeLine:
    return TimeLine(title, *(_held(values, buckets) for values in (buckets.minimum, buckets.mean, buckets.maximum)))


def _held(values: Floats, buckets: Buckets) -> Floats:
    """Carry a value on through buckets without a reading for which it still vouches; a gap stays one."""
    known = np.isfinite(values)
    newest = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    carried = np.where(newest >= 0, values[newest], np.nan)
    return np.where(known | (buckets.coverage >= _VOUCHED), carried, np.nan)


def _shown(picture: TimePicture, cid: str, strip: Strip) -> Shown:
    alt = mail_look.Picture(cid, describe(picture), strip.width, strip.height)
    return Shown(alt, png_of(time_strip_svg(picture, strip)))
