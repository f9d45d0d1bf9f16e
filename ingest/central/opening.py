"""Which engine is read how."""

from __future__ import annotations

from ingest.central.engine import Engine, EngineAddress


def engine_of(address: EngineAddress) -> Engine:
    """Give the engine at an address, for reading; nothing is asked of it yet."""
    if address.kind == "influxdb":
        from ingest.central.influxql import InfluxEngine

        return InfluxEngine(address)
    from ingest.central.metricsql import MetricsEngine

    return MetricsEngine(address)
