"""The figures for collectors: OpenMetrics text."""

from __future__ import annotations

import re

from dashboards.api.metrics import openmetrics, process_metrics
from dashboards.services import AdapterStatus

LABEL = r'[a-z_]+="(\\.|[^"\\\n])*"'
LINE = re.compile(
    r"# (TYPE [a-z_]+ (gauge|counter)|HELP [a-z_]+ [^\n]+|EOF)|"
    rf"[a-z_]+(\{{{LABEL}(,{LABEL})*\}})? -?[0-9.]+(e[+-]?[0-9]+)?"
)
"""A line as OpenMetrics 1.0 has it, as far as it is used here (its ABNF, in the section "Text format")."""

HEALTH = {
    "status": "trouble",
    "uptime_s": 12.5,
    "store": {"stored": 7, "held": 0, "given_up": 0},
    "loop": {"longest_stall_s": 0.01, "last_stall_s": 0.0},
}
ADAPTERS = [
    AdapterStatus(
        'hall "1"\n\\x', "serial_line", "a line", "running", restarts=1, errors=2, readings=3,
        rejected={"not JSON": 4}, last_heard_ms=1_764_064_800_500,
    ),
    AdapterStatus("b", "replay", "a file", "stopped", errors=1),
]  # fmt: skip


def test_every_adapter_has_its_figures() -> None:
    """State, counts, rejections by reason and when it was last reading, with names escaped as the format asks."""
    lines = openmetrics(HEALTH, ADAPTERS).splitlines()
    label = r'adapter="hall \"1\"\n\\x",kind="serial_line"'
    for wanted in (
        "lumberroom_fit 1",
        f"lumberroom_adapter_running{{{label}}} 1",
        'lumberroom_adapter_running{adapter="b",kind="replay"} 0',
        f"lumberroom_adapter_readings_total{{{label}}} 3",
        f"lumberroom_adapter_errors_total{{{label}}} 2",
        f'lumberroom_adapter_rejected_total{{{label},reason="not JSON"}} 4',
        f"lumberroom_adapter_last_heard_timestamp_seconds{{{label}}} 1764064800.5",
        "lumberroom_loop_longest_stall_seconds 0.01",
        "lumberroom_readings_stored_total 7",
    ):
        assert wanted in lines, wanted


def test_the_text_is_as_the_format_wants_it() -> None:
    """Every line fits the grammar; a family stands in one piece, its type first."""
    text = openmetrics(HEALTH, ADAPTERS) + process_metrics() + "# EOF\n"
    assert [line for line in text.splitlines() if not LINE.fullmatch(line)] == []
    families = re.findall(r"^# TYPE (\S+)", text, re.MULTILINE)
    assert len(set(families)) == len(families)
    assert "process_open_fds" in text


def test_it_is_served_with_its_own_type(client) -> None:
    """A collector is told the version; the last line closes the document."""
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert answer.text.endswith("# EOF\n")
