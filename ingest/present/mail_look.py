"""The look of a mail: timber and paper, drawn with tables and inline styles, which is what mail programs understand.

Everything handed in is text and is escaped here. Colours follow the reader's light or dark setting where the mail
program lets them; the inline ones are the light ones, readable by themselves.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final
from urllib.parse import urlsplit


class Tone(enum.Enum):
    """What a mail's edge says at a glance."""

    ALARM = "alarm"
    CLEAR = "clear"
    NEUTRAL = "neutral"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture in a mail.  cid: its name in the mail.  alt: what it shows, in words; the text says the same."""

    cid: str
    alt: str
    width: int = 500
    height: int = 230


@dataclass(frozen=True, slots=True)
class Action:
    """A link with which something can be done.  wording: what it does."""

    wording: str
    address: str


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a longer mail: a room of a digest."""

    heading: str
    text: str
    figures: Sequence[tuple[str, str]] = ()
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class Letter:
    """What a mail says; its text and its HTML are both made from this and say the same.

    headline: what is the matter.  lead: one sentence.  figures: (label, value) rows.  sections: (heading, paragraphs).
    lists: (heading, points).  link: (wording, address), or None.  footer: small print.  pictures: below the lead.
    actions: what can be done by a link; commands: what can be done by typing.  parts: between lead and figures.
    """

    headline: str
    place: str
    tone: Tone
    lead: str
    figures: Sequence[tuple[str, str]]
    meaning: Sequence[tuple[str, str]]
    lists: Sequence[tuple[str, Sequence[str]]]
    link: tuple[str, str] | None
    footer: Sequence[str]
    pictures: Sequence[Picture] = ()
    actions: Sequence[Action] = ()
    commands: Sequence[str] = ()
    parts: Sequence[Part] = ()


_EDGES: Final = {Tone.ALARM: "#a8452c", Tone.CLEAR: "#55703f", Tone.NEUTRAL: "#8a6d47"}
_SERIF: Final = "Georgia,'Iowan Old Style','Times New Roman',serif"
_SANS: Final = "'Helvetica Neue',Helvetica,Arial,sans-serif"
_INK, _SOFT, _PAPER, _DESK, _LINE = "#2e2519", "#6b5a43", "#fbf6ea", "#e9dfca", "#ddceb0"

_STYLE: Final = """
:root { color-scheme: light dark; supported-color-schemes: light dark; }
@media (prefers-color-scheme: dark) {
  .desk { background-color: #1d1812 !important; }
  .paper { background-color: #2a231a !important; border-top-color: #4a3d2c !important;
    border-right-color: #4a3d2c !important; border-bottom-color: #4a3d2c !important; }
  .ink, .ink a { color: #efe5d0 !important; }
  .soft, .soft a { color: #bda98a !important; }
  .line { border-color: #4a3d2c !important; }
}
@media (max-width: 480px) { .pad { padding-left: 18px !important; padding-right: 18px !important; } }
"""


ACTIONS_NOTE: Final = "Each link opens a page that asks once more; nothing happens before you say so there."
COMMANDS_HEADING: Final = "To acknowledge it, or mute alerts, type on the computer that runs lumberroom:"


def as_text(letter: Letter) -> str:
    """Write a letter as plain text."""
    blocks = [f"{letter.place}\n{letter.headline}", letter.lead, *(picture.alt for picture in letter.pictures)]
    for part in letter.parts:
        picture = [part.picture.alt] if part.picture else []
        blocks.append("\n".join([part.heading, part.text, *picture, *_figure_lines(part.figures)]))
    blocks.append("\n".join(_figure_lines(letter.figures)))
    blocks += [f"{heading}\n{text}" for heading, text in letter.meaning]
    blocks += ["\n".join([heading, *(f"- {point}" for point in points)]) for heading, points in letter.lists]
    if letter.actions:
        blocks.append("\n".join([*(f"{one.wording}\n{one.address}" for one in letter.actions), ACTIONS_NOTE]))
    if letter.commands:
        blocks.append("\n".join([COMMANDS_HEADING, *letter.commands]))
    if letter.link is not None:
        blocks.append(f"{_where(*letter.link)}\n{letter.link[1]}")
    blocks.append("\n".join(letter.footer))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _figure_lines(figures: Sequence[tuple[str, str]]) -> list[str]:
    return [f"{label}: {value}" for label, value in figures]


def as_html(letter: Letter) -> str:
    """Write a letter as HTML."""
    edge = _EDGES[letter.tone]
    rows = [
        _row(f'<div class="soft" style="{_sans(13, _SOFT)}">{escape(letter.place)}</div>'
             f'<h1 class="ink" style="margin:4px 0 0;font:normal 25px/1.25 {_SERIF};color:{_INK}">'
             f"{escape(letter.headline)}</h1>", top=26),
        _row(_paragraph(letter.lead)),
        *(_row(_picture(picture)) for picture in letter.pictures),
        *(_row(_part(part), top=20) for part in letter.parts),
        _row(_figures(letter.figures)) if letter.figures else "",
        *(_row(_heading(heading) + _paragraph(text)) for heading, text in letter.meaning),
        *(_row(_heading(heading) + _points(points)) for heading, points in letter.lists),
        _row(_actions(letter.actions)) if letter.actions else "",
        _row(_commands(letter.commands)) if letter.commands else "",
        _row(_link(*letter.link)) if letter.link is not None else "",
        _row(_footer(letter.footer), bottom=24),
    ]  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><meta name="supported-color-schemes" content="light dark">'
        f"<title>{escape(letter.headline)}</title><style>{_STYLE}</style></head>\n"
        f'<body class="desk" style="margin:0;padding:0;background-color:{_DESK}">\n'
        f'<table role="presentation" class="desk" width="100%" cellpadding="0" cellspacing="0" border="0" '
        f'style="background-color:{_DESK}"><tr><td align="center" style="padding:22px 10px">\n'
        f'<table role="presentation" class="paper" width="100%" cellpadding="0" cellspacing="0" border="0" '
        f'style="max-width:560px;background-color:{_PAPER};border:1px solid {_LINE};border-left:7px solid {edge};'
        f'border-radius:3px;border-collapse:separate">\n{"".join(rows)}</table>\n'
        "</td></tr></table>\n</body></html>\n"
    )


