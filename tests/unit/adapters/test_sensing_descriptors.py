"""What a characteristic of the Environmental Sensing Service says of itself, octet by octet."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.framing.sensing import CHARACTERISTICS
from adapters.framing.sensing_descriptors import (
    LONGEST_SECONDS,
    SAMPLINGS,
    About,
    Measurement,
    Trigger,
    decode_description,
    decode_measurement,
    decode_trigger,
    decode_valid_range,
    encode_trigger,
)

TEMPERATURE, HUMIDITY, PRESSURE, BATTERY = CHARACTERISTICS.values()


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        # The Zephyr project's sample peripheral_esp: its first thermometer and its hygrometer.
        ("0000 00 010000 050000 1c 04", Measurement(0, 1, 5, 0x1C, 2.0)),
        ("0000 02 100e00 3c0000 1c 01", Measurement(2, 3600, 60, 0x1C, 0.5)),
        # Not in use, not available: 000000 and FF (the same specification).
        ("0000 01 000000 000000 00 ff", Measurement(1, None, None, 0, None)),
        ("ffff 04 ffffff ffffff 21 fe aabb", Measurement(4, 0xFFFFFF, 0xFFFFFF, 0x21, 127.0)),
        ("0000 00 010000 050000 1c", None),
        ("", None),
    ],
)
def test_a_measurement_descriptor_is_read_as_specified(data: str, wanted: Measurement | None) -> None:
    """Every field, what means "not said", what is too short, and what a later version may add behind it."""
    assert decode_measurement(bytes.fromhex(data)) == wanted


@pytest.mark.parametrize(("code", "usable"), list(enumerate([True, True, True, *[False] * 5])))
def test_only_what_stands_for_the_air_is_usable(code: int, usable: bool) -> None:
    """A mean is the air's; the day's maximum, a root mean square, a sum and a count are not, nor what is reserved."""
    assert Measurement(code, None, None, 0, None).is_of_the_air is usable
    assert not Measurement(len(SAMPLINGS), None, None, 0, None).is_of_the_air
    about = About(measurement=Measurement(code, 3600, None, 0, None))
    assert ("not taken" in about.sentence("temperature_c")) is not usable


@pytest.mark.parametrize(
    ("data", "wanted", "words"),
    [
        ("00", Trigger(0), "never by itself"),
        ("01 3c0000", Trigger(1, seconds=60), "every 60 s"),
        ("02 100e00", Trigger(2, seconds=3600), "not sooner than after 3600 s"),
        ("03", Trigger(3), "when the value changes"),
        ("04 cefd", Trigger(4, value=-5.62), "when below -5.62"),
        ("07 c409", Trigger(7, value=25.0), "when at or above 25"),
        ("09 0000", Trigger(9, value=0.0), "when other than 0"),
    ],
)
def test_a_trigger_is_read_by_its_condition(data: str, wanted: Trigger, words: str) -> None:
    """No operand, seconds, or a value in the characteristic's own format; said in words."""
    assert decode_trigger(TEMPERATURE, bytes.fromhex(data)) == wanted
    assert str(wanted) == words


@pytest.mark.parametrize("data", ["", "0000", "01", "01 3c", "01 3c000000", "03 00", "04", "04 00", "0a 0000", "ff"])
def test_a_trigger_that_is_none_is_passed_over(data: str) -> None:
    """An operand of the wrong length, and conditions that nobody has defined."""
    assert decode_trigger(TEMPERATURE, bytes.fromhex(data)) is None


@given(st.integers(1, LONGEST_SECONDS))
def test_what_is_written_as_a_trigger_is_read_as_one(seconds: int) -> None:
    """The setting that we write means that interval."""
    assert decode_trigger(TEMPERATURE, encode_trigger(seconds)) == Trigger(1, seconds=seconds)


def test_valid_ranges_are_in_the_values_own_format() -> None:
    """The sample's -100 to 100 °C; a pressure of 30 to 110 kPa; a range the wrong way round is none."""
    assert decode_valid_range(TEMPERATURE, bytes.fromhex("f0d8 1027")) == (-100.0, 100.0)
    assert decode_valid_range(PRESSURE, bytes.fromhex("e0930400 e0c81000")) == (30.0, 110.0)
    assert decode_valid_range(HUMIDITY, bytes.fromhex("1027 0000")) is None
    assert decode_valid_range(BATTERY, bytes.fromhex("00")) is None


def test_a_description_cannot_steer_a_page_or_terminal() -> None:
    """Printable, bounded, whatever was sent."""
    assert decode_description(b"Temperature Sensor 2\0") == "Temperature Sensor 2"
    assert decode_description("außen ".encode()) == "außen"
    assert decode_description(b"\x1b[31m\xff" + b"x" * 500) == "[31m\ufffd" + "x" * 55


def test_a_sentence_says_all_that_helps() -> None:
    """Accuracy in the terms of the job, pace with its hint, purpose, range, triggers."""
    about = About("lead", decode_measurement(bytes.fromhex("000002100e00 100e001c04")), (-40.0, 85.0), (Trigger(3),))
    assert about.sentence("temperature_c", ["set"]) == (
        "“lead”, mean of 3600 s, meant for: outside, by its own word good to ±2 % of the value "
        "(accuracy_temperature_c = 0.4 at 20 °C), renewed every 3600 s, so offline_after_minutes should be 180 or "
        "more, "
        "can tell -40 to 85 °C, "
        "tells by itself when the value changes, set"
    )
    assert About().sentence("rh_percent") == ""


@given(st.binary(max_size=16), st.sampled_from([TEMPERATURE, HUMIDITY, PRESSURE, BATTERY]))
def test_no_octets_can_break_them(data: bytes, characteristic: object) -> None:
    """Whatever a device sends is understood or passed over, and can be said."""
    trigger = decode_trigger(characteristic, data)  # type: ignore[arg-type]
    valid = decode_valid_range(characteristic, data)  # type: ignore[arg-type]
    about = About(decode_description(data), decode_measurement(data), valid, (trigger,) if trigger else ())
    assert about.sentence("rh_percent").isprintable()
