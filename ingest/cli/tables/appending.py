"""The same bytes with columns behind each record.

Numbers are written with the fewest digits that tell a single-precision number from its neighbours: at least six
significant digits, seven as a rule, and no tail of digits that no sensor ever measured.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cli.tables.records import Records
from ingest.physics.pointwise import FloatArray


def appended(
    records: Records, columns: Sequence[FloatArray], *, delimiter: str, decimal_mark: str = ".", eol: bytes = b"\n"
) -> list[memoryview | bytes]:
    """Give the records with one more field per column behind each, as pieces to be written one after the other.

    columns: float64 (n,) each; NaN becomes an empty field.  eol: the line end for a last record that had none.
    """
    texts = [number_texts(values, decimal_mark) for values in columns]
    joined = pc.binary_join_element_wise(
        _with_the_line_end_before(records), *texts, delimiter, null_handling="replace", null_replacement=""
    )
    return [_bytes_of(joined), _last_line_end(records, eol)]


def number_texts(values: FloatArray, decimal_mark: str = ".") -> pa.StringArray:
    """Give numbers as text, null where they are NaN."""
    single = values.astype(np.float32)
    single += np.float32(0.0)  # minus zero becomes zero
    texts = pa.array(single, mask=np.isnan(single)).cast(pa.string())
    return texts if decimal_mark == "." else pc.replace_substring(texts, ".", decimal_mark)


def _with_the_line_end_before(records: Records) -> pa.StringArray:
    # Arrow's variable-length arrays have no room between elements, so each record takes the line end that stands
    # before it along; joined one after the other, every line end is then behind its own row's appended fields.
    offsets = np.append(records.starts[0], records.ends).astype(np.int32)
    # Declared as text to match the numbers; nothing here looks at the encoding, any bytes pass through untouched.
    return pa.StringArray.from_buffers(len(records), pa.py_buffer(offsets), pa.py_buffer(records.data))


def _bytes_of(texts: pa.StringArray) -> memoryview:
    offsets = np.frombuffer(texts.buffers()[1], np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return memoryview(texts.buffers()[2])[int(offsets[0]) : int(offsets[-1])]


def _last_line_end(records: Records, eol: bytes) -> bytes:
    return records.data[int(records.ends[-1]) :] or eol
