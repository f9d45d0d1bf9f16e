"""Templates into pages: one Jinja environment, everything escaped, nothing undefined let through."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

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

    Raises FileNotFoundError for a name that is not there: a page must not ask for what we do not serve.
    """
    digest = hashlib.sha256(static_file(name).read_bytes()).hexdigest()[:10]
    return f"/static/{name}?v={digest}"


def static_file(name: str) -> Path:
    """Give the file of that name: in a page's folder where its name is one of those, else under static/."""
    if _OF_A_PAGE.fullmatch(name) and (HERE / name).is_file():
        return HERE / name
    return STATIC / name


class KeptFiles(StaticFiles):
    """Static files: kept by the browser for good when asked for by digest, asked about again otherwise."""

    def lookup_path(self, path: str) -> tuple[str, os.stat_result | None]:
        """Find a file, also in a page's folder."""
        found = static_file(path)
        return super().lookup_path(path) if found.is_relative_to(STATIC) else (str(found), found.stat())

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Answer with the file and say for how long it may be kept."""
        answer = await super().get_response(path, scope)
        by_digest = scope.get("query_string", b"").startswith(b"v=")
        answer.headers["Cache-Control"] = "public, max-age=31536000, immutable" if by_digest else "no-cache"
        return answer


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
