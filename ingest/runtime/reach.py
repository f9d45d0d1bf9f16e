"""Looking for sensors within reach, for the page: begun when somebody looks, shared by all who do, ended by itself.

It goes on for `LEASE_S` after a page last asked, and for `LONGEST_S` at most: a page that was left open on a wall must
not keep a radio busy for years. Ports that adapters are wired to are never opened; radios are scanned by the one
scanner that adapters use; at a broker it is a client of its own.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import structlog

from adapters.contract import AdapterError
from dashboards.services import Reach, Sighting
from ingest.clock import Clock
from ingest.runtime.tasks import end
from ingest.runtime.unassigned import Unassigned
from ingest.settings.wiring import AdapterWiring
from ingest.site.places import Site

if TYPE_CHECKING:
    from adapters.discovery import Findings, Found, Way

LEASE_S: Final = 75.0
"""For so long it is looked on after a page asked last (real seconds); a page without scripts asks every minute."""
LONGEST_S: Final = 1800.0
STOP_LIMIT_S: Final = 3.0
HERE: Final = "127.0.0.1"
"""A broker on this computer is looked at even where no adapter is wired to it; that there is none is no trouble."""
BROKER_KEYS: Final = ("broker", "port", "tls", "ca_file", "cert_file", "key_file", "login", "version")
SECRET_KEYS: Final = ("password_env", "password_file")

_log = structlog.get_logger("lumberroom.reach")


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the looking must know of.

    adapters: those that run, with their settings.  entries: what the settings file says of each by name, as it stands
    there.  unassigned: whom adapters hear that belong to no room.  ports: lists serial ports; None = those there are.
    """

    adapters: Callable[[], Sequence[AdapterWiring]]
    entries: Callable[[], Mapping[str, Mapping[str, Any]]]
    unassigned: Unassigned
    site: Callable[[], Site]
    clock: Clock
    ports: Callable[[], Sequence[str]] | None = None


class Looking:
    """The one looking that all pages share. Used from the event loop only."""

    def __init__(self, around: Surroundings, *, lease_s: float = LEASE_S, longest_s: float = LONGEST_S) -> None:
        self._around = around
        self._lease_s = lease_s
        self._longest_s = longest_s
        self._task: asyncio.Task[None] | None = None
        self._findings: Findings | None = None
        self._where: tuple[str, ...] = ()
        self._until_s = 0.0
        self._latest_s = 0.0
        self._goes_on = False
        self.tired = False
        self._lock = asyncio.Lock()

    @property
    def is_looking(self) -> bool:
        """Whether anything is being listened to."""
        return self._task is not None and not self._task.done()

    async def renew(self, *, again: bool = False) -> None:
        """Go on looking for a while; begin where nobody was.  again: also after it has stopped by itself."""
        async with self._lock:
            now_s = asyncio.get_running_loop().time()
            if again:
                self.tired = False
                self._latest_s = now_s + self._longest_s
            self._until_s = now_s + self._lease_s
            if not self.is_looking and not self.tired:
                self._latest_s = now_s + self._longest_s
                await self._begin()

    async def pause(self, assigned: Found | None = None) -> None:
        """Let go of everything, so that an adapter can have it; who asks next goes on, without what was assigned."""
        async with self._lock:
            if self._task is not None:
                await end([self._task], STOP_LIMIT_S)
                self._task = None
            if self._findings is not None and assigned is not None:
                same = [key for key, one in self._findings.found.items() if one.settings == assigned.settings]
                for key in same:
                    del self._findings.found[key]
                self._goes_on = True

    def report(self) -> Reach:
        """Say what has been found."""
        found = list(self._findings.found.values()) if self._findings else []
        hidden = f"broker {HERE}:1883"
        troubles = {} if self._findings is None else self._findings.troubles
        wired = any(adapter.settings.get("broker") == HERE for adapter in self._around.adapters())
        shown = tuple(text for where, text in troubles.items() if where != hidden or wired)
        return Reach(self.is_looking, self._where if self.is_looking else (), self._sightings(found), shown, self.tired)

    def found(self, sighting: str) -> Found | None:
        """Give what was found by its sighting's id."""
        everything = self._findings.found.values() if self._findings else ()
        return next((found for found in everything if id_of(found.way, found.address, found.sensor) == sighting), None)

    async def _begin(self) -> None:
        from adapters.discovery import Findings

        findings = self._findings if self._goes_on and self._findings is not None else Findings()
        self._findings, self._goes_on = findings, False
        ways, where = await asyncio.to_thread(_ways, self._around, findings)
        self._where = tuple(where)
        self._task = asyncio.create_task(self._look(findings, ways), name="looking within reach")

    async def _look(self, findings: Findings, ways: Sequence[Way]) -> None:
        from adapters.discovery import look

        _log.info("looking for sensors within reach", where=list(self._where))
        looking = asyncio.create_task(look(findings, ways, None))
        loop = asyncio.get_running_loop()
        try:
            while (left_s := min(self._until_s, self._latest_s) - loop.time()) > 0 and not looking.done():
                await asyncio.wait({looking}, timeout=min(1.0, left_s))
            self.tired = loop.time() >= self._latest_s
        finally:
            looking.cancel()
            (outcome,) = await asyncio.gather(looking, return_exceptions=True)
            if isinstance(outcome, Exception):
                _log.error("looking for sensors failed", exc_info=outcome)
            _log.info("no longer looking for sensors", found=len(findings.found))

    def _sightings(self, found: Sequence[Found]) -> tuple[Sighting, ...]:
        adapters, site, now_ms = self._around.adapters(), self._around.site(), self._around.clock.now_ms()
        unassigned = dict(self._around.unassigned.all())
        made = []
        for one in found:
            name, read_by = _read_by(one, adapters, unassigned)
            unassigned.pop(name, None)
            made.append(_sighting(one, name, read_by, site, now_ms))
        for sensor, heard in unassigned.items():
            made.append(
                Sighting(
                    id=id_of("adapter", heard.source, sensor),
                    way="adapter",
                    address=heard.source,
                    sensor=sensor,
                    figures=dict(heard.figures),
                    moved=heard.moved(),
                    moving=heard.is_moving(now_ms),
                    heard_ms=heard.heard_ms,
                    read_by=heard.source,
                )
            )
        return tuple(made)


