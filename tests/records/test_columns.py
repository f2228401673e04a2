"""Groups and orders of numbers, against plain loops."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yieldkit.records.columns import grouped, in_order_of

WHOLE = st.sampled_from([np.int8, np.int16, np.int32, np.int64]).flatmap(
    lambda kind: arrays(
        kind,
        st.integers(0, 60),
        elements=st.one_of(
            st.integers(-3, 20), st.integers(int(np.iinfo(kind).min), int(np.iinfo(kind).max))
        ),
    )
)


@settings(deadline=None, derandomize=True)
@given(WHOLE)
def test_each_value_is_found_again_by_its_group(values):
    group, distinct = grouped(values)
    assert np.array_equal(distinct[group], values)
    assert sorted(distinct.tolist()) == sorted(set(values.tolist()))


@pytest.mark.parametrize("kind", [np.int8, np.int16])
def test_small_kinds_do_not_run_over(kind):
    values = np.repeat(np.array([np.iinfo(kind).min, np.iinfo(kind).max], dtype=kind), 20_000)
    group, distinct = grouped(values)
    assert np.array_equal(distinct[group], values)


@settings(deadline=None, derandomize=True)
@given(WHOLE)
def test_equal_values_stay_in_order(values):
    wanted = sorted(range(len(values)), key=lambda at: values[at])
    assert in_order_of(values).tolist() == wanted
