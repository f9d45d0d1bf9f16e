"""SVG into PNG, with a font of our own: what is drawn does not depend on what the computer has installed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import resvg_py

FONT: Final = Path(__file__).parent / "fonts" / "bitter-regular.ttf"
ZOOM: Final = 1.6
"""Pixels per drawing unit: beside a larger picture no difference is seen on the screen of a phone, and each costs the
processor by its pixels (20 to 35 ms at 2, most of it packing them)."""


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
