"""What goes along with a notice when it is written: pictures from the store, signed links, or the commands to type."""

from __future__ import annotations

import asyncio
import shlex
from dataclasses import replace
from pathlib import Path
from typing import Final

import structlog

from ingest.errors import LumberroomError
from ingest.notices.letters.compose import NOTHING_BESIDE, Beside
from ingest.notices.letters.pictures import Pictures, example
from ingest.notices.links import LinkKind, Links
from ingest.site.incidents import Notice, NoticeKind

NOT_OF_ONE_INCIDENT = frozenset({NoticeKind.COLLECTED, NoticeKind.DIGEST, NoticeKind.MONTH})

WIRING_FILE: Final = Path("lumberroom.toml")

_log = structlog.get_logger("lumberroom.notices")


class Writer:
    """Gathers what goes along with a notice."""

    def __init__(
        self,
        page_address: str = "",
        *,
        links: Links | None = None,
        pictures: Pictures | None = None,
        job: Path = WIRING_FILE,
    ) -> None:
        """Take what there is.

        page_address: for the link to the room.  links, pictures: None for none.  job: the settings file or the data
        directory, for what is to be typed where links lead nowhere.
        """
        self._page_address = page_address
        self._links = links
        self._pictures = pictures
        self._job = job

    def links_beside(self, notice: Notice) -> Beside:
        """Give what goes along, pictures apart. Pure."""
        beside = replace(NOTHING_BESIDE, page_address=self._page_address)
        if self._links is None or notice.kind in NOT_OF_ONE_INCIDENT:
            return beside
        who = str(notice.facts.get("who") or notice.recipient)
        if notice.facts.get("is_test"):
            kinds: tuple[LinkKind, ...] = (LinkKind.TRIAL,)
            return replace(beside, actions=self._links.actions(notice.incident, who, notice.created_ms, kinds))
        actions = self._links.actions(notice.incident, who, notice.created_ms)
        commands = () if actions else commands_for(notice.incident, self._job)
        return replace(beside, actions=actions, commands=commands)

    async def beside(self, notice: Notice) -> Beside:
        """Give all that goes along. A picture that cannot be drawn keeps no notice back."""
        plain = self.links_beside(notice)
        if self._pictures is None:
            return plain
        try:
            if notice.facts.get("is_test"):
                return replace(plain, shown=(await asyncio.to_thread(example),))
            return replace(plain, shown=await asyncio.to_thread(self._pictures, notice))
        except Exception as error:  # noqa: BLE001 - the boundary: words must arrive, whatever is wrong with a picture
            known = isinstance(error, LumberroomError)
            _log.error("no picture for an alert", notice=notice.number, exc_info=None if known else error)
            return plain


def commands_for(incident: str, job: Path = WIRING_FILE) -> tuple[str, ...]:
    """Give what to type to acknowledge an incident or to mute alerts.  job: the settings file or data directory."""
    named = f"{shlex.quote(str(job))} {shlex.quote(incident)}"
    return (f"lumberroom incidents acknowledge {named}", f"lumberroom incidents mute {named} --for 4h")
