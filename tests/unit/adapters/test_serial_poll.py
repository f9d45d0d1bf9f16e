"""The adapter that asks on a serial line, over real ptys: late answers, garbage, silence, echoes, several devices."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters import serial_poll, serial_talk
from adapters.conformance import CHECKS, Check, Specimen
from adapters.contract import QUANTITIES, SENSOR_ID, LostDeviceError, ProtocolError, SettingsError, Stamp, Why
from adapters.framing.serial_answers import pieces_of, questions_of
from adapters.framing.serial_lines import with_checksum
from adapters.registry import check_settings
from adapters.serial_poll import SerialPoll
from ingest.clock import SystemClock

NOW_MS = 1_764_064_800_000
QUICK = {"interval_s": 0.1, "timeout_s": 0.15, "settle_s": 0.05}
TWO = [
    {"ask": "#01\r", "sensor": "hall", "begins": "01", "fields": {"1": "temperature_c", "2": "rh_percent"}},
    {"ask": "#02\r", "sensor": "attic", "begins": "02", "fields": {"1": "temperature_f", "RH=": "rh_percent"}},
]
PACK = b'[{"n":"temperature","u":"Cel","v":21.5}]'
Line = Callable[..., Any]


@pytest.fixture
def line(asked_devices: Any) -> Iterator[Line]:
    """Give the function that makes a line with devices."""
    made: list[Any] = []

    def make(answers: Any, **more: Any) -> Any:
        told = (
            answers if callable(answers) else lambda question: [(0.0, answers[question])] if question in answers else []
        )
        made.append(asked_devices.AskedDevices(told, **more))
        return made[-1]

    yield make
    for one in made:
        one.end()


def adapter(path: str, questions: list[Any], **settings: Any) -> SerialPoll:
    """Make the adapter as the daemon does."""
    return SerialPoll(
        check_settings(SerialPoll, {"port": path, "questions": questions} | QUICK | settings), SystemClock()
    )


async def test_devices_on_one_line_are_asked_in_turn(line: Line, listen: Any) -> None:
    """Two addresses; pieces by place and by label, units behind numbers, °F: readings stamped on arrival."""
    devices = line({b"#01": b"01 21.5C, 47.2 %\r\n", b"#02": b"02 70.7F RH=55.1%\r\n"})
    heard = listen(adapter(devices.path, TWO))
    await heard.count(8)
    await heard.stop()
    assert [r[:3] for r in heard.readings[:4]] == [
        ("hall", "temperature_c", 21.5), ("hall", "rh_percent", 47.2),
        ("attic", "temperature_c", pytest.approx(21.5)), ("attic", "rh_percent", 55.1),
    ]  # fmt: skip
    assert {r.stamp for r in heard.readings} == {Stamp.ARRIVAL}
    assert devices.asked[:6] == [b"#01", b"#01", b"#02", b"#02", b"#01", b"#02"]  # believed when it answers twice


async def test_answers_may_be_packs(line: Line, listen: Any) -> None:
    """Without a map the answer is a SenML line, with the sensor's name of the question, and its checksum is checked."""
    answers = {b"a": with_checksum(PACK) + b"\r\n", b"b": with_checksum(PACK)[:-1] + b"1\n", b"c": b"hello\n"}
    devices = line(answers)
    asked = adapter(devices.path, [{"ask": f"{one}\r", "sensor": f"{one}-1"} for one in "abc"], prefix="mill-")
    heard = listen(asked)
    await heard.count(2)
    await heard.stop()
    assert {r[:3] for r in heard.readings} == {("mill-a-1", "temperature_c", 21.5)}
    assert asked.health.rejected[Why.CHECKSUM_WRONG] >= 1
    assert asked.health.rejected[Why.NOT_A_PACK] >= 1


async def test_octets_are_asked_and_silence_may_end_an_answer(line: Line, listen: Any) -> None:
    """STX, a command and ETX as hexadecimal digits; an answer without any end, in two parts."""
    devices = line(lambda question: [(0.0, b"+21.5"), (0.02, b"-3.25+47.2")], ends=b"\x03")
    question = {"ask_hex": "02 30 31 03", "sensor": "hall", "between": "+-", "pieces": 3,
                "fields": {"2": "temperature_c", "3": "rh_percent"}}  # fmt: skip
    heard = listen(adapter(devices.path, [question], ends=""))
    await heard.count(2)
    await heard.stop()
    assert devices.asked[0] == b"\x0201"
    assert [r[1:3] for r in heard.readings[:2]] == [("temperature_c", -3.25), ("rh_percent", 47.2)]


