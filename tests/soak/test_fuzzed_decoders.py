"""A million inputs for every decoder: no crash, no hang, no growth, never a reading out of range.

Guided by coverage: a first part of the inputs is run under a tracer, and whatever reaches a pair of lines that nothing
reached before joins the corpus from which all further inputs are made, by cutting, joining and changing octets.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Iterable
from types import FrameType
from typing import Any, Final

import cbor2
import psutil
import pytest

from adapters.bluetooth_probes import Probe
from adapters.contract import QUANTITIES, SENSOR_ID, AdapterHealth, Reading, Rejection, Why
from adapters.framing.broadcasts import decode_broadcast, unseal
from adapters.framing.csv_rows import CsvForm, read_rows, text_of
from adapters.framing.json_maps import map_of
from adapters.framing.named_rows import NamedRows, object_of
from adapters.framing.register_maps import registers_of, requests_of
from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import Form
from adapters.framing.sensing import CHARACTERISTICS, decode_characteristic
from adapters.framing.sensing_descriptors import (
    About,
    decode_description,
    decode_measurement,
    decode_trigger,
    decode_valid_range,
)
from adapters.framing.serial_answers import questions_of
from adapters.framing.times import zone_named
from adapters.framing.topic_rules import TopicRules
from adapters.pack_lines import PackLines

pytestmark = pytest.mark.soak

INPUTS: Final = 1_000_000
GUIDED: Final = 30_000
LONGEST_INPUT_S: Final = 1.0
GROWTH_LIMIT_BYTES: Final = 32_000_000
CORPUS_LIMIT: Final = 2_000
AT_MS: Final = 1_764_064_800_000

PACK = b'[{"bn":"loft/","bt":1764064800,"n":"temperature","u":"Cel","v":21.5},{"n":"humidity","u":"%RH","v":47}]'
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
LINES = {"sensor": None, "prefix": "", "allow": ["loft"]}
CSV = "time,sensor,temperature_f,rh_percent\n2026-01-01T00:00Z,loft,70,47\n2026-07-01T12:00:00+02:00,loft,,48,5\n"
MAP = map_of(
    {
        "values": {
            "/air/t": "temperature_f",
            "/air/rh": {"quantity": "rh_percent", "sensor_at": "/id", "scale": 0.1},
            "/p/1": {"quantity": "wood_mc_percent", "time": "/p/0"},
        },
        "sensor": "loft",
        "zone": "Europe/Helsinki",
    }
)
RULES = TopicRules(
    {"house/{sensor}/{quantity}": "{quantity}", "a/+/t": {"sensor": "s", "quantity": "temperature_c"}},
    "x-",
    {"{floor}/{room}": {"values": {"/t": "temperature_c"}, "sensor": "{floor}-{room}", "time": "/at"}},
)
REGISTERS = requests_of(
    registers_of(
        [
            {
                "sensor": f"s{n}",
                "quantity": "rh_percent",
                "address": 2 * n,
                "type": kind,
                "word_order": order,
                "scale": 0.1,
            }
            for n, (kind, order) in enumerate((k, o) for k in ("int16", "uint32", "float32") for o in ("big", "little"))
        ]
    )
)

Outcome = Iterable[Reading | Rejection | None]


def senml_json(data: bytes) -> Outcome:
    """A pack in JSON."""
    return [item for part in decode_pack(data, AT_MS, default_sensor="x") for item in part]


def senml_cbor(data: bytes) -> Outcome:
    """A pack in CBOR."""
    return [item for part in decode_pack(data, AT_MS, form=Form.CBOR) for item in part]


def serial_lines(data: bytes) -> Outcome:
    """A stream of lines, fed in two pieces."""
    lines = PackLines(LINES, AdapterHealth())
    return [*lines.feed(data[: len(data) // 2], AT_MS), *lines.feed(data[len(data) // 2 :] + b"\n", AT_MS)]


def broadcasts(data: bytes) -> Outcome:
    """A broadcast, plain or sealed."""
    sealed = unseal(data, KEY, b"\x54\x48\xe6\x8f\x80\xa5")
    decoded = decode_broadcast(sealed.plain if sealed else data, "loft", AT_MS)
    return [*decoded.readings, *decoded.rejections]


def sensing(data: bytes) -> Outcome:
    """A characteristic, chosen by the first octet."""
    chosen = list(CHARACTERISTICS.values())[data[0] % len(CHARACTERISTICS) if data else 0]
    value = decode_characteristic(chosen, data[1:])
    return [Reading("loft", chosen.quantity, value, AT_MS, None)] if isinstance(value, float) else []  # type: ignore[arg-type]


def modbus(data: bytes) -> Outcome:
    """Registers of every type."""
    words = [int.from_bytes(data[at : at + 2].ljust(2, b"\0")) for at in range(0, 300, 2)]
    return [item for request in REGISTERS for item in request.read(words[: request.place.words], AT_MS)]


def csv_rows(data: bytes) -> Outcome:
    """A CSV file whose header stands and whose rows do not."""
    text = data.decode("utf-8", "replace")
    rows = read_rows(["time,sensor,temperature_f,rh_percent\n", *text.splitlines(keepends=True)], CsvForm())
    return [item for row in rows for item in (*row.readings, *row.rejections)]


def json_rows(data: bytes) -> Outcome:
    """Lines that hold an object with a row's columns."""
    rows, found = NamedRows(CsvForm({"T": "temperature_f"}, zone=zone_named("Europe/Helsinki"))), []
    for number, line in enumerate(data.split(b"\n"), 1):
        row = object_of(line)
        if not isinstance(row, Why):
            read = rows.read(row, number, "line")
            found += [*read.readings, *read.rejections]
    return found


