"""What the connections page knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import Shell


@dataclass(frozen=True, slots=True)
class AdapterRow:
    """How one adapter fares."""

    name: str
    describes: str
    state: str  # "running", "waiting", ...: names the mark
    readings: str  # "12 408 readings"
    heard: str
    pace: str  # "about 12 a minute", empty while that is not known
    restarts: str  # "restarted 3 times", empty when never
    failures: str  # "failed 4 times", empty when never
    rejected: tuple[str, ...]  # "checksum wrong: 14"
    last_rejected: str  # "checksum wrong: [{"bn":..."
    error: str
    stated: tuple[str, ...]  # "hall-1, temperature_c: renewed every 60 s"


@dataclass(frozen=True, slots=True)
class UnassignedRow:
    """A sender that belongs to no room."""

    sensor: str
    heard: str


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """A notice of the outbox that has not simply been sent."""

    number: int
    what: str  # "mail to kay@example.org: opened"
    state: str  # "waiting", "held back", "refused"
    since: str
    attempts: str
    error: str
    is_refused: bool


@dataclass(frozen=True, slots=True)
class ConnectionsPage:
    """What comes in, what is rejected and why, who is not known, and what does not get out."""

    TEMPLATE: ClassVar = "connections/page.html"

    shell: Shell
    adapters: tuple[AdapterRow, ...]
    unassigned: tuple[UnassignedRow, ...]
    notices: tuple[NoticeRow, ...]
    sent: str  # how many notices went out, a sentence
    forwarding: str  # how forwarding to a central engine fares, a sentence; empty where none is wired
    forwarding_error: str  # what keeps readings from arriving there
