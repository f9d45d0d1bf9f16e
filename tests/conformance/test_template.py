"""The template for an adapter of one's own passes the kit, and is as short as it is promised to be."""

from __future__ import annotations

import asyncio
import importlib.util
from pathlib import Path
from typing import Any

import pytest

from adapters.conformance import CHECKS, Check, Specimen
from ingest.clock import SystemClock

TEMPLATE = Path(__file__).with_name("kernel_thermometer.py")


@pytest.fixture
def adapter_class() -> Any:
    """Load the template as a stranger's module."""
    spec = importlib.util.spec_from_file_location("kernel_thermometer", TEMPLATE)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.KernelThermometer


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_the_template_keeps_the_contract(check: Check, adapter_class: Any, tmp_path: Path) -> None:
    """What a newcomer starts from meets every requirement."""
    await asyncio.to_thread(int)  # so that the loop's own pool is there before anything is counted
    file = tmp_path / "temperature"
    file.write_text("21437\n")
    settings = {"path": str(file), "sensor": "loft"}
    await check(Specimen(adapter_class, settings, SystemClock(), absent=settings | {"path": f"{file}-gone"}))


def test_the_template_is_short() -> None:
    """An adapter takes at most sixty lines."""
    assert len(TEMPLATE.read_text().splitlines()) <= 60
