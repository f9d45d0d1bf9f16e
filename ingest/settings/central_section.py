"""The section [central]: the engine to which a site forwards, or from which an office reads."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from ingest.central.engine import EngineAddress
from ingest.settings.findings import Findings
from ingest.settings.forms import CentralForm, OfficeCentralForm


@dataclass(frozen=True, slots=True)
class Token:
    """The engine's token as it was looked up.  trouble: why it is not there, a sentence, or empty."""

    value: str | None
    trouble: str


def engine_address(
    findings: Findings, form: CentralForm | OfficeCentralForm, token: Token, ca_file: Path | None
) -> EngineAddress:
    """Give where the engine is, noting what is wrong with it or worth a second look."""
    _check(findings, form, ca_file)
    if token.trouble:
        findings.cautions.append(f"The central engine may not let us in: {token.trouble}")
    for key in ("address", "read_address"):
        url = getattr(form, key)
        if token.value is not None and url and url.startswith("http://") and not _is_here(url):
            findings.cautions.append(
                f"[central] {key}: the token travels over the network readable by anyone on the way. "
                "Use https://, or a network of your own."
            )
    return EngineAddress(
        url=form.address.rstrip("/"),
        org=form.org,
        bucket=form.bucket or ("lumberroom" if form.engine == "victoriametrics" else ""),
        token=token.value,
        kind=form.engine,
        read_url=form.read_address.rstrip("/"),
        ca_file=ca_file,
    )


def _check(findings: Findings, form: CentralForm | OfficeCentralForm, ca_file: Path | None) -> None:
    if form.token_env and form.token_file:
        findings.wrong(("central", "token_file"), "the token is given twice", "Keep token_env or token_file.")
    if ca_file is not None and not os.access(ca_file, os.R_OK):
        findings.wrong(("central", "ca_file"), f"{ca_file} cannot be read", "Name the file of the certificate.")
    if form.engine == "influxdb" and not form.bucket:
        findings.wrong(
            ("central",),
            "InfluxDB needs a bucket to write to",
            'Add bucket = "lumberroom", and org = "…" for version 2.',
        )


def _is_here(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
