"""The window chart: its geometry against the EMC table, its drawing as well-formed SVG, its words."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.physics.wood import emc_percent
from ingest.present.chart_axes import Scale, extent, nice_step, ticks
from ingest.present.digits import Units
from ingest.present.window_chart import window_chart_svg
from ingest.present.window_picture import Trace, WindowPicture, describe, frame_of
from ingest.present.window_region import Frame, emc_line, emc_lines, window_ribbons
from ingest.present.window_sheet import CARD, NARROW, WIDE
from ingest.site.places import AcclimationWindow, Bounds

NOW_MS = 1_767_874_800_000
SVG = "{http://www.w3.org/2000/svg}"
WINDOW = AcclimationWindow(Bounds(16, 24), Bounds(35, 55), Bounds(6.5, 9.5))
FRAME = Frame(10.0, 30.0, 20.0, 80.0)


def trace(temperature_c=(19.0, 20.0, 21.0), rh_percent=(44.0, 46.0, 48.0), *, fresh=True) -> Trace:
    """Give a trace that ends now, an hour a step."""
    steps = np.arange(len(temperature_c) - 1, -1, -1)
    at_ms = (NOW_MS - steps * 3_600_000).astype(np.int64)
    return Trace("On the beam", at_ms, np.array(temperature_c, dtype=float), np.array(rh_percent, dtype=float), fresh)


def picture(**changes) -> WindowPicture:
    """Give a picture of a room in range."""
    return replace(WindowPicture("chart-loft", "Loft", WINDOW, (trace(),), NOW_MS), **changes)


def drawn(pictured: WindowPicture, sheet=WIDE) -> ElementTree.Element:
    """Draw it standing alone and parse it, which proves it well-formed."""
    return ElementTree.fromstring(window_chart_svg(pictured, sheet, standalone=True))


@given(
    temperature_c=st.floats(10.5, 29.5),
    rh_percent=st.floats(20.5, 79.5),
    window=st.sampled_from(
        [
            WINDOW,
            AcclimationWindow(rh_percent=Bounds(None, 50)),
            AcclimationWindow(temperature_c=Bounds(18, None)),
            AcclimationWindow(emc_percent=Bounds(7, 9)),
            AcclimationWindow(rh_percent=Bounds(30, None), emc_percent=Bounds(None, 10)),
        ]
    ),
)
def test_the_region_is_exactly_what_satisfies_every_bound(temperature_c, rh_percent, window):
    """A point lies in the drawn region if and only if temperature, RH and EMC are within bounds."""
    air = {
        "temperature_c": temperature_c,
        "rh_percent": rh_percent,
        "emc_percent": float(emc_percent(temperature_c, rh_percent)),
    }
    distances = [bound.excess(air[name]) for name, bound in window.bounds().items()]
    edges = [
        end
        for name, b in window.bounds().items()
        for end in (b.low, b.high)
        if end is not None and abs(air[name] - end) < 0.05
    ]
    if edges:
        return  # within a pencil's width of an edge either answer is right
    inside = any(
        ribbon.temperature_c[0] <= temperature_c <= ribbon.temperature_c[-1]
        and np.interp(temperature_c, ribbon.temperature_c, ribbon.low_percent) <= rh_percent
        and rh_percent <= np.interp(temperature_c, ribbon.temperature_c, ribbon.high_percent)
        for ribbon in window_ribbons(window, FRAME)
    )
    assert inside == (not any(distances))


# Wood Handbook (FPL-GTR-282, 2021), table 4-2, 70 °F = 21.1 °C row: EMC at these relative humidities.
@pytest.mark.parametrize(("rh_percent", "level"), [(25, 5.4), (30, 6.2), (50, 9.2), (65, 12.0), (80, 16.0)])
def test_lines_of_equal_emc_pass_where_the_handbook_has_them(rh_percent, level):
    """The line of an EMC passes through the table's RH at 21.1 °C, within the table's rounding."""
    (line,) = emc_line(level, Frame(10, 30, 0, 100))
    at = float(np.interp(21.1, line.temperature_c, line.rh_percent))
    assert at == pytest.approx(rh_percent, abs=0.5)


def test_an_emc_bound_that_no_air_reaches_leaves_no_region_and_no_line():
    """Wood in air never comes to 40 % EMC: nothing satisfies "at least 40 %", everything satisfies "at most"."""
    assert window_ribbons(AcclimationWindow(emc_percent=Bounds(40, None)), FRAME) == ()
    (whole,) = window_ribbons(AcclimationWindow(emc_percent=Bounds(None, 40)), FRAME)
    assert (whole.low_percent[0], whole.high_percent[0]) == (20.0, 80.0)
    assert emc_line(40, FRAME) == ()


def test_bounds_that_contradict_each_other_leave_no_region():
    """Damp wood in dry air cannot be had, and the chart draws no window then."""
    assert window_ribbons(AcclimationWindow(rh_percent=Bounds(None, 40), emc_percent=Bounds(12, None)), FRAME) == ()


def test_lines_are_few_enough_to_read_and_labelled_with_their_figures():
    """At most nine levels or so; each label stands on the board and says its level."""
    assert 3 <= len({line.emc_percent for line in emc_lines(Frame(-20, 60, 0, 100))}) <= 10
    labels = [one.text for one in drawn(picture()).iter(f"{SVG}text") if one.get("class") == "wc-ring-label"]
    assert all(re.fullmatch(r"(EMC )?\d+ %", label) for label in labels)
    assert labels[-1].startswith("EMC")


def test_the_mark_stands_where_the_air_is():
    """The point of now lies at its temperature and RH on the axes that are printed."""
    root = drawn(picture())
    mark = next(one for one in root.iter(f"{SVG}circle") if one.get("class") == "wc-now")
    frame = frame_of(picture())
    left, top, right, bottom = WIDE.margins
    across = Scale(frame.temperature_low_c, frame.temperature_high_c, left, WIDE.width - right)
    up = Scale(frame.rh_low_percent, frame.rh_high_percent, WIDE.height - bottom, top)
    assert float(mark.get("cx")) == pytest.approx(across.at(21.0), abs=0.06)
    assert float(mark.get("cy")) == pytest.approx(up.at(48.0), abs=0.06)


def test_a_gap_in_the_day_is_a_gap_in_the_path():
    """The pencil is lifted where there are no readings."""
    with_gap = picture(traces=(trace((19.0, 19.5, np.nan, 20.5, 21.0), (44.0, 45.0, np.nan, 47.0, 48.0)),))
    path = "".join(one.get("d") for one in drawn(with_gap).iter(f"{SVG}path") if "wc-path" in one.get("class", ""))
    joined = "".join(
        one.get("d")
        for one in drawn(picture(traces=(trace((19.0, 19.5, 20.0, 20.5, 21.0), (44.0, 45.0, 46.0, 47.0, 48.0)),))).iter(
            f"{SVG}path"
        )
        if "wc-path" in one.get("class", "")
    )
    assert path.count("L") < joined.count("L")
    assert "nan" not in path


def test_the_path_fades_with_age():
    """What is older is drawn in a fainter class, the oldest of 24 hours in the faintest."""
    hours = np.linspace(19, 21, 24)
    classes = [
        one.get("class")
        for one in drawn(picture(traces=(trace(tuple(hours), tuple(hours + 25)),))).iter(f"{SVG}path")
        if "wc-path" in one.get("class", "")
    ]
    assert classes == [f"wc-path wc-age-{step}" for step in range(7, -1, -1)]


def test_every_coordinate_lies_on_the_sheet():
    """Whatever the air does, nothing is drawn off the paper."""
    wild = trace((-35.0, 20.0, 70.0), (1.0, 50.0, 100.0))
    for sheet in (WIDE, NARROW, CARD):
        for one in drawn(picture(traces=(wild,)), sheet).iter(f"{SVG}path"):
            if "wc-foot" in one.get("class", ""):
                continue
            for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", one.get("d")):
                assert 0 <= float(x) <= sheet.width
                assert 0 <= float(y) <= sheet.height


@pytest.mark.parametrize("window", [None, AcclimationWindow()])
@pytest.mark.parametrize("traces", [(), (trace((), ()),), (trace((np.nan,), (np.nan,)),)])
def test_an_empty_room_is_drawn_and_says_so(window, traces):
    """No window, no readings: the board, the rings, and a sentence."""
    empty = picture(window=window, traces=traces)
    assert "no readings in the last 24 hours" in window_chart_svg(empty)
    assert describe(empty).startswith("No readings in the last 24 hours.")
    drawn(empty)


def test_it_says_in_sentences_what_it_shows():
    """Whoever cannot see it hears now, the day and the window; in the units asked for."""
    said = describe(picture())
    assert said.startswith("Now: 21.0 °C, 48.0 % RH, EMC 8.9 %.")  # FPL equation; table 4-2 at 70 °F, 50 %: 9.2
    assert "temperature between 19.0 °C and 21.0 °C and RH between 44.0 % and 48.0 %" in said
    assert "The window: temperature 16 to 24 °C, RH 35 to 55 %, EMC 6.5 to 9.5 %." in said
    assert "69.8 °F" in describe(picture(units=Units.US))
    root = drawn(picture())
    assert root.find(f"{SVG}desc").text == said
    assert root.get("role") == "img"


def test_old_air_is_not_called_now():
    """When the sensor is silent the mark is hollow and says "last reading"."""
    old = window_chart_svg(picture(traces=(trace(fresh=False),), now_ms=NOW_MS + 7_200_000))
    assert "last reading" in old
    assert ">now<" not in old
    assert "Last reading 2 hours ago" in old


def test_hostile_titles_stay_text():
    """A room's name cannot break out of the drawing."""
    hostile = '</title><script>alert("x")</script>'
    text = window_chart_svg(picture(title=hostile), standalone=True)
    assert "<script" not in text
    assert drawn(picture(title=hostile)).find(f"{SVG}title").text == hostile


