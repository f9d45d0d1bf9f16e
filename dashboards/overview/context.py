"""What the overview knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from dashboards.shell.contexts import RoomCard, Shell


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """The rooms at a glance."""

    TEMPLATE: ClassVar = "overview/page.html"

    shell: Shell
    rooms: tuple[RoomCard, ...]
    summary: str  # one sentence over all rooms
    not_drawn: str  # of how many rooms there is no picture here, and why; empty where all have theirs
