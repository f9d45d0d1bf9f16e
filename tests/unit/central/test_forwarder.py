"""The forwarder against a real VictoriaMetrics, and against a front before it that fails in every way there is."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ingest.central.dialects import InfluxEngine, MetricsEngine
from ingest.central.engine import EngineAddress, Wanted
from ingest.central.forwarder import Forwarder
from ingest.central.progress import Backlog, ForwarderSettings
from ingest.central.series import merged
from ingest.physics.air import dew_point_c
from ingest.physics.wood import emc_percent


def at_engine(server: Any, bench: Any, quantity: str, **tags: str) -> dict[int, float]:
    """Give what the engine holds of a quantity of a site: instant after the start -> value."""
    server.flush()
    wanted = Wanted("lumberroom", (quantity,), {"site": bench.site_id, **tags})
    found: dict[int, float] = {}
    for one in MetricsEngine(EngineAddress(server.url)).samples(wanted, 0, 2**42):
        found |= {at - bench.start_ms: value for at, value in zip(one.at_ms.tolist(), one.value.tolist(), strict=True)}
    return found


async def test_every_reading_arrives_with_its_derived_fields_and_the_position_follows(metrics, bench) -> None:
    """Measured and derived fields under site, room and sensor; the durable position follows; nothing is kept twice."""
    bench.minutes(250)
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    assert core.lag().behind == 0
    temperature = at_engine(metrics, bench, "temperature_c", room="oak-store", sensor="oak-1")
    assert temperature == {at * 60_000: 20 + at % 7 / 10 for at in range(250)}
    emc = at_engine(metrics, bench, "emc_percent")
    assert len(emc) == 250
    assert emc[60_000] == pytest.approx(float(emc_percent(20.1, 45.1)), rel=1e-5)
    assert metrics.count("lumberroom_temperature_c", bench.site_id) == 250
    bench.minutes(3, first=250)
    await bench.forward(core, metrics.flush)
    newest = bench.store.read.newest_change()
    assert newest > 0
    assert bench.store.read.forwarding("central")["oldest"] == newest
    assert len(bench.store.read.changes(newest, 10).at_ms) == 0


async def test_what_was_stored_before_the_engine_was_wired_is_forwarded_too(metrics, bench) -> None:
    """A store that was filled for months before somebody wires an engine gives its whole past, amendments included."""
    bench.minutes(30)
    bench.put(("oak-1", "temperature_c", 60_000, 25.5))
    await bench.forward(bench.core(metrics.url), metrics.flush)
    assert len(at_engine(metrics, bench, "rh_percent")) == 30
    assert at_engine(metrics, bench, "temperature_c", revision="1") == {60_000: 25.5}


async def test_where_the_notes_are_gone_everything_is_gone_through_anew(metrics, bench) -> None:
    """Changes were let go of that were not forwarded yet: the readings themselves are all still there, and go out."""
    core = bench.core("http://127.0.0.1:9")
    core.step()
    bench.minutes(12)
    with bench.store.transaction() as work:
        work.follow_changes("central", through=bench.store.read.newest_change() - 3)
    await bench.forward(bench.core(metrics.url), metrics.flush)
    assert len(at_engine(metrics, bench, "temperature_c")) == 12
    assert len(at_engine(metrics, bench, "rh_percent")) == 12


async def test_late_and_amended_readings_follow(metrics, bench) -> None:
    """A reading days late lands in its place; an amended one goes out as its next revision, and what it derives too."""
    bench.minutes(5, first=100)
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    bench.put(("oak-1", "temperature_c", 60_000, 18.0), ("oak-1", "rh_percent", 60_000, 60.0))
    bench.put(("oak-1", "rh_percent", 100 * 60_000, 70.0))
    await bench.forward(core, metrics.flush)
    assert at_engine(metrics, bench, "temperature_c")[60_000] == 18.0
    assert at_engine(metrics, bench, "rh_percent", revision="1") == {100 * 60_000: 70.0}
    amended = at_engine(metrics, bench, "emc_percent", revision="1")
    assert amended == {100 * 60_000: pytest.approx(float(emc_percent(20.2, 70.0)), rel=1e-5)}


async def test_of_several_derived_copies_the_newest_has_the_highest_revision(metrics, bench) -> None:
    """Temperature and humidity amended in turns, down and up again: whoever takes the highest revision is right."""
    bench.minutes(3)
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    temperature, humidity = 20.1, 45.1
    for round_number, (quantity, value) in enumerate(
        [("rh_percent", 80.0), ("temperature_c", 12.0), ("temperature_c", 28.0), ("rh_percent", 30.0),
         ("temperature_c", 16.0)],
        1,
    ):  # fmt: skip
        temperature, humidity = (value, humidity) if quantity == "temperature_c" else (temperature, value)
        bench.put(("oak-1", quantity, 60_000, value))
        await bench.forward(core, metrics.flush)
        copies = at_engine(metrics, bench, "emc_percent", revision=str(round_number))
        assert copies[60_000] == pytest.approx(float(emc_percent(temperature, humidity)), rel=1e-5), round_number
        assert at_engine(metrics, bench, "emc_percent", revision=str(round_number + 1)) == {}
    assert sorted(at_engine(metrics, bench, "emc_percent")) == [0, 60_000, 120_000]


async def test_a_late_temperature_sends_again_what_is_derived_from_it(metrics, bench) -> None:
    """Humidity came first, with no temperature near: once that comes, the derived fields of its instant follow."""
    bench.put(("oak-1", "rh_percent", 60_000, 50.0))
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    assert at_engine(metrics, bench, "emc_percent") == {}
    bench.put(("oak-1", "temperature_c", 90_000, 20.0))
    await bench.forward(core, metrics.flush)
    assert at_engine(metrics, bench, "emc_percent") == {60_000: pytest.approx(float(emc_percent(20.0, 50.0)), rel=1e-5)}


def shown(server: Any, bench: Any, quantity: str) -> dict[int, float]:
    """Give what a reader takes of a quantity, the highest revision of each: instant after the start -> value."""
    server.flush()
    wanted = Wanted("lumberroom", (quantity,), {"site": bench.site_id})
    series = merged(MetricsEngine(EngineAddress(server.url)).samples(wanted, 0, 2**42))
    return {at - bench.start_ms: value for at, value in zip(series.at_ms.tolist(), series.value.tolist(), strict=True)}


@pytest.mark.parametrize("steps", [(15.0, 25.0, 12.0, 28.0), (25.0, 15.0, 28.0, 12.0)], ids=["up", "down"])
async def test_a_derived_copy_that_a_late_reading_overtook_is_replaced(metrics, bench, steps) -> None:
    """Humidity paired with an old temperature, then a nearer one comes late, then it is amended: a reader of the engine
    sees each time what the store says, whether the figure rose or fell; the next start has nothing to add.
    """
    bench.put(("oak-1", "temperature_c", 0, 20.0), ("oak-1", "rh_percent", 300_000, 50.0))
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    assert shown(metrics, bench, "dew_point_c")[300_000] == pytest.approx(float(dew_point_c(20.0, 50.0)), rel=1e-5)
    for minute, temperature in enumerate(steps, 1):  # each nearer to the humidity than the one before
        bench.put(("oak-1", "temperature_c", minute * 60_000, temperature))
        await bench.forward(core, metrics.flush)
        expected = pytest.approx(float(dew_point_c(temperature, 50.0)), rel=1e-5)
        assert shown(metrics, bench, "dew_point_c") == {300_000: expected}, temperature
    bench.put(("oak-1", "temperature_c", len(steps) * 60_000, 18.0))
    await bench.forward(core, metrics.flush)
    expected = pytest.approx(float(dew_point_c(18.0, 50.0)), rel=1e-5)
    assert shown(metrics, bench, "dew_point_c") == {300_000: expected}
    held = metrics.count("lumberroom_dew_point_c", bench.site_id)
    with bench.store.transaction() as work:
        work.save_forwarding("central", {**bench.store.read.forwarding("central"), "oldest": 0})
    await bench.forward(bench.core(metrics.url), metrics.flush)
    assert shown(metrics, bench, "dew_point_c") == {300_000: expected}
    assert metrics.count("lumberroom_dew_point_c", bench.site_id) == held


async def test_derived_fields_can_be_left_out(metrics, bench) -> None:
    """Where nobody else reads the engine, only what was measured goes out."""
    bench.minutes(5)
    await bench.forward(bench.core(metrics.url, derived=False), metrics.flush)
    assert len(at_engine(metrics, bench, "temperature_c")) == 5
    assert at_engine(metrics, bench, "emc_percent") == {}


async def test_delivered_twice_is_there_once(metrics, front, bench) -> None:
    """The engine took a batch and its answer was lost on the way: it is sent again and counted once."""
    bench.minutes(40)
    core = bench.core(front.url)
    front.plan = [None, "deaf", "deaf"]
    await bench.forward(core, metrics.flush)
    assert front.writes >= 4
    assert metrics.count("lumberroom_temperature_c", bench.site_id) == 40
    assert metrics.count("lumberroom_rh_percent", bench.site_id) == 40


async def test_taken_and_not_stored_is_noticed_and_sent_again(metrics, front, bench) -> None:
    """A 2xx is no proof: a batch that the other side dropped in silence is found by reading back, and sent again."""
    bench.minutes(20)
    core = bench.core(front.url, batch=1000)
    front.plan = [None, "lose"]
    await bench.forward(core, metrics.flush, seconds=200)
    assert len(at_engine(metrics, bench, "temperature_c")) == 20
    assert len(at_engine(metrics, bench, "emc_percent")) == 20
    assert core.as_figures()["resent"] == 40
    assert core.lag().behind == 0


async def test_what_is_never_stored_is_set_aside_and_does_not_stop_the_rest(metrics, bench) -> None:
    """A reading three days ahead of the engine's clock is dropped by it with a 204: set aside in the end, with why."""
    bench.minutes(10)
    ahead_ms = 4 * 86_400_000
    bench.put(("oak-1", "temperature_c", ahead_ms, 21.0))
    core = bench.core(metrics.url, lost_s=30.0)
    await bench.forward(core, metrics.flush, seconds=600)
    (aside,) = bench.store.read.set_aside()
    assert (aside.at_ms - bench.start_ms, aside.value) == (ahead_ms, 21.0)
    assert "never stored" in aside.said
    assert core.lag()._asdict() == {"behind": 0, "lag_s": 0.0, "set_aside": 1, "past_left_s": 0.0}
    assert len(at_engine(metrics, bench, "temperature_c")) == 10
    # Tried again at the next start, taken and dropped once more: it stays set aside.
    core = bench.core(metrics.url, lost_s=30.0)
    for _ in range(10):
        core.step()
        metrics.flush()
        await bench.clock.advance(16)
    assert bench.store.read.count_aside() == 1


