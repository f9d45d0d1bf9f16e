"""What the OpenAPI document says beyond what FastAPI reads off the routes: problem documents and the push token."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import FastAPI

from dashboards.api.models import ReadingsProblem
from dashboards.shell.problems import PROBLEM_TYPE, Problem

PUSH_TOKEN: Final = "pushToken"  # noqa: S105
"""The name of the security scheme of the way in for readings."""

_PROBLEM: Final[dict[str, Any]] = {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}

PROBLEMS: Final[dict[int | str, dict[str, Any]]] = {
    "4XX": {"description": "Not as asked: what is wrong and how to mend it", "content": _PROBLEM},
    "5XX": {"description": "It cannot be answered now: what is wrong and how to mend it", "content": _PROBLEM},
}
"""How errors are documented for every route: as problem documents (RFC 9457)."""


def complete(app: FastAPI) -> None:
    """Make the application's document whole; it is made once, when first asked for."""
    by_routes: Callable[[], dict[str, Any]] = app.openapi

    def whole() -> dict[str, Any]:
        document = by_routes()
        components = document.setdefault("components", {})
        schemas = components.setdefault("schemas", {})
        schemas["Problem"] = Problem.model_json_schema()
        readings = ReadingsProblem.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas |= {**readings.pop("$defs"), ReadingsProblem.__name__: readings}
        components["securitySchemes"] = {PUSH_TOKEN: {"type": "http", "scheme": "bearer"}}
        return document

    app.openapi = whole  # type: ignore[method-assign]
