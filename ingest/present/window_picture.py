"""What a window chart shows, as data, which part of the plane it needs, and the same said in sentences. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.physics.wood import emc_percent
from ingest.present import words
from ingest.present.chart_axes import Floats, extent
from ingest.present.digits import Units, amount, bounds_words, short
from ingest.present.window_region import Frame, rh_along
from ingest.site.places import AcclimationWindow, Bounds
from ingest.site.series import Int64s


@dataclass(frozen=True, slots=True)
class Trace:
    """What one sensor told of the air, in order of time.

    at_ms: int64 (n,), UTC.  temperature_c, rh_percent: float64 (n,); NaN breaks the path: a gap is a gap.
    fresh: whether its last point is the air of now; else it is drawn hollow, as the last that was heard.
    """

    title: str
    at_ms: Int64s
    temperature_c: Floats
    rh_percent: Floats
    fresh: bool = True


@dataclass(frozen=True, slots=True)
class WindowPicture:
    """What the chart shows.

    ident: unique on its page (letters, digits, hyphens).  title: plain text.  now_ms: UTC, where the 24 hours end.
    traces: those of the room's air, the first one leading (its last point gets the crow's foot).
    then: where those are hours of the past, their end in words; empty where they end now.
    """

    ident: str
    title: str
    window: AcclimationWindow | None
    traces: tuple[Trace, ...]
    now_ms: int
    units: Units = Units.SI
    then: str = ""


def describe(picture: WindowPicture) -> str:
    """Say in sentences what the chart shows, for whoever cannot see it."""
    return f"{describe_air(picture)} {_window_sentence(picture)}"


def describe_air(picture: WindowPicture) -> str:
    """Say in sentences where the air was at the end, and between which figures in the 24 hours before."""
    sentences = [_now_sentence(picture), _day_sentence(picture)]
    return " ".join(sentence for sentence in sentences if sentence)


def _now_sentence(picture: WindowPicture) -> str:
    point = next((last for last in map(last_point, picture.traces) if last is not None), None)
    if point is None:
        return f"No readings in {_the_day(picture)}."
    at_ms, temperature_c, rh_percent = point
    air = air_words(temperature_c, rh_percent, picture.units)
    if picture.traces[0].fresh:
        return f"At {picture.then}: {air}." if picture.then else f"Now: {air}."
    if picture.then:
        return f"At {picture.then}: last reading {words.duration_ms(picture.now_ms - at_ms)} before, {air}."
    return f"Last reading {words.ago(at_ms, picture.now_ms)}: {air}."


def air_words(temperature_c: float, rh_percent: float, units: Units) -> str:
    """Say how the air is: "21.0 °C, 48.0 % RH, EMC 8.9 %"."""
    emc = amount("emc_percent", float(emc_percent(temperature_c, rh_percent)), units)
    return f"{amount('temperature_c', temperature_c, units)}, {amount('rh_percent', rh_percent)} RH, EMC {emc}"


def _the_day(picture: WindowPicture) -> str:
    return f"the 24 hours up to {picture.then}" if picture.then else "the last 24 hours"


def _day_sentence(picture: WindowPicture) -> str:
    spans = []
    for quantity in ("temperature_c", "rh_percent"):
        extremes = _extremes(_heard(picture, quantity))
        if not extremes:
            return ""
        low, high = (amount(quantity, end, picture.units) for end in extremes)
        spans.append(f"{short(quantity)} between {low} and {high}")
    day = "the 24 hours before" if picture.then else "the last 24 hours"
    return f"In {day} {' and '.join(spans)}."


def _window_sentence(picture: WindowPicture) -> str:
    if picture.window is None:
        return "The room has no window yet."
    bounds = picture.window.bounds().items()
    said = [f"{short(name)} {bounds_words(name, bound, picture.units)}" for name, bound in bounds]
    return f"The window: {', '.join(said)}." if said else "The room's window has no limits yet."


def last_point(trace: Trace) -> tuple[int, float, float] | None:
    """Give the newest complete point of a trace (instant, °C, % RH), or None."""
    known = known_points(trace)
    if not len(known):
        return None
    last = int(known[-1])
    return int(trace.at_ms[last]), float(trace.temperature_c[last]), float(trace.rh_percent[last])


def known_points(trace: Trace) -> Int64s:
    """Give the indices of a trace's complete points, rising."""
    return np.flatnonzero(np.isfinite(trace.temperature_c) & np.isfinite(trace.rh_percent))


def frame_of(picture: WindowPicture) -> Frame:
    """Choose the part of the plane to show: all that was heard, and the window with air around it."""
    temperatures, humidities = _heard_extremes(picture)
    window = picture.window
    if window is not None:
        temperatures += _ends(window.temperature_c)
        humidities += _ends(window.rh_percent)
    temperature_c = extent(temperatures or [20.0], least_span=8.0, snap=1.0, low=-60.0, high=100.0)
    if window is not None and window.emc_percent is not None:
        middle_c = sum(temperature_c) / 2
        humidities += [_rh_near(middle_c, level) for level in _ends(window.emc_percent)]
    rh_percent = extent(humidities or [50.0], least_span=30.0, snap=5.0, low=0.0, high=100.0)
    return Frame(*temperature_c, *rh_percent)


def _heard_extremes(picture: WindowPicture) -> tuple[list[float], list[float]]:
    temperature_c, rh_percent = (_heard(picture, name) for name in ("temperature_c", "rh_percent"))
    return _extremes(temperature_c), _extremes(rh_percent)


def _heard(picture: WindowPicture, quantity: str) -> Floats:
    whole: Floats = np.concatenate([getattr(trace, quantity) for trace in picture.traces] or [np.empty(0)])
    return whole[np.isfinite(whole)]


def _extremes(heard: Floats) -> list[float]:
    return [float(heard.min()), float(heard.max())] if len(heard) else []


def _ends(bounds: Bounds | None) -> list[float]:
    return [] if bounds is None else [end for end in (bounds.low, bounds.high) if end is not None]


def _rh_near(temperature_c: float, level_percent: float) -> float:
    return float(rh_along(np.array([temperature_c]), level_percent, beyond=100.0)[0])
