"""What the overview knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import RoomCard, Shell


@dataclass(frozen=True, slots=True)
class Said:
    """A part of the sentence over all rooms.  address: of the card that it is about, or empty."""

    text: str
    address: str = ""


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """The rooms at a glance: those that want looking at come first; of many the others stand in a list."""

    TEMPLATE: ClassVar = "overview/page.html"

    shell: Shell
    rooms: tuple[RoomCard, ...]
    listed: tuple[RoomCard, ...]  # rooms without a card of their own
    summary: tuple[Said, ...]  # sentences over all rooms
    not_drawn: str  # of how many rooms there is no picture here, and why; empty where all have theirs
