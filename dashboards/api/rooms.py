"""The JSON interface: rooms, their newest figures, their history, incidents, and the daemon's health."""

from __future__ import annotations

import asyncio
import difflib
import math
from concurrent.futures import ThreadPoolExecutor
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import JSONResponse

from adapters.contract import QUANTITIES
from dashboards.api import incidents as api_incidents
from dashboards.api import readings_in
from dashboards.api import site as api_site
from dashboards.api.models import (
    BoundsAnswer,
    FigureAnswer,
    HealthAnswer,
    LatestAnswer,
    RoomAnswer,
    RoomsAnswer,
    SensorAnswer,
    SensorSeries,
    SeriesAnswer,
    StandingAnswer,
    WindowAnswer,
)
from dashboards.api.openapi import PROBLEMS
from dashboards.api.series_query import USUAL_POINTS, edges_ms, iso, stretch
from dashboards.services import RoomStanding, Services
from dashboards.shell.known import known_room
from dashboards.shell.problems import AnswerError
from ingest.physics.derived import DERIVED
from ingest.present.digits import unit
from ingest.present.words import zone
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import Buckets, Floats, SeriesKey
from ingest.store.api import newest_until


def router(services: Services) -> APIRouter:
    """Give the routes of the JSON interface."""
    made = APIRouter(responses=PROBLEMS)
    _add_rooms(made, services)
    _add_series(made, services)
    api_incidents.add(made, services)
    api_site.add(made)
    _add_health(made, services)
    readings_in.add(made, services)
    return made


def _add_rooms(made: APIRouter, services: Services) -> None:
    @made.get("/api/v1/rooms", tags=["rooms"], summary="The rooms and how they stand")
    def rooms() -> RoomsAnswer:
        site, now_ms, heard = services.site(), services.clock.now_ms(), services.read.heard()
        answers = [_room(services, site, room, heard.get) for room in site.rooms]
        return RoomsAnswer(site=site.name, time_zone=site.time_zone, now_ms=now_ms, now=iso(now_ms), rooms=answers)

    @made.get("/api/v1/rooms/{room}/latest", tags=["rooms"], summary="A room's newest figures")
    def latest(room: str) -> LatestAnswer:
        site, now_ms = services.site(), services.clock.now_ms()
        found = known_room(site, room)
        keys = [SeriesKey(sensor.id, name) for sensor in site.sensors_of(found.id) for name in (*QUANTITIES, *DERIVED)]
        samples = newest_until(services.read, keys, now_ms)
        figures = [
            FigureAnswer(
                sensor=key.sensor,
                quantity=key.quantity,
                value=samples[key].value,
                unit=unit(key.quantity),
                derived=key.quantity in DERIVED,
                at_ms=samples[key].at_ms,
                at=iso(samples[key].at_ms),
                age_s=(now_ms - samples[key].at_ms) / 1000,
            )
            for key in keys
            if key in samples and math.isfinite(samples[key].value)
        ]
        standing = _standing(services.standing(found.id))
        return LatestAnswer(room=found.id, now_ms=now_ms, now=iso(now_ms), standing=standing, figures=figures)


def _add_series(made: APIRouter, services: Services) -> None:
    @made.get("/api/v1/rooms/{room}/series", tags=["rooms"], summary="A quantity over time, in buckets")
    def series(
        room: str,
        quantity: Annotated[str, Query(description=f"one of {', '.join((*QUANTITIES, *DERIVED))}")],
        from_: Annotated[
            str | None, Query(alias="from", description="ISO 8601 or ms since 1970; 24 h before `to` if left out")
        ] = None,
        to: Annotated[str | None, Query(description="ISO 8601 or ms since 1970; now if left out")] = None,
        points: Annotated[int, Query(description="at most this many buckets, 1 to 5000")] = USUAL_POINTS,
        sensor: Annotated[
            str | None, Query(description="one sensor's id; all that tell the quantity if left out")
        ] = None,
    ) -> SeriesAnswer:
        site = services.site()
        found, name = known_room(site, room), _known_quantity(quantity)
        sensors = [_sensor_of(site, found, sensor)] if sensor is not None else list(site.sensors_of(found.id))
        site_zone = zone(site.time_zone)
        asked = stretch(from_, to, points, now_ms=services.clock.now_ms(), zone=site_zone)
        edges = edges_ms(asked, site_zone)
        telling = sensors if sensor is not None else _that_tell(services, sensors, name)
        return SeriesAnswer(
            room=found.id,
            quantity=name,
            unit=unit(name),
            from_ms=asked.from_ms,
            to_ms=asked.to_ms,
            edges_ms=edges.tolist(),
            series=[_series(one.id, services.read.buckets(SeriesKey(one.id, name), edges)) for one in telling],
        )


