"""`lumberroom derive` against a loop over PsychroLib, side by side: prints rows per second and their ratio.

Run it with `python tests/benchmarks/bench_derive.py [ROWS]`. The peer is what one would write without lumberroom: for
each row of the same file, PsychroLib's scalar functions for the same quantities (EMC, which it has not, in scalar
Python), the row written out again. It is timed twice: as a whole, file to file, and the calls alone, without reading or
writing anything; lumberroom is always timed as a whole, as a process of its own, from start to exit, file to file.
Both run on the same machine one after the other, several rounds, so that a busy machine hurts both alike. Rates are by
the wall clock; the same ratios by processor time, all processes counted, are told too: there what else runs on the
machine hardly counts.

PsychroLib 2.5 takes RH below freezing over ice, lumberroom over water, and it leaves out the enhancement factor: the
quantities are the same, the figures differ by up to 0.6 %. The rows here are of rooms above freezing.
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import psychrolib

PEER_ROWS = 20_000
ROUNDS = 3
LUMBERROOM = Path(sys.executable).with_name("lumberroom")


def write_table(path: Path, rows: int) -> None:
    """Write a table of `rows` readings of rooms at 0 to 35 °C and 10 to 95 % RH, seeded."""
    random = np.random.default_rng(20)
    minutes = range(rows)
    columns = zip(minutes, random.uniform(0, 35, rows).tolist(), random.uniform(10, 95, rows).tolist(), strict=True)
    with path.open("w", encoding="ascii", newline="") as file:
        file.write("minute,temperature_c,rh_percent\n")
        file.writelines(f"{minute},{t:.2f},{rh:.2f}\n" for minute, t, rh in columns)


def emc_percent(temperature_c: float, rh: float) -> float:
    """Scalar Hailwood-Horrobin (Wood Handbook Eq. 4-5).  rh: a fraction."""
    t = temperature_c
    w = 349 + 1.29 * t + 0.0135 * t * t
    k = 0.805 + 0.000736 * t - 0.00000273 * t * t
    k1 = 6.27 - 0.00938 * t - 0.000303 * t * t
    k2 = 1.91 + 0.0407 * t - 0.000293 * t * t
    x = k * rh
    return 1800 / w * (x / (1 - x) + (k1 * x + 2 * k1 * k2 * x * x) / (1 + k1 * x + k1 * k2 * x * x))


def peer_row(temperature_c: float, rh_percent: float, pressure_pa: float = 101325.0) -> tuple[float, ...]:
    """Compute the nine quantities for one row with PsychroLib."""
    rh = rh_percent / 100.0
    ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, rh, pressure_pa)
    vapour_pa = psychrolib.GetVapPresFromRelHum(temperature_c, rh)
    return (
        psychrolib.GetTDewPointFromRelHum(temperature_c, rh),
        vapour_pa / 1000.0,
        psychrolib.GetVaporPressureDeficit(temperature_c, ratio, pressure_pa) / 1000.0,
        ratio * 1000.0,
        ratio * 7000.0,
        psychrolib.GetTWetBulbFromRelHum(temperature_c, rh, pressure_pa),
        psychrolib.GetMoistAirEnthalpy(temperature_c, ratio) / 1000.0,
        ratio / psychrolib.GetMoistAirVolume(temperature_c, ratio, pressure_pa) * 1000.0,
        emc_percent(temperature_c, rh),
    )


def peer_whole(source: Path, target: Path) -> None:
    """Do with PsychroLib what `lumberroom derive` does, file to file."""
    with source.open(newline="") as rows, target.open("w", newline="") as out:
        reader, writer = csv.reader(rows), csv.writer(out)
        next(reader)
        for minute, temperature_c, rh_percent in reader:
            writer.writerow([minute, temperature_c, rh_percent, *peer_row(float(temperature_c), float(rh_percent))])


def peer_calls(pairs: Iterable[tuple[float, float]]) -> None:
    """Compute alone, nothing read and nothing written."""
    for temperature_c, rh_percent in pairs:
        peer_row(temperature_c, rh_percent)


def ours(source: Path, target: Path) -> None:
    """Run `lumberroom derive` as a process."""
    with target.open("wb") as out:
        subprocess.run([LUMBERROOM, "derive", source], stdout=out, check=True)


def seconds(work: Callable[[], None]) -> tuple[float, float]:
    """Time one run: by the wall clock, and in processor time of this process and its children."""
    start, before = time.perf_counter(), os.times()
    work()
    spent = [late - early for late, early in zip(os.times()[:4], before[:4], strict=True)]
    return time.perf_counter() - start, sum(spent)


def main(rows: int) -> None:
    """Time all three in turn, several rounds, and print the best of each and the ratios."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    with tempfile.TemporaryDirectory() as folder:
        big, small, out = (Path(folder) / name for name in ("big.csv", "small.csv", "out.csv"))
        write_table(big, rows)
        write_table(small, PEER_ROWS)
        with small.open(newline="") as file:
            pairs = [(float(row["temperature_c"]), float(row["rh_percent"])) for row in csv.DictReader(file)]
        rates = {"lumberroom": 0.0, "psychrolib_file_to_file": 0.0, "psychrolib_calls_alone": 0.0}
        by_processor = dict(rates)
        for _ in range(ROUNDS):
            for name, work, count in (
                ("psychrolib_calls_alone", lambda: peer_calls(pairs), PEER_ROWS),
                ("lumberroom", lambda: ours(big, out), rows),
                ("psychrolib_file_to_file", lambda: peer_whole(small, out), PEER_ROWS),
            ):
                wall, processor = seconds(work)
                rates[name] = max(rates[name], count / wall)
                by_processor[name] = max(by_processor[name], count / processor)
    print(
        json.dumps(
            {
                "rows": rows,
                **{f"{name}_rows_per_s": round(rate) for name, rate in rates.items()},
                "ratio": round(rates["lumberroom"] / rates["psychrolib_file_to_file"], 1),
                "ratio_to_calls_alone": round(rates["lumberroom"] / rates["psychrolib_calls_alone"], 1),
                **{
                    f"ratio_by_processor_time_to_{peer}": round(by_processor["lumberroom"] / by_processor[peer], 1)
                    for peer in ("psychrolib_file_to_file", "psychrolib_calls_alone")
                },
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