def _sans(size: int, colour: str) -> str:
    return f"font:normal {size}px/1.5 {_SANS};color:{colour}"


def _row(inner: str, *, top: int = 14, bottom: int = 0) -> str:
    return f'<tr><td class="pad" style="padding:{top}px 30px {bottom}px">{inner}</td></tr>\n'


def _paragraph(text: str) -> str:
    return f'<p class="ink" style="margin:0;{_sans(15, _INK)}">{escape(text)}</p>'


def _heading(text: str) -> str:
    return f'<h2 class="ink" style="margin:6px 0 4px;font:normal 18px/1.3 {_SERIF};color:{_INK}">{escape(text)}</h2>'


def _figures(figures: Sequence[tuple[str, str]]) -> str:
    line = f"padding:6px 0;border-bottom:1px solid {_LINE}"
    rows = "".join(
        f'<tr><td class="soft line" style="{line};padding-right:18px;{_sans(14, _SOFT)};vertical-align:top">'
        f'{escape(label)}</td><td class="ink line" style="{line};{_sans(14, _INK)};text-align:right;'
        f'vertical-align:top">{escape(value)}'
        "</td></tr>"
        for label, value in figures
    )
    return (
        '<table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" class="line" '
        f'style="border-top:1px solid {_LINE}">{rows}</table>'
    )


def _points(points: Sequence[str]) -> str:
    items = "".join(f'<li style="margin:0 0 5px">{escape(point)}</li>' for point in points)
    return f'<ul class="ink" style="margin:0;padding:0 0 0 20px;{_sans(15, _INK)}">{items}</ul>'


def _picture(picture: Picture) -> str:
    # Programs that show no pictures show the words; the background is that of the picture's own paper.
    alt = escape(picture.alt, quote=True)
    return (
        f'<img src="cid:{escape(picture.cid, quote=True)}" alt="{alt}" width="{picture.width}" '
        f'height="{picture.height}" style="display:block;width:100%;max-width:{picture.width}px;height:auto;'
        f'border:0;border-radius:4px;background-color:#f6efe0;{_sans(13, "#3a2d1f")}">'
    )


def _part(part: Part) -> str:
    picture = f'<div style="margin:8px 0">{_picture(part.picture)}</div>' if part.picture else ""
    figures = _figures(part.figures) if part.figures else ""
    return _heading(part.heading) + _paragraph(part.text) + picture + figures


def _actions(actions: Sequence[Action]) -> str:
    buttons = "".join(
        f'<a href="{escape(one.address, quote=True)}" style="display:inline-block;margin:0 8px 8px 0;padding:10px 16px;'
        f'background-color:#55452f;color:#fbf6ea;text-decoration:none;border-radius:3px;font:normal 15px/1.3 {_SANS}">'
        f"{escape(one.wording)}</a>"
        for one in actions
    )
    note = f'<p class="soft" style="margin:0;{_sans(13, _SOFT)}">{ACTIONS_NOTE}</p>'
    return f'<div style="margin:4px 0 0">{buttons}</div>{note}'


def _commands(commands: Sequence[str]) -> str:
    lines = "<br>".join(
        f'<code style="font:normal 13px/1.6 Menlo,Consolas,monospace">{_unbroken(one)}</code>' for one in commands
    )
    return f'<p class="ink" style="margin:4px 0 0;{_sans(14, _INK)}">{COMMANDS_HEADING}<br>{lines}</p>'


def _unbroken(command: str) -> str:
    """Escape a command, its options kept whole: a break behind a hyphen would make two of them when it is copied."""
    return " ".join(
        f'<span style="white-space:nowrap">{escape(word)}</span>' if word.startswith("--") else escape(word)
        for word in command.split(" ")
    )


def _where(wording: str, address: str) -> str:
    """Say of an address that leads nowhere from a phone that it does."""
    is_there_only = urlsplit(address).hostname in ("127.0.0.1", "localhost", "::1")
    return f"{wording.removesuffix(':')} (opens on the computer on site only):" if is_there_only else wording


def _link(wording: str, address: str) -> str:
    return (
        f'<p class="ink" style="margin:4px 0 0;{_sans(15, _INK)}">{escape(_where(wording, address))}<br>'
        f'<a href="{escape(address, quote=True)}" style="color:#7a4a1e">{escape(address)}</a></p>'
    )


def _footer(lines: Sequence[str]) -> str:
    told = "<br>".join(escape(line) for line in lines)
    return (
        f'<p class="soft line" style="margin:8px 0 0;padding-top:12px;border-top:1px solid {_LINE};'
        f'{_sans(12, _SOFT)}">{told}</p>'
    )