def id_of(way: str, address: str, sensor: str) -> str:
    """Give the id of a sighting: short, and the same as long as way, address and name are."""
    return hashlib.sha256(f"{way}\n{address}\n{sensor}".encode()).hexdigest()[:16]


def _read_by(found: Found, adapters: Sequence[AdapterWiring], unassigned: Mapping[str, Any]) -> tuple[str, str]:
    """Give the name under which a running adapter reads what was found, and the adapter; else its own name."""
    for adapter in adapters:
        listed = adapter.settings.get("sensors")
        if found.way == "bluetooth" and isinstance(listed, Mapping):
            by_address = {str(address).upper(): name for address, name in listed.items()}
            if found.address.upper() in by_address:
                return by_address[found.address.upper()], adapter.name
    if found.way != "bluetooth" and found.sensor in unassigned:
        return found.sensor, unassigned[found.sensor].source
    return found.sensor, ""


def _sighting(found: Found, name: str, read_by: str, site: Site, now_ms: int) -> Sighting:
    from adapters.discovery import NAME_IT, WHICH_ONE, asks_for, pointers_of

    each = () if read_by else pointers_of(found.settings)
    names_itself = bool(read_by) or not asks_for(found.settings, NAME_IT)
    known = site.sensor(name) if names_itself else None
    return Sighting(
        id=id_of(found.way, found.address, found.sensor),
        way=found.way,
        address=found.address,
        sensor=name,
        figures=dict(found.figures),
        moved=found.moved(),
        moving=found.is_moving(now_ms),
        heard_ms=found.heard_ms,
        note=found.note,
        read_by=read_by,
        room=known.room if known else "",
        names_itself=names_itself,
        asks_quantity=not read_by and not each and asks_for(found.settings, WHICH_ONE),
        asks_each=each,
        lacks="" if read_by else found.lacks,
        wiring="" if read_by else found.wiring,
    )


def _ways(around: Surroundings, findings: Findings) -> tuple[list[Way], list[str]]:
    """Give the ways to look, and what they are for people. Blocks: libraries and certificates are loaded."""
    from adapters.discovery_ways import CONNECTED_KIND, on_serial_ports, on_the_air

    clock, adapters = around.clock, around.adapters()
    wired = [port for adapter in adapters if isinstance(port := adapter.settings.get("port"), str)]
    on_ports = partial(on_serial_ports, ports=around.ports) if around.ports else on_serial_ports
    ways: list[Way] = [partial(on_ports, clock=clock, wired=wired)]
    where = ["serial ports that no adapter has"]
    radios = {str(a.settings.get("radio", "")) for a in adapters if a.kind.startswith("bluetooth")} or {""}
    connected = [
        str(address) for a in adapters if a.kind == CONNECTED_KIND for address in a.settings.get("sensors", ())
    ]
    for radio in sorted(radios):
        ways.append(partial(on_the_air, clock=clock, radio=radio, wired=connected))
        where.append(f"Bluetooth {radio}".strip())
    for broker_way, name in _brokers(around, findings):
        ways.append(broker_way)
        where.append(name)
    return ways, where


def _brokers(around: Surroundings, findings: Findings) -> list[tuple[Way, str]]:
    from adapters.discovery_broker import at_a_broker, broker_of

    made: dict[str, tuple[Way, str]] = {}
    entries = around.entries()
    at_brokers: dict[str, list[AdapterWiring]] = {}
    for adapter in around.adapters():
        if adapter.kind != "mqtt_topics" or not adapter.settings:
            continue
        try:
            broker = broker_of(adapter.settings)
        except AdapterError as error:
            findings.cannot(error)
            continue
        those = at_brokers.setdefault(str(broker), [])
        those.append(adapter)
        raw = entries.get(those[0].name, {})
        entry = {key: raw[key] for key in (*BROKER_KEYS, *SECRET_KEYS) if key in raw}
        wired = [one.settings for one in those]
        way = partial(at_a_broker, clock=around.clock, broker=broker, entry=entry or None, wired=wired)
        made[str(broker)] = (way, str(broker))
    if not made:
        usual = {"broker": HERE, "port": 1883, "tls": False, "version": "5", "login": None, "password": None}
        way = partial(at_a_broker, clock=around.clock, broker=broker_of(usual), entry={"broker": HERE})
        made[HERE] = (way, "an MQTT broker on this computer")
    return list(made.values())
