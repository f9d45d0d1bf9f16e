"""How fast the physics is, as ratios against its peers in one run: `python tests/benchmarks/bench_physics.py [PAIRS]`.

Run by hand; never part of the tests. Prints, for PAIRS (default ten million) pairs of temperature and RH:
the whole derived set against psychrolib's scalar calls, and against the vectorised paths of psychrolib (it needs
numba) and of MetPy where they are installed: neither numba nor MetPy is among the project's dependencies, and it says
so when one is missing; dew point, grains per pound and EMC together against NumPy's own cost for as many exp and log
calls; peak memory against input plus output; and a hundred boards through a year.
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
from ingest.physics.board import Board, Climate, simulate
from ingest.physics.derived import DERIVED, derive_all

Array = NDArray[np.float64]
PRESSURE_KPA = 101.325
METPY_WET_BULBS = 2_000
THREE = ("dew_point_c", "grains_per_pound", "emc_percent")


def best_of(times: int, work: Callable[[], object]) -> float:
    """Give the least processor time of several runs [s]: one thread, and what others do to the machine left out."""
    least = float("inf")
    for _ in range(times):
        start = time.process_time()
        work()
        least = min(least, time.process_time() - start)
    return least


def psychrolib_scalar(t: Array, rh: Array) -> float:
    """Give seconds per pair of the same set (without EMC, which psychrolib has not) by psychrolib's scalar calls."""
    psychrolib.SetUnitSystem(psychrolib.SI)

    def loop() -> None:
        for temperature, humidity in zip(t.tolist(), (rh / 100.0).tolist(), strict=True):
            psychrolib.CalcPsychrometricsFromRelHum(temperature, humidity, PRESSURE_KPA * 1000.0)

    return best_of(1, loop) / t.size


def numpy_alone(t: Array, logs: int, exps: int) -> float:
    """Give seconds for that many log and exp calls over whole arrays, nothing else."""
    kelvin = t + 273.15
    logarithms = np.log(kelvin)

    def calls() -> None:
        for _ in range(logs):
            np.log(kelvin)
        for _ in range(exps):
            np.exp(logarithms)

    return best_of(3, calls)


def psychrolib_vectorised(t: Array, rh: Array) -> dict[str, Callable[[], object]] | None:
    """Give the same set by psychrolib over arrays, each quantity by its own call, or nothing where it has no numba."""
    if not psychrolib.has_numba:
        return None
    psychrolib.SetUnitSystem(psychrolib.SI)
    fraction, pascals = rh / 100.0, PRESSURE_KPA * 1000.0
    ratio = psychrolib.GetHumRatioFromRelHum(t, fraction, pascals)  # what its own one-call set shares, given for free
    return {
        "dew_point_c": lambda: psychrolib.GetTDewPointFromRelHum(t, fraction),
        "vapour_pressure_kpa": lambda: psychrolib.GetVapPresFromRelHum(t, fraction),
        "vpd_kpa": lambda: psychrolib.GetVaporPressureDeficit(t, ratio, pascals),
        "humidity_ratio_g_kg": lambda: psychrolib.GetHumRatioFromRelHum(t, fraction, pascals),
        "wet_bulb_c": lambda: psychrolib.GetTWetBulbFromHumRatio(t, ratio, pascals),
        "enthalpy_kj_kg": lambda: psychrolib.GetMoistAirEnthalpy(t, ratio),
        "absolute_humidity_g_m3": lambda: ratio / psychrolib.GetMoistAirVolume(t, ratio, pascals),
    }


def metpy_vectorised(t: Array, rh: Array) -> dict[str, Callable[[], object]] | None:
    """Give what MetPy has of the set over arrays, or nothing where MetPy is not installed."""
    if importlib.util.find_spec("metpy") is None:
        return None
    from metpy import calc
    from metpy.units import units

    temperature, humidity, pressure = t * units.degC, (rh / 100.0) * units.dimensionless, 101325.0 * units.Pa
    dew_point = calc.dewpoint_from_relative_humidity(temperature, humidity)  # given for free, as the ratio above
    ratio = calc.mixing_ratio_from_relative_humidity(pressure, temperature, humidity)
    few = slice(0, min(t.size, METPY_WET_BULBS))
    return {
        "dew_point_c": lambda: calc.dewpoint_from_relative_humidity(temperature, humidity),
        "vapour_pressure_kpa": lambda: calc.vapor_pressure(pressure, ratio),
        "vpd_kpa": lambda: calc.saturation_vapor_pressure(temperature) - calc.vapor_pressure(pressure, ratio),
        "humidity_ratio_g_kg": lambda: calc.mixing_ratio_from_relative_humidity(pressure, temperature, humidity),
        "wet_bulb_c": lambda: calc.wet_bulb_temperature(pressure, temperature[few], dew_point[few]),
        "absolute_humidity_g_m3": lambda: calc.density(pressure, temperature, ratio) * ratio,
    }