@pytest.mark.parametrize(
    ("answer", "wait_s", "said"),
    [
        ((503, {"Retry-After": "7"}, b'{"message":"too busy"}'), 7.0, "too busy"),
        ((429, {"Retry-After": "40"}, b"slow down"), 40.0, "slow down"),
        (503, 2.0, "asked again later"),
        (401, 60.0, "Check the token"),
        (403, 60.0, "may not write"),
        (404, 60.0, "no such bucket"),
        ("slow", 2.0, "cannot be reached"),
    ],
)
async def test_an_engine_that_says_not_now_is_asked_again_when_it_should_be(
    metrics, front, bench, answer, wait_s, said
) -> None:
    """Busy, throttled, closed or slow: the wait that it asks for or that fits, a sentence meanwhile, nothing lost."""
    core = bench.core(front.url, timeout_s=0.3)
    core.step()
    bench.minutes(10)
    front.plan = [answer]
    wanted_s = core.step()
    assert wanted_s == pytest.approx(wait_s, abs=0.01)
    assert said in core.trouble
    writes = front.writes
    assert core.step() <= wanted_s
    assert front.writes == writes, "nothing is asked of it before the time is up"
    await bench.clock.advance(wanted_s)
    await bench.forward(core, metrics.flush)
    assert core.trouble == ""
    assert len(at_engine(metrics, bench, "temperature_c")) == 10


