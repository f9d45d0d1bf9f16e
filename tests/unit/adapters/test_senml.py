"""SenML packs become readings as RFC 8428 says, and come back out of readings unchanged.

Vectors marked RFC are the examples of RFC 8428, section 5.1 (August 2018); the rest is ours.
"""

from __future__ import annotations

import json
import math
import tracemalloc
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import DETAIL_LENGTH, QUANTITIES, SENSOR_ID, Reading, Stamp, Why
from adapters.framing.senml import LATEST_MS, Decoded, decode_pack, encode_pack, units_of
from adapters.framing.senml_records import MAX_PACK_BYTES, MAX_RECORDS

PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no failure

ARRIVAL_MS = 1_764_064_800_123
OW = "urn:dev:ow:10e2073a01080063"


def decode(records: Any, **options: Any) -> Decoded:
    """Decode records given as Python data."""
    return decode_pack(json.dumps(records).encode(), ARRIVAL_MS, **options)


def reasons(decoded: Decoded) -> list[str]:
    """Give the reasons of the rejections."""
    return [rejection.reason for rejection in decoded.rejections]


def test_rfc_single_datapoint_takes_the_time_of_arrival() -> None:
    """RFC 5.1.1: a record without a time is now, its unit says which quantity, its whole name is the sensor."""
    decoded = decode([{"n": OW, "u": "Cel", "v": 23.1}])
    assert decoded == Decoded([Reading(OW, "temperature_c", 23.1, ARRIVAL_MS, Stamp.ARRIVAL)], [])


def test_rfc_base_time_and_base_unit_make_a_series() -> None:
    """RFC 5.1.2 (stream): base unit %RH and base time 1320067464 apply to every record until replaced."""
    times = [0, 10, 20, 30]
    records: list[dict[str, Any]] = [{"bn": OW, "bt": 1320067464, "bu": "%RH", "v": 21.2}]
    records += [{"t": t, "v": v} for t, v in zip(times[1:], [21.3, 21.4, 21.4], strict=True)]
    decoded = decode(records)
    assert [(r.quantity, r.value, r.at_ms, r.stamp) for r in decoded.readings] == [
        ("rh_percent", value, (1320067464 + t) * 1000, Stamp.SENSOR)
        for t, value in zip(times, [21.2, 21.3, 21.4, 21.4], strict=True)
    ]
    assert not decoded.rejections


def test_rfc_multiple_datapoints_in_units_we_do_not_keep_are_rejected_one_by_one() -> None:
    """RFC 5.1.2: volts and amperes (with bver 5, as printed there) are no quantity of ours, and each says so."""
    records: list[dict[str, Any]] = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5,
         "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
    ]  # fmt: skip
    assert reasons(decode(records)) == [Why.UNKNOWN_QUANTITY] * 2


def test_rfc_multiple_measurements_give_humidity_and_battery_and_pass_over_the_position() -> None:
    """RFC 5.1.3: of %RH, lon, lat and %EL under one base name, the first and the last are ours."""
    records = [
        {"bn": OW, "bt": 1320067464, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "%EL", "t": 150, "v": 98},
    ]
    decoded = decode(records)
    assert [(r.quantity, r.value, r.at_ms) for r in decoded.readings] == [
        ("rh_percent", 20.0, 1320067464000),
        ("rh_percent", 20.3, 1320067524000),
        ("battery_percent", 98.0, 1320067614000),
    ]
    assert reasons(decoded) == [Why.UNKNOWN_QUANTITY] * 2


def test_rfc_multiple_data_types_are_no_numbers() -> None:
    """RFC 5.1.5: a string, a boolean and data are legal SenML and no reading; the number beside them is one."""
    records = [
        {"bn": f"{OW}/", "n": "temperature", "u": "Cel", "v": 23.1},
        {"n": "temperature", "u": "Cel", "vs": "Machine Room"},
        {"n": "humidity", "u": "%RH", "vb": False},
        {"n": "humidity", "u": "%RH", "vd": "aGkgCg"},
    ]
    decoded = decode(records)
    assert [r.value for r in decoded.readings] == [23.1]
    assert reasons(decoded) == [Why.NO_VALUE] * 3