def json_map(data: bytes) -> Outcome:
    """Any JSON document."""
    return [item for part in MAP.read(data, AT_MS) for item in part]


def topics(data: bytes) -> Outcome:
    """A topic and a payload."""
    topic, _, payload = data.partition(b"\0")
    return [item for part in RULES.read(topic.decode("utf-8", "replace"), payload, AT_MS) for item in part]


QUESTIONS = questions_of(
    [
        {
            "ask": "a",
            "sensor": "hall",
            "begins": ">",
            "fields": {"1": "temperature_c", "2": {"quantity": "rh_percent", "scale": 0.1, "missing": "9999"}},
        },
        {"ask": "b", "sensor": "x", "between": "+-", "pieces": 2, "fields": {"2": "temperature_f"}},
        {"ask": "c", "sensor": "y", "fields": {"T=": "temperature_f", "RH": "rh_percent"}},
    ]
)


def serial_answers(data: bytes) -> Outcome:
    """An answer on a serial line, to each of three questions."""
    return [item for question in QUESTIONS for part in question.read(data, AT_MS) for item in part]


def sensing_descriptors(data: bytes) -> Outcome:
    """The descriptors of a characteristic, chosen by the first octet, and a value that is held against its range."""
    chosen = list(CHARACTERISTICS.values())[data[0] % len(CHARACTERISTICS) if data else 0]
    trigger = decode_trigger(chosen, data[1:])
    valid = decode_valid_range(chosen, data[1 : 1 + 2 * chosen.length])
    about = About(decode_description(data), decode_measurement(data[1:]), valid, (trigger,) if trigger else ())
    assert about.sentence(chosen.quantity).isprintable(), data
    value = Probe(None, chosen, "loft", about).read(data[-chosen.length :])  # type: ignore[arg-type]
    if not isinstance(value, float):
        return [value]
    assert valid is None or valid[0] <= value <= valid[1], data
    return [Reading("loft", chosen.quantity, value, AT_MS, None)]  # type: ignore[arg-type]


def csv_forms(data: bytes) -> Outcome:
    """A CSV file with its times in a form, a zone with doubled hours, date and time apart, decimal commas."""
    rows = read_rows(["D,T,temperature_f,rh_percent\n", *text_of(data).splitlines(keepends=True)], CSV_FORM)
    return [item for row in rows for item in (*row.readings, *row.rejections)]


CSV_FORM = CsvForm({"D": "date", "T": "time"}, "loft", zone_named("Europe/Helsinki"), "%d.%m.%Y %H:%M", decimal="comma")

CASES: Final[dict[str, tuple[Callable[[bytes], Outcome], list[bytes]]]] = {
    "senml_json": (senml_json, [PACK, b'[{"n":"a/pressure","u":"hPa","bver":26,"bv":1e3,"v":1,"foo_":1}]', b"[]"]),
    "senml_cbor": (senml_cbor, [
        cbor2.dumps([{-2: "loft/", -3: 1.7e9, 0: "humidity", 1: "%RH", 2: 47.2}, {0: "x", 2: 3, 6: -1}]),
        bytes.fromhex("9fbf0068" + b"humidity".hex() + "01632552480218" + "2fffff"),
        cbor2.dumps([{0: "a", 1: "Cel", 2: cbor2.CBORTag(4, [-1, 215])}]),
    ]),
    "serial_lines": (serial_lines, [PACK + b"\n", PACK + b"*00000000\r\n# hello\n\n" + PACK, b"x" * 40]),
    "broadcasts": (broadcasts, [
        bytes.fromhex(h) for h in ("40003f015e02820803ac170c830b", "41a47266c95f730011223378237214", "4053020041", "44")
    ]),
    "sensing": (sensing, [bytes.fromhex(h) for h in ("006308", "01a811", "02ca760f00", "0364", "000080")]),
    "modbus": (modbus, [bytes(range(40)), b"\xff" * 40, bytes.fromhex("7fc00000" * 6)]),
    "csv_rows": (csv_rows, [CSV.partition("\n")[2].encode(), b'"a\nb",loft,"7""0",x\n', b"1764064800,\xff,nan,\n"]),
    "json_rows": (json_rows, [
        b'{"time":"2026-01-01T00:00Z","sensor":"loft","T":70,"rh_percent":"47,5"}\n{"time":1e99,"sensor":7,"T":null}',
        b'{"time":"2026-10-25T03:30","sensor":"a","rh_percent":47}\n{"time":"2026-10-25T03:30","sensor":"a","T":"nan"}',
    ]),
    "csv_forms": (csv_forms, [b'25.10.2026,03:30,"70,1",47\n25.10.2026,03:30,70,\n', b"29.03.2026,03:30,1,\xe9\n"]),
    "serial_answers": (serial_answers, [b">+21.5 472C", b"+21.5-3.0e1F", b"T= 70.7\xb0F, RH47.2 %", b">9999,n/a"]),
    "sensing_descriptors": (sensing_descriptors, [bytes.fromhex(h) for h in (
        "000000020100003c00001c04", "00013c0000", "0003", "0007c409", "00f0d810276308", "02e0930400e0c81000ca760f00",
        "01776f6f64", "0100002710a811",
    )]),
    "json_map": (json_map, [b'{"air":{"t":70,"rh":"47"},"p":[1,8.5]}', b'{"air":[1,2],"p":{"1":null}}', b"[1e999]",
        b'{"air":{"rh":470},"id":"a","p":["2026-10-25 03:30",8.5]}', b'{"p":[1764064800.5,1],"id":5}']),
    "topics": (topics, [b"house/loft/humidity\0 47.5 ", b"a/b/t\0-3e1", b"house/x/temperature_f\0nan",
        b'up/loft\0{"t":21.5,"at":1764064800}']),
}  # fmt: skip