async def test_waits_grow_while_it_stays_away_and_start_anew_after(metrics, front, bench) -> None:
    """Each failure doubles the wait up to five minutes; a success forgets them."""
    bench.minutes(3)
    core = bench.core(front.url)
    front.plan = [None] + [500] * 10
    waits = []
    for _ in range(10):
        waits.append(round(core.step()))
        await bench.clock.advance(waits[-1])
    assert waits[:9] == [2, 4, 8, 16, 32, 64, 128, 256, 300]
    await bench.forward(core, metrics.flush)
    front.plan = [500]
    bench.minutes(1, first=3)
    await bench.clock.advance(61)
    assert core.step() == pytest.approx(2.0)


async def test_one_bad_point_is_found_and_set_aside_with_the_servers_words(metrics, front, bench) -> None:
    """A server that refuses a whole batch for one point gets every other; the bad one is kept with what was said."""
    bench.minutes(50)
    bench.put(("hall/1", "battery_percent", 25 * 60_000, 77.25))
    front.spoil = "battery_percent=77.25"
    core = bench.core(front.url)
    await bench.forward(core, metrics.flush)
    (aside,) = bench.store.read.set_aside()
    assert (aside.key.quantity, aside.value, aside.said) == (
        "battery_percent",
        77.25,
        "partial write: field type conflict",
    )
    assert core.refused.startswith("battery_percent of hall/1, 20")
    assert core.refused.endswith("Z: partial write: field type conflict")
    assert len(at_engine(metrics, bench, "temperature_c")) == 50
    assert len(at_engine(metrics, bench, "rh_percent")) == 50
    assert front.writes < 40
    # Somebody mends the server: the next start brings the reading in.
    front.spoil = ""
    again = bench.core(front.url)
    again.step()
    assert bench.store.read.count_aside() == 1, "taken is not stored: it is read back first"
    metrics.flush()
    await bench.clock.advance(16)
    again.step()
    assert bench.store.read.set_aside() == []
    assert again.refused == ""
    assert at_engine(metrics, bench, "battery_percent") == {25 * 60_000: 77.25}


