"""Who is told, of what, when and how: what the wiring says of each recipient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from ingest.notices.hours import Hours, free_from_ms
from ingest.present.digits import Units
from ingest.present.words import Clock12or24
from ingest.site.incidents import Severity

RANK: Final = {Severity.SLIGHT: 0, Severity.SERIOUS: 1, Severity.SEVERE: 2}
"""Which severity is worse."""

SEVERE_TIMES: Final = 5
"""How many times the limit of an hour is open to what is severe."""

Rhythm = Literal["none", "daily", "weekly"]


@dataclass(frozen=True, slots=True)
class Recipient:
    """Somebody who is told.

    address: in the channel's form: a mail address, or the name of a web hook, of a broker to publish to, of a command.
    channel: "mail", "webhook", "publish" or "command".  name: who it is, empty: the address says it.
    units, clock: as the person likes to read.  rooms: ids of those that are told of, empty for all.
    severity_from: what is slighter is not told.  hours: when on duty, empty for always; quiet: when not to be disturbed
    but by what is severe.  after_s: told only when nobody has acknowledgen an incident after so long (s), 0: at
    once. most_per_hour: what goes beyond is collected, None: no limit.
    digest: how often, at digest_minute (after midnight, site time), when weekly on digest_day (0 is Monday).
    monthly: whether a month's summary goes along.
    """

    address: str
    units: Units = Units.SI
    channel: str = "mail"
    name: str = ""
    clock: Clock12or24 = "24h"
    rooms: frozenset[str] = frozenset()
    severity_from: Severity = Severity.SLIGHT
    hours: tuple[Hours, ...] = ()
    quiet: tuple[Hours, ...] = ()
    after_s: float = 0.0
    most_per_hour: int | None = None
    digest: Rhythm = "none"
    digest_minute: int = 390
    digest_day: int = 0
    monthly: bool = False

    @property
    def who(self) -> str:
        """What to call them."""
        return self.name or self.address

    @property
    def key(self) -> tuple[str, str]:
        """Channel and address, which no two share."""
        return self.channel, self.address

    def wants(self, room: str, severity: Severity) -> bool:
        """Say whether they are to be told of something that bad in a room."""
        return self.minds(room) and RANK[severity] >= RANK[self.severity_from]

    def minds(self, room: str) -> bool:
        """Say whether they are told of a room at all."""
        return not self.rooms or room in self.rooms

    def on_duty(self, now_ms: int, zone_name: str) -> bool:
        """Say whether now is within their hours, quiet ones or not."""
        return free_from_ms(now_ms, zone_name, hours=self.hours, quiet=()) == now_ms

    def free_from_ms(self, now_ms: int, zone_name: str) -> int:
        """Give the first instant (UTC ms) from now on at which what is not severe may be told."""
        return free_from_ms(now_ms, zone_name, hours=self.hours, quiet=self.quiet)