def _add_health(made: APIRouter, services: Services) -> None:
    own_thread = ThreadPoolExecutor(1, thread_name_prefix="health")

    @made.get(
        "/health",
        tags=["health"],
        summary="Whether the daemon can do its job, and what is wrong",
        response_model=HealthAnswer,
        responses={
            503: {
                "model": HealthAnswer,
                "description": "It cannot do its job: nothing can be stored, or not in time, or rooms are not judged",
            }
        },
    )
    async def health() -> JSONResponse:
        # In a thread of its own: whoever watches the daemon must not wait behind a crowd of pages.
        found: dict[str, Any] = dict(await asyncio.get_running_loop().run_in_executor(own_thread, services.health))
        return JSONResponse(found, 503 if found["status"] == "failing" else 200)


def _sensor_of(site: Site, room: Room, sensor_id: str) -> Sensor:
    sensor = site.sensor(sensor_id)
    if sensor is None or sensor.room != room.id:
        there = ", ".join(sensor.id for sensor in site.sensors_of(room.id)[:20]) or "none yet"
        what = f"Room {room.id} has no sensor {sensor_id[:60]!r}."
        raise AnswerError(404, what, where="sensor", mend=f"Its sensors are: {there}.")
    return sensor


def _known_quantity(name: str) -> str:
    there = (*QUANTITIES, *DERIVED)
    if name in there:
        return name
    near = difflib.get_close_matches(name, there, n=1)
    meant = f"Did you mean {near[0]}? " if near else ""
    raise AnswerError(
        400, f"{name[:60]!r} is not a quantity.", where="quantity", mend=f"{meant}They are: {', '.join(there)}."
    )


def _that_tell(services: Services, sensors: list[Sensor], quantity: str) -> list[Sensor]:
    told = services.read.latest([SeriesKey(sensor.id, quantity) for sensor in sensors])
    return [sensor for sensor in sensors if SeriesKey(sensor.id, quantity) in told]


def _series(sensor: str, buckets: Buckets) -> SensorSeries:
    return SensorSeries(
        sensor=sensor,
        count=buckets.count.tolist(),
        min=_nullable(buckets.minimum),
        mean=_nullable(buckets.mean),
        max=_nullable(buckets.maximum),
        coverage=buckets.coverage.tolist(),
    )


def _nullable(values: Floats) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in values.tolist()]


def _standing(standing: RoomStanding) -> StandingAnswer:
    return StandingAnswer(
        state=standing.state.value,
        reason=standing.reason,
        since_ms=standing.since_ms,
        since=_iso_or_none(standing.since_ms),
        silent=list(standing.silent),
    )


def _room(services: Services, site: Site, room: Room, heard: Any) -> RoomAnswer:
    window = room.window
    return RoomAnswer(
        id=room.id,
        title=room.title,
        holds=room.holds,
        standing=_standing(services.standing(room.id)),
        window=None
        if window is None
        else WindowAnswer(
            bounds={name: BoundsAnswer(low=one.low, high=one.high) for name, one in window.bounds().items()},
            dwell_s=window.dwell_s,
            return_dwell_s=window.return_dwell_s,
        ),
        sensors=[_sensor(sensor, heard(sensor.id)) for sensor in site.sensors_of(room.id)],
    )


def _sensor(sensor: Sensor, heard_ms: int | None) -> SensorAnswer:
    return SensorAnswer(
        id=sensor.id,
        title=sensor.title,
        place=sensor.place,
        offline_after_s=sensor.offline_after_s,
        heard_ms=heard_ms,
        heard=_iso_or_none(heard_ms),
    )


def _iso_or_none(at_ms: int | None) -> str | None:
    return None if at_ms is None else iso(at_ms)
