"""What topics mean is remembered, within bounds: topics come from outside."""

from __future__ import annotations

import tracemalloc

from adapters.contract import Why
from adapters.framing.topic_rules import TopicRules

NUMBERS = {"house/{sensor}/t": "temperature_c"}


def test_a_topic_of_any_length_is_judged_by_its_rule() -> None:
    """A topic that is remembered and one too long for that are read by the same rule, time after time."""
    rules = TopicRules(NUMBERS)
    long = f"house/{'s' * 500}/t"
    for _ in range(2):
        (reading,) = rules.read("house/cellar/t", b"20.5", 0).readings
        assert (reading.sensor, reading.value) == ("cellar", 20.5)
        assert rules.covers(long)
        assert [one.reason for one in rules.read(long, b"20.5", 0).rejections] == [Why.NAME]
        assert not rules.covers(f"{long}/more")


def test_long_topics_are_not_held() -> None:
    """Three hundred topics of sixty thousand characters, each another one, leave nothing behind in memory."""
    rules = TopicRules(NUMBERS)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for number in range(300):
            assert not rules.read(f"house/{number}{'s' * 60_000}/t", b"20.5", 0).readings
        assert tracemalloc.get_traced_memory()[0] - before < 1_000_000
    finally:
        tracemalloc.stop()
