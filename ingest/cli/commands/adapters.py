"""`lumberroom adapters`: the kinds of adapter, and the settings of one, as they stand in the settings file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from adapters.contract import Setting

COMMAND: Final = ("adapters", 80, "Show the kinds of adapter, and the settings of one.")

_KIND_WORDS: Final = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    list: "list",
    dict: "table",
}


@click.command(name="adapters", short_help="Show the kinds of adapter, and the settings of one.")
@click.argument("kind", required=False)
def adapters(kind: str | None) -> None:
    """Show which kinds of adapter there are, those of other packages that are installed here too; or, with KIND, the
    settings of that one: what each means, whether it must be given, and what it is where it is not.

    An adapter is wired by an [[adapter]] section in lumberroom.toml, with a name of your own, the kind as its type, and
    these settings. Examples of every kind, and what sensors must say, stand in adapters/PROTOCOL.md.
    """
    if kind is None:
        _list_kinds()
    else:
        _show_kind(kind)


def _list_kinds() -> None:
    from adapters import registry
    from adapters.contract import AdapterError

    rows = []
    for known in registry.kinds().values():
        try:
            summary = registry.load_target(known).SUMMARY
        except AdapterError as error:
            summary = f"cannot be used: {error}"
        brought = "" if known.source == "lumberroom" else f" (of {known.source})"
        rows.append((known.name, f"{summary}{brought}"))
    formatter = click.HelpFormatter(width=100)
    formatter.write_dl(rows, col_max=24)
    click.echo(formatter.getvalue(), nl=False)
    click.echo("\nThe settings of one: lumberroom adapters KIND")


def _show_kind(kind: str) -> None:
    from adapters import registry

    loaded = registry.load(kind)
    formatter = click.HelpFormatter(width=100)
    formatter.write_text(f'type = "{kind}": {loaded.SUMMARY}')
    formatter.write_paragraph()
    formatter.write_dl([row for setting in loaded.SETTINGS for row in _rows(setting)])
    click.echo(formatter.getvalue(), nl=False)


def _rows(setting: Setting) -> Iterator[tuple[str, str]]:
    """Give a setting's line; of a secret those by which it comes from elsewhere, for it never stands in the file."""
    if setting.secret:
        yield f"{setting.name}_env", f"the environment variable that holds it: {setting.help}"
        yield f"{setting.name}_file", "or the file that holds it"
        return
    yield setting.name, f"{setting.help}. {'; '.join(_conditions(setting))}"


def _conditions(setting: Setting) -> Iterator[str]:
    from adapters.discovery import as_toml

    yield _KIND_WORDS[setting.kind].capitalize()
    if setting.choices:
        yield f"one of {', '.join(map(as_toml, setting.choices))}"
    low, high = setting.minimum, setting.maximum
    if low is not None or high is not None:
        ends = (f"from {low:.10g}" if low is not None else "", f"to {high:.10g}" if high is not None else "")
        yield " ".join(filter(None, ends))
    if setting.required:
        yield "required"
    elif setting.default not in (None, "", (), {}, []):
        yield f"{as_toml(setting.default)} unless given"
