"""What the settings file says, once checked: frozen values that the daemon is built from.

`ingest.settings.reading.load` makes these from a file; the demonstration and tests make them directly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from ingest.central.engine import EngineAddress
from ingest.notices.channels.publish import BrokerSettings
from ingest.notices.channels.run_command import CommandSettings
from ingest.notices.recipients import Recipient
from ingest.site.places import Site

DEFAULT_PORT: Final = 8430
GATHER_S: Final = 0.05
"""So long readings are gathered where nothing else is said: nobody notices, and a crowd of sensors makes one commit."""

DEFAULT_LISTEN: Final = "127.0.0.1"

Units = Literal["si", "us"]
Security = Literal["starttls", "tls", "none"]


@dataclass(frozen=True, slots=True)
class PageWiring:
    """Where the page listens.  port: 0 lets the system choose.  push_token: what may push readings; None = nobody.

    public_address: where links in notices lead, through a proxy or tunnel to this page; empty for nowhere.
    """

    listen: str = DEFAULT_LISTEN
    port: int = DEFAULT_PORT
    push_token: str | None = field(default=None, repr=False)
    public_address: str = ""


@dataclass(frozen=True, slots=True)
class PushWiring:
    """Where devices on the network may hand readings in, each with its key.  cert_file, key_file: for TLS, PEM."""

    host: str
    port: int
    cert_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class MailWiring:
    """How mail goes out.  trouble: why it cannot at present (a secret that is not there), a sentence, or empty."""

    server: str
    sender: str
    recipients: tuple[str, ...]
    port: int = 587
    security: Security = "starttls"
    login: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    page_address: str = f"http://{DEFAULT_LISTEN}:{DEFAULT_PORT}/"
    trouble: str = ""
    most_per_hour: int | None = None  # to each of the recipients; None: no limit


@dataclass(frozen=True, slots=True)
class CentralWiring:
    """Where readings are forwarded.

    site_id: under which name this site stands there.  address: of the engine; its token is never shown.
    read_back: whether what was sent is read back before it counts as delivered.  derived: whether derived fields go out
    beside the measured ones (an office derives by itself; they are for others who read the engine).
    """

    site_id: str
    address: EngineAddress
    read_back: bool = True
    derived: bool = True


@dataclass(frozen=True, slots=True)
class AliveWiring:
    """The sign of life.  address: asked for every so many seconds; often a secret by itself."""

    address: str = field(repr=False)
    every_s: float = 300.0


@dataclass(frozen=True, slots=True)
class WebhookWiring:
    """One web hook.  name: ours, unique.  trouble: why it cannot be used at present, a sentence, or empty."""

    name: str
    address: str
    secret: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class TellingWiring:
    """Who is told beside the plain list of [mail], and by which further ways.

    Web hooks, brokers and commands that no recipient names are told everything.
    """

    recipients: tuple[Recipient, ...] = ()
    brokers: tuple[BrokerSettings, ...] = ()
    commands: tuple[CommandSettings, ...] = ()


@dataclass(frozen=True, slots=True)
class AdapterWiring:
    """One adapter.  name: ours, unique.  kind: a name in `adapters.registry.kinds()`.  settings: checked, complete.

    secrets: those among the settings.  trouble: why it cannot run at present (a secret that is not there), or empty.
    """

    name: str
    kind: str
    settings: Mapping[str, Any] = field(default_factory=dict, repr=False)
    secrets: tuple[str, ...] = field(default=(), repr=False)
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Wiring:
    """Everything that the daemon is built from.

    site: the job that the file's [site] and [[room]] sections describe; it seeds the store on the first run.
    cautions: what is allowed but worth a second look, one sentence each.
    """

    site: Site
    data_directory: Path
    page: PageWiring = PageWiring()
    mail: MailWiring | None = None
    central: CentralWiring | None = None
    webhooks: tuple[WebhookWiring, ...] = ()
    telling: TellingWiring = TellingWiring()
    alive: AliveWiring | None = None
    adapters: tuple[AdapterWiring, ...] = ()
    units: Units = "si"
    path: Path | None = None  # the file it came from
    keep_readings_days: int | None = None  # then readings go and their statistics stay; None keeps them for ever
    cautions: tuple[str, ...] = ()
    gather_s: float = GATHER_S  # for so long readings are gathered before they are written together
    push: PushWiring | None = None

    def secrets(self) -> tuple[str, ...]:
        """Give every secret, so that the log can blot them out."""
        secrets = [self.page.push_token, self.mail.password if self.mail else None]
        secrets.append(self.central.address.token if self.central else None)
        secrets += [secret for adapter in self.adapters for secret in adapter.secrets]
        secrets += [hook.secret for hook in self.webhooks]
        secrets += [broker.password for broker in self.telling.brokers]
        return tuple(secret for secret in secrets if secret)
