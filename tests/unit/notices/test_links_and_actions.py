"""Signed links: nobody makes, changes or reuses one for something else; what they do is done once and recorded."""

from __future__ import annotations

import base64
import json
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import RefusedError
from ingest.notices import link_actions
from ingest.notices.links import KEY_FILE, PATH, VALID_MS, LinkAction, LinkKind, Links, key_of
from ingest.store.record.kinds import HANDLING

T0_MS = 1_795_600_800_000
LINKS = Links(b"k" * 32, "https://wood.example.org/")
ACTION = LinkAction("store.window.1", LinkKind.ACKNOWLEDGE, "Zoë (floor)", T0_MS + VALID_MS)


def test_a_token_reads_back_as_what_was_signed() -> None:
    """What goes in comes out, letters beyond ASCII included, in characters that any address may have."""
    token = LINKS.sign(ACTION)
    assert LINKS.read(token, T0_MS) == ACTION
    assert set(token) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")


def test_an_expired_link_says_so() -> None:
    """At its very instant of expiry a link is good no more, and the sentence says what to do instead."""
    token = LINKS.sign(ACTION)
    assert LINKS.read(token, ACTION.until_ms - 1) == ACTION
    with pytest.raises(RefusedError, match="expired"):
        LINKS.read(token, ACTION.until_ms)


@given(st.integers(0, 500), st.characters(codec="ascii"))
def test_no_character_of_a_token_can_be_changed(where: int, sign: str) -> None:
    """Whatever character is put in whatever place, the link is refused or reads exactly as before."""
    token = LINKS.sign(ACTION)
    place = where % len(token)
    changed = token[:place] + sign + token[place + 1 :]
    refused = pytest.raises(RefusedError, match="not one of ours")
    try:
        found = LINKS.read(changed, T0_MS)
    except RefusedError:
        with refused:
            LINKS.read(changed, T0_MS)
    else:
        assert found == ACTION


@pytest.mark.parametrize("token", ["", ".", "a.b", "x" * 5000, "é.ü", "WyJhIl0.", "..", "a" * 900 + "." + "b" * 90])
def test_rubbish_is_refused_and_never_raises_anything_else(token: str) -> None:
    """Anything that anyone may type is a refusal."""
    with pytest.raises(RefusedError, match="not one of ours"):
        LINKS.read(token, T0_MS)


def test_another_key_or_another_action_is_not_ours() -> None:
    """The signature covers incident, action, recipient and expiry together: one's with another's is refused."""
    with pytest.raises(RefusedError):
        Links(b"j" * 32).read(LINKS.sign(ACTION), T0_MS)
    _, signature = LINKS.sign(ACTION).split(".")
    for other in (
        replace(ACTION, kind=LinkKind.MUTE_24_HOURS), replace(ACTION, who="x"),
        replace(ACTION, until_ms=ACTION.until_ms + 1),
        replace(ACTION, incident="hall.window.1"),
    ):  # fmt: skip
        content = json.dumps([other.incident, other.kind.value, other.who, other.until_ms], separators=(",", ":"))
        coded = base64.urlsafe_b64encode(content.encode()).rstrip(b"=").decode()
        with pytest.raises(RefusedError):
            LINKS.read(f"{coded}.{signature}", T0_MS)


def test_the_key_is_made_once_and_readable_by_its_owner_only(tmp_path: Path) -> None:
    """First use makes 32 random bytes under 0600; later ones read the same; wider permissions are taken back."""
    key = key_of(tmp_path)
    path = tmp_path / KEY_FILE
    assert (len(key), stat.S_IMODE(path.stat().st_mode)) == (32, 0o600)
    path.chmod(0o644)
    assert key_of(tmp_path) == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == [KEY_FILE]


def test_links_go_out_only_where_they_lead_somewhere() -> None:
    """Without a public address there is none; with one, each leads to the page under it."""
    assert Links(b"k" * 32).actions("i", "who", T0_MS) == ()
    actions = LINKS.actions("i", "who", T0_MS)
    assert [one.wording for one in actions] == ["Acknowledge", "Mute alerts for 4 hours", "Mute alerts for 24 hours"]
    assert all(one.address.startswith(f"https://wood.example.org{PATH}") for one in actions)


def test_a_action_is_done_once_and_stands_in_the_record(store, post, incident, site) -> None:
    """Looking does nothing; doing it twice writes one entry, under the recipient's name; the chain holds."""
    post(incident)
    token = LINKS.sign(replace(ACTION, incident=incident.id))
    for _ in range(3):
        seen = link_actions.view(LINKS, store.read, site, token, T0_MS)
    assert (seen.is_done, seen.can_do, seen.room) == (False, True, "Plank store")
    assert store.read.nouns(HANDLING, [incident.id]) == {}
    for later in range(3):
        with store.transaction() as work:
            link_actions.do(work, LINKS, token, T0_MS + later)
    [entry] = store.read.history("handling", incident.id)
    assert (entry.by, entry.body["acknowledged_ms"]) == ("link Zoë (floor)", T0_MS)
    assert link_actions.view(LINKS, store.read, site, token, T0_MS).is_done


def test_quiet_is_asked_for_from_now_on(store, post, incident) -> None:
    """Quiet counts from the answer, not from the mail; asked again a moment later it is not made longer."""
    post(incident)
    token = LINKS.sign(replace(ACTION, incident=incident.id, kind=LinkKind.MUTE_4_HOURS))
    for later_ms in (0, 30_000):
        with store.transaction() as work:
            handling = link_actions.do(work, LINKS, token, T0_MS + later_ms)
    assert handling is not None
    assert handling.muted_until_ms == T0_MS + 4 * 3_600_000


def test_what_is_over_or_gone_is_refused(store, post, incident, site) -> None:
    """An incident that ended meanwhile cannot be acknowledged; one that is not there is no page."""
    post(replace(incident, closed_ms=T0_MS + 4_000_000))
    token = LINKS.sign(replace(ACTION, incident=incident.id))
    assert not link_actions.view(LINKS, store.read, site, token, T0_MS).can_do
    with store.transaction() as work, pytest.raises(RefusedError, match="over already"):
        link_actions.do(work, LINKS, token, T0_MS)
    with pytest.raises(RefusedError, match="taken back"):
        link_actions.view(LINKS, store.read, site, LINKS.sign(ACTION), T0_MS)
