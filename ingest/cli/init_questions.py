"""The questions of `lumberroom init`, and the answers as data."""

from __future__ import annotations

import contextlib
import os
import re
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import click

from ingest.errors import SettingsError
from ingest.site.places import Bounds

USUAL_TEMPERATURE_F: Final = Bounds(60.0, 80.0)
USUAL_TEMPERATURE_C: Final = Bounds(16.0, 27.0)
USUAL_RH_PERCENT: Final = Bounds(30.0, 50.0)
"""In-service conditions that trade pages restate for wood floors in heated rooms: 60 to 80 °F, 30 to 50 % RH. Common
practice, secondary sources; the flooring's own instructions come first."""

DEFAULT_DATA: Final = "lumberroom-data"

_BY_ID: Final = Path("/dev/serial/by-id")
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class RoomAnswers:
    """A room.  temperature: in the answers' units."""

    id: str
    title: str
    holds: str
    sensor: str
    temperature: Bounds
    rh_percent: Bounds


@dataclass(frozen=True, slots=True)
class MailAnswers:
    """Who is told and how."""

    server: str
    sender: str
    to: tuple[str, ...]
    login: str


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything that the file is written from.  elevation: m, or ft where units are "us"."""

    name: str
    time_zone: str
    units: str
    elevation: float
    rooms: tuple[RoomAnswers, ...]
    ports: tuple[str, ...]
    simulated: bool
    data: str
    mail: MailAnswers | None


class Asker:
    """Takes an answer from the options, from the person, or from the default, in this order."""

    def __init__(self, given: Mapping[str, Any], *, interactive: bool) -> None:
        self.given = given
        self.interactive = interactive

    def get(self, option: str, question: str, default: _T) -> _T:
        """Give the answer to one question."""
        value = self.given.get(option)
        return cast(_T, value) if value is not None else self.ask(question, default)

    def ask(self, question: str, default: _T) -> _T:
        """Ask, where there is somebody to ask."""
        if not self.interactive:
            return default
        answer: _T = click.prompt(question, default=default, type=type(default), show_default=default != "")
        return answer

    def yes(self, question: str) -> bool:
        """Ask a question with a yes or no; no unless answered."""
        return self.interactive and click.confirm(question, default=False)


def ask(given: Mapping[str, Any], *, interactive: bool) -> Answers:
    """Collect the answers.

    given: options by name, None or empty where not given.  interactive: whether somebody can be asked.
    """
    asker = Asker(given, interactive=interactive)
    name = asker.get("name", "What is this site called?", "My site")
    time_zone = asker.get("time_zone", "Which time zone is it in?", own_time_zone())
    units = asker.get("units", "Units, si (°C, metres) or us (°F, feet)?", "si")
    elevation = asker.get("elevation", f"Elevation above sea level, in {'feet' if units == 'us' else 'metres'}?", 0.0)
    rooms = _rooms(asker, units)
    ports = tuple(given["ports"]) or _ask_port(asker, simulated=given["simulated"])
    simulated = bool(given["simulated"]) or (not ports and asker.yes("No serial port. Simulate sensors to try it out?"))
    data = given.get("data") or DEFAULT_DATA
    return Answers(name, time_zone, units, elevation, rooms, ports, simulated, data, _mail(asker))


def _rooms(asker: Asker, units: str) -> tuple[RoomAnswers, ...]:
    titles: Sequence[str] = asker.given["rooms"]
    for option in ("holds", "sensors"):
        if len(asker.given[option]) > max(len(titles), 1):
            raise SettingsError(
                f"there are more of these than rooms ({len(titles)})",
                where=f"--{option.removesuffix('s') if option == 'sensors' else option}",
                mend="Give one per --room, in the same order.",
            )
    rooms: list[RoomAnswers] = []
    while len(rooms) < len(titles) or not rooms or (not titles and asker.yes("Another room?")):
        number = len(rooms)
        title = titles[number] if number < len(titles) else asker.ask("A room to watch: what is it called?", "Store")
        rooms.append(_room(asker, title, units, {room.id for room in rooms}, number))
    return tuple(rooms)


def _room(asker: Asker, title: str, units: str, taken: set[str], number: int) -> RoomAnswers:
    room_id = _free_id(title, taken)
    holds = _nth(asker.given["holds"], number) or asker.ask(f"What does {title} hold (or nothing)?", "")
    sensor = _nth(asker.given["sensors"], number) or asker.ask(
        "Id of its air sensor, as it sends it?", f"{room_id}-air"
    )
    usual = USUAL_TEMPERATURE_F if units == "us" else USUAL_TEMPERATURE_C
    degrees = "°F" if units == "us" else "°C"
    return RoomAnswers(
        room_id,
        title,
        holds,
        sensor,
        temperature=_ends(asker, f"Its window: temperature ({degrees})", usual),
        rh_percent=_ends(asker, "Its window: relative humidity (%)", USUAL_RH_PERCENT),
    )


def _nth(values: Sequence[str], number: int) -> str | None:
    return values[number] if number < len(values) else None


def _ends(asker: Asker, question: str, usual: Bounds) -> Bounds:
    while True:
        try:
            return Bounds(asker.ask(f"{question} from", usual.low), asker.ask(f"{question} to", usual.high))
        except ValueError as error:
            click.echo(f"  {error}; once more, please.")


def _free_id(title: str, taken: set[str]) -> str:
    wanted = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:36] or "room"
    number, free = 2, wanted
    while free in taken:
        free, number = f"{wanted}-{number}", number + 1
    return free


def _ask_port(asker: Asker, *, simulated: bool) -> tuple[str, ...]:
    if simulated:
        return ()
    found = sorted(str(port) for port in _BY_ID.iterdir()) if _BY_ID.is_dir() else []
    if found and asker.interactive:
        click.echo("Serial devices found:\n" + "\n".join(f"  {port}" for port in found))
    port = asker.ask("Serial port to read (or nothing)?", found[0] if found else "")
    return (port,) if port else ()


def _mail(asker: Asker) -> MailAnswers | None:
    server = asker.get("mail_server", "Mail server (or nothing, then nobody is mailed)?", "")
    if not server:
        return None
    to = tuple(asker.given["mail_to"]) or (asker.ask("Who is to be told (address)?", "you@example.org"),)
    sender = asker.get("mail_from", "Sender's address?", to[0])
    return MailAnswers(server, sender, to, asker.get("mail_login", "Login at the mail server (or nothing)?", ""))


def own_time_zone() -> str:
    """Give this computer's time zone, as far as it can be told; else UTC."""
    candidates = [os.environ.get("TZ", "").lstrip(":")]
    with contextlib.suppress(OSError):
        candidates.append(Path("/etc/timezone").read_text(encoding="utf-8").strip())
    local = Path("/etc/localtime")
    if local.is_symlink():
        candidates.append(str(local.resolve()).partition("zoneinfo/")[2])
    zones = zoneinfo.available_timezones()
    return next((name for name in candidates if name in zones), "UTC")
