"""Assigning what is within reach: into the settings file where it needs an adapter, and into the job as a room's
sensor.

The settings file belongs to a person. So its text stays as it is and lines are added at its end, the whole of it is
checked as it would then be before it is replaced, and it is replaced in one step or not at all.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import os
import re
import stat
import tempfile
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final

import structlog

from adapters.contract import SENSOR_ID
from dashboards.services import NUMBERS_MAY_BE, Assigned, Assignment, Sighting
from ingest.clock import Clock
from ingest.errors import InputError, LumberroomError, RefusedError
from ingest.runtime.intake import Intake
from ingest.runtime.live_job import LiveJob
from ingest.runtime.reach import Looking
from ingest.runtime.supervisor import Supervisor
from ingest.settings import reading
from ingest.settings.wiring import AdapterWiring
from ingest.site.actor import Actor, Where
from ingest.site.editing import with_sensor
from ingest.site.places import Place, Sensor, Site

LONGEST_TITLE: Final = 120
LONGEST_NAME: Final = 80

_log = structlog.get_logger("lumberroom.assigning")


class CannotWriteError(LumberroomError):
    """The settings file cannot be written, or would not be sound; nothing was changed."""


class Assigner:
    """Adopts one after the other. Used from the event loop."""

    def __init__(
        self, path: Path | None, clock: Clock, live: LiveJob, parts: tuple[Intake, Supervisor, Looking]
    ) -> None:
        self._path = path
        self._clock = clock
        self._live = live
        self._intake, self._supervisor, self._looking = parts
        self._one_by_one = asyncio.Lock()

    async def assign(self, assignment: Assignment) -> Assigned:
        """Make a sighting a sensor of a room. Raises InputError, RefusedError and StorageError (`Services.assign`)."""
        async with self._one_by_one:
            sighting = self._sighted(assignment.sighting)
            sensor = wanted_sensor(assignment, sighting, self._live.site)
            if sighting.asks_quantity and assignment.quantity not in NUMBERS_MAY_BE:
                raise InputError("nobody can tell what this number is", where="quantity", mend="Choose what it is.")
            if sighting.asks_each:
                check_each(assignment.each, sighting)
            if sighting.read_by:
                await self._save(sensor, assignment.by)
                return Assigned(sensor.id, sensor.room, (self._belongs(sensor),))
            return await self._with_adapter(assignment, sensor)

    def _sighted(self, sighting: str) -> Sighting:
        found = next((one for one in self._looking.report().sightings if one.id == sighting), None)
        if found is None:
            raise RefusedError(
                "it is not within reach any more", where="sighting", mend="Go back and look whether it is heard again."
            )
        if found.room:
            raise RefusedError(
                f"{found.sensor} belongs to a room already", where="sighting", mend="Rooms are changed in the job."
            )
        if found.lacks:
            raise RefusedError(
                f"it cannot be read without {found.lacks}", where="sighting", mend="Add its lines by hand."
            )
        return found

    async def _with_adapter(self, assignment: Assignment, sensor: Sensor) -> Assigned:
        """Write the adapter into the settings file, the sensor into the job, and start the adapter."""
        from adapters.discovery import entry_text, filled, told_of

        found = self._looking.found(assignment.sighting)
        assert found is not None
        name = adapter_name(sensor.id, {adapter.wiring.name for adapter in self._supervisor.adapters})
        known = told_of(found.settings, assignment.each) if assignment.each else found.settings
        entry = filled(known, sensor=sensor.id, quantity=assignment.quantity)
        lines = entry_text(name, found.kind, entry)
        try:
            wired = await asyncio.to_thread(append_entry, self._path, lines, self._comment(assignment.by))
        except CannotWriteError as error:
            await self._save(sensor, assignment.by)
            done = (
                f"{self._in_room(sensor)}. Nothing reads it yet, since no adapter could be added:",
                f"{error.what}. {error.mend}",
            )
            return Assigned(sensor.id, sensor.room, done, to_copy=lines)
        await self._save(sensor, assignment.by)
        await self._looking.pause(found)  # it may hold the very port
        self._supervisor.add(wired)
        _log.info("an adapter was added from the page", adapter=name, by=assignment.by)
        read = f'The adapter "{name}" was added to {self._path} and reads it from now on; the others went on meanwhile.'
        return Assigned(sensor.id, sensor.room, (self._belongs(sensor), read))

    def _comment(self, by: str) -> str:
        at = dt.datetime.fromtimestamp(self._clock.now_ms() / 1000, dt.UTC)
        return f"# added from the page by {by.strip()}, {at:%Y-%m-%dT%H:%MZ}"

    def _in_room(self, sensor: Sensor) -> str:
        room = self._live.site.room(sensor.room)
        return f"{sensor.title or sensor.id} belongs to {room.title if room else sensor.room} now"

    def _belongs(self, sensor: Sensor) -> str:
        return f"{self._in_room(sensor)}; what it says is stored and judged from now on."

    async def _save(self, sensor: Sensor, by: str) -> None:
        await self._live.change(lambda site: with_sensor(site, sensor), by=Actor(Where.PAGE, by.strip()))
        self._intake.unassigned.forget(sensor.id)


def check_each(each: Mapping[str, str], sighting: Sighting) -> None:
    """Hold what somebody says of each figure of a document against what can be. Raises InputError."""
    said = [what for pointer in sighting.asks_each if (what := each.get(pointer))]
    kept = [NUMBERS_MAY_BE.get(what) for what in said]
    if not said:
        raise InputError("nobody can tell what these numbers are", where="each", mend="Choose what one of them is.")
    if None in kept or set(each) - set(sighting.asks_each):
        raise InputError("this is nothing that a number can be", where="each", mend="Choose from the list.")
    if len(set(kept)) < len(kept):
        raise InputError("two numbers are said to be the same", where="each", mend="Leave one of them out.")


def wanted_sensor(assignment: Assignment, sighting: Sighting, site: Site) -> Sensor:
    """Give the sensor that somebody wants. Raises InputError, `where` being the field to mend."""
    name = sighting.sensor if sighting.names_itself else assignment.sensor.strip()
    if not SENSOR_ID.fullmatch(name):
        raise InputError(
            "this cannot be a sensor's name",
            where="sensor",
            mend="Use a letter or digit first, then letters, digits and any of - : . _ /, 120 characters at most.",
        )
    if (there := site.sensor(name)) is not None:
        raise InputError(f"a sensor of that name belongs to {there.room}", where="sensor", mend="Choose another name.")
    if site.room(assignment.room) is None:
        raise InputError("there is no such room", where="room", mend="Choose one of the rooms.")
    if assignment.place not in {place.value for place in Place}:
        raise InputError("a sensor cannot be there", where="place", mend="Choose one of the places.")
    title = _line(assignment.title, LONGEST_TITLE, "title")
    if not _line(assignment.by, LONGEST_NAME, "by"):
        raise InputError("who is it that does this?", where="by", mend="Say your name: it is kept with the change.")
    return Sensor(name, assignment.room, Place(assignment.place), title)


def _line(text: str, longest: int, where: str) -> str:
    text = text.strip()
    if len(text) > longest or not text.isprintable():
        raise InputError(
            "this is too long, or no line of text", where=where, mend=f"Use {longest} characters at most, in one line."
        )
    return text


def adapter_name(sensor: str, taken: Collection[str]) -> str:
    """Make a name for a sensor's adapter that no other adapter has."""
    base = re.sub(r"[^a-z0-9]+", "-", sensor.lower()).strip("-")[:34].strip("-") or "sensor"
    return next(
        name for number in range(1, 10_000) if (name := base if number == 1 else f"{base}-{number}") not in taken
    )