_PIECES: Final = (
    b"", b"0", b"-1", b"1e308", b"null", b'"', b"[", b"{", b"\n", b"\xff\xff", b"\x00", b"\x80\x00", b"\xc2",
    b"\xd8\x1c",
)  # fmt: skip


def mutated(corpus: list[bytes], chance: random.Random) -> bytes:
    """Make an input of the corpus: cut, join, change, insert."""
    data = bytearray(chance.choice(corpus))
    for _ in range(chance.randrange(1, 4)):
        at = chance.randrange(len(data) + 1)
        what = chance.randrange(6)
        if what == 0 and data:
            data[at % len(data)] ^= 1 << chance.randrange(8)
        elif what == 1:
            data[at:at] = chance.choice(_PIECES)
        elif what == 2:
            del data[at : at + chance.randrange(1, 9)]
        elif what == 3:
            other = chance.choice(corpus)
            begin = chance.randrange(len(other) + 1)
            data[at:at] = other[begin : begin + chance.randrange(24)]
        elif what == 4 and data:
            data[at % len(data)] = chance.randrange(256)
        else:
            data = data[:at]
    return bytes(data[:400])


class Coverage:
    """Which pairs of lines of our framing ran one after the other."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int, int]] = set()
        self.fresh = False
        self._last = 0

    def __call__(self, frame: FrameType, event: str, argument: Any) -> Any:
        """Trace calls into our own framing only."""
        if "adapters" not in frame.f_code.co_filename:
            return None
        return self._line

    def _line(self, frame: FrameType, event: str, argument: Any) -> Any:
        edge = (frame.f_code.co_name, self._last, frame.f_lineno)
        self._last = frame.f_lineno
        if edge not in self.seen:
            self.seen.add(edge)
            self.fresh = True
        return self._line


def check(outcome: Outcome, data: bytes) -> None:
    """Hold every reading against its quantity's range and its sensor's name against what may be one."""
    for item in outcome:
        if type(item) is Reading:
            quantity = QUANTITIES[item.quantity]
            assert quantity.minimum <= item.value <= quantity.maximum, (data, item)
            assert SENSOR_ID.fullmatch(item.sensor), (data, item)


def guided_corpus(decode: Callable[[bytes], Outcome], seeds: list[bytes], chance: random.Random) -> list[bytes]:
    """Grow the corpus by what reaches new ground."""
    corpus, coverage = list(seeds), Coverage()
    for number in range(GUIDED):
        data = seeds[number] if number < len(seeds) else mutated(corpus, chance)
        coverage.fresh = False
        sys.settrace(coverage)
        try:
            outcome = decode(data)
        finally:
            sys.settrace(None)
        check(outcome, data)
        if coverage.fresh and len(corpus) < CORPUS_LIMIT:
            corpus.append(data)
    return corpus


@pytest.mark.parametrize("name", CASES)
def test_a_million_inputs_do_no_harm(name: str) -> None:
    """Guided first, then from the grown corpus; the slowest input, the memory and every reading are looked at."""
    decode, seeds = CASES[name]
    chance = random.Random(name)
    corpus = guided_corpus(decode, seeds, chance)
    memory = psutil.Process().memory_info
    slowest_s, before = 0.0, memory().rss
    for _ in range(INPUTS - GUIDED):
        data = mutated(corpus, chance)
        began_s = time.perf_counter()
        outcome = decode(data)
        slowest_s = max(slowest_s, time.perf_counter() - began_s)
        check(outcome, data)
    grown = memory().rss - before
    print(f"{name}: corpus {len(corpus)}, slowest {slowest_s * 1000:.1f} ms, grown {grown / 1e6:.1f} MB")
    assert slowest_s < LONGEST_INPUT_S
    assert grown < GROWTH_LIMIT_BYTES
