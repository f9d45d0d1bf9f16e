"""From what pydantic found in one section to sentences that a person can act on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from ingest.settings.findings import Findings, Steps, nearest
from ingest.settings.forms import NESTED, Form

_KINDS: Final[dict[str, tuple[str, str]]] = {
    "string_type": ("this must be a text", 'Put it in quotes: "…".'),
    "int_type": ("this must be a whole number", "Write it without quotes and without a decimal point."),
    "float_type": ("this must be a number", "Write it without quotes, with a decimal point where needed."),
    "bool_type": ("this must be true or false", "Write true or false, without quotes."),
    "list_type": ("this must be a list", 'Write it in square brackets: ["…"].'),
    "finite_number": ("this must be a finite number", "Write a plain number."),
    "model_type": ("this must be a section", "Write it in square brackets on a line of its own, its keys below."),
    "dict_type": ("this must be a section", "Write it in square brackets on a line of its own, its keys below."),
    "string_pattern_mismatch": ("this is not a web address", 'Write it like "http://127.0.0.1:8430/".'),
}
"""By pydantic's error type: what is wrong, and how to mend it."""

_LIMITS: Final[dict[str, tuple[str, str]]] = {
    "greater_than_equal": ("ge", "this is too small"),
    "less_than_equal": ("le", "this is too large"),
}
_LENGTHS: Final[dict[str, str]] = {
    "string_too_short": "this must not be empty",
    "string_too_long": "this is too long",
    "too_short": "this list must not be empty",
}


def note(findings: Findings, section: Steps, form: type[Form], error: ValidationError) -> None:
    """Note every mistake that a form found in the section at that place."""
    for detail in error.errors(include_url=False):
        at = (*section, *_own_steps(form, detail["loc"]))
        findings.wrong(at, *_sentence(form, detail))


def unknown_key(name: str, allowed: list[str]) -> tuple[str, str]:
    """Say that there is no such key, and which there are."""
    near = nearest(name, allowed)
    hint = f"Did you mean {near}?" if near else f"There are: {', '.join(allowed)}."
    return "there is no such key", hint


def _own_steps(form: type[Form], loc: tuple[str | int, ...]) -> Steps:
    # Entries of plain lists (the addresses in `to`) are spoken of by their key.
    steps: list[str | int] = []
    for step in loc:
        if isinstance(step, int) and steps[-1:] not in (["sensor"], ["phase"]):
            break
        steps.append(step)
    return tuple(steps)


def _sentence(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    speak: Callable[[type[Form], ErrorDetails], tuple[str, str]] = _SPECIAL.get(detail["type"], _plain)
    return speak(form, detail)


def _wrong(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    said = detail["ctx"]
    value = detail["input"]
    inside_list = isinstance(detail["loc"][-1], int)
    return (f'"{value}": {said["what"]}' if inside_list else said["what"]), said["mend"]


def _missing(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    key = str(detail["loc"][-1])
    owner = _form_at(form, detail["loc"])
    examples = [f.examples for name, f in owner.model_fields.items() if key in {name, f.alias} and f.examples]
    example = examples[0][0] if examples and examples[0] else '"…"'
    return "this key is missing", f"Add it: {key} = {example}"


def _extra(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    owner = _form_at(form, detail["loc"])
    allowed = [field.alias or name for name, field in owner.model_fields.items() if name not in _REFUSED]
    return unknown_key(str(detail["loc"][-1]), allowed)


def _choice(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    allowed = _choices(detail["ctx"]["expected"])
    near = nearest(str(detail["input"]), allowed)
    listed = ", ".join(f'"{name}"' for name in allowed)
    return (
        "this is not one of the choices",
        f"{f'Did you mean {chr(34)}{near}{chr(34)}? ' if near else ''}Use {listed}.",
    )


def _choices(expected: str) -> list[str]:
    return [part.strip("' ") for part in expected.replace(" or ", ", ").split(",")]


def _limit(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    _, what = _LIMITS[detail["type"]]
    owner, key = _form_at(form, detail["loc"]), str(detail["loc"][-1])
    low, high = limits(owner, key)
    return what, f"Use {low:g} to {high:g}."


def limits(form: type[Form], key: str) -> tuple[float, float]:
    """Give the lowest and the highest value that a key of a form may have."""
    schema = form.model_json_schema(by_alias=True)["properties"][key]
    for kind in schema.get("anyOf", [schema]):
        if "minimum" in kind:
            return kind["minimum"], kind["maximum"]
    raise KeyError(key)


def _length(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    longest = detail.get("ctx", {}).get("max_length")
    return _LENGTHS[
        detail["type"]
    ], f"Use at most {longest} characters." if longest else "Write something, or leave the key out."


def _plain(form: type[Form], detail: ErrorDetails) -> tuple[str, str]:
    return _KINDS.get(detail["type"], (detail["msg"], "See the example that `lumberroom init` writes."))


def _form_at(form: type[Form], loc: tuple[str | int, ...]) -> type[Form]:
    for step in loc[:-1]:
        form = NESTED.get(str(step), form)
    return form


_REFUSED: Final = {"password", "push_token", "secret", "token"}
_SPECIAL: Final[dict[str, Callable[[type[Form], Any], tuple[str, str]]]] = {
    "wrong": _wrong,
    "missing": _missing,
    "extra_forbidden": _extra,
    "literal_error": _choice,
    **dict.fromkeys(_LIMITS, _limit),
    **dict.fromkeys(_LENGTHS, _length),
}
