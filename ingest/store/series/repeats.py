"""What of a batch a unit of work has stored for the first time, or with another value than before."""

from __future__ import annotations

import numpy as np

from ingest.site.series import ReadingBatch
from ingest.store.series import staging
from ingest.store.series.view import View


def without(view: View, batch: ReadingBatch) -> ReadingBatch:
    """Give a batch without the readings that were there already: what is left is what this unit has staged."""
    staged = staging.joined(view.own)
    known = set(zip(staged.series.tolist(), staged.at_ms.tolist(), strict=True))
    ids = [view.heads.ids.get(key, -1) for key in batch.keys]
    places = zip(batch.key_index.tolist(), batch.at_ms.tolist(), strict=True)
    is_new = np.array([(ids[index], at_ms) in known for index, at_ms in places], dtype=np.bool_)
    return ReadingBatch(
        batch.keys, batch.key_index[is_new], batch.at_ms[is_new], batch.value[is_new], batch.arrival_stamped[is_new]
    )