def test_rfc_collection_keeps_the_base_time_across_a_new_base_name() -> None:
    """RFC 5.1.6: the fourth record has the base name of the third and the base time of the first."""
    records = [
        {"bn": "2001:db8::2/", "bt": 1320078429, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    at_ms = 1320078429000
    assert decode(records).readings == [
        Reading("2001:db8::2", "temperature_c", 25.2, at_ms, Stamp.SENSOR),
        Reading("2001:db8::2", "rh_percent", 30.0, at_ms, Stamp.SENSOR),
        Reading("2001:db8::1", "temperature_c", 12.3, at_ms, Stamp.SENSOR),
        Reading("2001:db8::1", "rh_percent", 67.0, at_ms, Stamp.SENSOR),
    ]


def test_a_record_of_base_fields_alone_is_no_measurement() -> None:
    """A first record that only sets base fields (RFC 5.1.7 has one) gives neither a reading nor a rejection."""
    decoded = decode([{"bn": "loft/", "bt": 1.7e9}, {"n": "humidity", "u": "%RH", "v": 44}])
    assert [r.sensor for r in decoded.readings] == ["loft"]
    assert not decoded.rejections


def test_base_value_is_added_and_stands_in_for_a_missing_value() -> None:
    """RFC 4.6: base value and value are added; where one of them is missing it counts as zero."""
    records = [{"bn": "a/", "bu": "Cel", "bv": 20.0, "n": "temperature", "v": 1.5}, {"n": "temperature"}]
    assert [r.value for r in decode(records).readings] == [21.5, 20.0]


@pytest.mark.parametrize(
    ("time", "at_ms", "stamp"),
    [
        (0, ARRIVAL_MS, Stamp.ARRIVAL),
        (-5, ARRIVAL_MS - 5000, Stamp.ARRIVAL),
        (-0.25, ARRIVAL_MS - 250, Stamp.ARRIVAL),
        (0.9, ARRIVAL_MS + 900, Stamp.ARRIVAL),
        (2**28, 2**28 * 1000, Stamp.SENSOR),
        (1.764064801e9, 1764064801000, Stamp.SENSOR),
    ],
)
def test_times_below_two_to_the_28_are_relative(time: float, at_ms: int, stamp: Stamp) -> None:
    """RFC 4.5.3: below 2^28 a time is relative to the arrival and bears its stamp; from there on it is absolute."""
    (reading,) = decode([{"n": "a/humidity", "u": "%RH", "v": 1, "t": time}]).readings
    assert (reading.at_ms, reading.stamp) == (at_ms, stamp)


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"t": 12_345}, Why.FUTURE),  # a device that sends the seconds since it booted
        ({"bt": 268_435_450, "t": 6}, Why.TIME),  # two relative times that pass the border together
        ({"t": 1e300}, Why.TIME),
        ({"t": -1e300}, Why.TIME),
        ({"t": "now"}, Why.WRONG_TYPE),
        ({"v": "23.1"}, Why.WRONG_TYPE),
        ({"v": None}, Why.WRONG_TYPE),
        ({"v": True}, Why.WRONG_TYPE),
        ({"v": 100.5}, Why.OUT_OF_RANGE),
        ({"v": -0.0001}, Why.OUT_OF_RANGE),
        ({"v": 1e308, "bv": 1e308}, Why.NOT_FINITE),
        ({"vs": "damp"}, Why.SEVERAL_VALUES),
        ({"u": "Cel"}, Why.WRONG_UNIT),
        ({"u": ""}, Why.WRONG_UNIT),
        ({"n": "_a/humidity"}, Why.NAME),
        ({"n": "a b/humidity"}, Why.NAME),
        ({"n": "ä/humidity"}, Why.NAME),
        ({"n": "a" * 121 + "/humidity"}, Why.NAME),
        ({"n": "humidity"}, Why.NO_SENSOR),
        ({"n": "/humidity"}, Why.NO_SENSOR),
        ({"n": ""}, Why.NO_SENSOR),
        ({"n": "a/b", "u": "%"}, Why.UNKNOWN_QUANTITY),
        ({"n": "a/b", "u": "lux"}, Why.UNKNOWN_QUANTITY),
    ],
)
def test_a_bad_record_is_rejected_with_its_reason_and_its_neighbour_stays(fields: dict[str, Any], why: Why) -> None:
    """One record that cannot be a reading is rejected for the right reason, and the one before it is kept."""
    good = {"n": "good/humidity", "u": "%RH", "v": 50}
    decoded = decode([good, {"n": "a/humidity", "u": "%RH", "v": 50} | fields])
    assert reasons(decoded) == [why]
    assert [r.sensor for r in decoded.readings] == ["good"]


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        (b"", Why.NOT_JSON),
        (b"garbage", Why.NOT_JSON),
        (b"\xff\xfe[\x00", Why.NOT_JSON),
        (b'[{"n":"a/humidity","u":"%RH","v":NaN}]', Why.NOT_JSON),
        (b'[{"n":"a/humidity","u":"%RH","v":-Infinity}]', Why.NOT_JSON),
        (b'[{"n":"a/humidity","u":"%RH","v":.5}]', Why.NOT_JSON),
        (b'[{"n":"a/humidity","u":"%RH","v":5}', Why.NOT_JSON),
        (b"[" * 100_000, Why.NOT_JSON),
        (b'{"n":"a/humidity","u":"%RH","v":5}', Why.NOT_A_PACK),
        (b"[]", Why.NOT_A_PACK),
        (b"[1]", Why.NOT_A_PACK),
        (b'[{"n":"a/humidity","u":"%RH","v":5,"v":6}]', Why.NOT_A_PACK),
        (b'[{"bn":1,"n":"a/humidity","u":"%RH","v":5}]', Why.NOT_A_PACK),
        (b'[{"n":"a/humidity","u":"%RH","v":5,"odd_":1}]', Why.MUST_UNDERSTAND),
        (b'[{"bver":11,"n":"a/humidity","u":"%RH","v":5}]', Why.VERSION),
        (b'[{"bver":42,"n":"a/humidity","u":"%RH","v":5}]', Why.VERSION),
        (b'[{"bver":10.5,"n":"a/humidity","u":"%RH","v":5}]', Why.VERSION),
        (b'[{"bver":1e999,"n":"a/humidity","u":"%RH","v":5}]', Why.VERSION),
        (b'[{"bver":10,"n":"a/humidity","u":"%RH","v":5},{"bver":26}]', Why.VERSION),
        (b" " * (MAX_PACK_BYTES + 1), Why.TOO_LONG),
        (b"[" + b",".join([b"{}"] * (MAX_RECORDS + 1)) + b"]", Why.TOO_LONG),
    ],
)
def test_a_pack_that_breaks_the_rules_is_refused_whole(pack: bytes, why: Why) -> None:
    """What concerns the whole pack (syntax, version, a label that must be understood, size) gives one rejection."""
    decoded = decode_pack(pack, ARRIVAL_MS)
    assert (decoded.readings, reasons(decoded)) == ([], [why])
    assert len(decoded.rejections[0].detail) <= DETAIL_LENGTH
    assert decoded.rejections[0].detail.isascii()


