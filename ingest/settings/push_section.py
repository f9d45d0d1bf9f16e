"""The section [push]: where devices on the network may hand readings in, and nothing else may be done."""

from __future__ import annotations

import ipaddress
import ssl
from collections.abc import Callable
from pathlib import Path

from ingest.settings.findings import Findings
from ingest.settings.forms import PushForm
from ingest.settings.wiring import PushWiring


def push_wiring(findings: Findings, form: PushForm, beside: Callable[[str], Path]) -> PushWiring:
    """Give where to listen, noting what is wrong with it or worth a second look.

    beside: makes a path of what the file says, relative to the file.
    """
    host, _, port = form.address.rpartition(":")
    host = host.strip("[]")
    cert_file = beside(form.cert_file) if form.cert_file else None
    key_file = beside(form.key_file) if form.key_file else None
    if cert_file is not None and key_file is not None:
        _check_certificate(findings, cert_file, key_file)
    elif cert_file is not None or key_file is not None:
        there, missing = ("cert_file", "key_file") if cert_file else ("key_file", "cert_file")
        findings.wrong(("push", there), f"{missing} is missing beside it", f"Add {missing}, or delete this line.")
    elif not ipaddress.ip_address(host).is_loopback:
        findings.cautions.append(
            "[push] listens without TLS: devices' keys and readings travel over the network readable by anyone on the "
            "way, who could then hand in readings of his own. Use cert_file and key_file, or a network of your own."
        )
    return PushWiring(host, int(port), cert_file, key_file)


def _check_certificate(findings: Findings, cert_file: Path, key_file: Path) -> None:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert_file, key_file, password=_no_password)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        findings.wrong(
            ("push", "cert_file"),
            f"certificate and key cannot be used ({error})",
            "Name two files in PEM form that belong together and that the daemon may read; the key without a password.",
        )


def _no_password() -> str:
    raise ValueError("the key has a password")
