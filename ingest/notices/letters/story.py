"""A notice's facts, unpacked: what a composer goes by, frozen when the notice was committed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from ingest.present.digits import Units
from ingest.site.incidents import Incident, IncidentKind, NoticeKind, Severity
from ingest.watch.reasons import Telling
from ingest.watch.window.memory import incident_from_json

LONGEST_LINE: Final = 200
"""No name from outside takes more room than this in a subject."""

SEVERITY_WORDS: Final[Mapping[Severity, str]] = {
    Severity.SLIGHT: "slight",
    Severity.SERIOUS: "serious",
    Severity.SEVERE: "severe",
}


def one_line(text: str) -> str:
    """Make text from outside fit for a header: one line, no control characters, of bounded length."""
    plain = " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", text).split())
    return plain if len(plain) <= LONGEST_LINE else f"{plain[: LONGEST_LINE - 1]}…"


@dataclass(frozen=True, slots=True)
class Story:
    """A notice's facts about one incident, unpacked.

    kind: what the notice tells of it.  told_before: who was told and did not answer.  held_since_ms: from when on it
    was held back (UTC), None where it was not; whys: names of `deciding.Why`.  joins: whether another of its cause goes
    on.  was_severity: before it turned worse.
    """

    incident: Incident
    room: str
    room_title: str
    site: str
    holds: str
    sensor: str
    window: Mapping[str, Any] | None
    openings: int
    telling: Telling
    kind: NoticeKind = NoticeKind.OPENED
    is_test: bool = False
    told_before: tuple[str, ...] = ()
    held_since_ms: int | None = None
    whys: tuple[str, ...] = ()
    joins: bool = False
    was_severity: Severity | None = None

    @staticmethod
    def of(facts: Mapping[str, Any], kind: NoticeKind | None = None) -> Story:
        """Unpack facts made by `outbox.notice_facts`.  kind: of the notice, None where the facts say it."""
        incident = incident_from_json(facts["incident"])
        as_it_stands = NoticeKind.OPENED if incident.is_open else NoticeKind.CLOSED
        was = facts.get("was_severity")
        return Story(
            incident=incident,
            room=facts["room"],
            room_title=one_line(facts["room_title"]),
            site=one_line(facts["site"]),
            holds=one_line(facts["holds"]),
            sensor=one_line(facts["sensor"]),
            window=facts["window"],
            openings=facts.get("openings", 1),
            telling=telling_of(facts),
            kind=kind or as_it_stands,
            is_test=facts.get("is_test", False),
            told_before=tuple(map(one_line, facts.get("told_before", ()))),
            held_since_ms=facts.get("held_since_ms"),
            whys=tuple(facts.get("whys", ())),
            joins=facts.get("joins", False),
            was_severity=Severity(was) if was else None,
        )

    @property
    def of_window(self) -> bool:
        """Whether it is about the room's window, and not about one of the rules beside it."""
        return self.incident.kind is IncidentKind.WINDOW


def telling_of(facts: Mapping[str, Any]) -> Telling:
    """Give how the reader of a notice likes to be told."""
    units = Units(facts.get("units", Units.SI.value))
    return Telling(facts["time_zone"], units, clock=facts.get("clock", "24h"))


def record_words(record: Sequence[Any] | None) -> str:
    """Give the newest entry of the log, so that a mail proves it from outside; nothing where it is not known."""
    if not record or not record[0]:
        return ""
    return f"Log entry {record[0]}, check code {str(record[1])[:16]}; keep this mail as proof."
