"""What the demonstration says in the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from ingest.demo.forecast import Forecast
from ingest.demo.history import Past

WIDTH: Final = 14


def opening(address: str, directory: Path, kept: bool, speed: float) -> list[str]:
    """Say where the page and the data are, and how fast time runs."""
    fate = "kept: the same --data goes on from here" if kept else "deleted when you stop"
    return [
        "",
        "A demonstration. The site, its rooms and every reading are invented; no mail leaves this computer.",
        "",
        f"  {'page':<{WIDTH}}{address}",
        f"  {'caught mail':<{WIDTH}}{address}mails",
        f"  {'data':<{WIDTH}}{directory} ({fate})",
        f"  {'time':<{WIDTH}}{pace(speed)}",
        "",
    ]


def pace(speed: float) -> str:
    """Say how fast the demonstration's time runs."""
    if speed == 1.0:
        return "runs as it does here"
    an_hour = f"an hour there takes {span(3600.0 / speed)} here"
    return f"runs {speed:g} times as fast: {an_hour}"


def past(written: Past, seconds: float) -> str:
    """Say what was put into the store."""
    if not written.readings:
        return "  The stored past is complete; the story goes on where it stopped."
    closed = sum(not incident.is_open for incident in written.incidents)
    incidents = "no incident" if not closed else f"{closed} past incident{'s' if closed > 1 else ''}"
    return f"  Stored {written.readings:,} readings of the past, with {incidents}, in {seconds:.1f} s."


def plan(told: Forecast, now_ms: int, speed: float) -> list[str]:
    """Say what will happen and when, in the viewer's own time."""

    def after(at_ms: int) -> str:
        return f"  {'after ' + span((at_ms - now_ms) / 1000.0 / speed):<{WIDTH + 4}}"

    if told.left_ms is not None and told.left_ms < told.trip_ms:
        return [
            "The front room is still out of range from the last run. What will happen, about:",
            f"{after(told.reset_ms)}the dehumidifier runs again; the room returns, the incident closes, a mail comes",
        ]
    lines = ["What will happen, about:", f"{after(told.trip_ms)}the dehumidifier in the front room stops by itself"]
    if told.left_ms is None or told.mail_ms is None:
        return [*lines, f"{after(told.reset_ms)}somebody starts it again; the air is so dry that the room stays within"]
    return [
        *lines,
        f"{after(told.left_ms)}the front room's air rises above its window and drifts",
        f"{after(told.mail_ms)}it has been outside for an hour of its time: an incident opens, a mail is sent",
        f"{after(told.reset_ms)}somebody starts the machine again; the room returns, the incident closes, a mail comes",
    ]


def span(seconds: float) -> str:
    """Say a length of real time: "15 s", "2 min 30 s", "3 h 20 min"."""
    whole = max(round(seconds), 1)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest and minutes < 10 else f"{round(whole / 60)} min"
    hours, rest = divmod(round(whole / 60), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"
