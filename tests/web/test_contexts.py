"""Templates and their documented contexts are held to each other, both ways."""

from __future__ import annotations

import dataclasses
import inspect
import typing

import pytest
from jinja2 import meta, nodes

from dashboards import contexts
from dashboards.rendering import TEMPLATES, environment

PAGES = typing.get_args(contexts.Page)
RECORDS = [one for _, one in inspect.getmembers(contexts, dataclasses.is_dataclass)]


def sources(name: str) -> list[nodes.Template]:
    """Give a template and all that it extends, as syntax trees."""
    made = environment()
    tree = made.parse((TEMPLATES / name).read_text("utf-8"))
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
    trees = [environment().parse(path.read_text("utf-8")) for path in TEMPLATES.glob("*.html")]
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
    for path in TEMPLATES.glob("*.html"):
        tree = environment().parse(path.read_text("utf-8"))
        assert not [one for one in tree.find_all(nodes.Filter) if one.name == "safe"], path.name
        assert not list(tree.find_all(nodes.EvalContextModifier)), path.name
