"""The window chart: a room's air against its acclimation window, drawn as SVG text. Pure.

Temperature runs across and RH up; the thin curves are lines of equal EMC, labelled on the line; the shaded region is
the room's window; the last day is a path that fades with age, and a crow's foot, the carpenter's mark for an exact
point, stands where the air is now. Inline in a page it carries classes only and the page's style sheet colours it for
light and dark; standalone (a file, a mail) it brings its own colours.

It is drawn in two steps, for whoever draws many again and again: the ground (board, rings, window, and the path up to
the point before the last) stays for as long as only the newest points move a little; the marks go on top of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape, quoteattr

from ingest.present.window_ground import Ground, ground_of, holds
from ingest.present.window_layout import Layout
from ingest.present.window_marks import Marks
from ingest.present.window_picture import WindowPicture, describe
from ingest.present.window_sheet import STANDALONE_STYLE, WIDE, Sheet


def window_chart_svg(picture: WindowPicture, sheet: Sheet = WIDE, *, standalone: bool = False) -> str:
    """Draw the chart and give it as SVG text, all foreign text escaped.

    standalone: carry colours, a background and a name space, for use outside our pages.
    """
    layout = Layout(picture, sheet)
    return _whole(layout, ground_of(layout, ()), standalone=standalone)


def redrawn(layout: Layout, told: tuple[object, ...], kept: Ground | None) -> tuple[str, Ground]:
    """Draw the chart for a page on a ground that was kept, where that still holds; give it and its ground.

    told: names what the traces were told before their last points: equal names, equal points.
    """
    ground = kept if kept is not None and holds(kept, layout, told) else ground_of(layout, told)
    return _whole(layout, ground, standalone=False), ground


def _whole(layout: Layout, ground: Ground, *, standalone: bool) -> str:
    return "".join(
        (*_head(layout, standalone=standalone), ground.svg, *Marks(layout, ground.trodden).parts(), "</svg>")
    )


def _head(layout: Layout, *, standalone: bool) -> Iterator[str]:
    picture, sheet = layout.picture, layout.sheet
    ident, (width, height) = picture.ident, (sheet.width, sheet.height)
    name_space = ' xmlns="http://www.w3.org/2000/svg"' if standalone else ""
    named = f"aria-labelledby={quoteattr(ident + '-title')} aria-describedby={quoteattr(ident + '-desc')}"
    box = f'viewBox="0 0 {width} {height}" font-size="{sheet.text}"'
    yield f'<svg{name_space} class="window-chart" {box} role="img" {named}>'
    yield f"<title id={quoteattr(ident + '-title')}>{escape(picture.title)}</title>"
    yield f"<desc id={quoteattr(ident + '-desc')}>{escape(describe(picture))}</desc>"
    if standalone:
        yield f'<style>{STANDALONE_STYLE}</style><rect class="wc-paper" width="{width}" height="{height}"/>'
