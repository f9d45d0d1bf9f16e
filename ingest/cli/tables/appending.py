"""The same bytes with columns behind each record, every number with seven significant digits (see `slots`)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cli.tables.records import Records
from ingest.cli.tables.slots import SLOT_BYTES, fill_slots
from ingest.physics.pointwise import FloatArray


def appended(
    records: Records, columns: Sequence[FloatArray], *, delimiter: str, decimal_mark: str = ".", eol: bytes = b"\n"
) -> bytes:
    """Give the records with one more field per column behind each.

    records: at least one, without NUL bytes.  columns: float64 (n,) each; NaN becomes an empty field.  eol: the line
    end for a last record that had none.
    """
    texts = np.empty((len(records), len(columns), 2), np.uint64)
    for index, values in enumerate(columns):
        fill_slots(texts[:, index], values, delimiter, decimal_mark)
    joined = pc.binary_join_element_wise(_with_the_line_end_before(records), _rows(texts), _no_separator())
    return _bytes_of(joined).translate(None, b"\0") + _last_line_end(records, eol)


def _no_separator() -> pa.StringScalar:
    """Give an Arrow "".  Made from a Python string it would import pandas, where there is one, and take 0.2 s."""
    return pa.StringArray.from_buffers(1, pa.py_buffer(np.zeros(2, np.int32)), pa.py_buffer(b""))[0]


def _rows(texts: np.ndarray[tuple[int, int, int], np.dtype[np.uint64]]) -> pa.StringArray:
    width = texts.shape[1] * SLOT_BYTES
    offsets = np.arange(0, (len(texts) + 1) * width, width, dtype=np.int32)
    return pa.StringArray.from_buffers(len(texts), pa.py_buffer(offsets), pa.py_buffer(texts))


def _with_the_line_end_before(records: Records) -> pa.StringArray:
    # Arrow's variable-length arrays have no room between elements, so each record takes the line end that stands
    # before it along; joined one after the other, every line end is then behind its own row's appended fields.
    offsets = np.append(records.starts[0], records.ends).astype(np.int32)
    # Declared as text because joining asks for it; nothing looks at the encoding, any bytes pass through untouched.
    return pa.StringArray.from_buffers(len(records), pa.py_buffer(offsets), pa.py_buffer(records.data))


def _bytes_of(texts: pa.StringArray) -> bytes:
    offsets = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return bytes(memoryview(texts.buffers()[2])[int(offsets[0]) : int(offsets[-1])])


def _last_line_end(records: Records, eol: bytes) -> bytes:
    return records.data[int(records.ends[-1]) :] or eol
