"""The year's rule: what is drawn where, and what it says."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest

from ingest.present.monthly_chart import Month, Year, describe, month_of, monthly_chart_svg
from ingest.site.places import Bounds

SVG = "{http://www.w3.org/2000/svg}"
MONTHS = (Month("Jan", 7.0, 6.0, 8.0), Month("Feb", 5.5, 4.0, 7.0), Month("Mar <b>", 9.0, 8.5, 9.5))


def drawn(year: Year) -> ElementTree.Element:
    """Draw and parse it, which proves it well-formed."""
    return ElementTree.fromstring(monthly_chart_svg(year))


def heights(root: ElementTree.Element) -> list[tuple[float, float]]:
    """Give top and bottom of each month's board."""
    boards = [rect for rect in root.iter(f"{SVG}rect") if rect.get("class") == "yr-board"]
    return [(float(b.attrib["y"]), float(b.attrib["y"]) + float(b.attrib["height"])) for b in boards]


def test_boards_are_as_long_as_the_months_span_on_one_scale() -> None:
    """Lengths of boards are in proportion to high minus low, and higher values stand higher."""
    (jan, feb, mar) = heights(drawn(Year("EMC", MONTHS, "%")))
    per_percent = (jan[1] - jan[0]) / 2.0
    assert feb[1] - feb[0] == pytest.approx(3.0 * per_percent, abs=0.2)
    assert mar[1] - mar[0] == pytest.approx(1.0 * per_percent, abs=0.2)
    assert feb[1] - mar[1] == pytest.approx(4.5 * per_percent, abs=0.2)


def test_window_lies_between_its_bounds_and_is_always_on_the_chart() -> None:
    """The window's region spans its bounds on the months' own scale, even where no month reaches it."""
    root = drawn(Year("EMC", MONTHS, "%", Bounds(6.0, 9.0)))
    (window,) = (rect for rect in root.iter(f"{SVG}rect") if rect.get("class") == "yr-window")
    jan = heights(root)[0]
    assert float(window.attrib["y"]) + float(window.attrib["height"]) == pytest.approx(jan[1], abs=0.11)
    assert float(window.attrib["height"]) == pytest.approx((jan[1] - jan[0]) * 1.5, abs=0.2)
    far = drawn(Year("EMC", MONTHS, "%", Bounds(None, 20.0)))
    (window,) = (rect for rect in far.iter(f"{SVG}rect") if rect.get("class") == "yr-window")
    assert 30 < float(window.attrib["y"]) < heights(far)[0][0]


def test_words_name_the_extremes_and_foreign_text_is_no_markup() -> None:
    """The description says the lowest and highest month; labels are escaped."""
    year = Year("EMC of a store", MONTHS, "% MC")
    assert describe(year) == (
        "EMC of a store: lowest in Feb with 5.5 % MC, highest in Mar <b> with 9.0 % MC, as means of the hours."
    )
    assert [text.text for text in drawn(year).iter(f"{SVG}text") if text.get("class") == "yr-across"][2] == "Mar <b>"


def test_month_is_summed_up_by_its_hours() -> None:
    """The mean counts every hour; a tenth of the hours lies outside at either end."""
    month = month_of("Jun", np.arange(101.0))
    assert (month.mean, month.low, month.high) == (50.0, 10.0, 90.0)


def test_chart_without_months_is_refused() -> None:
    """There is nothing to draw without a month."""
    with pytest.raises(ValueError, match="at least one month"):
        monthly_chart_svg(Year("EMC", (), "%"))
