"""What a server's answer means, by its status and its words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.central.engine import EngineAddress
from ingest.central.writing import Accepted, InfluxWriter, Later, Refused, retry_after_s, said_by

NOW = datetime(2026, 11, 25, 10, 0, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        (None, None),
        ("120", 120.0),
        ("0", 0.0),
        ("Wed, 25 Nov 2026 10:02:00 GMT", 120.0),
        ("Wed, 25 Nov 2026 09:00:00 GMT", 0.0),
        ("999999", 3600.0),
        ("-5", 0.0),
        ("soon", None),
        ("nan", None),
    ],
)
def test_retry_after_is_read_in_both_its_forms(header: str | None, seconds: float | None) -> None:
    """Seconds or a date (RFC 9110, section 10.2.3); nonsense is no wish, and nobody makes us wait for days."""
    assert retry_after_s(header, NOW) == seconds


def test_a_servers_words_are_found_in_json_and_kept_short() -> None:
    """The message of the API's error document (InfluxDB v2: code, message), else the text, on one line."""
    assert said_by(b'{"code":"invalid","message":"partial write:\\nconflict."}', "") == "partial write: conflict"
    assert said_by(b'{"error":"database not found"}', "") == "database not found"
    assert said_by(b"<html>no\tentry</html>", "") == "<html>no entry</html>"
    assert said_by(b"", "Bad Gateway") == "Bad Gateway"
    assert len(said_by(b"x" * 5000, "")) == 300


@pytest.mark.parametrize(
    ("answer", "kind", "closed"),
    [
        (400, Refused, None),
        (413, Refused, None),
        (422, Refused, None),
        (401, Later, True),
        (404, Later, True),
        (302, Later, True),
        (429, Later, False),
        (500, Later, False),
        (504, Later, False),
        (None, Accepted, None),
    ],
)
def test_each_status_has_its_meaning(front, answer, kind, closed) -> None:
    """Bad content, something to mend, or later: told apart by status, over real HTTP through influxdb-client."""
    front.plan = [answer]
    said = InfluxWriter(EngineAddress(front.url, timeout_s=2.0)).write(["m,site=meaning v=1.0 1700000000000"])
    assert isinstance(said, kind)
    if isinstance(said, Later):
        assert said.closed is closed


def test_a_secret_stands_in_no_sentence(front) -> None:
    """Whatever goes wrong, the token is not in what people read."""
    front.plan = [401]
    said = InfluxWriter(EngineAddress(front.url, token="my-secret-token")).write(["m v=1.0 1"])
    assert "my-secret-token" not in repr(said)
