"""BTHome version 2 broadcasts become readings.

Vectors marked PAGE are printed on bthome.io/format; those marked THREAD are a real packet from a public issue thread
(Bluetooth-Devices/bthome-ble#118); the rest is arithmetic on the published table.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, SENSOR_ID, Reading, Stamp
from adapters.framing.broadcasts import MEANINGS, Broadcast, decode_broadcast
from adapters.framing.rejections import Why

PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no failure

AT_MS = 1_764_064_800_123


def decode(text: str) -> Broadcast:
    """Decode service data given in hexadecimal."""
    return decode_broadcast(bytes.fromhex(text), "loft", AT_MS)


def values(text: str) -> list[tuple[str, str, float]]:
    """Give sensor, quantity and value of every reading."""
    return [(r.sensor, r.quantity, r.value) for r in decode(text).readings]


def test_the_published_packet() -> None:
    """PAGE: 40 02C409 03BF13 is 25.00 °C and 50.55 %."""
    assert decode("4002c40903bf13") == Broadcast(
        None,
        [
            Reading("loft", "temperature_c", 25.0, AT_MS, Stamp.ARRIVAL),
            Reading("loft", "rh_percent", 50.55, AT_MS, Stamp.ARRIVAL),
        ],
        [],
    )


def test_a_real_packet_with_packet_number_battery_and_voltage() -> None:
    """THREAD: packet 63, battery 94 %, 21.78 °C, 60.60 %; the voltage (2.947 V) is passed over."""
    decoded = decode("40003f015e02820803ac170c830b")
    assert decoded.packet_id == 63
    assert [(r.quantity, r.value) for r in decoded.readings] == [
        ("battery_percent", 94.0),
        ("temperature_c", 21.78),
        ("rh_percent", 60.6),
    ]
    assert not decoded.rejections


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("400161", "battery_percent", 97.0),  # PAGE
        ("4002ca09", "temperature_c", 25.06),  # PAGE
        ("4002ffff", "temperature_c", -0.01),
        ("4003bf13", "rh_percent", 50.55),  # PAGE
        ("402e23", "rh_percent", 35.0),  # PAGE
        ("4004138a01", "pressure_kpa", 100.883),  # PAGE: 1008.83 hPa
        ("40451101", "temperature_c", 27.3),  # PAGE
        ("4057ea", "temperature_c", -22.0),  # from memory
        ("4058ea", "temperature_c", -7.7),  # from memory
        ("4402ca09", "temperature_c", 25.06),  # a device that broadcasts only on an event
    ],
)
def test_every_object_that_is_ours(text: str, quantity: str, value: float) -> None:
    """Each object id is read with its own length, sign and factor."""
    ((_, found, number),) = values(text)
    assert (found, number) == (quantity, pytest.approx(value, abs=1e-12))


def test_several_probes_are_told_apart() -> None:
    """PAGE (25.06 and 25.11 °C): the second time of one quantity is the sensor's second probe."""
    assert values("4002ca0902cf09") == [("loft", "temperature_c", 25.06), ("loft.2", "temperature_c", 25.11)]


def test_objects_that_are_not_ours_are_stepped_over_and_an_unknown_one_ends_it() -> None:
    """Light, movement, moisture and text have known lengths; after an unknown id nothing more can be read."""
    assert values("4005138a142101" + "14020c" + "5303616263" + "2e23") == [("loft", "rh_percent", 35.0)]
    assert values("40015dfe5d0903b718") == [("loft", "battery_percent", 93.0)]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", Why.UNDECODABLE),
        ("2002ca09", Why.UNDECODABLE),  # version 1
        ("4202ca09", Why.UNDECODABLE),  # a bit that no published text explains
        ("41a47266c95f730011223378237214", Why.ENCRYPTED),  # PAGE (encryption)
        ("4002ca", Why.UNDECODABLE),
        ("40530961", Why.UNDECODABLE),
        ("4003ffff", Why.OUT_OF_RANGE),
        ("4002ff7f", Why.OUT_OF_RANGE),
    ],
)
def test_what_cannot_be_read_is_rejected_with_its_reason(text: str, why: Why) -> None:
    """Another version, encryption, a cut packet and impossible values each have their reason, and the sensor's name."""
    decoded = decode(text)
    assert decoded.readings == []
    assert [(r.reason, r.sensor) for r in decoded.rejections] == [(why, "loft")]


@settings(PATIENT, max_examples=500)
@given(st.binary(max_size=40) | st.binary(max_size=30).map(lambda data: b"\x40" + data))
def test_nothing_on_the_air_can_break_the_decoder(data: bytes) -> None:
    """Any bytes give readings within range and rejections, never an error."""
    decoded = decode_broadcast(data, "loft", AT_MS)
    for reading in decoded.readings:
        assert QUANTITIES[reading.quantity].minimum <= reading.value <= QUANTITIES[reading.quantity].maximum
        assert SENSOR_ID.fullmatch(reading.sensor)
    assert {rejected.reason for rejected in decoded.rejections} <= {Why.UNDECODABLE, Why.ENCRYPTED, Why.OUT_OF_RANGE}


def test_moisture_is_never_taken_for_wood() -> None:
    """The format's moisture names neither material nor method, so it is no wood moisture content."""
    assert not {meaning.quantity for meaning in MEANINGS.values()} & {"wood_mc_percent", "slab_rh_percent"}
