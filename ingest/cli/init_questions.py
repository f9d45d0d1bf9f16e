"""The questions of `lumberroom init`, and the answers as data."""

from __future__ import annotations

import contextlib
import json
import os
import re
import stat
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import click

from ingest.errors import SettingsError
from ingest.site.places import Bounds

if TYPE_CHECKING:
    from adapters.discovery import Findings

USUAL_TEMPERATURE_F: Final = Bounds(60.0, 80.0)
USUAL_TEMPERATURE_C: Final = Bounds(16.0, 27.0)
USUAL_RH_PERCENT: Final = Bounds(30.0, 50.0)
"""In-service conditions that trade pages restate for wood floors in heated rooms: 60 to 80 °F, 30 to 50 % RH. Common
practice, secondary sources; the flooring's own instructions come first."""

DEFAULT_DATA: Final = "lumberroom-data"

LISTENED_S: Final = 12.0
"""So long a port is listened to while somebody waits; most sensors speak in that time, and one may look again."""
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class RoomAnswers:
    """A room.  temperature: in the answers' units.  sensor: empty where it is to be assigned later."""

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
    """Everything that the file is written from.

    elevation: m, or ft where units are "us".  on_card: whether the data lies on a memory card, which wears out.
    """

    name: str
    time_zone: str
    units: str
    elevation: float
    rooms: tuple[RoomAnswers, ...]
    ports: tuple[str, ...]
    simulated: bool
    data: str
    on_card: bool
    mail: MailAnswers | None


Check = Callable[[Any], str]
"""Says in sentences what is wrong with an answer, and what to do; nothing where it is sound."""


class Asker:
    """Takes an answer from the options, from the person, or from the default, in this order; each is checked at once.

    kept: answers of an earlier time, by question, which become the defaults; what is answered is kept there too.
    """

    def __init__(self, given: Mapping[str, Any], kept: dict[str, Any], *, interactive: bool) -> None:
        self.given = given
        self.kept = kept
        self.interactive = interactive

    def get(self, option: str, question: str, default: _T, check: Check) -> _T:
        """Give the answer to one question.  Raises SettingsError for an option that is wrong."""
        value = self.given.get(option)
        if value is None:
            return self.ask(question, default, check)
        if fault := check(value):
            raise SettingsError(fault.rstrip("."), where=f"--{option.replace('_', '-')}")
        return cast(_T, value)

    def ask(self, question: str, default: _T, check: Check = lambda _: "") -> _T:
        """Ask, where there is somebody to ask, until the answer is sound."""
        if not self.interactive:
            return default
        proposed = self.kept.get(question, default)
        while True:
            answer: _T = click.prompt(
                question, default=proposed, type=type(default), show_default=proposed not in ("", None)
            )
            fault = check(answer)
            if not fault:
                self.kept[question] = answer
                return answer
            click.echo(f"  {fault}")
            proposed = default

    def yes(self, question: str, *, default: bool = False) -> bool:
        """Ask a question with a yes or no; no where there is nobody to ask."""
        return self.interactive and click.confirm(question, default=default)


def key_check(section: str, key: str) -> Check:
    """Check an answer as the settings file checks this key."""

    def check(value: Any) -> str:
        from pydantic import ValidationError

        from ingest.settings.findings import Findings
        from ingest.settings.forms import NESTED, SECTIONS
        from ingest.settings.sentences import note

        form = {**SECTIONS, **NESTED}[section]
        try:
            form.model_validate({key: value})
        except ValidationError as error:
            if not any(one["loc"][:1] == (key,) for one in error.errors()):
                return ""  # other keys are missing, which are no answers yet
            findings = Findings({section: {key: value}}, "")
            note(findings, (section,), form, error)
            told = next(one for one in findings.mistakes if re.search(rf"\b{re.escape(key)}\b", one.where))
            return f"{told.what[:1].upper()}{told.what[1:]}. {told.mend}"
        return ""

    return check


