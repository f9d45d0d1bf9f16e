"""Derived series: which temperature and pressure belong to a humidity reading, and what is left out."""

import numpy as np
import pytest

from ingest.physics import air
from ingest.physics.derived import DERIVED
from ingest.site.actor import SETTINGS
from ingest.site.places import Site
from ingest.site.series import SeriesKey
from ingest.store.sqlite_store import SqliteStore

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def key(quantity: str) -> SeriesKey:
    """The attic's series of that quantity."""
    return SeriesKey("attic", quantity)


@pytest.fixture
def hear(put):
    """Store one quantity of the attic from a list of (instant, value)."""

    def hear_it(quantity: str, samples: list[tuple[int, float]]) -> None:
        put([at for at, _ in samples], [value for _, value in samples], quantity=quantity)

    return hear_it


@pytest.mark.parametrize("quantity", DERIVED)
def test_each_derived_quantity_is_computed_from_the_sensors_own_air(store, hear, quantity) -> None:
    """Every derived quantity has the instants of RH and the value of the formula at the stored T, RH and pressure."""
    hear("temperature_c", [(0, 20.0), (MINUTE, 21.5)])
    hear("rh_percent", [(0, 40.0), (MINUTE, 55.0)])
    got = store.read.read(key(quantity), 0, HOUR)
    expected = DERIVED[quantity].compute(np.array([20.0, 21.5]), np.array([40.0, 55.0]), np.array([101.325] * 2))
    assert got.at_ms.tolist() == [0, MINUTE]
    np.testing.assert_array_equal(got.value, expected)
    held = store.read.buckets(key(quantity), np.array([0, HOUR]))
    assert held.count.tolist() == [2]
    assert held.mean[0] == pytest.approx(np.mean(expected))
    assert store.read.latest([key(quantity)])[key(quantity)] == (MINUTE, expected[-1])


@pytest.mark.parametrize(
    ("temperature_ms", "paired"),
    [(0, True), (-5 * MINUTE, True), (-5 * MINUTE - 1, False), (MINUTE, True), (MINUTE + 1, False)],
)
def test_how_old_a_temperature_may_be(store, hear, temperature_ms, paired) -> None:
    """At or up to five minutes before, or up to one minute after, and not a millisecond more."""
    hear("temperature_c", [(DAY + temperature_ms, 20.0)])
    hear("rh_percent", [(DAY, 40.0)])
    assert (len(store.read.read(key("dew_point_c"), 0, 2 * DAY)) == 1) is paired
    assert (key("dew_point_c") in store.read.latest([key("dew_point_c")])) is paired


def test_an_earlier_temperature_goes_before_a_nearer_later_one(store, hear) -> None:
    """What a live reader saw does not change when the next temperature comes."""
    hear("temperature_c", [(0, 20.0), (4 * MINUTE + 1, 30.0)])
    hear("rh_percent", [(4 * MINUTE, 40.0)])
    assert store.read.read(key("dew_point_c"), 0, HOUR).value[0] == air.dew_point_c(20.0, 40.0)


def test_the_ends_of_a_range_find_their_temperature_outside_it(store, hear) -> None:
    """The first instant of a range takes a temperature from before it, the last one from after it."""
    hear("temperature_c", [(0, 20.0), (10 * MINUTE + 30_000, 22.0)])
    hear("rh_percent", [(4 * MINUTE, 40.0), (10 * MINUTE, 50.0)])
    got = store.read.read(key("dew_point_c"), 4 * MINUTE, 10 * MINUTE + 1)
    assert got.value.tolist() == [air.dew_point_c(20.0, 40.0), air.dew_point_c(22.0, 50.0)]


def test_measured_pressure_goes_before_the_sites_for_an_hour(store, hear) -> None:
    """The sensor's own pressure counts up to an hour back; after that the site's."""
    hear("temperature_c", [(0, 20.0), (HOUR, 20.0), (HOUR + 1, 20.0)])
    hear("rh_percent", [(0, 50.0), (HOUR, 50.0), (HOUR + 1, 50.0)])
    hear("pressure_kpa", [(0, 90.0)])
    got = store.read.read(key("humidity_ratio_g_kg"), 0, 2 * HOUR).value
    high, sea = (air.humidity_ratio_g_kg(20.0, 50.0, kpa) for kpa in (90.0, 101.325))
    np.testing.assert_allclose(got, [high, high, sea], rtol=1e-14)


