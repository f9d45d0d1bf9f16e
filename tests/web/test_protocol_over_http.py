"""Section 10 of PROTOCOL.md is what the application does: its vectors are read from the document and sent."""

from __future__ import annotations

import itertools
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

import adapters
from adapters.framing.senml_records import MAX_PACK_BYTES, MAX_RECORDS
from dashboards.api.push_app import create_push_app
from dashboards.api.push_body import BODY_LIMIT_S
from dashboards.api.rates import Limits
from dashboards.api.readings_in import MOST_REJECTIONS_SHOWN
from dashboards.services import DeviceRight
from ingest.runtime import push_listener
from ingest.settings.forms import PushForm

TEXT = (Path(adapters.__file__).parent / "PROTOCOL.md").read_text(encoding="utf-8")
SECTION = TEXT.split("\n## 10 ", 1)[1].split("\n## ", 1)[0]
BLOCKS = [(m[1].split(), m[2]) for m in re.finditer(r"^```([^\n]+)\n(.*?)^```$", SECTION, re.MULTILINE | re.DOTALL)]
VECTORS = [
    (words, sent, wanted)
    for (words, sent), (after, wanted) in itertools.pairwise(BLOCKS)
    if words[:2] == ["json", "push"] and after == ["json", "answer"]
]


def rows() -> list[list[str]]:
    """Give the rows of all tables of the section, heads left out."""
    found = re.findall(r"^\|(.+)\|$", SECTION, re.MULTILINE)
    return [[cell.strip() for cell in row.split("|")] for row in found if not row.startswith("---")]


def without_details(said: dict[str, Any]) -> dict[str, Any]:
    """Leave out what is for people: the document does not print it."""
    for one in said.get("rejections", []):
        del one["detail"]
    return {name: value for name, value in said.items() if name not in {"type", "detail", "where", "mend"}}


def test_every_vector_is_answered_as_printed(services: Any) -> None:
    """One after the other, as they stand: status, counts, and each refused record with its place and reason."""
    assert [words[3] for words, *_ in VECTORS] == [f"status={status}" for status in (202, 207, 403, 422, 400)]
    with TestClient(create_push_app(services)) as client:
        for (_, _, may, status), sent, wanted in VECTORS:
            services.rights["key"] = DeviceRight("board", (may.removeprefix("may="),))
            headers = {"Authorization": "Bearer key", "Content-Type": "application/senml+json"}
            answer = client.post("/api/v1/readings", content=sent, headers=headers)
            assert answer.status_code == int(status.removeprefix("status="))
            assert without_details(answer.json()) == json.loads(wanted)


def test_the_statuses_are_those_that_are_given() -> None:
    """The table of answers has every status of the way in, in order."""
    told = [int(row[0]) for row in rows() if row[0].isdigit()]
    assert told == [202, 207, 400, 401, 403, 408, 413, 415, 422, 429, 503]


def test_the_limits_are_those_of_the_code() -> None:
    """Sizes, times and rates in the text are the ones that hold."""
    limits = Limits()
    told = [[float(cell.replace(" ", "")) for cell in row[1:]] for row in rows() if re.fullmatch(r"[\d ]+", row[1])]
    assert told == [[one.burst, one.per_s] for one in (limits.address, limits.unknown, limits.key, limits.readings)]
    for said in (
        f"larger than {MAX_PACK_BYTES:,} bytes".replace(",", " "),
        f"{MAX_RECORDS:,} records".replace(",", " "),
        f"within {BODY_LIMIT_S:g} s",
        f"the first {MOST_REJECTIONS_SHOWN})",
        f"{push_listener.MOST_CONNECTIONS} connections",
        f"{push_listener.MOST_OF_ONE_ADDRESS} of one address",
        f"head of a request must come within {push_listener.HEAD_LIMIT_S:g} s",
    ):
        assert said in SECTION, said


@pytest.mark.parametrize("body", [body for words, body in BLOCKS if words == ["toml", "push"]])
def test_the_section_of_the_wiring_file_is_one(body: str) -> None:
    """The example has the keys that there are."""
    assert PushForm.model_validate(tomllib.loads(body)["push"]).address == "0.0.0.0:8431"