async def test_where_everything_is_refused_nothing_is_set_aside(metrics, front, bench) -> None:
    """A proxy that answers 400 to all must not make a site give up its readings one by one."""
    bench.minutes(8)
    front.plan = [400] * 60
    core = bench.core(front.url)
    core.step()
    assert "refuses everything" in core.trouble
    assert bench.store.read.count_aside() == 0
    front.plan = []
    await bench.clock.advance(61)
    await bench.forward(core, metrics.flush)
    assert len(at_engine(metrics, bench, "temperature_c")) == 8


async def test_after_days_offline_the_tail_does_not_wait_for_the_backlog(metrics, bench) -> None:
    """With a long backlog the newest readings are at the engine after the first rounds, and the past follows whole."""
    core = bench.core("http://127.0.0.1:9")
    core.step()
    for minute in range(150):
        bench.put(("oak-1", "temperature_c", minute * 60_000, minute / 10))
        bench.put(("hall/1", "temperature_c", minute * 60_000, minute / 10))
    # It comes back, after a restart of the daemon.
    core = bench.core(metrics.url, batch=30, backlog=Backlog(behind=100, tail=20))
    for _ in range(2):
        core.step()
    early = at_engine(metrics, bench, "temperature_c", sensor="hall/1")
    assert 149 * 60_000 in early, "the newest reading is there"
    assert 0 in early, "and the oldest"
    assert len(early) < 150, "while the backlog is not through yet"
    bench.put(("hall/1", "temperature_c", 150 * 60_000, 15.0))
    await bench.forward(core, metrics.flush)
    assert len(at_engine(metrics, bench, "temperature_c", sensor="hall/1")) == 151
    assert len(at_engine(metrics, bench, "temperature_c", sensor="oak-1")) == 150
    assert bench.store.read.forwarding("central")["ahead_to"] is None


async def test_a_killed_engine_loses_nothing_of_what_counts_as_delivered(own_metrics, bench) -> None:
    """SIGKILL in the middle: what it had taken and lost is missed by the reading back, and sent again."""
    bench.minutes(300)
    core = bench.core(own_metrics.url, batch=50, timeout_s=5.0)
    for _ in range(6):
        core.step()
    own_metrics.kill()
    await bench.clock.advance(20)
    core.step()
    assert "cannot be" in core.trouble
    own_metrics.start()
    held = own_metrics.count("lumberroom_temperature_c", bench.site_id)
    assert bench.store.read.forwarding("central")["past_from_ms"] is not None or held == 300
    await bench.forward(core, own_metrics.flush, seconds=400)
    assert core.lag().behind == 0
    assert own_metrics.count("lumberroom_temperature_c", bench.site_id) == 300
    assert own_metrics.count("lumberroom_rh_percent", bench.site_id) == 300


