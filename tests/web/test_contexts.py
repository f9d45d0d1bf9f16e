"""Templates and their documented contexts are held to each other, both ways."""

from __future__ import annotations

import dataclasses
import importlib
import inspect

import pytest
from jinja2 import meta, nodes

from dashboards.shell.rendering import HERE, environment, kept_together

MODULES = [
    importlib.import_module(path.relative_to(HERE.parent).with_suffix("").as_posix().replace("/", "."))
    for path in sorted([*HERE.glob("*/context.py"), HERE / "shell" / "contexts.py"])
]
RECORDS = [
    one
    for module in MODULES
    for _, one in inspect.getmembers(module, dataclasses.is_dataclass)
    if one.__module__ == module.__name__
]
PAGES = [one for one in RECORDS if hasattr(one, "TEMPLATE")]
TEMPLATES = sorted(HERE.glob("*/*.html"))


def sources(name: str) -> list[nodes.Template]:
    """Give a template and all that it extends, as syntax trees."""
    made = environment()
    tree = made.parse((HERE / name).read_text("utf-8"))
    parents = [one.template.value for one in tree.find_all(nodes.Extends)]
    return [tree, *(parent for name in parents for parent in sources(name))]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_a_template_uses_exactly_the_fields_of_its_context(page):
    """No name in the template that the context does not give, no field given that the template does not use."""
    trees = sources(page.TEMPLATE)
    macros = {name for tree in trees for one in tree.find_all(nodes.FromImport) for name in one.names}
    used = set().union(*(meta.find_undeclared_variables(tree) for tree in trees)) - macros - {"static"}
    assert used == {field.name for field in dataclasses.fields(page)}


def test_every_field_of_every_record_is_printed_somewhere():
    """A field that no template reads is no part of a page."""
    trees = [environment().parse(path.read_text("utf-8")) for path in TEMPLATES]
    read = {one.attr for tree in trees for one in tree.find_all(nodes.Getattr)}
    read |= {one.name for tree in trees for one in tree.find_all(nodes.Name)}
    unread = {
        f"{record.__name__}.{field.name}"
        for record in RECORDS
        for field in dataclasses.fields(record)
        if field.name not in read
    }
    assert unread == set()


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.__name__)
def test_every_record_is_documented(record):
    """Each context says what it is."""
    assert record.__doc__
    assert not record.__doc__.startswith(f"{record.__name__}(")


def test_no_template_marks_text_as_safe():
    """Autoescape is never switched off: no `safe` filter, no autoescape block."""
    for path in TEMPLATES:
        tree = environment().parse(path.read_text("utf-8"))
        assert not [one for one in tree.find_all(nodes.Filter) if one.name == "safe"], path.name
        assert not list(tree.find_all(nodes.EvalContextModifier)), path.name


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("52.3 % now", "52.3\u00a0% now"),
        ("15.6 to 26.7 °C", "15.6 to 26.7\u00a0°C"),
        ("2 h 14 min", "2\u00a0h 14\u00a0min"),
        ("65 gr/lb", "65\u00a0gr/lb"),
        ("3 hinges", "3 hinges"),
        ("<b>7 %</b>", "<b>7\u00a0%</b>"),
    ],
)
def test_a_figure_and_its_unit_stay_on_one_line(text, kept):
    """The space between them does not break; markup in the text is none of this filter's business and gets escaped."""
    assert kept_together(text) == kept
    printed = environment().from_string("{{ text | kept }}").render(text=text)
    assert "<b>" not in printed