def test_a_huge_number_is_out_of_range_and_takes_no_time() -> None:
    """A number of a hundred thousand digits is an infinite double, and is rejected as one."""
    decoded = decode_pack(b'[{"n":"a/humidity","u":"%RH","v":' + b"9" * 100_000 + b"}]", ARRIVAL_MS)
    assert reasons(decoded) == [Why.NOT_FINITE]


def test_unknown_labels_are_passed_over() -> None:
    """RFC 4.4: a label that is not known and does not end in an underscore changes nothing."""
    record = {"n": "a/humidity", "u": "%RH", "v": 5, "note": {"deep": [1, 2]}, "ut": 60}
    assert [r.value for r in decode([record]).readings] == [5.0]


@pytest.mark.parametrize(
    ("label", "unit", "sent", "quantity", "value"),
    [
        ("temperature", "K", 293.15, "temperature_c", 20.0),
        ("pressure", "Pa", 101325, "pressure_kpa", 101.325),
        ("pressure", "hPa", 1013.25, "pressure_kpa", 101.325),
        ("signal", "dBW", -90, "signal_dbm", -60.0),
        ("signal", "dBm", -60, "signal_dbm", -60.0),
        ("wood-moisture", "%", 8.5, "wood_mc_percent", 8.5),
        ("wood-moisture", "/", 0.085, "wood_mc_percent", 8.5),
        ("slab-humidity", "%RH", 75, "slab_rh_percent", 75.0),
        ("battery", "%EL", 60, "battery_percent", 60.0),
    ],
)
def test_units_are_brought_to_ours(label: str, unit: str, sent: float, quantity: str, value: float) -> None:
    """Every registered unit that says the same as ours is understood (IANA SenML units; RFC 8798, version 26)."""
    (reading,) = decode([{"bver": 26, "n": f"a/{label}", "u": unit, "v": sent}]).readings
    assert reading.quantity == quantity
    assert reading.value == pytest.approx(value, abs=1e-12)


