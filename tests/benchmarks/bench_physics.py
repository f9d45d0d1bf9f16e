"""How fast the physics is, as ratios against its peers in one run: `python tests/benchmarks/bench_physics.py [PAIRS]`.

Run by hand; never part of the tests. Prints, for PAIRS (default ten million) pairs of temperature and RH:
the whole derived set against psychrolib's scalar calls and against psychrolib's vectorised functions where its numba
is installed and MetPy's where that is; dew point, grains per pound and EMC together against NumPy's own cost for as
many exp and log calls; peak memory against input plus output; and a hundred boards through a year.
"""

from __future__ import annotations

import importlib.util
import resource
import sys
import time
from collections.abc import Callable

import numpy as np
import psychrolib
from numpy.typing import NDArray

from ingest.physics import air, wood
from ingest.physics.derived import DERIVED, derive_all

Array = NDArray[np.float64]
PRESSURE_KPA = 101.325


def best_of(times: int, work: Callable[[], object]) -> float:
    """Give the shortest of several runs [s]: the others were disturbed."""
    shortest = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest


def psychrolib_scalar(t: Array, rh: Array) -> float:
    """Give seconds per pair of the same set (without EMC, which psychrolib has not) by psychrolib's scalar calls."""
    psychrolib.SetUnitSystem(psychrolib.SI)

    def loop() -> None:
        for temperature, humidity in zip(t.tolist(), (rh / 100.0).tolist(), strict=True):
            psychrolib.CalcPsychrometricsFromRelHum(temperature, humidity, PRESSURE_KPA * 1000.0)

    return best_of(1, loop) / t.size


def numpy_alone(t: Array, logs: int, exps: int) -> float:
    """Give seconds for that many log and exp calls over whole arrays, results kept, nothing else."""
    kelvin, logarithms = t + 273.15, np.log(t + 273.15)
    return best_of(3, lambda: [np.log(kelvin) for _ in range(logs)] + [np.exp(logarithms) for _ in range(exps)])


def metpy_dew_point(t: Array, rh: Array) -> float | None:
    """Give seconds of MetPy's vectorised dew point and mixing ratio, or nothing where MetPy is not installed."""
    if importlib.util.find_spec("metpy") is None:
        return None
    from metpy.calc import dewpoint_from_relative_humidity, mixing_ratio_from_relative_humidity
    from metpy.units import units

    temperature, humidity, pressure = t * units.degC, (rh / 100.0) * units.dimensionless, 101325.0 * units.Pa
    return best_of(
        2,
        lambda: (
            dewpoint_from_relative_humidity(temperature, humidity),
            mixing_ratio_from_relative_humidity(pressure, temperature, humidity),
        ),
    )


def main(pairs: int) -> None:
    """Run all comparisons and print them."""
    rng = np.random.default_rng(1)
    t, rh = rng.uniform(-15.0, 35.0, pairs), rng.uniform(10.0, 95.0, pairs)
    derive_all(t[:100], rh[:100], PRESSURE_KPA)

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    kept = derive_all(t, rh, PRESSURE_KPA)
    whole = time.perf_counter() - start
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    in_and_out = (2 + len(kept)) * 8 * pairs
    del kept
    print(f"derive_all, {pairs:,} pairs, nine quantities: {whole:.2f} s, {whole / pairs * 1e9:.0f} ns per pair")
    print(f"memory grown {grown / 1e6:.0f} MB; input plus output {in_and_out / 1e6:.0f} MB")

    few = slice(0, min(pairs, 5_000))
    per_pair = psychrolib_scalar(t[few], rh[few])
    print(
        f"psychrolib scalar set: {per_pair * 1e6:.0f} us per pair: ours {per_pair / (whole / pairs):.0f} times faster"
    )

    single = {name: best_of(1, lambda n=name: DERIVED[n].compute(t, rh, PRESSURE_KPA)) for name in DERIVED}
    for name, seconds in single.items():
        print(f"  {name:24s} {seconds / pairs * 1e9:6.1f} ns per pair")

    three = best_of(3, lambda: (air.dew_point_c(t, rh), air.grains_per_pound(t, rh), wood.emc_percent(t, rh)))
    alone = numpy_alone(t, logs=4, exps=3)
    print(
        f"dew point + GPP + EMC: {three / pairs * 1e9:.1f} ns per pair; NumPy for 4 log + 3 exp: "
        f"{alone / pairs * 1e9:.1f} ns; ratio {three / alone:.1f}"
    )
    metpy = metpy_dew_point(t, rh)
    if metpy is not None:
        two = best_of(3, lambda: (air.dew_point_c(t, rh), air.humidity_ratio_g_kg(t, rh)))
        print(
            f"MetPy dew point + mixing ratio: {metpy / pairs * 1e9:.0f} ns; ours {two / pairs * 1e9:.0f} ns: "
            f"{metpy / two:.1f} times faster"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000)
