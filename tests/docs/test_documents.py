"""What the documents promise is there: commands, files, pictures, and a wiring example that is sound."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from ingest.cli.main import commands, main
from ingest.settings import reading
from ingest.settings.forms import NESTED, SECTIONS
from ingest.settings.telling_forms import TELLING_SECTIONS
from ingest.store.file import schema

ROOT = Path(__file__).parents[2]
DOCUMENTS = [
    ROOT / name
    for name in (
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "deploy/OPERATIONS.md",
        "adapters/PROTOCOL.md",
        "ingest/notices/NOTICES.md",
    )
]
SECRETS = tuple(f"LUMBERROOM_{name}" for name in (
    "PUSH_TOKEN", "MAIL_PASSWORD", "WEBHOOK_SECRET", "BROKER_PASSWORD", "CENTRAL_TOKEN"
))  # fmt: skip
NOT_IN_EXAMPLE = {"push_token", "password", "token", "secret", "token_file", "page_address", "read_address"}
"""Secrets that are refused in a file, and keys that hardly anybody needs."""

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "CHANGELOG.md"),
    *("ingest", "adapters", "dashboards", "tests", "deploy"),
}


def tracked() -> list[str]:
    """Give the paths that are in version control."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True)
    return [name for name in listed.stdout.split("\0") if name]


def test_the_top_level_is_the_design_card() -> None:
    """Nothing stands at the top level but what belongs there, and dot-files."""
    found = {name.split("/")[0] for name in tracked()}
    assert {name for name in found if not name.startswith(".")} == TOP_LEVEL


def test_the_readme_opens_with_the_job_and_then_the_two_commands() -> None:
    """The first paragraph is the job; the first code block is the two commands, and both scripts are there."""
    text = (ROOT / "README.md").read_text()
    paragraphs = text.split("\n\n")
    assert paragraphs[1].startswith("**The job.**")
    first_block = re.search(r"```sh\n(.*?)```", text, re.DOTALL)
    assert first_block is not None
    commands = [line.split("#")[0].split() for line in first_block[1].splitlines()]
    assert commands == [["bash", "deploy/start.sh"], ["bash", "deploy/test.sh"]]
    for _, script in commands:
        assert (ROOT / script).stat().st_mode & 0o111
        subprocess.run(["bash", "-n", str(ROOT / script)], check=True)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_links_and_pictures_lead_somewhere(document: Path) -> None:
    """Every relative link and picture of a document is a tracked file or a folder of them."""
    known = set(tracked())
    targets = re.findall(r"\]\(([^)#\s]+)", document.read_text())
    for target in targets:
        if "://" not in target:
            path = (document.parent / target).resolve().relative_to(ROOT.resolve()).as_posix()
            assert path in known or any(name.startswith(f"{path}/") for name in known), f"{document.name}: {target}"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_that_documents_name_exist(document: Path) -> None:
    """Every `lumberroom something` in a document's code is a command there is, with the options named."""
    blocks = re.findall(r"```sh\n(.*?)```", document.read_text(), re.DOTALL)
    lines = [line.split("#")[0] for block in blocks for line in block.splitlines()]
    for line in lines:
        used = re.search(r"(?:^|/bin/)lumberroom ([a-z-]+)(.*)", line)
        if used is None:
            continue
        assert used[1] in commands(), line
        wanted = re.findall(r"--[a-z-]+", used[2])
        told = _help_of(used[1], used[2].split())
        assert all(option in told for option in wanted), line


def _help_of(command: str, words: list[str]) -> str:
    """Give the help of a command; of a group its own and that of the command of it that is named."""
    told = CliRunner().invoke(main, [command, "--help"]).output
    inner = words[0] if words and not words[0].startswith("-") and f"  {words[0]} " in told else None
    return told + CliRunner().invoke(main, [command, inner, "--help"]).output if inner else told


def test_every_command_has_help_worth_reading() -> None:
    """`--help` of each command says what it does in a sentence or more and exits well."""
    for name in commands():
        result = CliRunner().invoke(main, [name, "--help"])
        assert result.exit_code == 0, name
        assert len(result.output.split()) > 40, name


def test_the_wiring_example_is_sound(tmp_path: Path) -> None:
    """The example in the README passes the checks that `lumberroom run` makes."""
    block = re.search(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
    assert block is not None
    file = tmp_path / "lumberroom.toml"
    file.write_text(block[1])
    wiring = reading.load(file, {"LUMBERROOM_MAIL_PASSWORD": "x"})
    assert [room.id for room in wiring.site.rooms] == ["hall"]
    assert wiring.cautions == ()


def test_the_adapters_of_the_protocol_could_stand_in_a_wiring_file(tmp_path: Path) -> None:
    """Every piece of a settings file in PROTOCOL.md, and all together, is taken as it stands; secrets lie beside it."""
    pieces = re.findall(r"```toml wiring\n(.*?)```", (ROOT / "adapters" / "PROTOCOL.md").read_text(), re.DOTALL)
    site = '[site]\nname = "x"\ntime_zone = "UTC"\n'
    for secret in re.findall(r'_file = "(.*?)"', "".join(pieces)):
        (tmp_path / secret).write_text("x")
    wiring = reading.parse(site + "".join(pieces), tmp_path / "lumberroom.toml", {})
    assert len(wiring.adapters) == len(pieces)


def test_the_example_of_every_section_is_sound_and_leaves_none_out(tmp_path: Path) -> None:
    """The long example of OPERATIONS.md loads, names every section and every key (alternatives apart), and means it."""
    text = (ROOT / "deploy" / "OPERATIONS.md").read_text().partition("## Every section of the settings file")[2]
    block = re.search(r"```toml\n(.*?)```", text, re.DOTALL)
    assert block is not None
    wiring = reading.parse(block[1], tmp_path / "lumberroom.toml", dict.fromkeys(SECRETS, "a-secret-of-some-length"))
    assert [one.who for one in wiring.telling.recipients] == ["Floor layer"]
    assert wiring.site.rooms[0].boards is not None
    assert wiring.central is not None
    raw = tomllib.loads(block[1])
    forms = {**SECTIONS, **TELLING_SECTIONS}
    assert set(raw) == set(forms)
    assert set(raw["room"][0]) >= set(NESTED)
    tables = [(name, raw[name], form) for name, form in forms.items()]
    tables += [(f"room.{name}", raw["room"][0][name], form) for name, form in NESTED.items()]
    for name, table, form in tables:
        given = table[0] if isinstance(table, list) else table
        keys = {field.alias or key for key, field in form.model_fields.items()}
        said = set(given) | set(re.findall(r"[a-z_]+", block[1]))  # an alternative may stand in a comment
        assert keys - said <= NOT_IN_EXAMPLE, name


def test_the_format_names_every_table_of_the_schema() -> None:
    """Whoever reads the store's file without our program finds each table, there or in the comments of the schema."""
    said = (ROOT / "ingest" / "store" / "FORMAT.md").read_text()
    made = {found[1]: one for one in schema.TABLES if (found := re.search(r"CREATE TABLE (\w+)", one))}
    assert len(made) > 15
    assert {name for name, one in made.items() if f"`{name}`" not in said and "-- " not in one} == set()
    assert "row_sum" in said


def test_the_version_is_said_once() -> None:
    """The newest entry of the change log is the version of the package."""
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    assert newest is not None
    assert newest[1] == version
