"""The JSON interface for reading: what it answers, and what it says to a wrong question."""

from __future__ import annotations

import math

import pytest


def test_rooms_stand_with_window_and_sensors(client, bench):
    """Every room is listed with its standing, window and sensors; a room without a window says null."""
    answer = client.get("/api/v1/rooms").json()
    assert [room["id"] for room in answer["rooms"]] == ["loft", "hall", "cellar"]
    assert answer["time_zone"] == "Europe/Berlin"
    assert answer["now"] == "2026-01-08T12:20:00Z"
    loft, _, cellar = answer["rooms"]
    assert loft["standing"]["state"] == "in_range"
    assert loft["window"]["bounds"]["emc_percent"] == {"low": 6.5, "high": 9.5}
    assert [sensor["place"] for sensor in loft["sensors"]] == ["air", "wood"]
    assert loft["sensors"][0]["heard_ms"] == bench.now_ms
    assert cellar["window"] is None
    assert cellar["standing"]["state"] == "unknown"


def test_latest_gives_measured_and_derived_figures_with_their_age(client, services, bench):
    """The newest figures of every sensor come with unit and age; dew point and EMC belong to them."""
    services.clock.step_wall(90_000)
    answer = client.get("/api/v1/rooms/loft/latest").json()
    by_name = {figure["quantity"]: figure for figure in answer["figures"]}
    assert by_name["temperature_c"] == {
        "sensor": "loft-air",
        "quantity": "temperature_c",
        "value": 20.0,
        "unit": "°C",
        "derived": False,
        "at_ms": bench.now_ms,
        "at": "2026-01-08T12:20:00Z",
        "age_s": 90.0,
    }
    # Dew point of 20 °C, 45 % RH: 7.7 °C (ASHRAE Fundamentals 2017, psychrometric equations; chart reading).
    assert by_name["dew_point_c"]["value"] == pytest.approx(7.7, abs=0.1)
    assert by_name["dew_point_c"]["derived"] is True
    # EMC at 21.1 °C (70 °F) and 45 % RH is 8.5 % (Wood Handbook FPL-GTR-282, table 4-2).
    assert by_name["emc_percent"]["value"] == pytest.approx(8.5, abs=0.15)
    assert by_name["wood_mc_percent"]["sensor"] == "loft-wood"


def test_series_agrees_with_what_was_stored(client):
    """Buckets count, bound and average exactly the readings that lie in them."""
    answer = client.get("/api/v1/rooms/hall/series", params={"quantity": "rh_percent", "points": 25}).json()
    assert answer["to_ms"] - answer["from_ms"] == 86_400_000
    (series,) = answer["series"]
    assert series["sensor"] == "hall-air"
    assert sum(series["count"]) == 288  # one every five minutes; the one at `to` itself is not in [from, to)
    assert len(answer["edges_ms"]) == len(series["count"]) + 1
    for low, mean, high in zip(series["min"], series["mean"], series["max"], strict=True):
        assert low <= mean <= high
    step_values = [42.0 + 3 * math.sin(step / 46) for step in range(288, 0, -1)]
    assert min(series["min"]) == pytest.approx(min(step_values))
    assert max(series["max"]) == pytest.approx(max(step_values))


def test_a_gap_is_null_and_its_coverage_is_zero(client, bench):
    """Where there are no readings the figures are null, the count 0, and the coverage 0: nothing is made up."""
    hour_ms = 60 * bench.minute_ms
    params = {"quantity": "emc_percent", "from": bench.now_ms - 61 * hour_ms, "to": bench.now_ms - 59 * hour_ms}
    (series,) = client.get("/api/v1/rooms/loft/series", params={**params, "points": 13}).json()["series"]
    middle = len(series["count"]) // 2
    assert series["count"][middle] == 0
    assert series["coverage"][middle] == 0
    assert series["min"][middle] is series["mean"][middle] is series["max"][middle] is None


def test_series_takes_iso_and_epoch_and_one_sensor(client, bench):
    """The same stretch asked for in three ways is the same stretch; a plus sign eaten by the address is put back."""
    first_ms = bench.now_ms - 86_400_000
    asked = [
        {"from": first_ms, "to": bench.now_ms},
        {"from": "2026-01-07T12:20:00Z", "to": "2026-01-08T12:20:00Z"},
        {"from": "2026-01-07T13:20", "to": "2026-01-08T13:20:00 01:00"},
    ]
    answers = []
    for stretch in asked:
        params = {"quantity": "temperature_c", "sensor": "loft-air", **stretch}
        answers.append(client.get("/api/v1/rooms/loft/series", params=params).json())
    assert answers[0] == answers[1] == answers[2]
    assert answers[0]["from_ms"] == first_ms
    assert len(answers[0]["series"]) == 1


