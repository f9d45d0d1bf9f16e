"""How fast readings are decoded, per core: `python tests/benchmarks/bench_decoders.py`. Run by hand.

SenML and CSV also against the cheapest work on the same bytes that could be called reading them at all: the standard
library's JSON parser and CSV reader.
"""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Callable

from adapters.contract import Reading, Stamp
from adapters.framing.broadcasts import decode_broadcast
from adapters.framing.csv_rows import CsvForm, read_rows
from adapters.framing.senml import decode_pack, encode_pack
from adapters.framing.serial_lines import LineSplitter, with_checksum

COUNT = 20_000
AT_MS = 1_764_064_800_000
READINGS = [
    Reading(f"sensor-{i % 7}", "rh_percent" if i % 2 else "temperature_c", 20 + i % 900 / 77, AT_MS + i, Stamp.SENSOR)
    for i in range(COUNT)
]


def best_s(work: Callable[[], object]) -> float:
    """Give the shortest of five runs [s]."""
    runs = []
    for _ in range(5):
        began_s = time.perf_counter()
        work()
        runs.append(time.perf_counter() - began_s)
    return min(runs)


def show(name: str, work: Callable[[], object], peer: Callable[[], object] | None = None) -> None:
    """Print readings per second, and the time taken against the peer's where there is one."""
    work_s = best_s(work)
    against = f"   {work_s / best_s(peer):5.1f} times the peer's time" if peer else ""
    print(f"{name:42} {COUNT / work_s:10,.0f} readings/s{against}")


def main() -> None:
    """Measure every decoder."""
    pairs = [encode_pack(READINGS[i : i + 2]) for i in range(0, COUNT, 2)]
    large = [encode_pack(READINGS[i : i + 1000]) for i in range(0, COUNT, 1000)]
    for name, packs in (("SenML, 2 readings a pack", pairs), ("SenML, 1000 readings a pack", large)):
        show(name, lambda p=packs: [decode_pack(x, AT_MS) for x in p], lambda p=packs: [json.loads(x) for x in p])
    stream = b"".join(with_checksum(pack) + b"\n" for pack in pairs)

    def lines() -> None:
        splitter = LineSplitter("require")
        for at in range(0, len(stream), 512):
            for line in splitter.feed(stream[at : at + 512]):
                decode_pack(line, AT_MS) if isinstance(line, bytes) else None

    show("serial lines with checksum, SenML in them", lines)
    text = "at_ms,sensor,temperature_c,rh_percent\n" + "".join(
        f"{AT_MS + i},loft,21.53,47.2\n" for i in range(COUNT // 2)
    )
    show(
        "CSV, 2 readings a row",
        lambda: list(read_rows(io.StringIO(text), CsvForm())),
        lambda: list(csv.reader(io.StringIO(text))),
    )
    payloads = [bytes([0x40, 0, i & 255, 2, i & 255, 9, 3, 0xBF, 0x13]) for i in range(COUNT // 2)]
    show("broadcasts, 2 readings each", lambda: [decode_broadcast(p, "loft", AT_MS) for p in payloads])
    chunks = [READINGS[i : i + 1000] for i in range(0, COUNT, 1000)]
    show("writing SenML, 1000 readings a pack", lambda: [encode_pack(chunk) for chunk in chunks])


if __name__ == "__main__":
    main()
