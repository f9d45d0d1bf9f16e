"""The sections [[recipient]], [[publish]] and [[command]] as strict forms: every key, its kind, range and default."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, PlainValidator

from ingest.notices.hours import Hours, read_day, read_hours, read_time
from ingest.settings.forms import Form, Title, entry_name, mail_address, refuse_secret, room_id, wrong


def _hours(value: Any) -> tuple[Hours, ...]:
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
        raise wrong("these are no hours", 'Write ["mon-fri 07:00-17:00", "sat 08:00-12:00"], or "22:00-06:00".')
    return tuple(_read(read_hours, text, 'Write it like "mon-fri 07:00-17:00" or "22:00-06:00".') for text in texts)


def _read(reader: Callable[[str], Any], text: Any, mend: str) -> Any:
    if not isinstance(text, str):
        raise wrong("this must be a text", mend)
    try:
        return reader(text)
    except ValueError as error:
        raise wrong(str(error), mend) from None


HoursGiven = Annotated[tuple[Hours, ...], PlainValidator(_hours)]


class RecipientForm(Form):
    """[[recipient]]: what `ingest.notices.recipients.Recipient` says of each."""

    name: Title = Field(examples=['"Floor layer"'])
    mail: Annotated[str, AfterValidator(mail_address)] | None = None
    webhook: str | None = None
    publish: str | None = None
    command: str | None = None
    rooms: tuple[Annotated[str, AfterValidator(room_id)], ...] = Field(default=(), strict=False)
    severity_from: Literal["slight", "serious", "severe"] = "slight"
    hours: HoursGiven = ()
    quiet_hours: HoursGiven = ()
    units: Literal["si", "us"] | None = None
    clock: Literal["24h", "12h"] = "24h"
    after_minutes: Annotated[float, Field(ge=0, le=7 * 24 * 60)] = 0.0
    most_per_hour: Annotated[int, Field(ge=1, le=1000)] = 20
    digest: Literal["none", "daily", "weekly"] = "none"
    digest_at: Annotated[
        int, PlainValidator(partial(_read, read_time, mend='Write a time of day: digest_at = "06:30".'))
    ] = 390
    digest_day: Annotated[
        int, PlainValidator(partial(_read, read_day, mend='Write a day of the week: digest_day = "mon".'))
    ] = 0
    monthly: bool = False


def _broker_address(text: str) -> str:
    parts = urlsplit(text)
    try:
        sound = parts.scheme in {"mqtt", "mqtts"} and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        sound = False
    if not sound or parts.path not in {"", "/"} or parts.query or parts.username is not None:
        raise wrong(
            "this is not the address of a broker",
            'Write "mqtts://broker.example.org" (encrypted, port 8883) or "mqtt://127.0.0.1:1883"; a login goes into '
            "login and password_env.",
        )
    return text


def _topic(text: str) -> str:
    if not text or len(text) > 200 or any(sign in text for sign in "+#\x00") or text.startswith(("/", "$")):
        raise wrong("this is no topic to publish under", 'Use names and slashes: "lumberroom/notices"; no + and no #.')
    return text


class PublishForm(Form):
    """[[publish]]: an MQTT broker that gets notices."""

    name: Annotated[str, AfterValidator(entry_name)] = Field(examples=['"yard-broker"'])
    address: Annotated[str, AfterValidator(_broker_address)] = Field(examples=['"mqtts://broker.example.org"'])
    topic: Annotated[str, AfterValidator(_topic)] = "lumberroom/notices"
    retain: bool = False
    login: Annotated[str, Field(min_length=1)] | None = None
    password_env: Annotated[str, Field(min_length=1)] | None = None
    password_file: Annotated[str, Field(min_length=1)] | None = None
    password: Annotated[Any, PlainValidator(partial(refuse_secret, "password", "LUMBERROOM_BROKER_PASSWORD"))] = None
    ca_file: Annotated[str, Field(min_length=1)] | None = None


class CommandForm(Form):
    """[[command]]: a program on this computer that gets notices."""

    name: Annotated[str, AfterValidator(entry_name)] = Field(examples=['"siren"'])
    run: Annotated[list[Annotated[str, Field(max_length=1000)]], Field(min_length=1)] = Field(
        examples=['["/usr/local/bin/siren", "--short"]']
    )
    timeout_seconds: Annotated[float, Field(ge=1, le=50)] = 20.0


TELLING_SECTIONS: Final[dict[str, type[Form]]] = {
    "recipient": RecipientForm,
    "publish": PublishForm,
    "command": CommandForm,
}
TELLING_LISTS: Final = tuple(TELLING_SECTIONS)
"""All of them stand in double brackets, once per entry."""
