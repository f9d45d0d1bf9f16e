"""What lies on a window chart's ground: the newest stretch of each path, and the marks of now. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from xml.sax.saxutils import escape

import numpy as np

from ingest.present.chart_axes import Floats
from ingest.present.window_labels import clearance
from ingest.present.window_layout import Layout, age_path
from ingest.present.window_picture import Trace


class Marks:
    """What lies on the ground: the newest stretch of the paths, and the marks of now.  trodden: see `Ground`."""

    def __init__(self, layout: Layout, trodden: Floats) -> None:
        self.layout, self.picture, self.sheet, self.box = layout, layout.picture, layout.sheet, layout.box
        ends = np.array([end for end in layout.ends if end is not None]).reshape(-1, 2)
        self.trodden = np.concatenate((trodden, ends))

    def parts(self) -> Iterator[str]:
        """Give the newest stretch of each path, and the marks."""
        layout, traces = self.layout, self.picture.traces
        if not any(layout.ends):
            x, y = (self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2
            day = "those" if self.picture.then else "the last"
            yield f'<text class="wc-empty" x="{x}" y="{y}">no readings in {day} 24 hours</text>'
            return
        for trace, steps in list(zip(traces, layout.steps, strict=True))[::-1]:
            first = int(np.argmax(steps == 0)) if len(steps) and steps[-1] == 0 else len(steps)
            recent = replace(
                trace,
                at_ms=trace.at_ms[first:],
                temperature_c=trace.temperature_c[first:],
                rh_percent=trace.rh_percent[first:],
            )
            yield from age_path(layout.points(recent), steps[first:], range(1))
        for trace, end in list(zip(traces, layout.ends, strict=True))[1:]:
            yield from self._mark(trace, end, leading=False)
        yield from self._mark(traces[0], layout.ends[0], leading=True)

    def _mark(self, trace: Trace, end: tuple[float, float] | None, *, leading: bool) -> Iterator[str]:
        if end is None:
            return
        x, y = end
        state = "" if trace.fresh else " wc-stale"
        if not leading:
            yield f'<rect class="wc-also{state}" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8"/>'
            if self.sheet.ages:
                yield from self._beside(x, y, trace.title)
            return
        moment = "then" if self.picture.then else "now"
        word = trace.title if len(self.picture.traces) > 1 else moment
        yield from self._crows_foot(x, y, state, word if trace.fresh else "last reading")
        yield f'<circle class="wc-now{state}" cx="{x:.1f}" cy="{y:.1f}" r="{4.6 * self._size:.1f}"/>'

    @property
    def _size(self) -> float:
        return self.sheet.text / 14.0

    def _crows_foot(self, x: float, y: float, state: str, word: str) -> Iterator[str]:
        """Draw the mark that points at (x, y), from the side where the path leaves most room."""
        size = self._size
        ways = ((0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0))
        across, up = max(ways, key=lambda way: self._room_for(x + way[0] * 24 * size, y + way[1] * 24 * size))

        def at(along: float, aside: float) -> str:
            return f"{x + (across * along - up * aside) * size:.1f} {y + (up * along + across * aside) * size:.1f}"

        foot = f"M{at(22, -7)}L{at(8, 0)}L{at(22, 7)}M{at(8, 0)}L{at(25, 0)}"
        yield f'<path class="wc-foot-halo" d="{foot}"/><path class="wc-foot{state}" d="{foot}"/>'
        if self.sheet.ages:
            yield self._note(x + across * 29 * size, y + up * 33 * size, across, word)

    def _beside(self, x: float, y: float, word: str) -> Iterator[str]:
        """Write a word beside a point, on the side where the path leaves more room."""
        reach = (len(word) * 0.3 + 0.8) * self.sheet.text
        across = max((-1.0, 1.0), key=lambda way: self._room_for(x + way * reach, y))
        yield self._note(x + across * 9, y, across, word)

    def _note(self, x: float, y: float, across: float, word: str) -> str:
        """Write a word that begins, ends or is centred at x, by which way it leads away (1, -1, 0)."""
        anchor = {1.0: "wc-begins", -1.0: "wc-ends"}.get(across, "wc-centred")
        base = y + self.sheet.text * 0.34
        return f'<text class="wc-now-label {anchor}" x="{x:.1f}" y="{base:.1f}">{escape(word)}</text>'

    def _room_for(self, x: float, y: float) -> float:
        """Give how much room a mark has at (x, y): to the path and to the edge of the board."""
        left, top, right, bottom = self.box
        edge = min(x - left, right - x, y - top, bottom - y)
        if edge < 14 * self._size:
            return edge - 100.0
        # Enough is enough: among places with room the first way is taken, so that the mark does not hop about.
        return min(float(clearance(np.array([[x, y]]), self.trodden)[0]), 16 * self._size)
