"""PROTOCOL.md is what the code does: its examples are read from the document and replayed, its tables compared."""

from __future__ import annotations

import io
import itertools
import json
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import pytest

import adapters
from adapters.bluetooth_probes import MOST_PROBES
from adapters.contract import QUANTITIES, SENSOR_ID, Reading, Rejection, Setting, Stamp, Why
from adapters.framing import json_maps, register_maps, senml, senml_records, serial_answers, serial_lines
from adapters.framing.broadcasts import MEANINGS, decode_broadcast
from adapters.framing.csv_rows import CsvForm, read_rows
from adapters.framing.json_maps import MAX_DOCUMENT_BYTES, map_of
from adapters.framing.sensing import CHARACTERISTICS, decode_characteristic, short_uuid
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
from adapters.mqtt_link import HELD_MESSAGES
from adapters.pack_lines import HOPELESS_BYTES
from adapters.registry import BUILT_INS, check_settings, load
from adapters.serial_line import SerialLine
from adapters.serial_talk import LONGEST_ANSWER
from ingest.clock import SystemClock

TEXT = (Path(adapters.__file__).parent / "PROTOCOL.md").read_text(encoding="utf-8")
ARRIVAL_MS = 1_764_064_800_123


class Block(NamedTuple):
    """A fenced block: the words after the fence, and what is in it."""

    words: list[str]
    body: str


