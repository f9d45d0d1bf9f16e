"""Lines of the line protocol, as InfluxData's reference has them, and what comes of awkward names."""

from __future__ import annotations

import math
import re

from hypothesis import given
from hypothesis import strategies as st

from ingest.central.points import UNPLACED, Point, line, lines

# A reader of the line protocol by its reference (InfluxData, "Line protocol", v2: syntax, and special characters),
# written here apart from what is tested: commas, equals signs and spaces are escaped in tags.
LINE = re.compile(r"(?P<measurement>[^, ]+)(?P<tags>(?:,[^ ,=\\]+=(?:[^ ,=\\]|\\.)+)*) (?P<fields>\S+) (?P<at>-?\d+)")
TAG = re.compile(r",([^ ,=\\]+)=((?:[^ ,=\\]|\\.)+)")


def read(text: str) -> tuple[dict[str, str], dict[str, float], int]:
    """Read one line."""
    found = LINE.fullmatch(text)
    assert found is not None, text
    tags = {name: re.sub(r"\\(.)", r"\1", value) for name, value in TAG.findall(found["tags"])}
    fields = dict(part.split("=") for part in found["fields"].split(","))
    return tags, {name: float(value) for name, value in fields.items()}, int(found["at"])


def test_one_sensor_and_instant_is_one_line() -> None:
    """Fields of one instant stand together, tags in order, times in ms; another revision is a line of its own."""
    points = [
        Point("s1", "temperature_c", 1000, 21.5),
        Point("s1", "rh_percent", 1000, 44),
        Point("s1", "rh_percent", 1000, 45.0, 2),
        Point("s2", "rh_percent", 1000, 1e-7),
    ]
    assert lines(points, site="lake", rooms={"s1": "hall"}) == [
        "lumberroom,room=hall,sensor=s1,site=lake temperature_c=21.5,rh_percent=44.0 1000",
        "lumberroom,revision=2,room=hall,sensor=s1,site=lake rh_percent=45.0 1000",
        f"lumberroom,room={UNPLACED},sensor=s2,site=lake rh_percent=1e-07 1000",
    ]


def test_a_whole_number_is_still_a_float() -> None:
    """5 goes out as 5.0: a server that saw 5i first would refuse every 5.5 after it (measured: FIELD TYPE CONFLICT)."""
    assert line("m", {}, {"a": 5}, 1) == "m a=5.0 1"


def test_what_is_no_number_does_not_go_out() -> None:
    """NaN and infinities are left out (a real server drops the line in silence); with nothing left there is no line."""
    assert line("m", {}, {"a": math.nan, "b": 1.0, "c": math.inf}, 1) == "m b=1.0 1"
    assert line("m", {}, {"a": math.nan}, 1) == ""


@given(
    st.dictionaries(st.sampled_from(["title", "holds"]), st.text(max_size=30)),
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(2**53), 2**53),
)
def test_whatever_a_name_holds_the_line_stays_one_line(tags: dict[str, str], value: float, at_ms: int) -> None:
    """Any text as a tag: a reader of the format finds the same value, instant and printable text again."""
    made = line("m", tags, {"v": value}, at_ms)
    assert "\n" not in made
    found, fields, at = read(made)
    assert (fields, at) == ({"v": value}, at_ms)
    for name, text in tags.items():
        kept = text.strip().replace("\\", "/").translate({ord(c): " " for c in "\n\r\t"} | {0: None})
        assert found.get(name, "") == kept