async def test_an_engine_with_a_full_disk_is_waited_for(own_metrics, bench) -> None:
    """A real engine that has gone read-only for want of room says 503: its words are shown, and all arrives later."""
    own_metrics.kill()
    own_metrics.options = ["-storage.minFreeDiskSpaceBytes=900000GB"]
    own_metrics.start()
    bench.minutes(30)
    core = bench.core(own_metrics.url, timeout_s=5.0)
    core.step()
    assert "read-only mode" in core.trouble
    own_metrics.kill()
    own_metrics.options = []
    own_metrics.start()
    await bench.clock.advance(5)
    await bench.forward(core, own_metrics.flush)
    assert core.trouble == ""
    assert own_metrics.count("lumberroom_temperature_c", bench.site_id) == 30


async def test_killed_on_our_side_it_goes_on_where_it_was(metrics, bench) -> None:
    """A new forwarder over the same file, at any moment of the old one's work, ends with every reading there once."""
    bench.minutes(120)
    rounds = np.random.default_rng(7).integers(1, 5, 6)
    for steps in rounds:
        core = bench.core(metrics.url, batch=40)
        for _ in range(steps):
            wait_s = core.step()
            metrics.flush()
            await bench.clock.advance(max(wait_s, 4.0))
    core = bench.core(metrics.url, batch=40)
    await bench.forward(core, metrics.flush)
    assert metrics.count("lumberroom_temperature_c", bench.site_id) == 120
    assert metrics.count("lumberroom_rh_percent", bench.site_id) == 120


async def test_lag_says_since_when_the_engine_is_behind(front, bench) -> None:
    """While nothing gets through, the lag grows with the clock from the last moment at which everything was there."""
    core = bench.core(front.url)
    core.step()
    bench.minutes(3)
    front.plan = [500] * 50
    for _ in range(5):
        await bench.clock.advance(core.step())
    lag = core.lag()
    assert lag.behind == bench.store.read.newest_change() > 0
    assert 10 < lag.lag_s <= 70


async def test_without_reading_back_a_2xx_has_to_do(metrics, bench) -> None:
    """Where the token may only write, the position follows the server's word."""
    bench.minutes(5)
    core = bench.core(metrics.url, read_back=False)
    await bench.forward(core, lambda: None, seconds=20)
    assert core.lag().behind == 0
    assert len(at_engine(metrics, bench, "temperature_c")) == 5


async def test_a_login_that_may_write_and_not_read_stops_nothing(influx_with_logins, bench) -> None:
    """Nothing can be read back (a real 403): sending goes on, what the engine took counts in the end, and that is said
    with its mend. Once the login may read, what goes out is read back again.
    """
    server, writer = influx_with_logins
    address = EngineAddress(server.url, bucket="sites", token="yard:ash", kind="influxdb")
    settings = ForwarderSettings(bench.site_id, spread=0.0, derived=False, batch=50, most_unsettled=100)
    core = Forwarder(
        bench.store,
        bench.clock,
        writer,
        InfluxEngine(address),
        lambda: bench.site,
        settings,
    )
    core.step()
    hours = 6
    for hour in range(hours):
        bench.minutes(60, first=hour * 60)
        await bench.forward(core, lambda: None, seconds=3600)
    assert core.lag().behind == 0
    assert "403" in core.trouble
    assert "read_back = false" in core.trouble
    root = EngineAddress(server.url, bucket="sites", token="root:oak", kind="influxdb")
    wanted = Wanted("lumberroom", ("temperature_c", "rh_percent"), {"site": bench.site_id})
    found = InfluxEngine(root).samples(wanted, bench.start_ms, bench.start_ms + hours * 3_600_000)
    assert sum(len(one.at_ms) for one in found) == hours * 120
    by_word = core.as_figures()["taken_by_word"]
    server.ask("/query?u=root&p=oak", q="GRANT ALL ON sites TO yard")
    await bench.clock.advance(20)
    bench.minutes(10, first=hours * 60)
    await bench.forward(core, lambda: None, seconds=60)
    assert (core.trouble, core.lag().behind) == ("", 0)
    assert core.as_figures()["taken_by_word"] == by_word