def entries_of(path: Path | None) -> Mapping[str, Mapping[str, Any]]:
    """Give what a settings file says of each adapter, by name; nothing where it cannot be read just now."""
    try:
        raw = reading.toml_of(reading.text_of(path), path) if path is not None else {}
    except LumberroomError:
        return {}
    listed = raw.get("adapter", [])
    return {one["name"]: one for one in listed if isinstance(one, dict) and isinstance(one.get("name"), str)}


def append_entry(path: Path | None, lines: str, comment: str) -> AdapterWiring:
    """Add an adapter's lines to the end of a settings file, in one step, its text before staying as it is.

    Raises CannotWriteError where there is no file, it may not be written, or it would not be sound; it is left as it
    was then.
    """
    if path is None:
        raise CannotWriteError("there is no settings file here", mend="Put these lines into one.")
    path = path.resolve()  # a link stays a link
    try:
        before = path.read_bytes()
        after = before + (b"" if before.endswith(b"\n") or not before else b"\n") + f"\n{comment}\n{lines}\n".encode()
        wiring = reading.parse(after.decode("utf-8-sig"), path)
        if not os.access(path, os.W_OK):
            raise PermissionError(13, "the file may not be written")
        _replace(path, before, after)
    except (OSError, UnicodeDecodeError) as error:
        said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise CannotWriteError(
            f"{path} cannot be written ({said})", mend="Put these lines at its end, and start lumberroom again."
        ) from error
    except LumberroomError as error:
        raise CannotWriteError(
            f"with these lines the settings file would not be sound: {error}", mend="Mend it, and add them by hand."
        ) from error
    return wiring.adapters[-1]


def _replace(path: Path, before: bytes, after: bytes) -> None:
    """Put the new text in the place of the old one; its owner and mode stay. Raises OSError."""
    state = path.stat()
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    fresh = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(after)
            file.flush()
            os.fchmod(file.fileno(), stat.S_IMODE(state.st_mode))
            if (state.st_uid, state.st_gid) != (os.geteuid(), os.getegid()):
                os.fchown(file.fileno(), state.st_uid, state.st_gid)
            os.fsync(file.fileno())
        if path.read_bytes() != before:
            raise OSError(16, "somebody else is just changing it")
        fresh.replace(path)
        _sync_folder(path.parent)
    finally:
        fresh.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
