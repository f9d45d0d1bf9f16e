"""Asked from Python, over HTTP and on the command line, the store says the same of the same buckets (QUERY.md)."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from dashboards.app import create_app
from ingest.cli.main import main
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store import open_for_reading

HOUR_MS = 3_600_000
# In Berlin the clocks change on 2025-03-30 and 2025-10-26 (tz database): days of 23 and of 25 hours.
STRETCHES = [("2025-03-28", "2025-04-02", 5, 23), ("2025-10-24", "2025-10-29", 5, 25)]


@pytest.fixture
def asked(services: Any) -> Callable[[str], Any]:
    """Store a reading every seven minutes over both changes of the clocks, with a gap; give the page."""
    for year_begin in ("2025-03-27T00:00+00:00", "2025-10-23T00:00+00:00"):
        begin = round(datetime.fromisoformat(year_begin).timestamp() * 1000)
        at_ms = begin + np.arange(0, 8 * 24 * HOUR_MS, 7 * 60_000, dtype=np.int64)
        at_ms = at_ms[(at_ms < begin + 50 * HOUR_MS) | (at_ms > begin + 57 * HOUR_MS)]
        wave = np.sin(at_ms / 1e7)
        both = np.repeat(np.arange(2, dtype=np.int32), len(at_ms))
        value = np.round(np.concatenate([20 + wave, 45 - 5 * wave]), 2)
        keys = (SeriesKey("hall-air", "temperature_c"), SeriesKey("hall-air", "rh_percent"))
        with services.store.transaction() as work:
            work.append(ReadingBatch(keys, both, np.tile(at_ms, 2), value, np.zeros(len(value), np.bool_)), heard_ms=1)
    services.store.settle()
    client = TestClient(create_app(services), base_url="http://127.0.0.1:8430")
    return lambda address: client.get(address).json()


def on_the_command_line(folder: Path, quantity: str, begin: str, end: str) -> list[dict[str, str]]:
    """Ask by the command; give its rows."""
    arguments = ["buckets", str(folder), "--sensor", "hall-air", "--quantity", quantity, "--from", begin, "--to", end]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 0, done.output
    return list(csv.DictReader(io.StringIO(done.stdout)))


@pytest.mark.parametrize("quantity", ["rh_percent", "emc_percent"])
@pytest.mark.parametrize(("begin", "end", "days", "odd_hours"), STRETCHES)
def test_all_ways_give_the_same_days(asked, services, quantity, begin, end, days, odd_hours) -> None:
    """Day by day over a change of the clocks, measured and derived: edges, counts, figures and coverage are equal."""
    folder = services.store.path.parent
    with open_for_reading(folder) as store:
        edges = store.days(begin, days, "Europe/Berlin")
        assert odd_hours * HOUR_MS in np.diff(edges).tolist()
        own = store.buckets("hall-air", quantity, edges)
        at = [np.datetime64(int(edge), "ms").item().isoformat() + "Z" for edge in (edges[0], edges[-1])]
        np.testing.assert_array_equal(store.edges(*at, 86400, "Europe/Berlin"), edges)
        table = store.statistics(["hall-air"], [quantity], edges)
    far = asked(f"/api/v1/rooms/hall/series?quantity={quantity}&from={begin}&to={end}&points={days}&sensor=hall-air")
    rows = on_the_command_line(folder, quantity, begin, end)
    assert far["edges_ms"] == edges.tolist()
    assert [round(datetime.fromisoformat(row["from"]).timestamp() * 1000) for row in rows] == edges[:-1].tolist()
    assert [round(datetime.fromisoformat(row["to"]).timestamp() * 1000) for row in rows] == edges[1:].tolist()
    series = far["series"][0]
    for column, name in (
        ("count", "count"),
        ("minimum", "min"),
        ("mean", "mean"),
        ("maximum", "max"),
        ("coverage",) * 2,
    ):
        wanted = getattr(own, column).tolist()
        assert series[name] == pytest.approx(wanted, rel=1e-12), column
        assert [float(row[column]) for row in rows] == wanted
        assert table[column].to_pylist() == wanted
    assert min(own.coverage) < 1.0
    assert own.count.sum() > 900


def test_an_empty_bucket_has_no_figures_anywhere(asked, services) -> None:
    """Null over HTTP and in Arrow, nothing in the table of the command, NaN in NumPy; the count says 0."""
    folder = services.store.path.parent
    rows = on_the_command_line(folder, "rh_percent", "2025-06-01", "2025-06-02")
    assert [(row["count"], row["mean"], row["coverage"]) for row in rows] == [("0", "", "0.0")]
    with open_for_reading(folder) as store:
        edges = store.days("2025-06-01", 1, "Europe/Berlin")
        assert np.isnan(store.buckets("hall-air", "rh_percent", edges).mean[0])
        assert store.statistics(["hall-air"], ["rh_percent"], edges)["mean"].to_pylist() == [None]
    far = asked("/api/v1/rooms/hall/series?quantity=rh_percent&from=2025-06-01&to=2025-06-02&points=1&sensor=hall-air")
    assert far["series"][0]["mean"] == [None]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--quantity", "rh"], "'rh' is no quantity"),
        (["--quantity", "rh_percent", "--to", "2025-01-01"], "is not before"),
    ],
)
def test_mistakes_on_the_command_line_are_told(services, arguments, said) -> None:
    """What and how to mend it, exit code 2."""
    usual = ["buckets", str(services.store.path), "--sensor", "hall-air", "--from", "2025-06-01", "--to", "2025-06-02"]
    done = CliRunner().invoke(main, [*usual, *arguments])
    assert done.exit_code == 2
    assert said in done.output


@pytest.mark.parametrize("every_s", [60, 1800, 3600, 21_600, 86_400, 7 * 86_400])
def test_edges_follow_the_clock_of_the_place(every_s: int) -> None:
    """Ends as asked, rising, and every edge between them a round time there; days of 23 and 25 hours among them."""
    from ingest.store.days import clock_edges_ms

    begin = round(datetime.fromisoformat("2025-10-20T05:17+02:00").timestamp() * 1000)
    end = begin + 15 * 24 * HOUR_MS
    edges = clock_edges_ms(begin, end, every_s, "Europe/Berlin")
    assert (edges[0], edges[-1]) == (begin, end)
    assert (np.diff(edges) > 0).all()
    from zoneinfo import ZoneInfo

    for edge in edges[1:-1].tolist():
        local = datetime.fromtimestamp(edge / 1000, ZoneInfo("Europe/Berlin"))
        since_midnight = local.hour * 3600 + local.minute * 60 + local.second
        assert since_midnight % min(every_s, 86_400) == 0
    for refused_s in (7 * 60, 5400, 4800, 9600):  # the last three divide a day, and are no whole hours
        with pytest.raises(ValueError, match="must divide"):
            clock_edges_ms(begin, end, refused_s, "Europe/Berlin")