def test_a_bare_label_takes_the_default_sensor_and_the_prefix_goes_before_every_name() -> None:
    """A device that names only quantities gets its name from the settings file."""
    records = [{"n": "humidity", "u": "%RH", "v": 40}, {"n": "other/humidity", "u": "%RH", "v": 41}]
    decoded = decode(records, default_sensor="loft", prefix="hut.")
    assert [r.sensor for r in decoded.readings] == ["hut.loft", "hut.other"]


def test_every_quantity_has_a_unit_scale_and_an_unmistakable_label() -> None:
    """Nothing in the table of quantities is left without its SenML form."""
    assert len({quantity.senml_label for quantity in QUANTITIES.values()}) == len(QUANTITIES)
    assert all(units_of(quantity)[0] == quantity.senml_unit for quantity in QUANTITIES.values())


def test_a_secondary_unit_states_the_version_that_allows_it() -> None:
    """RFC 9100, section 4: a pack with a secondary unit (dBm) says so by version 26; others say nothing."""
    signal = Reading("a", "signal_dbm", -60.0, ARRIVAL_MS, Stamp.SENSOR)
    assert json.loads(encode_pack([signal]))[0]["bver"] == 26
    assert b"bver" not in encode_pack([signal._replace(quantity="rh_percent", value=50.0)])


@pytest.mark.parametrize(("value", "at_ms"), [(math.nan, ARRIVAL_MS), (math.inf, ARRIVAL_MS), (20.0, 0)])
def test_what_senml_cannot_say_is_a_value_error(value: float, at_ms: int) -> None:
    """A reading that is not finite, or from before July 1978, is refused when encoding and not bent."""
    with pytest.raises(ValueError):
        encode_pack([Reading("a", "rh_percent", value, at_ms, Stamp.SENSOR)])


SENSORS = st.from_regex(SENSOR_ID, fullmatch=True)
INSTANTS = st.integers(2**28 * 1000, LATEST_MS)


def readings_of(quantity: str) -> st.SearchStrategy[Reading]:
    """Give any reading of a quantity, over its whole range and all of time."""
    low, high = QUANTITIES[quantity].minimum, QUANTITIES[quantity].maximum
    return st.builds(Reading, SENSORS, st.just(quantity), st.floats(low, high), INSTANTS, st.just(Stamp.SENSOR))


