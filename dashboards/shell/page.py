"""What a page declares of itself; the navigation and the routes are made of these declarations.

A page is a folder of `dashboards` whose `route` has a `PAGE`: its context, what gathers it, its template and its style
stand together in there.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from fastapi import APIRouter

import dashboards
from dashboards.services import Services
from ingest.site.actor import Role


@dataclass(frozen=True, slots=True)
class Declared:
    """A page.

    address: of the page itself.  title: in the navigation, where `place` (rising) is set.  router: makes its routes.
    role: who may see it.  needs: whether the services that there are suffice.  count: things there that ask for
    attention, 0 for none.
    """

    address: str
    title: str
    router: Callable[[], APIRouter]
    place: int | None = None
    role: Role = Role.LOOK
    needs: Callable[[Services], bool] = lambda _: True
    count: Callable[[Services], int] = lambda _: 0


@lru_cache(maxsize=1)
def declared() -> tuple[Declared, ...]:
    """Give every page that there is, in the order of the navigation; those that stand in none come last."""
    found: list[Declared] = []
    for folder in pkgutil.iter_modules(dashboards.__path__):
        if folder.ispkg and (name := f"{dashboards.__name__}.{folder.name}") not in _NO_PAGES:
            found.append(importlib.import_module(f"{name}.route").PAGE)
    return tuple(sorted(found, key=lambda page: (page.place is None, page.place, page.address)))


_NO_PAGES = ("dashboards.api", "dashboards.shell", "dashboards.static")


def navigation(services: Services, role: Role) -> list[Declared]:
    """Give the pages that a visitor of that role finds in the navigation."""
    return [page for page in declared() if page.place is not None and page.role <= role and page.needs(services)]
