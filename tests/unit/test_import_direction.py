"""Imports go one way, as DESIGN and the docstring of `ingest` say: deferred and typing-only imports included."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("adapters", "ingest", "dashboards")

# Layers from the floor up; a layer may import those above it in this list, and itself.
# What stands in one line with another may not import it.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("adapters.contract", "ingest.units", "ingest.clock", "ingest.errors"),
    ("ingest.physics",),
    ("ingest.site",),
    ("ingest.present", "ingest.store"),
    ("dashboards.services",),  # the contract between the daemon and the pages, as adapters.contract is for adapters
    ("ingest.watch",),
    ("ingest.practice",),
    ("ingest.notices", "ingest.central"),
    ("ingest.settings",),  # on its way down: it still names what notices, central and the store want of it
    ("ingest.runtime", "dashboards"),
    ("ingest.demo",),
    ("ingest.cli",),
)

ADAPTERS_MAY = ("adapters", "ingest.physics", "ingest.units")
"""All that adapters may import of ours."""

FRAMING_MAY = ("adapters.contract", "adapters.framing", "ingest.units")
"""Framing is bytes in, readings out."""

RUNTIME_SEES_OF_ADAPTERS = (
    "adapters.contract",
    "adapters.registry",
    "adapters.discovery",
    "adapters.discovery_broker",
    "adapters.discovery_ways",
)
"""The daemon knows adapters by their registry only, and what is within reach by their discovery."""

DECODERS_FOR = {
    "dashboards": ("adapters.contract", "adapters.framing"),
    "ingest.settings": ("adapters.contract", "adapters.registry"),
    "ingest.demo": ("adapters.contract", "adapters.registry", "adapters.simulated_room", "adapters.room_"),
    "ingest.cli": ("adapters",),
}
"""What else sees of the adapters: pages decode what is pushed, the demonstration has its rooms, commands see all."""


class Import(NamedTuple):
    """One import: which module, in which line, imports what."""

    module: str
    line: int
    target: str

    def __str__(self) -> str:
        return f"{self.module}:{self.line} imports {self.target}"


def modules() -> dict[str, Path]:
    """Give our modules by dotted name."""
    found = {}
    for top in OURS:
        for path in sorted((ROOT / top).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = modules()


def imports_of(module: str, tree: ast.AST) -> Iterator[Import]:
    """Give every import of ours in a module, wherever in it, under TYPE_CHECKING and in functions as well."""
    package = module if MODULES[module].name == "__init__.py" else module.rpartition(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                climbed = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*climbed, *([base] if base else [])])
            # `from package import module` imports the module; `from module import name` imports the module.
            targets = [f"{base}.{a.name}" if f"{base}.{a.name}" in MODULES else base for a in node.names]
        else:
            continue
        yield from (Import(module, node.lineno, name) for name in targets if name.split(".")[0] in OURS)


ALL = [found for name, path in MODULES.items() for found in imports_of(name, ast.parse(path.read_text("utf-8")))]


def within(module: str, names: tuple[str, ...]) -> bool:
    """Say whether a module is one of these or lies in one; a name that ends in _ is a beginning."""
    return any(module == n or module.startswith(n if n.endswith("_") else f"{n}.") for n in names)


def layer(module: str) -> tuple[int, str] | None:
    """Give a module's layer, by the longest name that fits it."""
    fits = [(len(name), number, name) for number, row in enumerate(LAYERS) for name in row if within(module, (name,))]
    return max(fits)[1:] if fits else None


def test_there_is_something_to_check() -> None:
    """The walk sees our modules and imports of every form."""
    assert len(MODULES) > 60
    assert Import("ingest.site.series", 0, "adapters.contract") in [i._replace(line=0) for i in ALL]
    tree = ast.parse("def f():\n    from ..store import api\nif TYPE_CHECKING:\n    import ingest.cli.main\n")
    assert [i.target for i in imports_of("ingest.watch.rounds", tree)] == ["ingest.store.api", "ingest.cli.main"]


