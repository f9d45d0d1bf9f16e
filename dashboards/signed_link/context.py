"""What the page behind a signed link knows. The rules of contexts: `dashboards.shell.contexts`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class ActionPage:
    """What a signed link is about, and the question whether to do it.

    who: to whom it was sent.  what: the incident in a sentence.  standing: where people stand with it, or empty.
    verdict: how it stands with the action; empty while it is still to be done.  asks: whether the button is there.
    """

    TEMPLATE: ClassVar = "signed_link/page.html"

    site: str
    wording: str  # "Acknowledge"
    who: str
    room: str
    what: str
    standing: str
    verdict: str
    asks: bool
