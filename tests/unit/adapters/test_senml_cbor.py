"""SenML in CBOR means what the same pack means in JSON, and nothing in its bytes can do harm."""

from __future__ import annotations

import json
import time
from typing import Any

import cbor2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, SENSOR_ID, Why
from adapters.framing.senml import Decoded, decode_pack
from adapters.framing.senml_records import MAX_PACK_BYTES, MAX_RECORDS, Form, RefusedPackError, parse

PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no failure
ARRIVAL_MS = 1_764_064_800_123
LABELS = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6}
LABELS |= {"n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8}

RFC_5_1_2 = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b001062236141200500"
    "67766f6c74616765016156"
    "02fb405e066666666666"
)
"""How the pack of RFC 8428, section 5.1.2, begins in CBOR (section 6): its base fields and its first record."""


def cbor(data: bytes, **options: Any) -> Decoded:
    """Decode a pack in CBOR."""
    return decode_pack(data, ARRIVAL_MS, form=Form.CBOR, **options)


def as_cbor(records: list[dict[str, Any]]) -> bytes:
    """Write records with integer labels."""
    return cbor2.dumps([{LABELS.get(label, label): value for label, value in record.items()} for record in records])


def reasons(decoded: Decoded) -> list[str]:
    """Give the reasons of the rejections."""
    return [rejection.reason for rejection in decoded.rejections]


def test_the_rfcs_own_bytes_give_its_base_fields_and_first_record() -> None:
    """RFC 8428, section 6: the first record of the seven, read alone, has the labels and numbers of section 5.1.2."""
    (record,) = parse(b"\x81" + RFC_5_1_2[1:], Form.CBOR)
    assert record == {
        "bver": 5.0, "bn": "urn:dev:ow:10e2073a0108006:", "bt": 1276020076.001, "bu": "A",
        "n": "voltage", "u": "V", "v": 120.1,
    }  # fmt: skip


RECORDS = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "bn": st.sampled_from(["loft/", "urn:dev:mac:0024befffe804ff1/", "", "_"]),
            "bt": st.floats(-1e9, 1e11),
            "bu": st.sampled_from(["Cel", "%RH", "K", "lon"]),
            "bv": st.floats(allow_nan=False, allow_infinity=False),
            "n": st.sampled_from(["temperature", "humidity", "loft/humidity", "x"]),
            "u": st.sampled_from(["Cel", "%RH", "%EL", "Pa", "V"]),
            "v": st.one_of(st.floats(-100, 200), st.integers(-100, 200), st.just("21"), st.booleans()),
            "vs": st.text(max_size=4),
            "vb": st.booleans(),
            "t": st.one_of(st.floats(-1e6, 2e9), st.integers(-100, 2_000_000_000)),
            "s": st.integers(0, 9),
            "calibrated_": st.booleans(),
        },
    ),
    min_size=1,
    max_size=6,
)


@PATIENT
@given(RECORDS)
def test_a_pack_means_the_same_in_both_forms(records: list[dict[str, Any]]) -> None:
    """Readings and reasons of any pack are those of the same pack in JSON, told apart by the first byte too."""
    in_json = decode_pack(json.dumps(records).encode(), ARRIVAL_MS)
    in_cbor = cbor(as_cbor(records))
    assert in_cbor.readings == in_json.readings
    assert reasons(in_cbor) == reasons(in_json)
    assert decode_pack(as_cbor(records), ARRIVAL_MS, form=Form.EITHER) == in_cbor
    assert decode_pack(json.dumps(records).encode(), ARRIVAL_MS, form=Form.EITHER) == in_json


@pytest.mark.parametrize(
    ("number", "value"),
    [("15", 21.0), ("f94d60", 21.5), ("fa41ac0000", 21.5), ("c4822018d7", 21.5), ("c24115", 21.0)],
)
def test_every_kind_of_number_is_one(number: str, value: float) -> None:
    """Integers, half and single floats, decimal fractions and bignums say the same in fewer bytes."""
    head = "81a300" + "68" + b"humidity".hex() + "01" + "63" + b"%RH".hex() + "02"
    (reading,) = cbor(bytes.fromhex(head + number), default_sensor="loft").readings
    assert reading.value == value


@pytest.mark.parametrize(
    ("data", "why"),
    [
        ("", Why.NOT_CBOR),
        ("ff", Why.NOT_CBOR),
        ("80", Why.NOT_A_PACK),
        ("a0", Why.NOT_A_PACK),
        ("8101", Why.NOT_A_PACK),
        ("81a200010002", Why.NOT_CBOR),  # a key twice
        ("81a20061610061" + "62", Why.NOT_CBOR),
        ("81a202156176" + "15", Why.NOT_A_PACK),  # v by number and by name
        ("9bffffffffffffffff", Why.NOT_CBOR),
        ("81" * 500 + "a0", Why.NOT_CBOR),
        ("d81c81d81d00", Why.NOT_CBOR),  # a list that holds itself
        ("81a102d8236128", Why.NOT_CBOR),  # a pattern
        ("81a102c11a514b67b0", Why.NOT_CBOR),  # a date
        ("81a12063" + b"bad".hex(), Why.NOT_A_PACK),  # bver is no number
        ("81a1200b", Why.VERSION),
        ("81a164666f6f5f" + "01", Why.MUST_UNDERSTAND),
    ],
)
def test_what_breaks_the_rules_is_refused_whole(data: str, why: Why) -> None:
    """Torn, nested, self-referring, tagged and mislabelled packs give one reason and no reading."""
    decoded = cbor(bytes.fromhex(data))
    assert decoded.readings == []
    assert reasons(decoded) == [why]


def test_numbers_beyond_a_double_are_told_one_by_one() -> None:
    """A huge decimal fraction, a huge bignum and NaN are no finite values; their neighbour is read."""
    huge = cbor2.CBORTag(4, [10**6, 1])
    records = [{"n": "loft/humidity", "u": "%RH", "v": value} for value in (huge, 10**400, float("nan"), 47)]
    decoded = cbor(as_cbor(records))
    assert reasons(decoded) == [Why.NOT_FINITE] * 3
    assert [r.value for r in decoded.readings] == [47.0]


def test_too_much_is_refused() -> None:
    """More bytes or more records than a pack may have are refused, quickly."""
    with pytest.raises(RefusedPackError, match="too long"):
        parse(b"\x81" * (MAX_PACK_BYTES + 1), Form.CBOR)
    began_s = time.monotonic()
    assert reasons(cbor(cbor2.dumps([{}] * (MAX_RECORDS + 1)))) == [Why.TOO_LONG]
    assert time.monotonic() - began_s < 2


@PATIENT
@given(st.binary(max_size=200), st.binary(max_size=20), st.integers(0, 60))
def test_no_bytes_can_do_harm(noise: bytes, patch: bytes, at: int) -> None:
    """Anything at all, and a good pack with bytes of it exchanged, gives readings in range or reasons."""
    good = as_cbor([{"bn": "loft/", "bt": 1.7e9, "n": "humidity", "u": "%RH", "v": 47.2}, {"n": "x", "v": 3}])
    for data in (noise, good[:at] + patch + good[at + len(patch) :]):
        decoded = cbor(data)
        assert decoded.readings or decoded.rejections or not data or data[0] >= 0x80
        for reading in decoded.readings:
            quantity = QUANTITIES[reading.quantity]
            assert quantity.minimum <= reading.value <= quantity.maximum
            assert SENSOR_ID.fullmatch(reading.sensor)
