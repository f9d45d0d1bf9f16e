"""Who did it, carried by every change of what is on record and written into the log with it; and who may do what."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Where(enum.Enum):
    """From where somebody acted."""

    PAGE = "page"  # on a page
    API = "api"  # through the interface for programs
    LINK = "link"  # by a signed link of an alert
    COMMAND = "command"  # on the command line
    SETTINGS = "settings"  # the settings file, at the first start
    WATCH = "watch"  # the daemon itself


_WORDS = {
    Where.PAGE: "on a page",
    Where.API: "through the interface for programs",
    Where.LINK: "by a link in an alert",
    Where.COMMAND: "on the command line",
}


@dataclass(frozen=True, slots=True)
class Actor:
    """Somebody, or something, that changes what is on record.

    where: from where.  name: of the person, as they call themselves; empty where none is known.
    """

    where: Where
    name: str = ""

    def __str__(self) -> str:
        """Give the text that the log keeps: "page Mara Lind", "watch"."""
        return f"{self.where.value} {self.name}".strip()

    @staticmethod
    def of(text: str) -> Actor:
        """Give the actor whom a text of the log names; one that names none is a person's or program's name alone."""
        where, _, name = text.partition(" ")
        known = next((one for one in Where if one.value == where), None)
        return Actor(Where.API, text) if known is None else Actor(known, name)

    @property
    def words(self) -> str:
        """Say who it was: "Mara Lind, on a page"."""
        if self.where is Where.WATCH:
            return "the watch"
        if self.where is Where.SETTINGS:
            return "the settings file"
        return f"{self.name or 'somebody'}, {_WORDS[self.where]}"


class Role(enum.IntEnum):
    """What somebody may do; who may do one may do those before it."""

    LOOK = 1  # see figures, charts, incidents
    ACT = 2  # acknowledge, mute, close, leave notes
    SET_UP = 3  # change rooms, windows, sensors


WATCH = Actor(Where.WATCH)
SETTINGS = Actor(Where.SETTINGS)
