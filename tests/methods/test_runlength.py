"""Run lengths of CUSUM charts."""

import pytest

from yieldkit.methods.runlength import cusum_limit, cusum_mean_run_length


def test_mean_run_length_agrees_with_r(computed):
    # Computed in R with package spc 0.6.7 (case A03), tolerance relative 1e-6.
    rows = computed("A03_cusum_arl_expected.csv").query("sided == 'one'")
    for row in rows.to_dict("records"):
        found = cusum_mean_run_length(
            row["h"], reference=row["k"], shift=row["shift"], head_start=row["hs"]
        )
        assert found == pytest.approx(row["arl"], rel=1e-6)


@pytest.mark.parametrize("length", [20, 500, 5000])
def test_limit_gives_the_length_asked_for(length):
    assert cusum_mean_run_length(cusum_limit(length)) == pytest.approx(length, rel=1e-9)


def test_an_impossible_length_is_said():
    with pytest.raises(ValueError, match="wanted more than 1"):
        cusum_limit(1)
