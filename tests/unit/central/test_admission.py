"""Being let in: a real engine that wants a login, and one that speaks TLS with a certificate of our own making."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import trustme

from ingest.central.dialects import MetricsEngine
from ingest.central.engine import EngineAddress, EngineError, Wanted
from ingest.central.writing import Accepted, InfluxWriter, Later

LINE = ["lumberroom,site=door rh_percent=45.0 1700000000000"]
WANTED = Wanted("lumberroom", ("rh_percent",), {"site": "door"})


def test_a_login_opens_and_a_wrong_one_is_told(own_metrics: Any) -> None:
    """user:password goes as basic authentication, for writing and for reading; a wrong one brings the mend."""
    own_metrics.kill()
    own_metrics.options = ["-httpAuth.username=yard", "-httpAuth.password=oak and ash"]
    own_metrics.start()
    right, wrong = (EngineAddress(own_metrics.url, token=token) for token in ("yard:oak and ash", "yard:elm"))
    assert isinstance(InfluxWriter(right).write(LINE), Accepted)
    assert MetricsEngine(right).samples(WANTED, 0, 2**41) is not None
    refused = InfluxWriter(wrong).write(LINE)
    assert isinstance(refused, Later)
    assert refused.closed
    assert "Check the token" in refused.reason
    with pytest.raises(EngineError, match=r"401 .*Check the token and that it may read"):
        MetricsEngine(wrong).samples(WANTED, 0, 2**41)


def test_a_certificate_of_ones_own_is_trusted_by_its_authority_only(own_metrics: Any, tmp_path: Path) -> None:
    """With ca_file the engine is written and read over TLS; without it nothing is sent, and the sentence says why."""
    authority = trustme.CA()
    own = authority.issue_cert("127.0.0.1")
    own.private_key_pem.write_to_path(tmp_path / "key.pem")
    for blob in own.cert_chain_pems:
        blob.write_to_path(tmp_path / "cert.pem", append=True)
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    own_metrics.kill()
    own_metrics.options = ["-tls", f"-tlsCertFile={tmp_path}/cert.pem", f"-tlsKeyFile={tmp_path}/key.pem"]
    own_metrics.url = own_metrics.url.replace("http://", "https://")
    own_metrics.start()
    trusted = EngineAddress(own_metrics.url, ca_file=tmp_path / "ca.pem")
    assert isinstance(InfluxWriter(trusted).write(LINE), Accepted)
    assert MetricsEngine(trusted).samples(WANTED, 0, 2**41) is not None
    stranger = EngineAddress(own_metrics.url)
    refused = InfluxWriter(stranger).write(LINE)
    assert isinstance(refused, Later)
    assert "ca_file" in refused.reason
    assert "certificate" in refused.reason.lower()
    with pytest.raises(EngineError, match=r"cannot be reached.*certificate"):
        MetricsEngine(stranger).samples(WANTED, 0, 2**41)
