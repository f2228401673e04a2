"""Columns of many files laid behind one another, against a plain list."""

from datetime import datetime

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldkit.records.laid import column_of

WORDS = pa.dictionary(pa.int32(), pa.string())
VALUES = {
    WORDS: st.sampled_from(["", "a", "b", "ä"]),
    pa.string(): st.text(max_size=3),
    pa.bool_(): st.booleans(),
    pa.int64(): st.integers(-(2**63), 2**63 - 1),
    pa.int8(): st.integers(-128, 127),
    pa.float64(): st.floats(allow_nan=False),
    pa.date32(): st.dates(),
    pa.timestamp("us"): st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1)),
}


@st.composite
def files(draw, kind):
    """Files of a kind: chunks cut out of longer arrays, some files without the column."""
    value = st.none() | VALUES[kind]

    def chunk():
        values = draw(st.lists(value, max_size=9))
        start = draw(st.integers(0, len(values)))
        plain = kind == WORDS and draw(st.booleans())  # typed rows by hand are not coded
        made = pa.array(values, pa.string() if kind == WORDS else kind)
        made = made.dictionary_encode() if kind == WORDS and not plain else made
        return made.slice(start), values[start:]

    found = []
    for _ in range(draw(st.integers(0, 5))):
        one = [chunk() for _ in range(draw(st.integers(0, 3)))]
        if len({str(part.type) for part, _ in one}) < 2:
            found.append((one, draw(st.booleans())))
    return found


@pytest.mark.parametrize("kind", VALUES, ids=str)
@settings(deadline=None, derandomize=True)
@given(st.data())
def test_files_lie_behind_one_another(kind, data):
    found = data.draw(files(kind))
    wanted = []
    for one, lacks in found:
        values = [value for _, part in one for value in part]
        wanted += [None] * len(values) if lacks else values
    column, at = column_of(kind, len(wanted)), 0
    for one, lacks in found:
        rows = sum(len(part) for part, _ in one)
        if not lacks:
            column.lay(at, pa.chunked_array([p for p, _ in one], one[0][0].type if one else kind))
        at += rows
    made = column.array()
    made.validate(full=True)
    assert made.type == kind and made.to_pylist() == wanted
    assert made.null_count == wanted.count(None)
