"""One contract, three stores: what the embedded store answers, a central engine that it was forwarded to answers too.

The same questions go to the embedded store and to a real engine (VictoriaMetrics, written through the forwarder and
influxdb-client; InfluxDB 1.x, read by InfluxQL as versions 2 and 3 can be too), and the answers must agree.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ingest.central.dialects import InfluxEngine, MetricsEngine
from ingest.central.engine import EngineAddress, EngineError, EngineSeries, Wanted
from ingest.central.forwarder import Forwarder
from ingest.central.progress import ForwarderSettings
from ingest.central.series import CentralSeries, merged
from ingest.site.series import SeriesKey

MINUTE_MS = 60_000
QUANTITIES = ("temperature_c", "rh_percent", "pressure_kpa", "emc_percent", "dew_point_c", "grains_per_pound")
SITE_ELEVATION_M = 120.0  # of the bench's site


def fill(bench: Any) -> None:
    """Store a day as it may be: jitter, losses, an hour without, late and repeated and amended readings."""
    chance = np.random.default_rng(11)
    at_ms = np.unique((np.arange(600) * MINUTE_MS + chance.integers(-9000, 9000, 600)).clip(0))
    at_ms = at_ms[(at_ms < 200 * MINUTE_MS) | (at_ms > 262 * MINUTE_MS)]
    at_ms = at_ms[chance.random(len(at_ms)) > 0.05]
    late = chance.random(len(at_ms)) < 0.1
    for some in (at_ms[~late], at_ms[late]):
        bench.put(*(("oak-1", "temperature_c", int(at), 20 + 3 * np.sin(at / 5e6)) for at in some))
        bench.put(*(("oak-1", "rh_percent", int(at) + 250, 45 + 9 * np.cos(at / 4e6)) for at in some))
    bench.put(*(("oak-1", "pressure_kpa", int(at), 99.5 + at / 1e9) for at in at_ms[50:90:5]))
    bench.put(*(("oak-1", "rh_percent", int(at) + 250, 61.25) for at in at_ms[10:13]))
    bench.put(*(("oak-1", "rh_percent", int(at) + 250, 62.5) for at in at_ms[11:12]))
    bench.put(("hall/1", "temperature_c", 7 * MINUTE_MS, 5.0))


@pytest.fixture(params=["victoriametrics", "influxdb"])
async def central(request: pytest.FixtureRequest, bench: Any) -> CentralSeries:
    """The bench's day, forwarded to a real engine, and that engine's reader."""
    fill(bench)
    bench.clock.step_wall(11 * 60 * MINUTE_MS)
    engine: MetricsEngine | InfluxEngine
    if request.param == "victoriametrics":
        server = request.getfixturevalue("metrics")
        await bench.forward(bench.core(server.url, batch=700), server.flush)
        server.flush()
        engine = MetricsEngine(EngineAddress(server.url))
    else:
        server = request.getfixturevalue("influx")
        engine = InfluxEngine(EngineAddress(server.url, bucket="sites", kind="influxdb"))
        writer = request.getfixturevalue("version_one_writer")
        settings = ForwarderSettings(bench.site_id, batch=700, look_s=1.0)
        core = Forwarder(bench.store, bench.clock, writer, engine, lambda: bench.site, settings)
        await bench.forward(core, lambda: None)
        assert core.as_figures()["resent"] == 0
    return CentralSeries(engine, bench.clock, lambda site_id: SITE_ELEVATION_M)


def both(bench: Any, sensor: str, quantity: str) -> tuple[SeriesKey, SeriesKey]:
    """Give the key of a series at the site and at the office."""
    return SeriesKey(sensor, quantity), SeriesKey(f"{bench.site_id}/{sensor}", quantity)


def test_read_gives_the_same_samples(bench, central) -> None:
    """Measured and derived, whole and in part: the same instants, values to the last digits that engines keep."""
    for quantity in QUANTITIES:
        here, there = both(bench, "oak-1", quantity)
        for from_ms, to_ms in ((0, 700 * MINUTE_MS), (100 * MINUTE_MS, 300 * MINUTE_MS), (650_250, 650_251), (5, 5)):
            asked = (bench.start_ms + from_ms, bench.start_ms + to_ms)
            own, far = bench.store.read.read(here, *asked), central.read(there, *asked)
            assert far.at_ms.tolist() == own.at_ms.tolist(), quantity
            np.testing.assert_allclose(far.value, own.value, rtol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_buckets_are_the_same(bench, central, seed) -> None:
    """Count, minimum, mean, maximum and coverage between any edges, reaching over the ends and the gap."""
    chance = np.random.default_rng(seed)
    edges = bench.start_ms + np.unique(chance.integers(-60 * MINUTE_MS, 700 * MINUTE_MS, 40))
    for quantity in QUANTITIES:
        here, there = both(bench, "oak-1", quantity)
        own, far = bench.store.read.buckets(here, edges), central.buckets_of([there], edges)[there]
        assert far.count.tolist() == own.count.tolist()
        for column in ("minimum", "mean", "maximum", "coverage"):
            np.testing.assert_allclose(getattr(far, column), getattr(own, column), rtol=1e-9, err_msg=quantity)


@pytest.mark.parametrize("kind", ["victoriametrics", "influxdb"])
async def test_long_stretches_are_the_same_and_read_once(bench, request, kind) -> None:
    """Fifty days with a gap, asked for in half days across a change of clocks: as the site has it; asked again only the
    last days are read anew; after a late and an amended reading it is the site's answer again, from few samples.
    """
    minutes = np.arange(0, 50 * 1440, 15)
    minutes = minutes[(minutes < 20 * 1440) | (minutes > 20 * 1440 + 500)]
    minutes -= 50 * 1440
    for some in np.array_split(minutes, 5):
        bench.put(*(("oak-1", "temperature_c", int(at) * MINUTE_MS, 20 + at % 97 / 10) for at in some))
        bench.put(*(("oak-1", "rh_percent", int(at) * MINUTE_MS, 40 + at % 89 / 10) for at in some))
    central, forward = _reading(bench, request, kind)
    await forward()
    first_ms = -(-bench.start_ms // 3_600_000) * 3_600_000 - 51 * 86_400_000
    edges = first_ms + np.arange(0, 52 * 86_400_000, 43_200_000)
    edges[40:] += 3_600_000

    def agree() -> int:
        before = central.samples_read
        for quantity in ("rh_percent", "emc_percent", "pressure_kpa"):
            here, there = both(bench, "oak-1", quantity)
            own, far = bench.store.read.buckets(here, edges), central.buckets_of([there], edges)[there]
            assert far.count.tolist() == own.count.tolist()
            for column in ("minimum", "mean", "maximum", "coverage"):
                np.testing.assert_allclose(getattr(far, column), getattr(own, column), rtol=1e-9, err_msg=quantity)
        await_fresh()
        return central.samples_read - before

    def await_fresh() -> None:
        central._air.clear()  # what was just read is taken as it is for some seconds, of another clock than this

    whole = agree()
    again = agree()
    assert whole >= 2 * len(minutes)
    assert again < whole / 4
    day = 86_400_000
    bench.put(("oak-1", "temperature_c", -30 * day + 400 * MINUTE_MS, 5.0))  # in the gap
    bench.put(("oak-1", "rh_percent", -30 * day + 400 * MINUTE_MS, 90.0))
    bench.put(("oak-1", "rh_percent", -43 * day, 12.0))
    await forward()
    assert agree() < whole / 1.5
    assert agree() == again


def _reading(bench: Any, request: pytest.FixtureRequest, kind: str) -> tuple[CentralSeries, Any]:
    """Give a reader of a real engine, and what brings it up to date."""
    engine: MetricsEngine | InfluxEngine
    if kind == "victoriametrics":
        server = request.getfixturevalue("metrics")
        core, flush = bench.core(server.url), server.flush
        engine = MetricsEngine(EngineAddress(server.url))
    else:
        server = request.getfixturevalue("influx")
        engine = InfluxEngine(EngineAddress(server.url, bucket="sites", kind="influxdb"))
        settings = ForwarderSettings(bench.site_id, look_s=1.0)
        writer = request.getfixturevalue("version_one_writer")
        core = Forwarder(bench.store, bench.clock, writer, engine, lambda: bench.site, settings)

        def flush() -> None:
            pass

    async def forward() -> None:
        await bench.forward(core, flush)
        flush()

    return CentralSeries(engine, bench.clock, lambda site_id: SITE_ELEVATION_M), forward


def test_latest_and_gaps_are_the_same(bench, central) -> None:
    """The newest of each series, derived ones too, and none for series that there are not; the gap where it is."""
    for sensor in ("oak-1", "hall/1", "nobody"):
        pairs = [both(bench, sensor, quantity) for quantity in QUANTITIES]
        own = bench.store.read.latest([here for here, _ in pairs])
        far = central.latest([there for _, there in pairs])
        for here, there in pairs:
            assert (here in own) == (there in far), here
            if here in own:
                assert far[there].at_ms == own[here].at_ms
                assert far[there].value == pytest.approx(own[here].value, rel=1e-9)
    here, there = both(bench, "oak-1", "temperature_c")
    asked = (bench.start_ms, bench.start_ms + 500 * MINUTE_MS)
    gaps = central.gaps(there, *asked)
    assert gaps == bench.store.read.gaps(here, *asked)
    assert max(gap.to_ms - gap.from_ms for gap in gaps) > 55 * MINUTE_MS


def test_extents_are_the_same(bench, central) -> None:
    """Every measured series of the site with its ends and its count; amended readings are not counted twice."""
    own = {(e.key.sensor, e.key.quantity): e for e in bench.store.read.extents()}
    prefix = f"{bench.site_id}/"
    far = {
        (e.key.sensor.removeprefix(prefix), e.key.quantity): e
        for e in central.extents()
        if e.key.sensor.startswith(prefix)
    }
    assert {k: (e.first_ms, e.last_ms, e.count) for k, e in far.items()} == {
        k: (e.first_ms, e.last_ms, e.count) for k, e in own.items()
    }


def test_an_unknown_series_is_empty_and_bad_edges_are_an_error(bench, central) -> None:
    """As the embedded store does."""
    assert len(central.read(SeriesKey(f"{bench.site_id}/oak-1", "no_such_quantity"), 0, 2**42)) == 0
    assert len(central.read(SeriesKey("no-site", "temperature_c"), 0, 2**42)) == 0
    with pytest.raises(ValueError, match="strictly rising"):
        central.buckets(SeriesKey(f"{bench.site_id}/oak-1", "temperature_c"), np.array([5, 5]))


def series(revision: str, at_ms: list[int], value: list[float]) -> EngineSeries:
    """Make samples under a revision."""
    tags = {"revision": revision} if revision else {}
    return EngineSeries("rh_percent", tags, np.array(at_ms, dtype=np.int64), np.array(value))


def test_what_is_there_twice_counts_once_and_the_highest_revision_holds() -> None:
    """An engine without de-duplication, and instants out of order: one sample per instant, the amended value."""
    parts = [series("2", [2], [7.0]), series("", [3, 1, 2, 2], [3.0, 1.0, 2.0, 2.0]), series("10", [3], [9.0])]
    found = merged(parts)
    assert (found.at_ms.tolist(), found.value.tolist()) == ([1, 2, 3], [1.0, 7.0, 9.0])
    assert len(merged([])) == 0


@pytest.mark.parametrize("kind", [MetricsEngine, InfluxEngine])
def test_an_engine_that_cannot_be_asked_is_told_in_a_sentence(front, kind) -> None:
    """Nobody there, or something else than an engine: what, where and how to mend it; never a trace."""
    wanted = Wanted("lumberroom", ("rh_percent",), {})
    with pytest.raises(EngineError, match=r"127\.0\.0\.1:9: the central engine cannot be reached: .* refused"):
        kind(EngineAddress("http://127.0.0.1:9", bucket="b")).newest(wanted, 0, 10)
    with pytest.raises(EngineError, match=r"Check its address|not answer as"):
        kind(EngineAddress(front.url + "/elsewhere", bucket="b")).newest(wanted, 0, 10)


def test_odd_names_are_found_again(influx, version_one_writer) -> None:
    """Quotes and backslashes in a query are text and nothing else."""
    version_one_writer.write(["odd,site=a'b\"c rh_percent=5.0 1000"])
    engine = InfluxEngine(EngineAddress(influx.url, bucket="sites", kind="influxdb"))
    (found,) = engine.samples(Wanted("odd", ("rh_percent",), {"site": "a'b\"c"}), 0, 5000)
    assert found.value.tolist() == [5.0]
    assert engine.samples(Wanted("odd", ("rh_percent",), {"site": "x' OR 'a'='a"}), 0, 5000) == []
    engine.check()


class Counting:
    """An engine that counts what it is asked."""

    def __init__(self, engine: Any) -> None:
        self.engine, self.asked = engine, list[str]()

    def __getattr__(self, name: str) -> Any:
        self.asked.append(name)
        return getattr(self.engine, name)


def test_many_series_are_asked_for_at_once_and_answered_as_one_by_one(bench, central) -> None:
    """Measured series of several sensors, odd names and unknown ones too, in one question; the same buckets."""
    counting = Counting(central._engine)
    many = CentralSeries(counting, bench.clock, lambda site_id: SITE_ELEVATION_M)
    edges = bench.start_ms + np.arange(0, 700 * MINUTE_MS, 10 * MINUTE_MS)
    pairs = [
        both(bench, sensor, quantity)
        for sensor in ("oak-1", "hall/1", "a|b.*", "no body's")
        for quantity in QUANTITIES[:3]
    ]
    found = many.buckets_of([there for _, there in pairs], edges)
    assert counting.asked == ["samples", "samples"]  # before the first reading there is nothing: it looks further back
    for here, there in pairs:
        own = bench.store.read.buckets(here, edges)
        assert found[there].count.tolist() == own.count.tolist(), here
        np.testing.assert_allclose(found[there].mean, own.mean, rtol=1e-9)
        np.testing.assert_allclose(found[there].coverage, own.coverage, rtol=1e-9)
    many.latest([there for _, there in pairs] + [SeriesKey("another-site/oak-1", "rh_percent")])
    assert counting.asked == ["samples", "samples", "newest"]


@pytest.mark.parametrize("engine", ["victoriametrics", "influxdb"])
async def test_a_day_of_many_sensors_reads_little_beyond_it(bench, request, engine) -> None:
    """What quick sensors cover shows in an hour beyond each end, one question for all; of a slow one, whose ten
    readings before take most of a day, more is read: count, mean and coverage are the site's own for both.
    """
    for minute in range(-3000, -60):
        bench.put(("oak-1", "rh_percent", minute * MINUTE_MS, 40 + minute % 7 / 10))
    for minute in range(-3000, -60, 100):
        bench.put(("hall/1", "rh_percent", minute * MINUTE_MS + 7, 50 + minute % 7 / 10))
    central, forward = _reading(bench, request, engine)
    await forward()
    edges = bench.start_ms + np.arange(-1500 * MINUTE_MS, -300 * MINUTE_MS, 10 * MINUTE_MS)
    pairs = [both(bench, sensor, "rh_percent") for sensor in ("oak-1", "hall/1")]
    found = central.buckets_of([there for _, there in pairs], edges)
    for here, there in pairs:
        own = bench.store.read.buckets(here, edges)
        assert found[there].count.tolist() == own.count.tolist()
        np.testing.assert_allclose(found[there].mean, own.mean, rtol=1e-9)
        np.testing.assert_allclose(found[there].coverage, own.coverage, rtol=1e-9)
    assert central.samples_read < 1200 + 120 + 60


def test_the_newest_derived_figures_need_no_question_of_their_own(bench, central) -> None:
    """Derived from the newest measured ones, where those hold at the newest humidity: the site's own figures."""
    last_ms = 700 * MINUTE_MS
    counting = Counting(central._engine)
    many = CentralSeries(counting, bench.clock, lambda site_id: SITE_ELEVATION_M)
    pairs = [both(bench, "oak-1", quantity) for quantity in QUANTITIES]
    own = bench.store.read.latest([here for here, _ in pairs])
    far = many.latest([there for _, there in pairs])
    assert counting.asked == ["newest"]
    for here, there in pairs:
        assert far[there].at_ms == own[here].at_ms < bench.start_ms + last_ms
        assert far[there].value == pytest.approx(own[here].value, rel=1e-9)
