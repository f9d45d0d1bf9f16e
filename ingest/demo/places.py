"""The invented site: three rooms, the windows they should keep, the sensors in them, and how they are simulated.

Where the windows come from: a wood floor and its room at 60 to 80 °F and 30 to 50 % RH, as North American guidelines
for wood floors have it, restated by many flooring makers; boards at 6 to 9 % moisture content go with it. Timber in an
unheated, ventilated store at 9 to 19 % EMC, joinery in a heated shop at 6 to 12.5 %: common practice, no source.
On a real job the product's own instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

from adapters.registry import check_settings
from adapters.simulated_room import SimulatedRoom
from ingest.settings.wiring import AdapterWiring
from ingest.site.boards import ORDINARY_OAK
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.rules import Rules

WEATHER_SEED: Final = 1
INTERVAL_S: Final = 120.0
SILENT_AFTER_S: Final = 7200.0
"""Long, because at high speed a second's pause of the machine is many minutes here."""

RECIPIENT: Final = "foreman@demonstration.invalid"
SENDER: Final = "lumberroom@demonstration.invalid"


@dataclass(frozen=True, slots=True)
class DemoRoom:
    """A room and how it is simulated.  kind: a name in `adapters.room_kinds.ROOM_KINDS`."""

    room: Room
    kind: str
    seed: int
    hangs_by: str  # title of the sensor in the air
    wood: str = ""  # title of the probe in the wood; empty = none

    @property
    def air_sensor(self) -> str:
        """The id of the sensor in the air."""
        return f"sim-{self.room.id}-air"

    @property
    def wood_sensor(self) -> str:
        """The id of the probe in the wood; empty = none."""
        return f"sim-{self.room.id}-wood" if self.wood else ""

    def sensors(self) -> tuple[Sensor, ...]:
        """Give the room's sensors."""
        air = Sensor(self.air_sensor, self.room.id, Place.AIR, self.hangs_by, SILENT_AFTER_S)
        if not self.wood:
            return (air,)
        return (air, Sensor(self.wood_sensor, self.room.id, Place.WOOD, self.wood, SILENT_AFTER_S))


FRONT_ROOM: Final = DemoRoom(
    Room(
        "front-room",
        "Front room",
        AcclimationWindow(
            temperature_c=Bounds(15.6, 26.7), rh_percent=Bounds(30.0, 50.0), dwell_s=3600.0, return_dwell_s=3600.0
        ),
        holds="Oak floor boards, 20 mm, stickered, acclimating (invented)",
        boards=ORDINARY_OAK,
    ),
    kind="house",
    seed=11,
    hangs_by="oak stack",
    wood="board in the oak stack",
)
TIMBER_STORE: Final = DemoRoom(
    Room(
        "timber-store",
        "Timber store",
        AcclimationWindow(emc_percent=Bounds(9.0, 19.0), dwell_s=12 * 3600.0, return_dwell_s=6 * 3600.0),
        holds="Sawn ash and oak in stick, unheated shed (invented)",
    ),
    kind="timber-store",
    seed=12,
    hangs_by="ash stack",
)
JOINERS_SHOP: Final = DemoRoom(
    Room(
        "joiners-shop",
        "Joiner's shop",
        AcclimationWindow(
            temperature_c=Bounds(12.0, 30.0), emc_percent=Bounds(6.0, 12.5), dwell_s=4 * 3600.0, return_dwell_s=7200.0
        ),
        holds="Stair parts and door blanks, oak (invented)",
    ),
    kind="workshop",
    seed=13,
    hangs_by="joiner's bench",
)
ONE_THING_AT_A_TIME: Final = Rules(rh_change_percent=None, heading_out_hours=None, mould_rh_percent=None)
"""A demonstration shows the window: what leads up to it would be told within the same minute here."""

ROOMS: Final = (FRONT_ROOM, TIMBER_STORE, JOINERS_SHOP)

SITE: Final = Site(
    name="Demonstration (invented): a house being finished, with store and shop",
    time_zone="UTC",
    rooms=tuple(replace(each.room, rules=ONE_THING_AT_A_TIME) for each in ROOMS),
    sensors=tuple(sensor for each in ROOMS for sensor in each.sensors()),
)


def settings(room: DemoRoom, start: str, events: list[dict[str, Any]], resume: dict[str, Any]) -> dict[str, Any]:
    """Give the settings of a room's adapter.  start: ISO 8601.  resume: where to go on from; empty = at the start."""
    given = {
        "sensor": room.air_sensor,
        "wood_sensor": room.wood_sensor,
        "room_kind": room.kind,
        "seed": room.seed,
        "weather_seed": WEATHER_SEED,
        "interval_s": INTERVAL_S,
        "start": start,
        "events": events,
        "resume": resume,
    }
    return check_settings(SimulatedRoom, given)


def adapter(room: DemoRoom, checked: dict[str, Any]) -> AdapterWiring:
    """Give the wiring of a room's adapter."""
    return AdapterWiring(name=room.room.id, kind="simulated_room", settings=checked)
