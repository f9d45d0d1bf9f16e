"""SVG into PNG, with a font of our own: what is drawn does not depend on what the computer has installed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import resvg_py

FONT: Final = Path(__file__).parent / "fonts" / "bitter-regular.ttf"
ZOOM: Final = 2.0
"""Pixels per drawing unit: sharp on the screens of phones."""


def png_of(svg: str) -> bytes:
    """Draw an SVG of ours as PNG. Blocks for some milliseconds. Raises ValueError for what is no SVG."""
    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=svg,
            zoom=ZOOM,
            skip_system_fonts=True,
            font_files=[str(FONT)],
            font_family="Bitter",
            serif_family="Bitter",
            sans_serif_family="Bitter",
        )
    )