@PATIENT
@given(st.lists(st.sampled_from(sorted(set(QUANTITIES) - {"pressure_kpa"})).flatmap(readings_of), min_size=1))
def test_round_trip_is_exact(readings: list[Reading]) -> None:
    """What goes out as SenML comes back the same: every bit of the value, every millisecond up to the year 9999."""
    assert decode_pack(encode_pack(readings), ARRIVAL_MS) == Decoded(readings, [])


@PATIENT
@given(st.integers(30_000_000, 120_000_000))
def test_round_trip_of_a_pressure_is_exact_to_three_decimals_of_a_kilopascal(millipascal: int) -> None:
    """A pressure with up to three decimals of a kPa comes back bit for bit; one with more, to the last place."""
    kpa = millipascal / 1_000_000
    (back,) = decode_pack(encode_pack([Reading("a", "pressure_kpa", kpa, ARRIVAL_MS, Stamp.SENSOR)]), 0).readings
    assert abs(back.value - kpa) <= math.ulp(kpa)
    if millipascal % 1000 == 0:
        assert back.value == kpa


@PATIENT
@given(st.floats(30_000, 120_000))
def test_a_pressure_that_came_by_senml_goes_out_and_comes_back_bit_for_bit(pascal: float) -> None:
    """Any pressure received in Pa survives being sent on, however many digits it has."""
    (first,) = decode([{"n": "a/pressure", "u": "Pa", "v": pascal}]).readings
    (again,) = decode_pack(encode_pack([first]), 0).readings
    assert again.value == first.value


JSONISH = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=5,
)
LABELS = st.sampled_from(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_"])
NAMES = st.sampled_from(["a/temperature", "a/humidity", "humidity", "a/pressure", "/", "_", ""])
UNITS = st.sampled_from(["Cel", "%RH", "K", "Pa", "%", "", "%EL"])
FIELDS = st.one_of(
    st.tuples(LABELS, JSONISH),
    st.tuples(st.sampled_from(["v", "t", "bt", "bv"]), st.floats(allow_nan=False) | st.integers()),
    st.tuples(st.sampled_from(["n", "bn"]), NAMES),
    st.tuples(st.sampled_from(["u", "bu"]), UNITS),
)
PACKS = st.lists(st.lists(FIELDS, max_size=6).map(dict), max_size=5).map(lambda records: json.dumps(records).encode())


def holds(decoded: Decoded) -> None:
    """Hold what must be true of anything that is ever decoded."""
    for reading in decoded.readings:
        quantity = QUANTITIES[reading.quantity]
        assert quantity.minimum <= reading.value <= quantity.maximum
        assert SENSOR_ID.fullmatch(reading.sensor)
        assert type(reading.at_ms) is int
        assert reading.at_ms <= LATEST_MS
    for rejection in decoded.rejections:
        assert rejection.reason in set(Why)
        assert len(rejection.detail) <= DETAIL_LENGTH


@settings(PATIENT, max_examples=400)
@given(st.binary(max_size=400) | PACKS)
def test_nothing_that_arrives_can_break_the_decoder(data: bytes) -> None:
    """Any bytes at all, and packs that nearly are SenML, give readings within range and rejections, never an error."""
    holds(decode_pack(data, ARRIVAL_MS))


def test_names_as_long_as_a_pack_are_not_held() -> None:
    """Three hundred names of a hundred thousand characters, each another one, leave nothing behind in memory."""
    tracemalloc.start()
    try:
        decode([{"n": "before", "u": "Cel", "v": 1}])
        before = tracemalloc.get_traced_memory()[0]
        for number in range(300):
            assert reasons(decode([{"n": f"{number}{'n' * 100_000}", "u": "Cel", "v": 1}])) == [Why.NAME]
        assert tracemalloc.get_traced_memory()[0] - before < 1_000_000
    finally:
        tracemalloc.stop()
