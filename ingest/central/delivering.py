"""Handing points over, halving what is refused until each point that spoils its batch is found. Blocks.

A server that refuses one bad point throws its whole batch away (or stores half of it); which one it was, it often does
not say. Halving finds it in about 2 * log2(n) requests. Where the server refuses everything, no point is to blame:
that is told apart by a line known to be good, and nothing is set aside then.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.central.points import Point
from ingest.central.writing import Accepted, Answer, Later, Refused, Writer


@dataclass(frozen=True, slots=True)
class Delivered:
    """What became of a batch.  refused: points that the server will not have, each with its words.

    later: why the batch, or the rest of it, has to be sent again; None where it is through.
    """

    accepted: int = 0
    refused: tuple[tuple[Point, str], ...] = ()
    later: Later | None = None


def deliver(
    writer: Writer,
    points: Sequence[Point],
    to_lines: Callable[[Sequence[Point]], list[str]],
    known_good: Callable[[], Sequence[str]],
    *,
    at_once: int,
) -> Delivered:
    """Hand over points, those of one instant together.

    to_lines: makes the lines of some of them.  known_good: gives lines that any working engine takes.
    at_once: points in one request.
    """
    in_order = sorted(points, key=lambda point: (point.at_ms, point.sensor, point.revision))
    waiting: list[Sequence[Point]] = [in_order[i : i + at_once] for i in range(0, len(in_order), at_once)]
    waiting.reverse()
    accepted, refused, proved_well = 0, list[tuple[Point, str]](), False
    while waiting:
        part = waiting.pop()
        answer = writer.write(to_lines(part))
        if isinstance(answer, Later):
            return Delivered(accepted, (), answer)
        if isinstance(answer, Accepted):
            accepted += len(part)
            proved_well = True
        elif len(part) > 1:
            middle = len(part) // 2
            waiting += [part[middle:], part[:middle]]
        else:
            if not proved_well and (trouble := _refuses_everything(writer.write(known_good()), answer)):
                return Delivered(accepted, (), trouble)
            proved_well = True
            refused.append((part[0], answer.said))
    return Delivered(accepted, tuple(refused))


def _refuses_everything(to_known_good: Answer, to_ours: Refused) -> Later | None:
    if isinstance(to_known_good, Accepted):
        return None
    if isinstance(to_known_good, Later):
        return to_known_good
    return Later(
        f"The central engine refuses everything ({to_ours.said}). Check address, bucket and its retention.", closed=True
    )
