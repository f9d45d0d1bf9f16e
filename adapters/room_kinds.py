"""The kinds of simulated rooms, as data: building, heating, people, machines, wood. All invented, all believable.

Where the figures come from, by field (all from memory; "common practice, no source" where so):

- air changes: a closed room in a tight house about 0.3 an hour, an ordinary one 0.5, a draughty shed 1 to 3, an open
  window 3 to 10 (ventilation handbooks; common practice, no source).
- people: sensible heat about 70 W sitting, 100 W at bench work (ASHRAE Handbook Fundamentals, heat gains of people);
  moisture about 55 g/h awake and quiet, twice that at work (BS 5250).
- a dehumidifier with a compressor takes out less in dry or cold air, nothing near freezing; litres a day are stated by
  makers for very warm and damp air, so the figures here are those at 20 °C and 60 % (common practice, no source).
- wood: the outer tenth of stickered boards follows the air within a day or two, the core within weeks to months
  (common practice for boards of 20 to 50 mm, no source).
- plaster and furnishings take up and give off vapour within the hour: building simulation commonly multiplies the
  vapour that the air holds by some factor between 1 and 25 (common practice, no source).
- fresh plaster and screed give off litres a day for weeks, at a steady pace while wet, then ever slower (common
  practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True)
class Heating:
    """A radiator with a thermostat valve: full power 1.5 K below the set value, none at it.  Hours in UTC."""

    power_w: float
    day_c: float
    night_c: float
    day_hours: tuple[float, float] = (6.0, 22.0)


@dataclass(frozen=True, slots=True)
class People:
    """Who is there on weekdays between the hours (UTC), give or take half an hour and a day of absence."""

    count: int
    hours: tuple[float, float]
    heat_w: float = 70.0  # of one person, without evaporation
    moisture_g_h: float = 55.0  # of one person
    weekends: bool = False


@dataclass(frozen=True, slots=True)
class Drier:
    """A dehumidifier with a compressor, switched by its own hygrostat at `band_percent` about the set value."""

    set_rh_percent: float
    removes_g_h: float  # at 20 °C and 60 %
    power_w: float
    band_percent: float = 2.5


@dataclass(frozen=True, slots=True)
class Damper:
    """A humidifier: full output 5 % below the set value, none at it."""

    set_rh_percent: float
    gives_g_h: float


@dataclass(frozen=True, slots=True)
class Wood:
    """A stack of boards in two parts, outside and core.  mass_kg: oven-dry.  mc_percent: of the core at the start."""

    mass_kg: float
    mc_percent: float
    outer_share: float = 0.1
    outer_hours: float = 30.0  # time constant between the outer part and the air
    core_hours: float = 900.0  # time constant between core and outer part


@dataclass(frozen=True, slots=True)
class RoomKind:
    """One kind of room: two heat stores (the air with what stands in it, the fabric) and its water.

    loss_w_k: windows and doors, from the air straight out.  fabric_loss_w_k: through walls and ground, from the fabric.
    coupling_w_k: between air and fabric.  sun_m2: of glass, or of dark roof, that lets the sun's heat in.
    wet_kg: free water in fresh plaster, screed or masonry.  wet_g_h: what that gives off per g/kg of difference in
    humidity ratio while it is wet.  wet_until_kg: below this it slows down.  surface_g_h: what condenses on cold walls
    per g/kg of difference.  lining: how many times its own vapour the air seems to hold, because plaster, dust sheets
    and whatever else stands in it give and take at once.
    """

    title: str
    volume_m3: float
    air_changes_h: float
    window_changes_h: float
    loss_w_k: float
    fabric_loss_w_k: float
    fabric_mj_k: float
    coupling_w_k: float
    sun_m2: float
    wood: Wood
    heating: Heating | None = None
    people: People | None = None
    drier: Drier | None = None
    damper: Damper | None = None
    wet_kg: float = 0.0
    wet_g_h: float = 0.0
    wet_until_kg: float = 1.0
    surface_g_h: float = 200.0
    lining: float = 1.0


ROOM_KINDS: Final[Mapping[str, RoomKind]] = MappingProxyType(
    {
        "house": RoomKind(
            title="a heated room in a house being finished, boards stickered",
            volume_m3=75.0,
            air_changes_h=0.22,
            window_changes_h=4.0,
            loss_w_k=42.0,
            fabric_loss_w_k=95.0,
            fabric_mj_k=14.0,
            coupling_w_k=280.0,
            sun_m2=0.4,
            wood=Wood(mass_kg=420.0, mc_percent=9.0, outer_share=0.12, outer_hours=36.0, core_hours=700.0),
            heating=Heating(power_w=4500.0, day_c=20.5, night_c=19.5),
            people=People(count=2, hours=(7.5, 16.0), heat_w=100.0, moisture_g_h=90.0),
            drier=Drier(set_rh_percent=41.0, removes_g_h=1200.0, power_w=420.0),
            wet_kg=200.0,
            wet_g_h=56.0,
            wet_until_kg=60.0,
            lining=2.2,
            surface_g_h=300.0,
        ),
        "timber-store": RoomKind(
            title="an unheated, ventilated shed full of sawn timber",
            volume_m3=420.0,
            air_changes_h=1.2,
            window_changes_h=6.0,
            loss_w_k=420.0,
            fabric_loss_w_k=260.0,
            fabric_mj_k=38.0,
            coupling_w_k=2200.0,
            sun_m2=5.0,
            wood=Wood(mass_kg=14000.0, mc_percent=15.0, outer_share=0.1, outer_hours=60.0, core_hours=2500.0),
            lining=1.5,
            surface_g_h=2000.0,
        ),
        "workshop": RoomKind(
            title="a joiner's shop, heated on working days, with a humidifier against the winter",
            volume_m3=330.0,
            air_changes_h=0.45,
            window_changes_h=3.0,
            loss_w_k=90.0,
            fabric_loss_w_k=110.0,
            fabric_mj_k=45.0,
            coupling_w_k=900.0,
            sun_m2=4.0,
            wood=Wood(mass_kg=2200.0, mc_percent=9.0, outer_share=0.12, outer_hours=36.0, core_hours=900.0),
            heating=Heating(power_w=11000.0, day_c=19.0, night_c=15.5, day_hours=(5.0, 16.5)),
            people=People(count=3, hours=(7.0, 16.0), heat_w=100.0, moisture_g_h=90.0),
            damper=Damper(set_rh_percent=46.0, gives_g_h=2500.0),
            lining=2.0,
            surface_g_h=600.0,
        ),
        "cellar": RoomKind(
            title="a cellar drying out after water damage",
            volume_m3=60.0,
            air_changes_h=0.15,
            window_changes_h=2.0,
            loss_w_k=6.0,
            fabric_loss_w_k=45.0,
            fabric_mj_k=30.0,
            coupling_w_k=350.0,
            sun_m2=0.0,
            wood=Wood(mass_kg=180.0, mc_percent=19.0, outer_share=0.2, outer_hours=72.0, core_hours=400.0),
            heating=Heating(power_w=900.0, day_c=16.0, night_c=16.0),
            drier=Drier(set_rh_percent=45.0, removes_g_h=600.0, power_w=400.0),
            wet_kg=400.0,
            wet_g_h=110.0,
            wet_until_kg=250.0,
            lining=2.5,
            surface_g_h=400.0,
        ),
    }
)