def test_every_module_of_ingest_and_dashboards_has_a_layer() -> None:
    """No module stands outside of the order (the map itself, `ingest`, imports nothing)."""
    homeless = [m for m in MODULES if not m.startswith("adapters") and layer(m) is None and m != "ingest"]
    assert homeless == []


def against_the_order(imports: list[Import]) -> list[Import]:
    """Give the imports of what comes later in a reading's way, or of a neighbour in the same line."""
    wrong = []
    for found in imports:
        own, target = layer(found.module), layer(found.target)
        if own is not None and target is not None and not (target[0] < own[0] or target[1] == own[1]):
            wrong.append(found)
    return wrong


@pytest.mark.parametrize("top", [name for row in LAYERS for name in row])
def test_a_layer_imports_only_what_lies_below(top: str) -> None:
    """Nothing imports what comes later in a reading's way, or its neighbour in the same line."""
    assert [str(found) for found in against_the_order(ALL) if (layer(found.module) or (0, ""))[1] == top] == []


def test_an_import_against_the_order_would_be_found() -> None:
    """The check can fail: backwards, sideways and past the contract between daemon and pages."""
    backwards = Import("ingest.store.reader", 1, "ingest.watch.rounds")
    sideways = Import("ingest.runtime.daemon", 1, "dashboards.app")
    fine = [
        Import("ingest.runtime.daemon", 1, "dashboards.services"),
        Import("ingest.cli.commands.run", 1, "dashboards.app"),
    ]
    assert against_the_order([backwards, sideways, *fine]) == [backwards, sideways]


def test_adapters_see_only_physics_and_units() -> None:
    """An adapter touches neither store nor clock policy nor pages."""
    assert [str(i) for i in ALL if i.module.startswith("adapters") and not within(i.target, ADAPTERS_MAY)] == []


def test_framing_sees_only_the_contract() -> None:
    """Decoders have no I/O to reach for."""
    wrong = [str(i) for i in ALL if within(i.module, ("adapters.framing",)) and not within(i.target, FRAMING_MAY)]
    assert wrong == []


def test_the_contract_imports_nothing_of_ours() -> None:
    """The floor stands on nothing."""
    floor = LAYERS[0]
    assert [str(i) for i in ALL if i.module in floor and i.target not in floor] == []


def test_adapters_are_seen_through_their_contract() -> None:
    """Below the commands, only the registry knows which adapters there are."""
    wrong = []
    for found in ALL:
        if found.module.startswith("adapters") or not found.target.startswith("adapters"):
            continue
        seen = next((may for top, may in DECODERS_FOR.items() if within(found.module, (top,))), ("adapters.contract",))
        seen = RUNTIME_SEES_OF_ADAPTERS if within(found.module, ("ingest.runtime",)) else seen
        if not within(found.target, seen):
            wrong.append(str(found))
    assert wrong == []


def test_no_two_modules_import_each_other() -> None:
    """There is no import cycle, not even one hidden in functions."""
    graph: dict[str, set[str]] = {name: set() for name in MODULES}
    for found in ALL:
        if found.target != found.module:
            graph[found.module].add(found.target)
    cycles = [path for name in graph if (path := _way_back(graph, name))]
    assert cycles == []


def _way_back(graph: dict[str, set[str]], start: str) -> list[str]:
    """Give the modules that can be reached from `start` and reach it again, or nothing."""
    seen: set[str] = set()
    waiting = list(graph[start])
    while waiting:
        name = waiting.pop()
        if name == start:
            return sorted({start, *(n for n in seen if start in _reach(graph, n))})
        if name not in seen:
            seen.add(name)
            waiting += graph.get(name, set())
    return []


def _reach(graph: dict[str, set[str]], start: str) -> set[str]:
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        for name in graph.get(waiting.pop(), set()) - seen:
            seen.add(name)
            waiting.append(name)
    return seen
