"""One thing, one word, the trade's own: words not used here stand in no page, letter, help text or document."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

NOT_USED = {
    r"drift(s|ing|ed)? (out|away|from its)": "leaving range",
    r"(with)?in its window|out of (its|their) windows?|left (its|the) window": "in range, out of range",
    r"is silent|silent for|sensor silent|silent time|silent sensors?": "offline",
    r"(nothing|not|last|never) (was |been |ever )?heard|heard (again|yet)": "offline; last reading; no readings yet",
    r"vouch(es|ed)?( for)?": "cover, coverage",
    r"going on|still goes on": "active",
    r"in hand|see to it": "acknowledge",
    r"snooz\w*|ask(s|ed)? for quiet|quiet for|asking for quiet": "mute alerts",
    r"deeds?": "action",
    r"by hand\b(?=.{0,20}(clos|open))|clos\w+ by hand": "close manually, reopen",
    r"(?<![/\w])notices?(?![/.\w])(?! (the|in|of time))": "alert",
    r"point-hours|times how long": "total exceedance, %RH-hours",
    r"arrivals|turned away": "Connections; rejected",
    r"within reach|adopt\w*": "Find sensors, assign to room",
    r"strangers?|unknown senders?": "unassigned sensor",
    r"wiring file": "settings file",
    r"the job holds|(of|in|seed|add them to) the job\b|the job \(|bring the job in": "site setup",
    r"leave to lay": "approval to install",
    r"stood at|pins (all|the)": "log; check code",
    r"kept (its|the) window|left so far": "in range all week; week to date",
    r"what to show|the same in figures": "readings, show table",
    r"told when it had lasted": "alert after",
}
"""What is not said, as a pattern, and what is said in its place."""

_PATTERNS = [(re.compile(rf"\b(?:{pattern})\b", re.IGNORECASE), instead) for pattern, instead in NOT_USED.items()]

SAID_IN = (
    "ingest/notices/letters",
    "ingest/present",
    "ingest/practice/week_words.py",
    "ingest/watch/reasons.py",
    "ingest/watch/affected.py",
    "ingest/settings/words.py",
    "ingest/settings/sentences.py",
    "ingest/settings/crosschecks.py",
    "ingest/runtime/services.py",
    "dashboards",
)
"""Where what people read is put into words: every string there but docstrings."""

COMMANDS = "ingest/cli"
"""Here docstrings of commands are help texts, and so are looked at too."""

DOCUMENTS = ("README.md", "deploy/OPERATIONS.md", "adapters/PROTOCOL.md", "adapters/WRITING.md")


def _strings(path: Path, *, docstrings: bool) -> Iterator[tuple[int, str]]:
    """Give a module's texts that a person may read.  docstrings: also those of functions that are commands."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documented = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and not (docstrings and isinstance(node, ast.FunctionDef) and node.decorator_list)
    }
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}  # documents a constant
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documented:
            if id(node) in bare and not docstrings:
                continue
            if " " in node.value.strip():  # a single word is a key, not a sentence
                yield node.lineno, node.value


def _template_text(text: str) -> str:
    return re.sub(r"{[%#].*?[%#]}|{{.*?}}|<[^>]*>", " ", text, flags=re.DOTALL)


def _faults(where: str, text: str) -> Iterator[str]:
    for pattern, instead in _PATTERNS:
        for found in pattern.finditer(text):
            yield f"{where}: {found[0]!r} in {text[max(0, found.start() - 40) : found.end() + 30]!r}; say: {instead}"


def _python(place: str) -> list[Path]:
    return [ROOT / place] if place.endswith(".py") else sorted((ROOT / place).rglob("*.py"))


@pytest.mark.parametrize("place", [*SAID_IN, COMMANDS])
def test_what_is_said_uses_the_words_of_the_house(place: str) -> None:
    """Every sentence that a module can print."""
    found = [
        fault
        for path in _python(place)
        for line, text in _strings(path, docstrings=place == COMMANDS)
        for fault in _faults(f"{path.relative_to(ROOT)}:{line}", text)
    ]
    assert not found, "\n".join(found)


def test_templates_use_the_words_of_the_house() -> None:
    """Every word of a page that is not filled in."""
    pages = sorted((ROOT / "dashboards").rglob("*.html"))
    assert len(pages) > 10
    found = [
        fault
        for path in pages
        for fault in _faults(str(path.relative_to(ROOT)), _template_text(path.read_text(encoding="utf-8")))
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_documents_use_the_words_of_the_house(document: str) -> None:
    """Every document for users."""
    text = (ROOT / document).read_text(encoding="utf-8")
    found = [fault for line, said in enumerate(text.splitlines(), 1) for fault in _faults(f"{document}:{line}", said)]
    assert not found, "\n".join(found)