def test_inline_it_carries_no_style_of_its_own():
    """In a page the content policy forbids inline style: the drawing has classes only."""
    text = window_chart_svg(picture())
    assert "<style" not in text
    assert " style=" not in text
    assert "<style>" in window_chart_svg(picture(), standalone=True)


@given(
    values=st.lists(st.floats(-50, 90), max_size=5),
    least=st.floats(1, 40),
    snap=st.sampled_from([0.5, 1.0, 5.0]),
)
def test_an_axis_holds_its_values_and_keeps_its_least_length(values, least, snap):
    """Every value lies on the axis, which is never shorter than asked for."""
    low, high = extent(values, least_span=least, snap=snap, low=-60, high=100)
    assert all(low <= value <= high for value in values)
    assert high - low >= least - 1e-9
    assert -60 <= low < high <= 100


@given(low=st.floats(-60, 90), span=st.floats(0.5, 160), most=st.integers(2, 12))
def test_ticks_are_round_and_few(low, span, most):
    """Ticks lie within the axis, at steps of 1, 2 or 5 times a power of ten, not more than asked for."""
    step = nice_step(span, most)
    mantissa = step / 10 ** np.floor(np.log10(step) + 1e-9)
    assert round(mantissa, 6) in (1, 2, 5)
    found = ticks(low, low + span, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 <= tick <= low + span + 1e-6 for tick in found)