def ask(given: Mapping[str, Any], kept: dict[str, Any], *, interactive: bool) -> Answers:
    """Collect the answers.

    given: options by name, None or empty where not given.  kept: answers of an earlier time, filled with those of now.
    interactive: whether somebody can be asked.  Raises SettingsError.
    """
    asker = Asker(given, kept, interactive=interactive)
    name = asker.get("name", "What is this site called?", "My site", key_check("site", "name"))
    time_zone = asker.get("time_zone", "Which time zone is it in?", own_time_zone(), key_check("site", "time_zone"))
    units = asker.get("units", "Units, si (°C, metres) or us (°F, feet)?", "si", key_check("site", "units"))
    us = units == "us"
    height = key_check("site", "elevation_ft" if us else "elevation_m")
    elevation = asker.get("elevation", f"Elevation above sea level, in {'feet' if us else 'metres'}?", 0.0, height)
    ports = tuple(given["ports"]) or _ask_port(asker, simulated=given["simulated"])
    heard = _listen(asker, ports)
    simulated = bool(given["simulated"]) or (not ports and asker.yes("No serial port. Simulate sensors to try it out?"))
    rooms = _rooms(asker, units, heard, simulated=simulated)
    data = given.get("data") or DEFAULT_DATA
    return Answers(
        name, time_zone, units, elevation, rooms, ports, simulated, data, on_memory_card(Path(data)), _mail(asker)
    )


def _rooms(asker: Asker, units: str, heard: Sequence[str], *, simulated: bool) -> tuple[RoomAnswers, ...]:
    titles: Sequence[str] = asker.given["rooms"]
    for option in ("holds", "sensors"):
        if len(asker.given[option]) > max(len(titles), 1):
            raise SettingsError(
                f"there are more of these than rooms ({len(titles)})",
                where=f"--{option.removesuffix('s') if option == 'sensors' else option}",
                mend="Give one per --room, in the same order.",
            )
    rooms: list[RoomAnswers] = []
    free = list(heard)
    while len(rooms) < len(titles) or not rooms or (not titles and asker.yes("Another room?")):
        number = len(rooms)
        which = f"Room {number + 1}" if number else "A room to watch"
        ask_title = f"{which}: what is it called?"
        title = titles[number] if number < len(titles) else asker.ask(ask_title, "Store", key_check("room", "title"))
        room_id, proposed = _free_id(title, {one.id for one in rooms}), free[0] if free else ""
        room = _room(asker, title, room_id, number, units=units, proposed=proposed, simulated=simulated)
        free = [one for one in free if one != room.sensor]
        rooms.append(room)
    return tuple(rooms)


def _room(
    asker: Asker, title: str, room_id: str, number: int, *, units: str, proposed: str, simulated: bool
) -> RoomAnswers:
    ask_holds = f"What does {title} hold (or nothing)?"
    holds = _nth(asker.given["holds"], number) or asker.ask(ask_holds, "", key_check("room", "holds"))
    proposed = proposed or (f"{room_id}-air" if simulated else "")
    sensor = _nth(asker.given["sensors"], number) or asker.ask(
        f"Id of the air sensor of {title}, as it sends it (or nothing: assign it on the page later)?",
        proposed,
        lambda value: key_check("sensor", "id")(value) if value else "",
    )
    usual = USUAL_TEMPERATURE_F if units == "us" else USUAL_TEMPERATURE_C
    key, degrees = ("temperature_f", "°F") if units == "us" else ("temperature_c", "°C")
    return RoomAnswers(
        room_id,
        title,
        holds,
        sensor,
        temperature=_ends(asker, f"{title}, target range: temperature ({degrees})", usual, key),
        rh_percent=_ends(asker, f"{title}, target range: relative humidity (%)", USUAL_RH_PERCENT, "rh_percent"),
    )


def _nth(values: Sequence[str], number: int) -> str | None:
    return values[number] if number < len(values) else None


def _ends(asker: Asker, question: str, usual: Bounds, key: str) -> Bounds:
    check = key_check("window", key)
    while True:
        low = asker.ask(f"{question} from", usual.low, lambda value: check({"low": value}))
        high = asker.ask(f"{question} to", usual.high, lambda value: check({"high": value}))
        fault = check([low, high])
        if not fault:
            return Bounds(low, high)
        click.echo(f"  {fault}")


