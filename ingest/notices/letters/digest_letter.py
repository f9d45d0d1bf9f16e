"""A digest as a letter: how each room stands and what the day, the week or the month was like. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from ingest.notices.letters.advice import MEASURE_FIRST
from ingest.notices.letters.envelope import Written
from ingest.notices.letters.story import one_line, record_words, telling_of
from ingest.present import digits, words
from ingest.present.mail_look import Letter, Part, Picture, Tone
from ingest.site.incidents import IncidentKind, Notice, RoomState
from ingest.watch.reasons import Telling, incident_reason
from ingest.watch.window.memory import incident_from_json

RHYTHMS: Final = {"daily": "the last day", "weekly": "the last week"}

MOST_TOLD: Final = 6
"""More incidents than these of one room are counted, not told one by one."""


def write(notice: Notice, page_address: str = "", pictures: Sequence[Picture] = ()) -> Written:
    """Write the letter of a digest or of a month.  pictures: of rooms, by the names that `pictures.cid_of` gives."""
    facts, telling = notice.facts, telling_of(notice.facts)
    is_month = facts["rhythm"] == "monthly"
    by_cid = {picture.cid: picture for picture in pictures}
    parts = tuple(
        _part(room, telling, by_cid.get(f"{room['room']}.{notice.number}@lumberroom"), is_month=is_month)
        for room in facts["rooms"]
    )
    about = _about_month(facts) if is_month else _about(facts)
    letter = Letter(
        headline=about.removeprefix(f"{one_line(facts['site'])}: "),
        place=one_line(facts["site"]),
        tone=Tone.NEUTRAL,
        lead=_lead(facts, telling, is_month=is_month),
        figures=[],
        meaning=[],
        lists=[("Caution", (MEASURE_FIRST,))],
        link=("The rooms as they are now:", page_address) if page_address else None,
        footer=_footer(facts),
        parts=parts,
    )
    return Written(about, letter)


def _about(facts: Mapping[str, Any]) -> str:
    site, rooms = one_line(facts["site"]), facts["rooms"]
    out = [room for room in rooms if room["state"] == RoomState.OUT_OF_RANGE.value]
    unknown = [room for room in rooms if room["state"] == RoomState.UNKNOWN.value and room["has_window"]]
    if not out and not unknown:
        return f"{site}: all rooms in range" if _watched(rooms) else f"{site}: how the rooms are"
    said = [f"{_titles(out)} out of {'its window' if len(out) == 1 else 'their windows'}"] if out else []
    said += [f"{_titles(unknown)} not known"] if unknown else []
    return f"{site}: {', '.join(said)}"


def _watched(rooms: Sequence[Mapping[str, Any]]) -> bool:
    """Say whether "all rooms within" can be said: each that has a window is."""
    windowed = [room for room in rooms if room["has_window"]]
    return bool(windowed) and all(room["state"] == RoomState.IN_RANGE.value for room in windowed)


def _titles(rooms: Sequence[Mapping[str, Any]]) -> str:
    titles = [one_line(room["title"]) for room in rooms]
    return words.listed(titles) if len(titles) <= 3 else f"{len(titles)} rooms"


def _about_month(facts: Mapping[str, Any]) -> str:
    return f"{one_line(facts['site'])}: {words.local(facts['from_ms'], facts['time_zone']):%B %Y}, room by room"


def _lead(facts: Mapping[str, Any], telling: Telling, *, is_month: bool) -> str:
    span = f"{telling.at(facts['from_ms'])} to {telling.at(facts['to_ms'])}"
    what = "the month" if is_month else RHYTHMS[facts["rhythm"]]
    said = [f"This tells of {what}: {span}."]
    if facts.get("missed"):
        said.append(f"The one of {facts['missed']} was left out, because this computer was off for too long.")
    return " ".join(said)


def _part(room: Mapping[str, Any], telling: Telling, picture: Picture | None, *, is_month: bool) -> Part:
    state = words.STATE_WORDS[RoomState(room["state"])]
    title = one_line(room["title"])
    return Part(
        heading=title if is_month else f"{title}: {state if room['has_window'] else 'no window set'}",
        text=" ".join(filter(None, (_reason(room), *_incidents(room, telling, is_month=is_month)))),
        figures=_figures(room, telling),
        picture=picture,
    )


def _reason(room: Mapping[str, Any]) -> str:
    """Say why the room stands as it does, unless an incident that goes on says the same more fully."""
    going_on = (incident_from_json(one["incident"]) for one in room["incidents"][:MOST_TOLD])
    is_told = any(one.is_open and one.kind is IncidentKind.WINDOW for one in going_on)
    return "" if is_told and room["state"] == RoomState.OUT_OF_RANGE.value else str(room["reason"])


def _incidents(room: Mapping[str, Any], telling: Telling, *, is_month: bool) -> list[str]:
    found = room["incidents"]
    if not found:
        return ["No incident."] if is_month else []
    said = [incident_reason(incident_from_json(one["incident"]), one["sensor"], telling) for one in found[:MOST_TOLD]]
    more = len(found) - MOST_TOLD
    return [*said, f"And {more} more, which stand on the page."] if more > 0 else said


def _figures(room: Mapping[str, Any], telling: Telling) -> list[tuple[str, str]]:
    rows = []
    total_ms = room["within_ms"] + room["outside_ms"] + room["not_known_ms"]
    if room["has_window"] and total_ms:
        for label, name in (
            ("In range", "within_ms"),
            ("Outside", "outside_ms"),
            ("Not known", "not_known_ms"),
        ):
            share = 100.0 * room[name] / total_ms
            rows.append((label, f"{_share(share)}, {words.duration_ms(room[name])}" if room[name] else _share(share)))
    for quantity in ("temperature_c", "rh_percent"):
        if found := room["extremes"].get(quantity):
            rows.append((digits.title(quantity), _range(quantity, found[0], found[1], telling)))
    if room["emc_range"]:
        rows.append(("EMC, hourly", _range("emc_percent", room["emc_range"][0], room["emc_range"][1], telling)))
    return rows


def _share(percent: float) -> str:
    """Say a share so that little is never said as nothing, nor nearly all as all."""
    if 0 < percent < 0.1:
        return "under 0.1 %"
    if 99.9 < percent < 100:
        return "over 99.9 %"
    return f"{digits.number(percent, 1)} %"


def _range(quantity: str, low: float, high: float, telling: Telling) -> str:
    lowest = digits.figure(quantity, low, telling.units).number
    return f"{lowest} to {digits.amount(quantity, high, telling.units)}"


def _footer(facts: Mapping[str, Any]) -> tuple[str, ...]:
    site = one_line(facts["site"])
    lines = (
        f"Written by lumberroom, which watches {site}. Nobody reads replies to this mail.",
        f"Times are those of {facts['time_zone']}.",
        record_words(facts.get("record")),
    )
    return tuple(line for line in lines if line)
