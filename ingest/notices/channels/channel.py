"""What a channel is: something that takes a notice and says what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from ingest.site.incidents import Notice


@dataclass(frozen=True, slots=True)
class Sent:
    """The other side has taken it over."""


@dataclass(frozen=True, slots=True)
class Later:
    """It could not be delivered now and is to be tried again.

    reason: a sentence that says what is wrong and how to mend it.  way_closed: whether the way itself is closed
    (server, certificate, login), so that no other notice would get through just now either.
    """

    reason: str
    way_closed: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """The other side will never take it.  reason: a sentence with the other side's own words."""

    reason: str


Outcome = Sent | Later | Refused


class Channel(Protocol):
    """A way to people: mail, later others."""

    async def send(self, notice: Notice) -> Outcome:
        """Deliver a notice and say what became of it. Lets cancellation through; raises nothing that is foreseen."""
        ...