def whole_set(t: Array, rh: Array) -> None:
    """Time the whole derived set against psychrolib's scalar calls, and measure its memory."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    whole = best_of(2, lambda: derive_all(t, rh, PRESSURE_KPA)) / t.size
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    output = len(DERIVED) * 8 * t.size
    print(
        f"derive_all, nine quantities: {whole * 1e9:.0f} ns per pair; memory grew by {grown / 1e6:.0f} MB, "
        f"of which {output / 1e6:.0f} MB are the output"
    )
    few = slice(0, min(t.size, 5_000))
    scalar = psychrolib_scalar(t[few], rh[few])
    print(
        f"psychrolib's set of seven in scalar calls: {scalar * 1e6:.0f} us per pair; ours is "
        f"{scalar / whole:.0f} times as fast per pair, {scalar / 7 / (whole / len(DERIVED)):.0f} times per value"
    )
    each = {name: best_of(2, lambda q=one: q.compute(t, rh, PRESSURE_KPA)) for name, one in DERIVED.items()}
    for name, seconds in each.items():
        print(f"  {name:24s} {seconds / t.size * 1e9:6.1f} ns per pair")
    wet = derive_all(t, rh, PRESSURE_KPA, names=["wet_bulb_c"])["wet_bulb_c"]
    balance = best_of(2, lambda: air.rh_from_wet_bulb_percent(t, wet, PRESSURE_KPA))
    print(
        f"  one wet bulb costs as much as {each['wet_bulb_c'] / each['humidity_ratio_g_kg']:.1f} humidity ratios, or "
        f"{each['wet_bulb_c'] / balance:.1f} evaluations of its balance over water and over ice"
    )


def three_together(t: Array, rh: Array) -> None:
    """Time dew point, GPP and EMC against NumPy's exp and log alone."""
    three = best_of(3, lambda: derive_all(t, rh, PRESSURE_KPA, names=THREE)) / t.size * 1e9
    apart = best_of(3, lambda: (air.dew_point_c(t, rh), air.grains_per_pound(t, rh), wood.emc_percent(t, rh)))
    alone = numpy_alone(t, logs=4, exps=3) / t.size * 1e9
    print(
        f"dew point, GPP and EMC: {three:.1f} ns in one pass, {apart / t.size * 1e9:.1f} ns one by one; NumPy for the "
        f"4 log and 3 exp of the printed equations: {alone:.1f} ns; ratio {three / alone:.1f}"
    )


def peers(t: Array, rh: Array) -> None:
    """Time the derived set against the vectorised paths of the peers that are installed, in this one run.

    Like for like: the same quantities on both sides (EMC neither peer has). Wet bulb is slow everywhere, so the set is
    told with it and without. Ours counts the enhancement factor and theirs do not.
    """
    for peer, calls in (("psychrolib (numba)", psychrolib_vectorised(t, rh)), ("MetPy", metpy_vectorised(t, rh))):
        if calls is None:
            print(f"{peer}: not installed, not compared (pip install numba metpy)")
            continue
        theirs = {name: _peer_seconds(name, call, peer, t.size) for name, call in calls.items()}
        for label, left_out in (("whole set", ()), ("set without wet bulb", ("wet_bulb_c",))):
            wanted = [name for name in calls if name not in left_out]
            ours = best_of(3, lambda names=wanted: derive_all(t, rh, PRESSURE_KPA, names=names))
            other = sum(theirs[name] for name in wanted)
            print(
                f"{peer}, {label}, {len(wanted)} quantities: theirs {other / t.size * 1e9:.0f} ns per pair, ours "
                f"{ours / t.size * 1e9:.0f} ns: {other / ours:.1f} times as fast"
            )
        for name, seconds in theirs.items():
            own = best_of(3, lambda compute=DERIVED[name].compute: compute(t, rh, PRESSURE_KPA))
            print(f"  {name:24s} theirs {seconds / t.size * 1e9:8.1f} ns per pair, {seconds / own:6.1f} times ours")


def _peer_seconds(name: str, call: Callable[[], object], peer: str, pairs: int) -> float:
    call()  # numba compiles on the first one
    seconds = best_of(2, call)
    if peer == "MetPy" and name == "wet_bulb_c":  # minutes for millions: measured on a few and scaled up
        seconds *= pairs / min(pairs, METPY_WET_BULBS)
    return seconds


def boards() -> None:
    """Time a hundred boards through a year at ten-minute steps with forty cells."""
    days = np.arange(52_560) / 144.0
    climate = Climate(20.0 + 3.0 * np.sin(2 * np.pi * days), 45.0 + 10.0 * np.sin(2 * np.pi * days / 365.0))
    lot = [Board(15.0 + 0.1 * i, 9.0, 0.4 + 0.003 * i) for i in range(100)]
    print(f"100 boards, a year of ten-minute steps, 40 cells: {best_of(1, lambda: simulate(lot, climate)):.2f} s")


def main(pairs: int) -> None:
    """Run all comparisons and print them."""
    rng = np.random.default_rng(1)
    t, rh = rng.uniform(-15.0, 35.0, pairs), rng.uniform(10.0, 95.0, pairs)
    derive_all(t[:100], rh[:100], PRESSURE_KPA)
    print(f"{pairs:,} pairs, -15..35 °C, 10..95 % RH; processor time of one core")
    for part in (whole_set, three_together, peers):
        part(t, rh)
    boards()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000)