async def test_what_an_engine_lost_goes_out_again_as_fast_as_it_takes_it(metrics, front, bench) -> None:
    """Twenty batches were taken and not stored, and there is no room for more: a new reading goes out all the same, and
    the twenty go out again together once they count as lost (60 s), not one in 15 s."""
    core = bench.core(front.url, derived=False, most_unsettled=2000)
    core.step()
    for first in range(0, 1000, 50):
        bench.minutes(50, first=first)
    front.plan = ["lose"] * 20
    for _ in range(20):
        core.step()
    assert core.as_figures()["unsettled_batches"] == 20
    bench.put(("oak-1", "temperature_c", 1001 * 60_000, 25.5))
    await bench.clock.advance(1.0)
    core.step()
    assert list(at_engine(metrics, bench, "temperature_c").values()) == [25.5]
    await bench.forward(core, metrics.flush, seconds=90)
    assert core.lag().behind == 0
    assert core.as_figures()["resent"] == 2000
    assert metrics.count("lumberroom_temperature_c", bench.site_id) == 1001


async def test_an_engine_that_was_killed_is_not_waited_for_as_if_it_were_slow(own_metrics, bench) -> None:
    """What a real engine lost with a SIGKILL goes out again when it is back: nobody waits until it counts as lost, and
    that it was lost with the engine never makes anything be set aside."""
    core = bench.core(own_metrics.url, derived=False, timeout_s=5.0)
    core.step()
    for first in range(0, 1000, 50):
        bench.minutes(50, first=first)
    for again in range(6):
        for _ in range(20):
            core.step()
        assert core.as_figures()["unsettled_batches"] == 20, again
        own_metrics.kill()
        while "cannot be reached" not in core.trouble:
            await bench.clock.advance(max(core.step(), 1.0))
        await bench.clock.advance(max(core.step(), 1.0))
        own_metrics.start()
    await bench.forward(core, own_metrics.flush, seconds=90)
    assert core.lag()._asdict() == {"behind": 0, "lag_s": 0.0, "set_aside": 0, "past_left_s": 0.0}
    assert own_metrics.count("lumberroom_temperature_c", bench.site_id) == 1000


async def test_the_site_says_that_it_is_there_and_what_it_is(metrics, bench) -> None:
    """Names with commas, equals signs and spaces arrive as they are; windows and sensors too; again after a minute."""
    core = bench.core(metrics.url)
    core.step()
    metrics.flush()
    match = f'{{__name__=~"lumberroom_(site|room|sensor|window)_.*",site="{bench.site_id}"}}'
    found = [json.loads(one) for one in metrics.ask("/api/v1/export", **{"match[]": match}).splitlines()]
    by_name = {one["metric"]["__name__"]: one for one in found}
    assert by_name["lumberroom_site_alive"]["metric"]["title"] == "Lakeside house, yard = B"
    assert by_name["lumberroom_window_high"]["metric"]["quantity"] == "rh_percent"
    assert by_name["lumberroom_window_high"]["values"] == [55.0]
    assert by_name["lumberroom_sensor_offline_after_s"]["metric"]["site"] == bench.site_id
    await bench.clock.advance(61)
    core.step()
    metrics.flush()
    assert metrics.count("lumberroom_site_alive", bench.site_id) == 2
    assert metrics.count("lumberroom_window_high", bench.site_id) == 1, "said again only when it changes"
    bench.site = replace(bench.site, rooms=bench.site.rooms[1:])
    await bench.clock.advance(16)
    core.step()
    assert metrics.count("lumberroom_window_high", bench.site_id) == 1
    assert metrics.count("lumberroom_room_state", bench.site_id) == 3
    await bench.clock.advance(901)
    core.step()
    assert metrics.count("lumberroom_room_state", bench.site_id) == 4, "and every quarter of an hour"


async def test_a_dead_engine_holds_up_nobody(bench) -> None:
    """A step against an address where nobody answers gives up by itself, and storing goes on meanwhile."""
    core = bench.core("http://127.0.0.1:9")
    begun_s = time.monotonic()
    core.step()
    assert time.monotonic() - begun_s < 2.0
    assert "cannot be reached" in core.trouble
    bench.minutes(2)
    assert len(bench.store.read.changes(0, 100).at_ms) == 4
