"""The paper that a window chart is drawn on: its sizes, and the colours of a chart that stands alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

AGE_STEPS: Final = 8
"""In how many steps the path of a day fades."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The paper that a chart is drawn on.  Margins in drawing units: left, top, right, bottom.

    slack: how far the path may be drawn beside its points (drawing units), where fewer of them do.
    """

    width: int
    height: int
    margins: tuple[int, int, int, int]
    text: float
    ticks_across: int
    ticks_up: int
    ages: bool  # whether points of the path are marked with their age
    slack: float = 0.0


WIDE: Final = Sheet(640, 470, (58, 16, 18, 50), 14.0, 8, 8, ages=True)
NARROW: Final = Sheet(360, 300, (42, 10, 10, 40), 12.5, 5, 5, ages=True)
CARD: Final = Sheet(340, 216, (34, 8, 8, 24), 11.5, 5, 4, ages=False, slack=0.6)

STANDALONE_STYLE: Final = (
    "text{font-family:Bitter,Georgia,serif;fill:#3a2d1f}"
    ".wc-paper{fill:#f6efe0}.wc-board{fill:#efe3c8;stroke:#6d5a41;stroke-width:1}"
    ".wc-window{fill:#2f5d80;fill-opacity:.16;stroke:#2f5d80;stroke-width:1.8}"
    ".wc-scribed{fill:none;stroke:#2f5d80;stroke-width:.8;stroke-dasharray:5 3;stroke-opacity:.7}"
    ".wc-ring{fill:none;stroke:#a4763b;stroke-width:1;stroke-opacity:.75}"
    ".wc-ring-label{fill:#7c531d;text-anchor:middle;paint-order:stroke;stroke:#efe3c8;stroke-width:7}"
    ".wc-tick{stroke:#6d5a41;fill:none}.wc-tick-across,.wc-axis,.wc-empty,.wc-centred{text-anchor:middle}.wc-ends{text-anchor:end}"
    ".wc-tick-up{text-anchor:end}"
    ".wc-path{fill:none;stroke:#3a2d1f;stroke-width:1.8;stroke-linejoin:round;stroke-linecap:round}"
    + "".join(f".wc-age-{step}{{stroke-opacity:{0.95 - 0.1 * step:.2f}}}" for step in range(AGE_STEPS))
    + ".wc-now,.wc-also{fill:#3a2d1f;stroke:#efe3c8;stroke-width:1.5}.wc-stale{fill:#efe3c8;stroke:#3a2d1f}"
    ".wc-foot,.wc-foot-halo{fill:none;stroke:#3a2d1f;stroke-width:2;stroke-linecap:round}"
    ".wc-foot-halo{stroke:#efe3c8;stroke-width:6}"
    ".wc-empty{paint-order:stroke;stroke:#efe3c8;stroke-width:6}"
    ".wc-now-label{font-style:italic;paint-order:stroke;stroke:#efe3c8;stroke-width:5}"
)
"""The chart's colours on paper, for a chart that stands alone."""
