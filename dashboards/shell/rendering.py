"""Templates into pages: one Jinja environment, everything escaped, nothing undefined let through."""

from __future__ import annotations

import hashlib
import mimetypes
import re
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, Response

import dashboards
from dashboards.shell.contexts import Page, ProblemPage, Shell

HERE: Final = Path(__file__).parents[1]
STATIC: Final = HERE / "static"
_OF_A_PAGE: Final = re.compile(r"[a-z_]+/[a-z_]+\.(?:css|js|svg)")
"""A file that stands in a page's folder, named from `dashboards`."""

_FIGURE_AND_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°[CF]|gr/|g/|kPa|inHg|mm\b|min\b|h\b))")


def environment() -> Environment:
    """Give the one Jinja environment: autoescape for every template, an undefined name is an error."""
    made = Environment(
        loader=FileSystemLoader(list(dashboards.__path__)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static"] = static_address
    made.filters["kept"] = kept_together
    return made


def kept_together(text: str) -> str:
    """Keep a figure and its unit on one line: the space between them becomes one that does not break."""
    return _FIGURE_AND_UNIT.sub("\u00a0", text)


@lru_cache(maxsize=64)
def static_address(name: str) -> str:
    """Give the address of a file under static/ or of a page's, carrying a digest of its content, to be kept for good.

    Raises KeyError for a name that is not there: a page must not ask for what we do not serve.
    """
    digest = hashlib.sha256(_content(static_files()[name])).hexdigest()[:10]
    return f"/static/{name}?v={digest}"


@lru_cache(maxsize=1)
def static_files() -> dict[str, Path]:
    """Give every file that may be asked for, by its name: those under static/ and those in pages' folders."""
    ours = {path.relative_to(STATIC).as_posix(): path for path in STATIC.rglob("*") if path.is_file()}
    pages = (path for folder in map(Path, dashboards.__path__) for path in folder.glob("*/*.*"))
    return ours | {name: path for path in pages if _OF_A_PAGE.fullmatch(name := "/".join(path.parts[-2:]))}


@lru_cache(maxsize=128)
def _content(path: Path) -> bytes:
    return path.read_bytes()


def file_answer(name: str, *, by_digest: bool) -> Response | None:
    """Give a static file, None where there is none of that name.

    It comes from memory, and without a thread of its own: however many pages are being made, a page that is there gets
    its style at once.  by_digest: it was asked for by its digest, and so may be kept by the browser for good.
    """
    path = static_files().get(name)
    if path is None:
        return None
    kept = "public, max-age=31536000, immutable" if by_digest else "no-cache"
    media_type = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return Response(_content(path), media_type=media_type, headers={"Cache-Control": kept})


class Pages:
    """Renders a typed page context with the template that the context names."""

    def __init__(self) -> None:
        self._environment = environment()

    def html(self, page: Page, status: int = 200) -> HTMLResponse:
        """Render a page; the template sees exactly the context's fields, by name."""
        template = self._environment.get_template(page.TEMPLATE)
        text = template.render({field.name: getattr(page, field.name) for field in fields(page)})
        return HTMLResponse(text, status)

    def problem(self, status: int, *, title: str, detail: str, mend: str) -> HTMLResponse:
        """Render a page that says what is wrong and what to do; it needs nothing from the store."""
        page = ProblemPage(shell=Shell.bare(title), status=status, title=title, detail=detail, mend=mend)
        return self.html(page, status)
