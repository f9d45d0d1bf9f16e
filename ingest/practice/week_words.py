"""A week's conclusion in words for people. Pure; careful: it tells what the air did, and never says "go ahead"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from ingest.practice.weeks import ENOUGH_OF_A_WEEK, Passed, Week, WeekState
from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.site.places import AcclimationWindow

CAUTION: Final = (
    "These are readings of the air at the sensors, not of the wood. That a room stayed in range is not an "
    "approval to install: "
    "that takes a meter's readings in the wood and the subfloor, the flooring's own instructions, local codes and "
    "licensed practice."
)
"""Stands wherever weeks are shown."""

EMC_NOTE: Final = (
    "EMC: mean, lowest and highest of the hourly values. The mean of the hourly EMC is not the EMC of the mean "
    "climate, and not the moisture in a board, which follows the air slowly."
)
"""Stands wherever the EMC of weeks is shown."""

_AT_WORST: Final[Mapping[str, str]] = {"below": "lowest", "above": "highest"}


def conclusion(week: Week, units: Units = Units.SI, *, so_far: bool = False) -> str:
    """Say in a sentence how a week stood towards its window.

    so_far: the week is not over, and the reader is told so beside it; else a part of a week is said to be one.
    """
    told = {
        WeekState.IN_RANGE: _kept,
        WeekState.BRIEFLY_OUT: _briefly_out,
        WeekState.OUT_OF_RANGE: _left,
        WeekState.NOT_KNOWN: _not_known,
        WeekState.NO_WINDOW: _no_window,
    }[week.state]
    part = "" if week.whole or so_far else " Only a part of the week was looked at."
    return f"{told(week, units)}{part}"


def passed_briefly(week: Week, units: Units = Units.SI) -> str:
    """Say which bounds were passed, in few words: "RH below 30 %, EMC below 6 %"; empty where none was."""
    return ", ".join(_bound(passed, units) for passed in week.passed)


def window_words(window: AcclimationWindow | None, units: Units = Units.SI) -> str:
    """Say what is judged by: "RH 30 to 50 %, EMC 6 to 9 %"; "no window" where there is none."""
    bounds = {} if window is None else window.bounds()
    said = [f"{digits.short(name)} {digits.bounds_words(name, bound, units)}" for name, bound in bounds.items()]
    return ", ".join(said) or "no window"


def summary(weeks: Sequence[Week]) -> str:
    """Say in a sentence how many weeks stood how; empty for none."""
    said = []
    for state, (one, several) in _IN_ALL.items():
        count = sum(week.state is state for week in weeks)
        if count:
            mostly = _mostly_out(weeks) if state is WeekState.OUT_OF_RANGE else ""
            said.append(f"{count} {one if count == 1 else several}{mostly}")
    of_weeks = "1 week" if len(weeks) == 1 else f"{len(weeks)} weeks"
    return f"Of {of_weeks}, {words.listed(said)}." if said else ""


_IN_ALL: Final[Mapping[WeekState, tuple[str, str]]] = {
    WeekState.OUT_OF_RANGE: ("went out of range", "went out of range"),
    WeekState.BRIEFLY_OUT: ("was briefly out of it", "were briefly out of it"),
    WeekState.IN_RANGE: ("stayed in range", "stayed in range"),
    WeekState.NOT_KNOWN: ("is not known", "are not known"),
    WeekState.NO_WINDOW: ("has no window to be judged by", "have no window to be judged by"),
}


def _mostly_out(weeks: Sequence[Week]) -> str:
    mostly = sum(week.state is WeekState.OUT_OF_RANGE and week.outside_ms > week.within_ms for week in weeks)
    return f" ({mostly} of them out for most of the time that is known)" if mostly else ""


def _kept(week: Week, units: Units) -> str:
    if week.whole and not week.not_known_ms:
        return "The air was in range all week."
    known = words.duration_ms(week.within_ms)
    return f"The air stayed in range in the {known} that readings cover{_rest(week)}."


def _briefly_out(week: Week, units: Units) -> str:
    total, longest = words.duration_ms(week.outside_ms), words.duration_ms(week.longest_outside_ms)
    told = f"Outside for {total}" if total == longest else f"Outside for {total} in all, {longest} at most at a time"
    return f"{told}: {_how(week, units)}{_rest(week)}."


def _left(week: Week, units: Units) -> str:
    total, longest = words.duration_ms(week.outside_ms), words.duration_ms(week.longest_outside_ms)
    stretch = "" if total == longest else f" in all, {longest} at a stretch"
    return f"Out of range for {total}{stretch}: {_how(week, units)}{_rest(week)}."


def _not_known(week: Week, units: Units) -> str:
    if not week.within_ms + week.outside_ms:
        return "Not known: there are no readings that says how the air stood."
    share = f"{week.coverage * 100:.0f} %"
    told = f"Not known: readings cover only {share} of it, and less than {ENOUGH_OF_A_WEEK * 100:.0f} % is too little"
    return f"{told}; outside for {words.duration_ms(week.outside_ms)} of that." if week.outside_ms else f"{told}."


def _no_window(week: Week, units: Units) -> str:
    return "Not judged: the room has no window."


def _how(week: Week, units: Units) -> str:
    said = [
        f"{_bound(passed, units)} ({_AT_WORST[passed.side]} {digits.amount(passed.quantity, passed.worst, units)})"
        for passed in week.passed
    ]
    return ", ".join(said)


def _bound(passed: Passed, units: Units) -> str:
    return f"{digits.short(passed.quantity)} {passed.side} {digits.limit(passed.quantity, passed.bound, units)}"


_WORTH_TELLING_MS: Final = 60_000  # of a week, less is the rounding of intervals


def _rest(week: Week) -> str:
    return f"; {words.duration_ms(week.not_known_ms)} not known" if week.not_known_ms >= _WORTH_TELLING_MS else ""
