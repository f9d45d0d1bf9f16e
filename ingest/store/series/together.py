"""Buckets of many series between the same edges."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ingest.site.series import Buckets, Int64s, SeriesKey
from ingest.store.series import lookup
from ingest.store.series.view import View


def buckets_of(
    view: View, keys: Sequence[SeriesKey], edges_ms: Int64s, pressure: Callable[[], float]
) -> dict[SeriesKey, Buckets]:
    """Give the buckets of each series."""
    return {key: lookup.buckets(view, key, edges_ms, pressure) for key in keys}