def test_the_sites_elevation_gives_the_pressure(store, hear, path) -> None:
    """Without a measured pressure the stored site's elevation decides, unless a pressure was given on opening."""
    hear("temperature_c", [(0, 20.0)])
    hear("rh_percent", [(0, 50.0)])
    wanted = key("grains_per_pound")
    assert store.read.latest([wanted])[wanted].value == pytest.approx(air.grains_per_pound(20.0, 50.0, 101.325))
    with store.transaction() as work:
        work.save_site(Site("hut", elevation_m=1500.0), at_ms=1, by=SETTINGS)
        at_1500_m = air.grains_per_pound(20.0, 50.0, air.pressure_from_elevation_kpa(1500.0))
        assert work.read.latest([wanted])[wanted].value == pytest.approx(at_1500_m)
    assert store.read.latest([wanted])[wanted].value == pytest.approx(at_1500_m)
    with SqliteStore.open(path, read_only=True, pressure_kpa=95.0) as given:
        assert given.read.latest([wanted])[wanted].value == pytest.approx(air.grains_per_pound(20.0, 50.0, 95.0))


def test_what_cannot_be_derived_is_left_out(store, hear) -> None:
    """Dew point at 0 % RH does not exist: no sample there, and the newest one is the one before."""
    hear("temperature_c", [(0, 20.0), (MINUTE, 20.0)])
    hear("rh_percent", [(0, 40.0), (MINUTE, 0.0)])
    assert store.read.read(key("dew_point_c"), 0, HOUR).at_ms.tolist() == [0]
    assert store.read.latest([key("dew_point_c")])[key("dew_point_c")].at_ms == 0
    assert store.read.buckets(key("dew_point_c"), np.array([0, MINUTE, HOUR])).count.tolist() == [1, 0]


def test_the_newest_derived_value_lies_where_the_temperature_ended(store, hear) -> None:
    """A thermometer that died half a year ago: the newest EMC is of then, however long humidity goes on."""
    hear("temperature_c", [(at, 20.0) for at in range(0, 10 * HOUR, HOUR)])
    hear("rh_percent", [(at, 45.0) for at in range(0, 180 * DAY, HOUR)])
    assert store.read.latest([key("emc_percent")])[key("emc_percent")].at_ms == 9 * HOUR


def test_a_derived_series_has_gaps_where_one_of_its_parents_is_missing(store, hear) -> None:
    """Humidity alone covers no EMC."""
    hear("rh_percent", [(at, 45.0) for at in range(0, 4 * HOUR, MINUTE)])
    hear("temperature_c", [(at, 20.0) for at in range(0, HOUR, MINUTE)])
    (gap,) = store.read.gaps(key("emc_percent"), 0, 4 * HOUR)
    assert HOUR <= gap.from_ms <= HOUR + 10 * MINUTE
    assert gap.to_ms == 4 * HOUR


def test_another_sensors_temperature_is_never_taken(store, hear, put) -> None:
    """Humidity of the attic and temperature of the cellar make no dew point."""
    hear("rh_percent", [(0, 45.0)])
    put([0], [12.0], sensor="cellar")
    assert len(store.read.read(key("dew_point_c"), 0, HOUR)) == 0
    assert store.read.latest([key("dew_point_c")]) == {}


def test_a_late_or_amended_temperature_is_followed(store, hear) -> None:
    """Derived series follow at once what they are derived from."""
    hear("rh_percent", [(0, 45.0)])
    hear("temperature_c", [(0, 20.0)])
    hear("temperature_c", [(0, 25.0)])
    assert store.read.read(key("emc_percent"), 0, 1).value[0] == DERIVED["emc_percent"].compute(25.0, 45.0, 101.325)


def test_the_newest_of_many_sensors_asked_together_are_the_last_of_each_series(store, put) -> None:
    """Whichever of temperature, RH and pressure came last, or is too old, or was never there: bit for bit."""
    random = np.random.default_rng(3)
    keys = []
    for number in range(40):
        sensor = f"s{number}"
        for quantity, low, high in (("temperature_c", 15, 25), ("rh_percent", 30, 70), ("pressure_kpa", 95, 103)):
            if random.random() < 0.85:
                at_ms = np.unique(random.integers(0, 40, int(random.integers(1, 20)))) * 3 * MINUTE
                put(at_ms.tolist(), random.uniform(low, high, len(at_ms)).tolist(), sensor=sensor, quantity=quantity)
        keys += [SeriesKey(sensor, quantity) for quantity in ("dew_point_c", "grains_per_pound", "rh_percent")]
    whole = {one: store.read.read(one, -DAY, DAY) for one in keys}
    expected = {one: (int(it.at_ms[-1]), float(it.value[-1])) for one, it in whole.items() if len(it)}
    assert store.read.latest(keys) == expected
    assert len(expected) < len(keys)
