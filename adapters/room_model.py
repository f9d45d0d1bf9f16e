"""The physics of a simulated room: balances of heat and water, minute by minute. Pure: no I/O and no clock.

Two stores of heat (the air with what stands in it, and the fabric) and up to five of water (the air, the outer part and
the core of a stack of wood, condensate on cold walls, and free water in fresh plaster or screed). Every flow leaves one
account and enters another, so both balances close to rounding (`RoomState.books` keeps them; a test holds it).

Each step is a backward Euler step of 60 s, stable at any strength of coupling. The steps stand on whole minutes of UTC,
so that a room run fast through weeks and the same room lived through minute by minute are the same to the last bit.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np

from adapters.room_chance import Floats, Int64s
from adapters.room_days import STEP_MS, STEPS_PER_DAY, Minute, Trouble, minutes_of_day
from adapters.room_kinds import Drier, RoomKind
from adapters.room_tables import emc_and_slope, humidity_percent, saturation_ratio
from ingest.physics import wood

STEP_S: Final = STEP_MS / 1000.0
SPIN_UP_STEPS: Final = 4 * STEPS_PER_DAY  # lets the fabric find its temperature before the story begins

# Properties of air and water near room temperature, to three digits (engineering handbooks, from memory).
AIR_KG_M3: Final = 1.20
AIR_J_KG_K: Final = 1006.0
EVAPORATION_J_KG: Final = 2.45e6
FURNITURE: Final = 5.0  # heat stored by what stands in the air and follows it at once, in heat capacities of the air


@dataclass(slots=True)
class Books:
    """What has crossed the room's boundary since the start: water in kg, heat in J."""

    water_ventilated_kg: float = 0.0  # in with fresh air, minus out with used
    water_added_kg: float = 0.0  # by people, humidifier and wet trades
    water_removed_kg: float = 0.0  # by the dehumidifier
    heat_added_j: float = 0.0  # heating, people, sun, machines, and what vapour gives or takes when it changes state
    heat_lost_j: float = 0.0  # through the envelope and with the air, minus what came in that way


@dataclass(slots=True)
class RoomState:
    """All that a room remembers from one step to the next; JSON-able by `dataclasses.asdict`, and exact that way.

    step: whole minutes since 1970 (UTC).  humidity_ratio: kg water per kg dry air.  outer_mc_percent, core_mc_percent:
    moisture content of the two parts of the wood.  condensate_kg: on cold walls.  wet_kg: free water in the fabric.
    rh_percent: of the air, over water.  last_*: temperature, humidity and wood one step earlier, to read in between.
    """

    step: int
    temperature_c: float
    fabric_c: float
    humidity_ratio: float
    outer_mc_percent: float
    core_mc_percent: float
    condensate_kg: float
    wet_kg: float
    rh_percent: float
    drying: bool = False
    latent_w: float = 0.0
    last_temperature_c: float = 0.0
    last_rh_percent: float = 0.0
    last_outer_mc_percent: float = 0.0
    books: Books = field(default_factory=Books)


class RoomAir(NamedTuple):
    """What sensors without fault would read at n instants, arrays of length n."""

    temperature_c: Floats
    rh_percent: Floats
    wood_mc_percent: Floats  # of the outer part of the stack


