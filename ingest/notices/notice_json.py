"""A notice as JSON: the one form that web hooks, published messages and commands get. Described in NOTICES.md.

The form is `notice.schema.json` (JSON Schema 2020-12), and a test holds it to that. Receivers pass over fields that
they do not know; a field that is there keeps its meaning for as long as `version` is 1.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from ingest.notices.letters.collected import stories_of
from ingest.notices.letters.compose import NOTHING_BESIDE, Beside, subject, write
from ingest.notices.letters.story import Story
from ingest.present import mail_look
from ingest.site.incidents import Notice, NoticeKind

VERSION: Final = 1


def body_of(notice: Notice, beside: Beside = NOTHING_BESIDE) -> dict[str, Any]:
    """Give what a notice is about in fields, and the same in words.

    Instants are UTC milliseconds; quantities are in the units that their names tell, whatever the words are in.
    """
    written = write(notice, beside)
    letter = written.letter
    return {
        "version": VERSION,
        "notice": notice.number,
        "kind": notice.kind.value,
        "is_test": bool(notice.facts.get("is_test", False)),
        "created_ms": notice.created_ms,
        "site": notice.facts["site"],
        **_subject_matter(notice),
        "subject": written.about,
        "text": mail_look.as_text(letter),
        "link": letter.link[1] if letter.link else None,
        "actions": [{"wording": one.wording, "address": one.address} for one in letter.actions],
        "record": _record(notice.facts.get("record")),
    }


def as_bytes(notice: Notice, beside: Beside = NOTHING_BESIDE) -> bytes:
    """Give the JSON as it travels: UTF-8, keys sorted, the same bytes for the same notice."""
    return json.dumps(body_of(notice, beside), ensure_ascii=False, sort_keys=True).encode()


def _subject_matter(notice: Notice) -> dict[str, Any]:
    if notice.kind is NoticeKind.COLLECTED:
        items = [_item(story, item) for story, item in _paired(notice)]
        return {"room": None, "room_title": None, "incident": None, "items": items, "rooms": []}
    if notice.kind in (NoticeKind.DIGEST, NoticeKind.MONTH):
        rooms = [dict(room) for room in notice.facts["rooms"]]
        return {"room": None, "room_title": None, "incident": None, "items": [], "rooms": rooms}
    story = Story.of(notice.facts, notice.kind)
    incident = dict(notice.facts["incident"])
    return {"room": story.room, "room_title": story.room_title, "incident": incident, "items": [], "rooms": []}


def _paired(notice: Notice) -> list[tuple[Story, Mapping[str, Any]]]:
    by_id = {item["incident"]["id"]: item for item in notice.facts["items"]}
    return [(story, by_id[story.incident.id]) for story in stories_of(notice)]


def _item(story: Story, item: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "kind": story.kind.value,
        "room": story.room,
        "room_title": story.room_title,
        "incident": dict(item["incident"]),
        "subject": subject(story),
    }


def _record(record: Any) -> dict[str, Any] | None:
    return {"number": record[0], "hash": record[1]} if record else None