BLOCKS = [Block(m[1].split(), m[2]) for m in re.finditer(r"^```([^\n]+)\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)]
EXAMPLES = [
    (sent, wanted)
    for sent, wanted in itertools.pairwise(BLOCKS)
    # What is pushed over HTTP, and its answers, are for tests/web: they want the application.
    if sent.words != ["json", "answer"]
    and sent.words[1:2]
    in (
        ["senml"], ["senml-cbor"], ["line"], ["file"], ["broadcast"], ["number"], ["document"], ["characteristics"],
        ["topic-document"], ["answer"],
    )
]  # fmt: skip


def csv_form(words: list[str]) -> CsvForm:
    """Give the form that the words of a block say, `_` standing for a space."""
    told = [word.split("=", 1) for word in words]
    columns = dict(value.split(":") for key, value in told if key == "map")
    form = {key: value.replace("_", " ") if key == "time_format" else value for key, value in told if key != "map"}
    zone = zone_named(form["zone"]) if "zone" in form else None
    return CsvForm(columns, form.get("sensor"), zone, form.get("time_format"), form.get("decimal", "auto"))


def wired() -> list[dict[str, Any]]:
    """Give every piece of a settings file in the document."""
    return [tomllib.loads(block.body)["adapter"][0] for block in BLOCKS if block.words == ["toml", "wiring"]]


def replayed(block: Block) -> list[Reading | Rejection]:
    """Send what a block says, and give what comes out, rejections behind readings."""
    way = block.words[1]
    if way == "file":
        rows = list(read_rows(io.StringIO(block.body), csv_form(block.words[2:])))
        return [reading for row in rows for reading in row.readings] + [bad for row in rows for bad in row.rejections]
    arrival_ms = ARRIVAL_MS
    if way == "characteristics":
        return [
            Reading(block.words[2].removeprefix("sensor="), one.quantity, value, arrival_ms, Stamp.ARRIVAL)
            for line in block.body.splitlines()
            for one in [CHARACTERISTICS[f"0000{line[:4].lower()}-0000-1000-8000-00805f9b34fb"]]
            if isinstance(value := decode_characteristic(one, bytes.fromhex(line[4:])), float)
        ]
    if way == "document":
        values = dict(word.rsplit("=", 1) for word in block.words[3:])
        form = {"values": values, "sensor": block.words[2].removeprefix("sensor=")}
        read = map_of(form).read(block.body.encode(), arrival_ms)
        return [*read.readings, *read.rejections]
    if way == "topic-document":
        ((topic, meant),) = next(one["documents"] for one in wired() if "documents" in one).items()
        rules = TopicRules({}, "", {topic: meant})
        topic = block.words[2].removeprefix("topic=")
        return [item for part in rules.read(topic, block.body.encode(), arrival_ms) for item in part]
    if way == "answer":
        words = dict(word.rsplit("=", 1) for word in block.words[2:])
        form = {key: words.pop(key) for key in ("ask", "sensor", "begins") if key in words}
        (question,) = questions_of([{**form, "fields": words}])
        return [item for part in question.read(block.body.encode(), arrival_ms) for item in part]
    if way == "number":
        topic, quantity = block.words[2].removeprefix("rule=").split(":")
        rules = TopicRules({topic: quantity})
        topic = block.words[3].removeprefix("topic=")
        return [item for part in rules.read(topic, block.body.encode(), arrival_ms) for item in part]
    if way == "broadcast":
        sensor = block.words[2].removeprefix("sensor=")
        return [*decode_broadcast(bytes.fromhex(block.body), sensor, arrival_ms).readings]
    if way == "senml-cbor":
        data = bytes.fromhex(block.body)
        return [item for part in senml.decode_pack(data, arrival_ms, form=senml_records.Form.CBOR) for item in part]
    if way == "senml":
        assert block.words[2] == f"arrival={ARRIVAL_MS}"
        return [item for part in senml.decode_pack(block.body.encode(), arrival_ms) for item in part]
    out: list[Reading | Rejection] = []
    for line in serial_lines.LineSplitter("require").feed(block.body.encode()):
        out += [line] if isinstance(line, Rejection) else [i for p in senml.decode_pack(line, arrival_ms) for i in p]
    return out


def as_printed(item: Reading | Rejection) -> Any:
    """Give a reading or a rejection as the document prints it."""
    return item.reason if isinstance(item, Rejection) else [*item[:4], item.stamp.value]


@pytest.mark.parametrize(("sent", "wanted"), EXAMPLES, ids=[sent.body[:30] for sent, _ in EXAMPLES])
def test_every_example_gives_what_stands_beside_it(sent: Block, wanted: Block) -> None:
    """What is sent gives exactly the readings and the reasons that the next block prints, each in its order."""
    assert wanted.words == ["json", "readings"]
    found = [as_printed(item) for item in replayed(sent)]
    expected = json.loads(wanted.body)
    assert [item for item in found if isinstance(item, list)] == [i for i in expected if isinstance(i, list)]
    assert [item for item in found if isinstance(item, str)] == [i for i in expected if isinstance(i, str)]


def test_there_are_as_many_examples_as_there_are_expectations() -> None:
    """No expectation stands alone, so that none goes untested."""
    assert len(EXAMPLES) == sum(block.words == ["json", "readings"] for block in BLOCKS) >= 9


def table(heading: str) -> list[list[str]]:
    """Give the rows of the first table after a heading, without its head, backquotes taken off."""
    part = TEXT.split(f"\n{heading}", 1)[1]
    rows = re.findall(r"^\|(.+)\|$", part.split("\n## ", 1)[0], re.MULTILINE)
    return [[cell.strip().replace("`", "") for cell in row.split("|")] for row in rows[2:]]


def test_the_quantities_are_those_of_the_contract() -> None:
    """The table of section 4 says of every quantity its label, units and range, and of nothing else."""
    printed = {row[0]: row[1:] for row in table("## 4 ")}
    assert list(printed) == list(QUANTITIES)
    for name, quantity in QUANTITIES.items():
        own, *others = senml.units_of(quantity)
        assert printed[name] == [
            quantity.senml_label,
            own,
            ", ".join(others),
            f"{quantity.minimum:g} to {quantity.maximum:g} {quantity.unit}",
        ]


def test_the_reasons_are_those_of_the_code() -> None:
    """Section 8 lists every reason that a decoder can give, in the code's wording and order."""
    assert [row[0] for row in table("## 8 ")] == [why.value for why in Why]


def test_the_limits_are_those_of_the_code() -> None:
    """Section 7 and the serial section print the limits that hold."""
    limits = {row[0]: int("".join(re.findall(r"\d", row[1]))) for row in table("## 7 ")}
    assert limits == {
        "a pack": senml_records.MAX_PACK_BYTES,
        "records in a pack": senml_records.MAX_RECORDS,
        "a line on a serial line, with its checksum": serial_lines.MAX_LINE_BYTES,
        "a sensor's name": 120,
        "a JSON document, asked for or of a topic": MAX_DOCUMENT_BYTES,
        "an answer on a serial line": LONGEST_ANSWER,
        "probes of one kind of a Bluetooth sensor": MOST_PROBES,
        "MQTT messages that wait to be taken": HELD_MESSAGES,
    }
    assert SENSOR_ID.fullmatch("a" * 120)
    assert not SENSOR_ID.fullmatch("a" * 121)
    assert f"When {HOPELESS_BYTES:,} bytes".replace(",", " ") in TEXT


def test_the_serial_section_names_the_settings_that_exist() -> None:
    """The default speed and the checksum modes are the adapter's own."""
    settings: dict[str, Setting] = {setting.name: setting for setting in SerialLine.SETTINGS}
    assert f"settings file's, {settings['baud'].default} unless" in TEXT
    assert all(f'`"{mode}"`' in TEXT for mode in serial_lines.CHECKSUM_MODES)


def test_the_wiring_examples_would_be_accepted() -> None:
    """Every piece of a settings file in the document names a kind that exists, and settings that it takes."""
    entries = wired()
    # All kinds but a bench's: a file that is played, and a room that is made up.
    assert {entry["type"] for entry in entries} == set(BUILT_INS) - {"replay", "simulated_room"}
    for entry in entries:
        entry.pop("name")
        adapter_class = load(entry.pop("type"))
        secrets = [setting.name for setting in adapter_class.SETTINGS if setting.secret]
        given = {key: value for key, value in entry.items() if key not in {f"{name}_file" for name in secrets}}
        adapter_class(check_settings(adapter_class, given), SystemClock())


def test_the_register_map_table_names_the_keys_that_exist() -> None:
    """The table of the Modbus section has every key of a map, and every type and order."""
    rows = table("## 14 ")
    assert sorted(key.strip() for row in rows for key in row[0].split(",")) == sorted(register_maps.KEYS)
    text = " ".join(cell for row in rows for cell in row)
    assert all(f'"{name}"' in text for name in (*register_maps.TYPES, *register_maps.WORD_ORDERS))


def test_the_descriptors_in_the_document_say_what_stands_beside_them() -> None:
    """The example of section 12, by the code: every descriptor read, and the sentence that is shown."""
    ((told, wanted),) = [pair for pair in itertools.pairwise(BLOCKS) if pair[0].words[1:2] == ["descriptors"]]
    assert wanted.words == ["text", "sentence"]
    characteristic = CHARACTERISTICS[short_uuid(int(told.words[2].removeprefix("characteristic="), 16))]
    data = {line[:4]: bytes.fromhex(line[4:]) for line in told.body.splitlines()}
    trigger = decode_trigger(characteristic, data["290D"])
    assert trigger is not None
    about = About(
        decode_description(data["2901"]),
        decode_measurement(data["290C"]),
        decode_valid_range(characteristic, data["2906"]),
        (trigger,),
    )
    assert about.sentence(characteristic.quantity) == wanted.body.strip()


def test_the_table_of_questions_names_the_keys_that_exist() -> None:
    """The table of section 18 has every key of a question; the text below it every key of a field."""
    rows = table("## 18 ")
    assert sorted(key.strip() for row in rows for key in row[0].split(",")) == sorted(serial_answers.KEYS)
    section = TEXT.split("\n## 18 ")[1].split("\n## ")[0]
    assert all(f"`{key}`" in section for key in serial_answers.FIELD_KEYS)


def test_the_map_section_names_the_keys_that_exist() -> None:
    """Section 16 tells every key of a value's table and every setting of a map."""
    section = TEXT.split("\n## 16 ")[1].split("\n## ")[0]
    assert all(f"`{key}`" in section for key in (*json_maps.KEYS, "time_format", "zone", "values"))


def test_the_broadcast_section_lists_the_objects_that_are_read() -> None:
    """The object ids in the text are those of the code."""
    assert f"(object ids {', '.join(f'{object_id:02X}' for object_id in sorted(MEANINGS))})" in TEXT


@pytest.mark.skipif(shutil.which("cc") is None, reason="there is no C compiler here")
def test_the_c_program_prints_what_the_line_example_shows(tmp_path: Path) -> None:
    """The code for a microcontroller compiles without a warning, and its line has the checksum of the example."""
    (code,) = [block.body for block in BLOCKS if block.words == ["c"]]
    (tmp_path / "pack.c").write_text(code + '\nint main(void) { print_pack("loft", 21.5, 47.25); return 0; }\n')
    program = tmp_path / "pack"
    subprocess.run(
        ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-o", str(program), str(tmp_path / "pack.c")], check=True
    )
    said = subprocess.run([str(program)], capture_output=True, check=True).stdout
    (line,) = serial_lines.LineSplitter("require").feed(said)
    assert isinstance(line, bytes)
    decoded = senml.decode_pack(line, ARRIVAL_MS)
    assert [(r.sensor, r.value) for r in decoded.readings] == [("loft", 21.5), ("loft", 47.25)]