class Room:
    """One simulated room: a kind of building, its weather, its troubles, and its state.

    The same arguments give the same air at the same instants, however the asking is cut up. `state` continues a room
    from where another stood (its `state` then), in place of starting afresh some days before `start_ms`.
    """

    def __init__(
        self,
        kind: RoomKind,
        *,
        seed: int,
        weather_seed: int,
        start_ms: int,
        troubles: Sequence[Trouble] = (),
        state: RoomState | None = None,
    ) -> None:
        self.kind = kind
        self._seed = seed
        self._weather_seed = weather_seed
        self._troubles = tuple(troubles)
        self._rates = _Rates.of(kind)
        self._day: tuple[int, list[Minute]] = (-1, [])
        if state is None:
            first = -(-start_ms // STEP_MS) - SPIN_UP_STEPS
            state = _at_rest(kind, first, self._minute(first))
        self.state = state

    def air(self, at_ms: Int64s) -> RoomAir:
        """Give the air at these instants (UTC ms, rising, none before the room's present state), moving on to the last.

        Between two steps the values run straight. Raises ValueError for an instant that has gone by.
        """
        if not len(at_ms):
            return RoomAir(*(np.empty(0) for _ in RoomAir._fields))
        if at_ms[0] <= (self.state.step - 1) * STEP_MS:
            raise ValueError("a simulated room cannot go back in time")
        first, courses = self.state.step - 1, self._run_to(int(-(-at_ms[-1] // STEP_MS)))
        place, part = np.divmod(at_ms - first * STEP_MS, STEP_MS)
        share = part / STEP_MS
        after = np.minimum(place + 1, len(courses[0]) - 1)
        return RoomAir(*(np.asarray(c[place] + (c[after] - c[place]) * share) for c in courses))

    def skip_to(self, at_ms: int) -> None:
        """Move on to just before that instant (UTC ms) without giving anything."""
        self._run_to(at_ms // STEP_MS)

    def _run_to(self, last_step: int) -> tuple[Floats, Floats, Floats]:
        state, kind, rates = self.state, self.kind, self._rates
        temperature = [state.last_temperature_c, state.temperature_c]
        humidity = [state.last_rh_percent, state.rh_percent]
        outer = [state.last_outer_mc_percent, state.outer_mc_percent]
        while state.step < last_step:
            advance(kind, rates, state, self._minute(state.step))
            temperature.append(state.temperature_c)
            humidity.append(state.rh_percent)
            outer.append(state.outer_mc_percent)
        return np.array(temperature), np.array(humidity), np.array(outer)

    def _minute(self, step: int) -> Minute:
        day, minute = divmod(step, STEPS_PER_DAY)
        if self._day[0] != day:
            self._day = (day, minutes_of_day(self.kind, self._seed, self._weather_seed, self._troubles, day))
        return self._day[1][minute]


@dataclass(frozen=True, slots=True)
class _Rates:
    """A kind's figures in SI units, worked out once."""

    holding_kg: float  # of dry air that would hold as much vapour as air and lining do
    air_j_k: float
    fabric_j_k: float
    leak_kg_s: float
    window_kg_s: float
    wet_kg_s: float
    surface_kg_s: float
    outer_kg: float
    core_kg: float
    wood_kg_s: float  # per % of moisture content between the outer part and the air's EMC
    core_kg_s: float  # per % between core and outer part

    @staticmethod
    def of(kind: RoomKind) -> _Rates:
        air_kg = kind.volume_m3 * AIR_KG_M3
        outer_kg = kind.wood.mass_kg * kind.wood.outer_share
        core_kg = kind.wood.mass_kg - outer_kg
        return _Rates(
            holding_kg=air_kg * kind.lining,
            air_j_k=air_kg * AIR_J_KG_K * FURNITURE,
            fabric_j_k=kind.fabric_mj_k * 1e6,
            leak_kg_s=air_kg * kind.air_changes_h / 3600.0,
            window_kg_s=air_kg * kind.window_changes_h / 3600.0,
            # g/h per g/kg of difference is kg/h per kg/kg.
            wet_kg_s=kind.wet_g_h / 3600.0,
            surface_kg_s=kind.surface_g_h / 3600.0,
            outer_kg=outer_kg,
            core_kg=core_kg,
            wood_kg_s=outer_kg / 100.0 / (kind.wood.outer_hours * 3600.0),
            core_kg_s=core_kg / 100.0 / (kind.wood.core_hours * 3600.0),
        )


def water_kg(kind: RoomKind, state: RoomState) -> float:
    """Give all the water in the room (kg): air, wood, condensate and fabric."""
    rates = _Rates.of(kind)
    in_wood = rates.outer_kg * state.outer_mc_percent / 100.0 + rates.core_kg * state.core_mc_percent / 100.0
    return rates.holding_kg * state.humidity_ratio + in_wood + state.condensate_kg + state.wet_kg


def heat_j(kind: RoomKind, state: RoomState) -> float:
    """Give the heat stored in air and fabric (J), counted from 0 °C."""
    rates = _Rates.of(kind)
    return rates.air_j_k * state.temperature_c + rates.fabric_j_k * state.fabric_c


def advance(kind: RoomKind, rates: _Rates, state: RoomState, minute: Minute) -> None:
    """Move the state on by one step of 60 s under what acts on the room meanwhile."""
    state.last_temperature_c = state.temperature_c
    state.last_rh_percent = state.rh_percent
    state.last_outer_mc_percent = state.outer_mc_percent
    fresh_kg_s = rates.leak_kg_s + (rates.window_kg_s if minute.window else 0.0)
    machine_w = _move_water(kind, rates, state, minute, fresh_kg_s)
    saturated = saturation_ratio(state.temperature_c)
    if state.humidity_ratio > saturated:  # fog settles at once
        fog_kg = (state.humidity_ratio - saturated) * rates.holding_kg
        state.condensate_kg += fog_kg
        state.latent_w += fog_kg * EVAPORATION_J_KG / STEP_S
        state.humidity_ratio = saturated
    _move_heat(kind, rates, state, minute, fresh_kg_s, machine_w)
    state.rh_percent = humidity_percent(state.temperature_c, state.humidity_ratio)
    state.step += 1


def _move_heat(
    kind: RoomKind, rates: _Rates, state: RoomState, minute: Minute, fresh_kg_s: float, machine_w: float
) -> None:
    heat_w = machine_w + state.latent_w
    if kind.heating is not None:
        short_k = minute.set_c - state.temperature_c
        heat_w += kind.heating.power_w * min(max(short_k / 1.5, 0.0), 1.0)
    if kind.people is not None:
        heat_w += minute.people * kind.people.heat_w
    sun_w = 0.5 * minute.sun_w_m2 * kind.sun_m2  # half is caught by what stands in the air, half by the fabric
    out_w_k = kind.loss_w_k + fresh_kg_s * AIR_J_KG_K
    a = rates.air_j_k / STEP_S + out_w_k + kind.coupling_w_k
    d = rates.fabric_j_k / STEP_S + kind.coupling_w_k + kind.fabric_loss_w_k
    p = rates.air_j_k / STEP_S * state.temperature_c + out_w_k * minute.outdoor_c + heat_w + sun_w
    q = rates.fabric_j_k / STEP_S * state.fabric_c + kind.fabric_loss_w_k * minute.outdoor_c + sun_w
    determinant = a * d - kind.coupling_w_k**2
    state.temperature_c = (p * d + q * kind.coupling_w_k) / determinant
    state.fabric_c = (q * a + p * kind.coupling_w_k) / determinant
    lost_w = out_w_k * (state.temperature_c - minute.outdoor_c)
    lost_w += kind.fabric_loss_w_k * (state.fabric_c - minute.outdoor_c)
    state.books.heat_added_j += (heat_w + 2.0 * sun_w) * STEP_S
    state.books.heat_lost_j += lost_w * STEP_S


def _move_water(kind: RoomKind, rates: _Rates, state: RoomState, minute: Minute, fresh_kg_s: float) -> float:
    """Move the water and give the power of the machines that do (W); leaves the heat of evaporation in the state."""
    ratio = state.humidity_ratio
    emc, slope = emc_and_slope(state.temperature_c, state.rh_percent)
    slope *= state.rh_percent / ratio  # from "per % of RH" to "per kg/kg"
    added_kg_s = _added_kg_s(kind, state, minute)
    dried, machine_w = _drier_kg_s(kind.drier, state, minute.tripped)
    saturated = saturation_ratio(state.fabric_c)
    wet_g, wall_g, wall_kg_s = _wall_flows(rates, state, kind.wet_until_kg, saturated - ratio)
    # One unknown, the humidity ratio after the step; every flow is linear in it.
    storing = rates.holding_kg / STEP_S
    wood_g = rates.wood_kg_s * slope
    total = storing + fresh_kg_s + dried + wet_g + wall_g + wood_g
    known = (storing + wood_g) * ratio + fresh_kg_s * minute.outdoor_ratio + added_kg_s
    known += (wet_g + wall_g) * saturated + wall_kg_s + rates.wood_kg_s * (state.outer_mc_percent - emc)
    after = known / total
    from_wet = wet_g * (saturated - after)
    from_walls = wall_g * (saturated - after) + wall_kg_s
    from_wood = rates.wood_kg_s * (state.outer_mc_percent - emc - slope * (after - ratio))
    from_core = rates.core_kg_s * (state.core_mc_percent - state.outer_mc_percent)
    removed = dried * after
    state.humidity_ratio = after
    state.wet_kg += (minute.wet_kg_s - from_wet) * STEP_S
    state.condensate_kg -= from_walls * STEP_S
    state.outer_mc_percent += (from_core - from_wood) * STEP_S * 100.0 / rates.outer_kg
    state.core_mc_percent -= from_core * STEP_S * 100.0 / rates.core_kg
    state.latent_w = (removed - from_wet - from_walls - from_wood) * EVAPORATION_J_KG
    books = state.books
    books.water_ventilated_kg += fresh_kg_s * (minute.outdoor_ratio - after) * STEP_S
    books.water_added_kg += (added_kg_s + minute.wet_kg_s) * STEP_S
    books.water_removed_kg += removed * STEP_S
    return machine_w


def _added_kg_s(kind: RoomKind, state: RoomState, minute: Minute) -> float:
    added_g_h = 0.0
    if kind.people is not None:
        added_g_h += minute.people * kind.people.moisture_g_h
    if kind.damper is not None:
        short = (kind.damper.set_rh_percent - state.rh_percent) / 5.0
        added_g_h += kind.damper.gives_g_h * min(max(short, 0.0), 1.0)
    return added_g_h / 3.6e6


def _drier_kg_s(drier: Drier | None, state: RoomState, tripped: bool) -> tuple[float, float]:
    """Give what the dehumidifier takes out, as kg/s per kg/kg of humidity ratio, and its power (W)."""
    if drier is None or tripped:
        state.drying = False
        return 0.0, 0.0
    band = -drier.band_percent if state.drying else drier.band_percent
    state.drying = state.rh_percent > drier.set_rh_percent + band
    if not state.drying:
        return 0.0, 0.0
    warmth = min(max((state.temperature_c - 2.0) / 18.0, 0.0), 1.3)
    kg_s = drier.removes_g_h / 3.6e6 * warmth * state.rh_percent / 60.0
    return kg_s / state.humidity_ratio, drier.power_w


def _wall_flows(rates: _Rates, state: RoomState, wet_until_kg: float, short: float) -> tuple[float, float, float]:
    """Give the conductances of wet fabric and of cold walls (kg/s per kg/kg), and a fixed flow off the walls (kg/s).

    short: what the air's humidity ratio lacks of saturation at the fabric's temperature (kg/kg).
    """
    wet_g = rates.wet_kg_s * min(state.wet_kg / wet_until_kg, 1.0) if short > 0.0 else 0.0
    if short < 0.0:
        return wet_g, rates.surface_kg_s, 0.0
    return wet_g, 0.0, min(rates.surface_kg_s * short, state.condensate_kg / STEP_S)


def _at_rest(kind: RoomKind, step: int, minute: Minute) -> RoomState:
    """Give a room that has stood for a while: heated if it can be, its air and wood at ease with each other."""
    temperature_c = max(minute.outdoor_c, kind.heating.night_c) if kind.heating else minute.outdoor_c
    settled = wood.rh_for_emc_percent(temperature_c, kind.wood.mc_percent)
    ratio = saturation_ratio(temperature_c) * settled / 100.0
    rh_percent = humidity_percent(temperature_c, ratio)
    return RoomState(
        step=step,
        temperature_c=temperature_c,
        fabric_c=temperature_c,
        humidity_ratio=ratio,
        outer_mc_percent=kind.wood.mc_percent,
        core_mc_percent=kind.wood.mc_percent,
        condensate_kg=0.0,
        wet_kg=kind.wet_kg,
        rh_percent=rh_percent,
        last_temperature_c=temperature_c,
        last_rh_percent=rh_percent,
        last_outer_mc_percent=kind.wood.mc_percent,
    )


def snapshot(state: RoomState) -> dict[str, Any]:
    """Give the state as plain JSON-able values; `restored` gives it back exactly."""
    return dataclasses.asdict(state)


def restored(values: dict[str, Any]) -> RoomState:
    """Give back the state that `snapshot` wrote.  Raises ValueError where that is not what the values are."""
    try:
        books = Books(**values["books"])
        return RoomState(**{**values, "books": books})
    except (KeyError, TypeError) as problem:
        raise ValueError(f"not the state of a simulated room ({problem})") from problem
