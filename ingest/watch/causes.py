"""Which incidents have one cause, and are told as one: the heating off in five rooms, a power cut, an adapter down.

Incidents of one class that begin about the same time are taken to have one cause, as long as one of them still goes on
when the next one opens: what comes when all is over is told by itself. It is a guess, and a safe one: a group that is
none tells two things in one mail, and hides nothing. The classes:

* the air of several rooms goes out of range the same way: colder or damper (temperature below, RH or EMC above its
  bound; cooling air gets damper), or warmer or drier; within two hours of the first of them,
* sensors fall silent, or an adapter goes down, within half an hour (a sensor that speaks twice an hour was last reading
  so long before),
* the air changes fast the same way, a surface comes near the dew point, or trends head out, in several places.

A group is named by its first incident; an incident by itself has no cause to share. Which incidents make a group
follows from those that stand, whatever order they were found in: so replaying, or judging late readings, gives the
same groups. All times are event times. Figures: common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final, NamedTuple

from ingest.present.incident_kinds import KINDS, About
from ingest.site.incidents import Incident, IncidentKind
from ingest.store.api import RecordReader

_DAMPER: Final = frozenset({("temperature_c", False), ("rh_percent", True), ("emc_percent", True)})


class Touched(NamedTuple):
    """An incident that was written.  was: as it stood before, None if it is new."""

    was: Incident | None
    now: Incident


class Class(NamedTuple):
    """What incidents of one cause have in common.

    together_ms: within so much time after the first one others count.  way: "damper", "drier", "up", "down", or empty.
    """

    name: str
    together_ms: int
    way: str


def class_of(incident: Incident) -> Class | None:
    """Give the class of an incident, None where its kind is nobody else's doing (a battery, a stuck sensor)."""
    cause = KINDS[incident.kind].cause
    if cause is None:
        return None
    name, together_ms = cause
    if incident.quantity is None or incident.bound is None or incident.worst_value is None:
        return Class(name, together_ms, "")
    above = incident.worst_value > incident.bound
    if incident.kind is IncidentKind.WINDOW:
        return Class(name, together_ms, "damper" if (incident.quantity, above) in _DAMPER else "drier")
    return Class(name, together_ms, ("up" if above else "down") if incident.kind is IncidentKind.CHANGE else "")


def shared(read: RecordReader, touched: Iterable[Touched]) -> list[Incident]:
    """Give the incidents whose cause has changed because of those that were written, with their cause as it is now."""
    changed: dict[str, Incident] = {}
    for kind, from_ms, to_ms in _places(touched):
        for group in groups(_around(read, kind, from_ms, to_ms), kind.together_ms):
            cause = _name(kind, group[0]) if _is_several(kind, group) else ""
            changed |= {one.id: replace(one, cause=cause) for one in group if one.cause != cause}
    return list(changed.values())


def sharing(read: RecordReader, incident: Incident) -> list[Incident]:
    """Give the incidents that have the cause of this one, itself among them, oldest first; none where it has none."""
    kind = class_of(incident)
    if not incident.cause or kind is None:
        return []
    together_ms, kinds = kind.together_ms, _kinds(kind)
    found = read.incidents_begun(kinds, incident.began_ms - together_ms, incident.began_ms + together_ms)
    return [one for one in found if one.cause == incident.cause]


def by_cause(read: RecordReader, incidents: Iterable[Incident]) -> list[tuple[list[Incident], list[Incident]]]:
    """Put those of one cause together, each group where its first one stands; beside it all that have that cause.

    By this pages show together what mails tell together. One that shares its cause with no other is a group by itself.
    """
    found: dict[str, list[Incident]] = {}
    for one in incidents:
        found.setdefault(one.cause or one.id, []).append(one)
    return [(group, sharing(read, group[0]) or group) for group in found.values()]


def groups(incidents: Iterable[Incident], together_ms: int) -> Iterator[list[Incident]]:
    """Part incidents of one class into those of one cause.

    Each group lies within so much time of its first one, and none of it opened when all before it were over.
    """
    group: list[Incident] = []
    for incident in sorted(incidents, key=lambda one: (one.began_ms, one.id)):
        late = group and incident.began_ms - group[0].began_ms > together_ms
        if late or (group and all(_is_over(one, incident.opened_ms) for one in group)):
            yield group
            group = []
        group.append(incident)
    if group:
        yield group


def _is_over(incident: Incident, at_ms: int) -> bool:
    return incident.closed_ms is not None and incident.closed_ms < at_ms


def leading(group: Iterable[Incident]) -> Incident:
    """Give the incident of a group that says most of the cause: an adapter that is down, else the first to begin.

    Raises ValueError for none.
    """
    return min(group, key=lambda one: (KINDS[one.kind].about is not About.STATION, one.began_ms, one.id))


def _is_several(kind: Class, group: list[Incident]) -> bool:
    # A room that goes out of range twice in an afternoon is no second room.
    if kind.name in ("window", "heading"):
        return len({one.room for one in group}) > 1
    return len({(one.kind, one.room, one.sensor) for one in group}) > 1


def _grouped_by(incident: Incident) -> tuple[object, ...]:
    """Give what of an incident decides with which others it is."""
    instants = incident.began_ms, incident.opened_ms, incident.closed_ms, incident.withdrawn_ms
    return class_of(incident), *instants


def _places(touched: Iterable[Touched]) -> list[tuple[Class, int, int]]:
    """Give where groups may have changed: per class the stretches of beginnings, those that overlap in one."""
    begins: dict[Class, set[int]] = {}
    for was, now in touched:
        if was is not None and _grouped_by(was) == _grouped_by(now):
            continue
        for one in (was, now):
            kind = None if one is None else class_of(one)
            if one is not None and kind is not None:
                begins.setdefault(kind, set()).add(one.began_ms)
    places = []
    for kind, instants in begins.items():
        together_ms = kind.together_ms
        stretch: list[int] = []
        for at_ms in sorted(instants):
            if stretch and at_ms - stretch[1] > together_ms:
                places.append((kind, stretch[0], stretch[1]))
                stretch = []
            stretch = [stretch[0] if stretch else at_ms, at_ms]
        places.append((kind, stretch[0], stretch[1]))
    return places


def _around(read: RecordReader, kind: Class, from_ms: int, to_ms: int) -> list[Incident]:
    """Give the incidents of a class about a stretch, as far either way as one follows on the other.

    Where none began for longer than the class's time a new group begins, whatever lies beyond.
    """
    together_ms = kind.together_ms
    kinds = _kinds(kind)
    while True:
        found = [
            one
            for one in read.incidents_begun(kinds, from_ms - together_ms, to_ms + together_ms)
            if class_of(one) == kind
        ]
        first = min((one.began_ms for one in found), default=from_ms)
        last = max((one.began_ms for one in found), default=to_ms)
        if first >= from_ms and last <= to_ms:
            return found
        from_ms, to_ms = min(first, from_ms), max(last, to_ms)


def _kinds(kind: Class) -> list[str]:
    return [one.value for one, row in KINDS.items() if row.cause is not None and row.cause.name == kind.name]


def _name(kind: Class, first: Incident) -> str:
    when = dt.datetime.fromtimestamp(first.began_ms / 1000, tz=dt.UTC)
    return "-".join(part for part in (kind.name, kind.way, f"{when:%Y%m%dT%H%M%SZ}") if part)