def test_a_quantity_that_no_sensor_tells_is_an_empty_list(client):
    """Asking for a known quantity that nobody tells is no mistake: there is just nothing."""
    answer = client.get("/api/v1/rooms/cellar/series", params={"quantity": "temperature_c"})
    assert answer.status_code == 200
    assert answer.json()["series"] == []


@pytest.mark.parametrize(
    ("path", "status", "where", "says"),
    [
        ("/api/v1/rooms/attic/latest", 404, "room", "The rooms are: loft, hall, cellar."),
        ("/api/v1/rooms/attic/series?quantity=rh_percent", 404, "room", "There is no room 'attic'"),
        ("/api/v1/rooms/loft/series", 400, "query.quantity", "quantity is missing"),
        ("/api/v1/rooms/loft/series?quantity=rh_procent", 400, "quantity", "Did you mean rh_percent?"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&sensor=hall-air", 404, "sensor", "loft-air, loft-wood"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&from=yesterday", 400, "from", "is not an instant"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&to=99999999999999", 400, "to", "outside the years"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&from=2026-02-01", 400, "from, to", "ends before it begins"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&points=0", 400, "points", "1 to 5000"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&points=90000", 400, "points", "1 to 5000"),
        ("/api/v1/rooms/loft/series?quantity=rh_percent&points=many", 400, "query.points", "'many'"),
        ("/api/v1/incidents?room=attic", 404, "room", "The rooms are"),
        ("/api/v1/incidents?limit=0", 400, "query.limit", "greater than or equal to 1"),
        ("/api/v1/nothing", 404, "/api/v1/nothing", "/api/openapi.json"),
    ],
)
def test_a_wrong_question_is_told_what_and_how_to_mend_it(client, path, status, where, says):
    """Every mistake is a problem document (RFC 9457) that names the parameter and the remedy."""
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert problem["where"] == where
    assert says in f"{problem['detail']} {problem['mend']}"


def test_a_method_that_is_not_taken_is_told_which_is(client):
    """A POST to a place that only tells says so and names GET."""
    answer = client.post("/api/v1/rooms")
    assert answer.status_code == 405
    assert answer.json()["mend"] == "Use GET."


def test_incidents_are_paged_and_filtered(client, services, bench):
    """Incidents come newest first; `after` leads on; open=true keeps those that are going on."""
    bench.put(services, *(bench.incident(number, is_open=number == 2) for number in (9, 5, 2)))
    first = client.get("/api/v1/incidents", params={"limit": 2}).json()
    assert [one["id"] for one in first["incidents"]] == ["i2", "i5"]
    rest = client.get("/api/v1/incidents", params={"limit": 2, "after": first["next_after"]}).json()
    assert [one["id"] for one in rest["incidents"]] == ["i9"]
    assert rest["next_after"] is None
    still = client.get("/api/v1/incidents", params={"open": "true"}).json()["incidents"]
    assert [(one["id"], one["closed"]) for one in still] == [("i2", None)]
    assert client.get("/api/v1/incidents", params={"room": "loft"}).json()["incidents"] == []


def test_health_is_503_only_when_the_daemon_cannot_do_its_job(client, services):
    """An unplugged sensor is told with 200, so that nobody restarts the daemon over it; a failing daemon is a 503."""
    assert client.get("/health").status_code == 200
    services.troubles.append("serial: the device is gone")
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["status"]) == (200, "trouble")
    assert answer.json()["troubles"] == ["serial: the device is gone"]
    services.failing = True
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["status"]) == (503, "failing")


def test_a_sensor_may_be_wherever_a_sensor_can_be(services, client) -> None:
    """Of each place that a sensor can have, the outlet of a dehumidifier too, the rooms say it by its name."""
    from dataclasses import replace

    from ingest.site.places import Place, Sensor

    site = services.site()
    room = site.rooms[0].id
    more = tuple(Sensor(f"probe-{place.value}", room, place) for place in Place)
    services.held_site = replace(site, sensors=(*site.sensors, *more))
    rooms = client.get("/api/v1/rooms").json()["rooms"]
    told = {sensor["id"]: sensor["place"] for one in rooms for sensor in one["sensors"]}
    assert {place.value for place in Place} == {told[f"probe-{place.value}"] for place in Place}
