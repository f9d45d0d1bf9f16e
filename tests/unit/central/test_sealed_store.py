"""Forwarding from a store that seals its readings meanwhile: the feed's batches stay until the engine has them."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.central.dialects import MetricsEngine
from ingest.central.engine import EngineAddress, Wanted


def at_engine(server: Any, bench: Any, quantity: str) -> dict[int, float]:
    """Give what the engine holds of a quantity of the bench's site; the highest revision last."""
    server.flush()
    wanted = Wanted("lumberroom", (quantity,), {"site": bench.site_id})
    found: dict[int, float] = {}
    parts = MetricsEngine(EngineAddress(server.url)).samples(wanted, 0, 2**42)
    for one in sorted(parts, key=lambda part: int(part.tags.get("revision", 0))):
        found |= {at - bench.start_ms: value for at, value in zip(one.at_ms.tolist(), one.value.tolist(), strict=True)}
    return found


@pytest.mark.parametrize("follows_first", [True, False])
async def test_what_was_sealed_before_it_was_sent_arrives_all_the_same(metrics, bench, follows_first) -> None:
    """Days offline: readings are sealed, some amended after that, and then the engine is back."""
    if follows_first:
        bench.core("http://127.0.0.1:9").step()
    bench.minutes(2000)
    bench.store.settle()
    bench.put(("oak-1", "temperature_c", 60_000, 5.5), ("oak-1", "rh_percent", 2500 * 60_000, 50.0))
    bench.store.settle()
    bench.put(("oak-1", "temperature_c", 120_000, 6.5))
    await bench.forward(bench.core(metrics.url, batch=900), metrics.flush, seconds=600)
    temperature = at_engine(metrics, bench, "temperature_c")
    assert len(temperature) == 2000
    assert (temperature[60_000], temperature[120_000]) == (5.5, 6.5)
    assert len(at_engine(metrics, bench, "rh_percent")) == 2001


async def test_sealing_lets_go_of_what_the_engine_has(metrics, bench) -> None:
    """Once a forwarder has taken batches over, they are sealed and gone; it goes on with what comes after."""
    core = bench.core(metrics.url)
    await bench.forward(core, metrics.flush)
    bench.minutes(300)
    await bench.forward(core, metrics.flush)
    bench.store.settle()
    bench.minutes(20, first=300)
    await bench.forward(core, metrics.flush)
    assert len(at_engine(metrics, bench, "temperature_c")) == 320
    assert core.as_figures()["resent"] == 0
