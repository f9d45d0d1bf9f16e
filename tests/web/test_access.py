"""Who may ask, and what every answer carries."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from dashboards.app import create_app
from dashboards.shell.access import bearer_token, is_loopback

EVERYWHERE = [
    "/",
    "/rooms/loft",
    "/incidents",
    "/connections",
    "/health",
    "/api/v1/rooms",
    "/api/openapi.json",
    "/nothing",
]
EVERYWHERE += ["/static/paper.css", "/static/nothing.css", "/favicon.ico", "/api/v1/nothing"]


@pytest.mark.parametrize("path", EVERYWHERE)
def test_every_answer_carries_strict_headers_and_no_cookie(client, path):
    """Pages, JSON, files and errors alike: no inline script or style, no eval, no framing, no sniffing, no referrer."""
    headers = client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-frame-options"] == "DENY"
    assert "set-cookie" not in headers


def test_a_bug_still_answers_with_strict_headers_and_no_traceback(services):
    """An error of ours is a plain 500 page; what went wrong inside stays in the log."""
    services.statuses = None  # a services object that is broken
    with TestClient(create_app(services), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        page, data = client.get("/connections"), client.get("/api/v1/rooms")
        assert data.status_code == 200
    assert page.status_code == 500
    assert "Traceback" not in page.text
    assert "NoneType" not in page.text
    assert page.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in page.headers["content-security-policy"]


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8430", "localhost:8430", "127.9.9.9", "[::1]:8430", "LOCALHOST"]
)
def test_this_computer_by_any_of_its_own_names_is_served(client, host):
    """Loopback addresses and localhost are this computer."""
    assert client.get("/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "127.0.0.1.example.org",
        "localhost.example.org",
        "192.168.1.5:8430",
        "",
        "[::2]",
        "127.0.0.1:x",
        "a b",
    ],
)
def test_another_host_name_is_refused(client, host):
    """A name that somebody points at 127.0.0.1 (DNS rebinding) gets nothing, whatever it asks for."""
    for path in ("/", "/api/v1/rooms", "/static/paper.css", "/live"):
        answer = client.get(path, headers={"Host": host})
        assert answer.status_code == 421
        assert "Loft" not in answer.text


def test_a_connection_to_another_address_is_refused(services):
    """Should somebody make the server listen elsewhere, what arrives there is refused all the same."""
    with TestClient(create_app(services), base_url="http://192.0.2.7:8430") as client:
        assert client.get("/", headers={"Host": "localhost"}).status_code == 403


@pytest.mark.parametrize(
    ("name", "ours"),
    [("127.0.0.1", True), ("::1", True), ("[::1]", True), ("localhost.", True)]
    + [(name, False) for name in ("0.0.0.0", "::", "192.0.2.7", "example.org", "", "127.1.example.org")],
)
def test_loopback_is_told_from_everything_else(name, ours):
    """Only names and addresses that mean this very computer count; all interfaces at once do not."""
    assert is_loopback(name) is ours


@pytest.mark.parametrize(
    ("header", "token"),
    [
        ("Bearer abc", "abc"),
        ("bearer  a.b-c_~+/=", "a.b-c_~+/="),
        ("Basic abc", None),
        ("Bearer", None),
        (None, None),
        ("", None),
    ],
)
def test_bearer_tokens_are_read_as_rfc_6750_writes_them(header, token):
    """Scheme in any case, then the token in its own alphabet; anything else is none."""
    assert bearer_token(header) == token


def test_files_are_kept_by_digest_only(client):
    """A file asked for by its digest may be kept for good; by its bare name it is asked for again."""
    assert "immutable" in client.get("/static/paper.css?v=1").headers["cache-control"]
    assert client.get("/static/paper.css").headers["cache-control"] == "no-cache"
    assert client.get("/").headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd"]
)
def test_files_outside_the_folder_are_not_served(client, path):
    """No way out of the folder of static files."""
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("header", ["Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP"])
def test_what_a_proxy_passes_on_is_refused(client, header: str) -> None:
    """A proxy of this computer whose default is to ask for its own target by name: strangers must not come in so."""
    answer = client.get("/", headers={header: "for=203.0.113.7"})
    assert answer.status_code == 403
    assert "not served through a proxy" in answer.text