async def test_an_echo_and_empty_lines_are_passed_over(line: Line, listen: Any) -> None:
    """An adapter for RS-485 that hears itself, and a device that begins with a line end and goes on with a prompt."""
    devices = line({b"#01": b"#01\r\r\n\r\n21.5\r\nOK\r\n"})
    question = {"ask": "#01\r", "sensor": "hall", "fields": {"1": "temperature_c"}}
    heard = listen(adapter(devices.path, [question], ends="OK\r\n"))
    await heard.count(2)
    await heard.stop()
    assert heard.readings[0][:3] == ("hall", "temperature_c", 21.5)


async def test_no_answer_is_ever_filed_under_another_question(
    line: Line, listen: Any, asked_devices: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three devices that are late, silent or answer twice, with nothing in their answers to tell them by; on four
    lines at once."""
    questions = [{"ask": f"#{n}\r", "sensor": f"s{n}", "fields": {"1": "temperature_c"}} for n in (1, 2, 3)]
    monkeypatch.setattr(serial_poll, "ASK_AGAIN_S", 0.0)  # so that the late ones are asked in every round
    monkeypatch.setattr(serial_poll, "SILENT_ROUNDS", 1_000)
    lines = [line(asked_devices.unsteady(seed, 0.2)) for seed in (1, 2, 3, 4)]
    asked = [adapter(devices.path, questions, timeout_s=0.2, interval_s=0.1) for devices in lines]
    heard = [listen(one) for one in asked]
    await asyncio.sleep(3.5)
    for one in heard:
        await one.stop()
    readings = [reading for one in heard for reading in one.readings]
    assert len(readings) > 3
    assert [r for r in readings if int(r.value) != 20 + int(r.sensor[1])] == []
    assert sum(one.health.rejected.get(Why.NO_ANSWER, 0) for one in asked) > 8


async def test_an_answer_of_another_device_is_known_by_how_it_begins(line: Line, listen: Any) -> None:
    """What begins otherwise is out of step, whatever numbers stand in it."""
    devices = line({b"#01": b"02 21.5 47\r\n", b"#02": b"02 70 RH=50\r\n"})
    asked = adapter(devices.path, TWO)
    heard = listen(asked)
    await heard.count(4)
    await heard.stop()
    assert {r.sensor for r in heard.readings} == {"attic"}
    assert asked.health.rejected[Why.OUT_OF_STEP] >= 1


async def test_garbage_between_and_in_answers_does_no_harm(line: Line, listen: Any) -> None:
    """What comes unasked is thrown away before the next question; what cannot be read is counted."""
    devices = line({b"#01": b"01 2\xff1.5, 47.2\r\n", b"#02": b"02 70 RH=50\r\n"})
    asked = adapter(devices.path, TWO)
    heard = listen(asked)
    for number in range(4):
        await heard.count(2 * (number + 1))
        devices.say(b"02 99 RH=99\r\n\x00\xff")
    await heard.stop()
    assert all(r.value != 99 for r in heard.readings)
    assert {r.sensor for r in heard.readings if r.quantity == "temperature_c"} == {"attic"}
    assert asked.health.rejected[Why.NO_VALUE] >= 1


async def test_a_silent_device_costs_the_others_nothing_but_its_time(line: Line, listen: Any) -> None:
    """It is counted, and asked again after a while only."""
    devices = line({b"#02": b"02 70 RH=50\r\n"})
    asked = adapter(devices.path, TWO)
    heard = listen(asked)
    await heard.count(12)
    await heard.stop()
    assert devices.asked.count(b"#01") <= 2
    assert asked.health.rejected[Why.NO_ANSWER] == devices.asked.count(b"#01")
    assert asked.health.last_rejection is not None
    assert asked.health.last_rejection.sensor == "hall"


async def test_when_nobody_answers_that_is_an_error(line: Line, listen: Any) -> None:
    """After three rounds of silence it says what to check, and what came last."""
    devices = line({})
    with pytest.raises(LostDeviceError, match=r"nobody answered for 3 rounds.*asked #02"):
        await asyncio.wait_for(listen(adapter(devices.path, TWO, timeout_s=0.05)).task, 10)


async def test_a_line_on_which_somebody_talks_all_the_time_is_refused(
    line: Line, listen: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A device that prints by itself cannot be asked: it is said which adapter is for it."""
    devices = line({})
    talking = asyncio.create_task(_talk(devices))
    monkeypatch.setattr(serial_talk, "DRAIN_LIMIT_S", 1.0)
    with pytest.raises(ProtocolError, match=r"without being asked.*serial_line"):
        await asyncio.wait_for(listen(adapter(devices.path, TWO)).task, 20)
    talking.cancel()


async def _talk(devices: Any) -> None:
    while True:
        devices.say(b"21.5\r\n")
        await asyncio.sleep(0.02)


async def test_an_answer_without_an_end_is_cut_off(line: Line, listen: Any) -> None:
    """More than an answer may be long is dropped, and the line must fall silent before anything is asked again."""
    devices = line({b"#01": b"0" * 20_000, b"#02": b"02 70 RH=50\r\n"})
    asked = adapter(devices.path, TWO, timeout_s=0.8)
    heard = listen(asked)
    await heard.count(2)
    await heard.stop()
    assert asked.health.rejected[Why.TOO_LONG] == 1


async def test_an_unplugged_line_is_a_lost_device(line: Line, listen: Any) -> None:
    """The plug is pulled in the middle: a typed error, and nothing stays open."""
    devices = line({b"#01": b"01 20 50\r\n", b"#02": b"02 70 RH=50\r\n"})
    heard = listen(adapter(devices.path, TWO))
    await heard.count(4)
    devices.end()
    with pytest.raises(LostDeviceError, match="the device went away"):
        await asyncio.wait_for(heard.task, 5)


@pytest.mark.parametrize(
    ("text", "between", "pieces"),
    [
        ("21.5,47.2", ",; \t", ["21.5", "47.2"]),
        ("21.5 , 47.2", ",; \t", ["21.5", "47.2"]),
        ("21.5,,47.2", ",; \t", ["21.5", "", "47.2"]),
        ("  21.5   47.2 ", ",; \t", ["21.5", "47.2"]),
        ("21.5, ,47.2,", ",", ["21.5", "", "47.2", ""]),
        ("+21.5-3.0e-1", "+-", ["+21.5", "-3.0e-1"]),
        ("a+1", "+", ["a", "+1"]),
        ("", ",", [""]),
        ("[1]2^3", "[]^", ["", "1", "2", "3"]),
    ],
)
def test_texts_are_parted_so_that_a_missing_value_moves_no_other(text: str, between: str, pieces: list[str]) -> None:
    """Spaces part in any number; between two commas there is an empty piece; signs stay with their numbers."""
    assert pieces_of(text, between) == pieces


@pytest.mark.parametrize(
    ("fields", "answer", "wanted"),
    [
        ({"1": "temperature_c"}, "21.5C", [21.5]),
        ({"1": {"quantity": "rh_percent", "scale": 0.1, "offset": 1}}, "472", [48.2]),
        ({"1": {"quantity": "rh_percent", "missing": "999.9"}}, "999.9 %", []),
        ({"1": {"quantity": "rh_percent", "missing": "ERR"}}, "ERR", []),
        ({"1": "rh_percent"}, "n/a", []),
        ({"2": "rh_percent"}, "50", [Why.NO_VALUE]),
        ({"1": "rh_percent"}, "5O", [Why.NO_VALUE]),
        ({"1": "rh_percent"}, "50and60", [Why.NO_VALUE]),
        ({"1": "rh_percent"}, "5.0.1", [Why.NO_VALUE]),
        ({"1": "rh_percent"}, "50 percents", [50.0]),
        ({"1": "rh_percent"}, "50%RH", [50.0]),
        ({"1": "rh_percent"}, "5r", [Why.NO_VALUE]),
        ({"1": "temperature_f"}, "70.7\xb0C", [Why.WRONG_UNIT]),
        ({"1": "temperature_c"}, "21.5\xb0C", [21.5]),
        ({"1": "rh_percent"}, "101", [Why.OUT_OF_RANGE]),
        ({"1": "rh_percent"}, "1e999", [Why.NOT_FINITE]),
        ({"T=": "temperature_c"}, "DT=3 T= 21.5C", [21.5]),
        ({"T=": "temperature_c"}, "T=3 T=4", [Why.NO_VALUE]),
        ({"T=": "temperature_c"}, "H=3", [Why.NO_VALUE]),
    ],
)
def test_values_are_found_by_place_and_label(fields: dict[str, Any], answer: str, wanted: list[Any]) -> None:
    """Scales, units behind numbers, gaps, and everything that is no number, or not surely the one that is meant."""
    (question,) = questions_of([{"ask": "x", "sensor": "hall", "fields": fields}])
    decoded = question.read(answer.encode(), NOW_MS)
    found = [r.value for r in decoded.readings] + [r.reason for r in decoded.rejections]
    assert (
        found == pytest.approx(wanted)
        if decoded.readings
        else set(found) <= set(wanted) and bool(found) == bool(wanted)
    )


@given(st.text(max_size=40), st.sampled_from([",; \t", "+-", ",", "[-]"]))
def test_no_answer_can_do_harm(text: str, between: str) -> None:
    """Whatever comes is a reading in range, a gap or a reason."""
    fields = {"1": "rh_percent", "2": {"quantity": "temperature_f", "scale": 1e9}, "T": "wood_mc_percent"}
    (question,) = questions_of([{"ask": "x", "sensor": "hall", "between": between, "fields": fields}])
    for reading in question.read(text.encode(), NOW_MS).readings:
        assert QUANTITIES[reading.quantity].minimum <= reading.value <= QUANTITIES[reading.quantity].maximum
        assert SENSOR_ID.fullmatch(reading.sensor)


GOOD = {"ask": "x", "sensor": "hall", "fields": {"1": "rh_percent"}}


@pytest.mark.parametrize(
    ("questions", "message"),
    [
        ([], "there are 0 questions"),
        (["x"], "questions, entry 1: 'x' is no table"),
        ([GOOD, GOOD | {"every": 5}], "questions, entry 2: there is no key 'every'"),
        ([GOOD | {"ask_hex": "00"}], "it takes either ask or ask_hex"),
        ([{"sensor": "hall"}], "it takes either ask or ask_hex"),
        ([GOOD | {"ask": "é"}], "this cannot be sent"),
        ([{"ask_hex": "0", "sensor": "hall"}], "this cannot be sent"),
        ([GOOD | {"ask": ""}], "a question of 0 octets"),
        ([GOOD | {"ask": "x" * 300}], "a question of 300 octets"),
        ([GOOD | {"ask": 5}], "ask 5 is no text"),
        ([GOOD | {"sensor": "the hall"}], "sensor 'the hall' cannot be a sensor's name"),
        ([GOOD | {"fields": {"1": "mood"}}], "'mood' is no quantity"),
        ([GOOD | {"fields": {"0": "rh_percent"}}], "'0' is no field"),
        ([GOOD | {"fields": {" ": "rh_percent"}}], "' ' is no field"),
        ([GOOD | {"fields": ["1"]}], "is no table"),
        ([GOOD | {"between": "."}], "between '.' cannot part numbers"),
        ([GOOD | {"between": ""}], "between '' cannot part numbers"),
        ([GOOD | {"pieces": True}], "pieces True is no such number"),
        ([{"ask": "x", "fields": {"1": "rh_percent"}}], "sensor None cannot be a sensor's name"),
        ([GOOD | {"fields": {"1": {"quantity": "rh_percent", "scale": "1"}}}], "scale '1' is no number"),
    ],
)
def test_questions_that_cannot_be_say_so_at_the_start(questions: list[Any], message: str) -> None:
    """What stands in the settings file is checked before a port is opened, and the entry is named."""
    with pytest.raises(SettingsError) as caught:
        adapter("/dev/none", questions)
    assert message in str(caught.value)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract(check: Check, line: Line, tmp_path: Path) -> None:
    """The kit that every adapter must pass, with two devices on the line."""
    await asyncio.to_thread(int)  # so that the loop's own pool is there before anything is counted
    devices = line({b"#01": b"01 20 50\r\n", b"#02": b"02 70 RH=50\r\n"})
    settings = {"port": devices.path, "questions": TWO} | QUICK
    absent = settings | {"port": str(tmp_path / "nothing-here")}
    await check(Specimen(SerialPoll, settings, SystemClock(), absent=absent))
