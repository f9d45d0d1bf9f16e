"""What a room's section says of the wood in it: the boards, the conditions in service, and the EMC that follows.

A room that says what it will be like in service need give no EMC: the windows that hold before then (the room's own and
those of every phase but the last; of a room without phases, its window) get the target that follows ± the tolerance,
where they have no EMC of their own.
"""

from __future__ import annotations

from dataclasses import replace

from ingest.settings.findings import Findings, Steps
from ingest.settings.forms import BoardsForm, InServiceForm, RoomForm, SiteForm, StationForm
from ingest.site.boards import Boards
from ingest.site.bounds import Bounds
from ingest.site.in_service import InService
from ingest.site.places import AcclimationWindow, Phase, Place, Room, Sensor, Site
from ingest.site.rules import Rules, StationRules
from ingest.units import metres_from_feet


def in_service_of(findings: Findings, at: Steps, form: InServiceForm | None) -> InService | None:
    """Give the conditions in service, noting what is wrong with them."""
    if form is None:
        return None
    temperature = form.temperature_c or form.temperature_f
    if temperature is None or (form.temperature_c is not None and form.temperature_f is not None):
        findings.wrong(at, "the temperature must be given once", "Give temperature_c = [18, 24], or temperature_f.")
        return None
    try:
        return InService(temperature, form.rh_percent, form.tolerance_percent)
    except ValueError:
        findings.wrong(at, "the season's range needs both ends", "Write [low, high].")
        return None


def boards_of(form: BoardsForm | None) -> Boards | None:
    """Give the boards."""
    return None if form is None else Boards(**form.model_dump())


def with_target(
    window: AcclimationWindow | None, phases: tuple[Phase, ...], in_service: InService | None
) -> tuple[AcclimationWindow | None, tuple[Phase, ...]]:
    """Give a room's windows with the EMC that follows from the conditions in service, before those hold."""
    if in_service is None:
        return window, phases
    bounds = in_service.emc_bounds()
    if not phases:
        return _bound(window or AcclimationWindow(), bounds), phases
    last = max(phase.first_day for phase in phases)
    before = tuple(
        phase if phase.first_day == last else Phase(phase.name, phase.first_day, _bound(phase.window, bounds))
        for phase in phases
    )
    return (None if window is None else _bound(window, bounds)), before


def _bound(window: AcclimationWindow, bounds: Bounds) -> AcclimationWindow:
    return window if window.emc_percent is not None else replace(window, emc_percent=bounds)


def room_of(
    form: RoomForm, window: AcclimationWindow | None, phases: tuple[Phase, ...], wood: InService | None
) -> Room:
    """Make a room of what was read of it."""
    window, phases = with_target(window, phases, wood)
    return Room(
        form.id,
        form.title or form.id,
        window,
        form.holds,
        phases,
        Rules(**form.rules.model_dump()),
        boards_of(form.boards),
        wood,
    )


def sensors_of(form: RoomForm) -> list[Sensor]:
    """Make a room's sensors."""
    return [
        Sensor(
            sensor.id,
            form.id,
            Place(sensor.place),
            sensor.title,
            sensor.offline_after_minutes * 60,
            sensor.accuracy_rh_percent,
            sensor.accuracy_temperature_c,
            sensor.checked_on,
            sensor.check_every_days,
        )
        for sensor in form.sensor
    ]


def site_of(form: SiteForm, station: StationForm, rooms: list[Room], sensors: list[Sensor]) -> Site:
    """Make the job of all that was read of it."""
    elevation_m = form.elevation_m if form.elevation_ft is None else metres_from_feet(form.elevation_ft)
    return Site(
        name=form.name,
        time_zone=form.time_zone,
        elevation_m=elevation_m or 0.0,
        rooms=tuple(rooms),
        sensors=tuple(sensors),
        rules=StationRules(**station.model_dump()),
    )
