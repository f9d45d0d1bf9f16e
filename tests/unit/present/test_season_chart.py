"""The season chart: well-formed, true to its days, safe with foreign text, and the same in words."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from ingest.present.season_chart import season_chart_svg
from ingest.present.season_picture import EmcDay, SeasonPicture, describe, months_of
from ingest.site.places import Bounds
from ingest.site.series import Span

SVG = "{http://www.w3.org/2000/svg}"
DAY_MS = 86_400_000
ASKED = Bounds(6.0, 9.0)
FIRST_MS = int(dt.datetime(2026, 1, 20, tzinfo=dt.UTC).timestamp() * 1000)


def day(number: int, *figures: float) -> EmcDay:
    """Give the day so many after 20 January 2026: lowest, mean, highest, or silent."""
    span = Span(FIRST_MS + number * DAY_MS, FIRST_MS + (number + 1) * DAY_MS)
    return EmcDay(span, *figures, hours=24, bounds=ASKED) if figures else EmcDay(span, bounds=ASKED)


PICTURE = SeasonPicture(
    "Oak store: the EMC of its air",
    tuple(day(n, 5.5 + n / 10, 6.52 + n / 10, 7.5 + n / 10) for n in range(30)),
    "UTC",
)


def asking(bounds: Bounds | None) -> SeasonPicture:
    """Give the picture with other bounds."""
    return replace(PICTURE, days=tuple(replace(one, bounds=bounds) for one in PICTURE.days))


def drawn(picture: SeasonPicture) -> ElementTree.Element:
    """Draw it and parse it, which proves it well-formed."""
    return ElementTree.fromstring(season_chart_svg(picture))


def paths(root: ElementTree.Element, kind: str) -> list[str]:
    """Give the path data of one kind."""
    return [path.get("d", "") for path in root.iter(f"{SVG}path") if path.get("class") == kind]


def test_each_day_is_a_strip_from_its_lowest_to_its_highest_hour() -> None:
    """There is one strip a day; a later, damper day stands higher; what is outside is drawn again in another way."""
    root = drawn(PICTURE)
    (band,) = paths(root, "se-band")
    assert paths(root, "se-out") == [band]
    strips = re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)", band)
    assert len(strips) == 30
    tops = [float(strip[1]) for strip in strips]
    assert tops == sorted(tops, reverse=True)
    heights = {round(float(bottom) - float(top), 1) for _, top, _, bottom in strips}
    assert max(heights) - min(heights) <= 0.11  # every day spans 2 %


def test_silent_days_are_left_open() -> None:
    """A day without figures has no strip, and the line of means is lifted over it."""
    holed = replace(PICTURE, days=(*PICTURE.days[:10], day(10), *PICTURE.days[11:]))
    root = drawn(holed)
    assert paths(root, "se-band")[0].count("M") == 29
    assert paths(root, "se-mean")[0].count("M") == 2


def test_a_season_of_silence_says_so() -> None:
    """Nothing heard is said in the picture and in words, and nothing is drawn."""
    silent = replace(PICTURE, days=tuple(day(n) for n in range(5)))
    root = drawn(silent)
    assert paths(root, "se-band") == []
    assert "no readings in this time" in "".join(root.itertext())
    assert describe(silent) == "Nothing is known of these days."


def test_without_bounds_nothing_is_marked() -> None:
    """A room without a window for EMC has its band and no red."""
    root = drawn(asking(None))
    assert paths(root, "se-out") == []
    assert paths(root, "se-bound") == []
    assert len(paths(drawn(asking(Bounds(None, 9.0))), "se-bound")) == 1


def test_hostile_text_stays_text() -> None:
    """Titles and credits are escaped."""
    hostile = '<script>alert("x")</script>&\'</svg>'
    root = drawn(replace(PICTURE, title=hostile, credit=hostile))
    assert not list(root.iter(f"{SVG}script"))
    assert "".join(root.itertext()).count(hostile) == 3  # the title for who listens, the heading, the credit


def test_months_sum_up_their_hours() -> None:
    """A month's mean weighs each day by its hours; months follow the site's zone."""
    days = (replace(day(10, 5.0, 6.0, 7.0), hours=6), day(11, 6.0, 8.0, 9.0), day(12, 6.0, 7.0, 9.0))
    january, february = months_of(replace(PICTURE, days=days))
    assert (january.name, january.mean) == ("Jan", pytest.approx((6 * 6.0 + 24 * 8.0) / 30))
    assert (february.name, february.year, february.mean) == ("Feb", 2026, 7.0)
    assert [month.name for month in months_of(replace(PICTURE, days=days, time_zone="America/New_York"))] == ["Jan"]


def test_the_chart_is_said_in_words() -> None:
    """Lowest and highest hour with their days, means by month, and days beyond each bound."""
    assert describe(PICTURE) == (
        "From Tue 20 Jan 2026 to Wed 18 Feb 2026 the hourly EMC lay between 5.5 % (Tue 20 Jan 2026) and 10.4 % "
        "(Wed 18 Feb 2026). Means of the hourly EMC: Jan 7.1 %, Feb 8.6 %. The window asks for 6 to 9 %: 5 of 30 days "
        "fell below it and 14 rose above it for an hour or more."
    )


def test_it_follows_light_and_dark() -> None:
    """It carries its own paper, and a second set of colours for who reads in the dark."""
    text = season_chart_svg(PICTURE)
    assert "prefers-color-scheme:dark" in text
    assert 'class="se-paper"' in text


def test_a_season_without_days_is_refused() -> None:
    """There is nothing to draw."""
    with pytest.raises(ValueError, match="at least one day"):
        season_chart_svg(replace(PICTURE, days=()))


def test_each_phase_is_drawn_and_told_with_its_own_bounds() -> None:
    """Two windows in one season: two fields side by side, days counted by the window of their time."""
    days = tuple(replace(one, bounds=Bounds(6.0, 12.0 if n < 20 else 9.0)) for n, one in enumerate(PICTURE.days))
    picture = replace(PICTURE, days=days)
    assert len(paths(drawn(picture), "se-bound")) == 4
    first, second = describe(picture).split("The window from ")[1:]
    assert first.startswith("Tue 20 Jan")
    assert "5 of 20 days fell below it and 0 rose above" in first
    assert "0 of 10 days fell below it and 10 rose above" in second