def _free_id(title: str, taken: set[str]) -> str:
    wanted = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:36] or "room"
    number, free = 2, wanted
    while free in taken:
        free, number = f"{wanted}-{number}", number + 1
    return free


def _ask_port(asker: Asker, *, simulated: bool) -> tuple[str, ...]:
    if simulated or not asker.interactive:
        return ()
    from adapters.serial_port import ports_there

    found = ports_there()
    click.echo("Serial ports found:" if found else "No serial port is found on this computer now.")
    for port in found:
        click.echo(f"  {port}")
    while True:
        port = asker.ask("Serial port to read (or nothing)?", found[0] if found else "")
        if not port or is_port(port) or asker.yes("  There is no such port now. Use it all the same?"):
            return (port,) if port else ()


def is_port(name: str) -> bool:
    """Tell whether there is a serial port, or another device that can be read so, of that name now."""
    try:
        return stat.S_ISCHR(Path(name).stat().st_mode)
    except OSError:
        return False


def _listen(asker: Asker, ports: Sequence[str]) -> list[str]:
    """Listen on the ports, show what comes, and give the ids of the sensors that were received."""
    there = [port for port in ports if is_port(port)]
    if not there or not asker.interactive:
        return []
    heard: dict[str, None] = {}
    while asker.yes(f"Listen to it for {LISTENED_S:g} seconds, to see its sensors and their figures?", default=True):
        from adapters.discovery import NAME_IT, asks_for
        from ingest.cli.commands.discover import line_of

        findings = _listened(there)
        for found in findings.found.values():
            click.echo(f"  {line_of(found)}")
            if found.sensor and not asks_for(found.settings, NAME_IT):
                heard[found.sensor] = None
        for path, clause in findings.unread.items():
            click.echo(f"  {path}: {clause}")
        for trouble in findings.troubles.values():
            click.echo(f"  {trouble}")
        if findings.found:
            break
        click.echo("  No readings came. Many sensors send once a minute, or seldom.")
    return list(heard)


def _listened(ports: list[str]) -> Findings:
    import asyncio
    import functools

    from adapters.discovery import Findings, look
    from adapters.discovery_ways import on_serial_ports
    from ingest.clock import SystemClock

    findings = Findings()
    way = functools.partial(on_serial_ports, clock=SystemClock(), ports=lambda: ports)
    asyncio.run(look(findings, [way], LISTENED_S))
    return findings


def _mail(asker: Asker) -> MailAnswers | None:
    server = asker.get("mail_server", "Mail server (or nothing, then nobody is mailed)?", "", _server_fault)
    if not server:
        return None
    address = key_check("mail", "from")
    for given in asker.given["mail_to"]:
        if fault := address(given):
            raise SettingsError(fault.rstrip("."), where="--mail-to")
    to = tuple(asker.given["mail_to"]) or (asker.ask("Who is to be mailed (address)?", "", address),)
    sender = asker.get("mail_from", "Sender's address?", to[0], address)
    login = asker.get("mail_login", "Login at the mail server (or nothing)?", "", lambda _: "")
    return MailAnswers(server, sender, to, login)


def _server_fault(server: str) -> str:
    if not server or re.fullmatch(r"[A-Za-z0-9.\-]+|[0-9A-Fa-f:.]+", server):
        return ""
    return "This is not the name of a server. Write it without a scheme and a port: mail.example.org."


def on_memory_card(path: Path) -> bool:
    """Tell whether a folder, there or to be made, lies on an SD or MMC card, as far as this computer says."""
    with contextlib.suppress(OSError, StopIteration):
        there = next(one for one in (path.absolute(), *path.absolute().parents) if one.exists())
        device = there.stat().st_dev
        block = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}").resolve(strict=True)
        return any(part.startswith("mmcblk") for part in block.parts)
    return False


def draft_of(file: Path) -> Path:
    """Give where answers are kept that did not become a settings file yet."""
    return file.with_name(f".{file.name}.answers")


def kept_answers(file: Path) -> dict[str, Any]:
    """Give the answers of an earlier time that was broken off; nothing where there are none."""
    try:
        kept = json.loads(draft_of(file).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}


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
