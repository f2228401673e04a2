"""The store ahead: running out, ordering, opened packs, expiry."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from tests.answers.bid_tables import no_rework, past_jobs, priced_crew
from yieldkit.answers.stores import stock_at, stores_ahead
from yieldkit.records.bids import OtherJob

TODAY = date(2026, 11, 25)
COLUMNS = ["date", "part", "connector_type", "lot", "move", "quantity", "expires"]
USUAL = [{"LC": (80, 0.94), "SC": (40, 0.96)}] * 8


def moves(*rows):
    return pd.DataFrame(rows, columns=COLUMNS)


def job(name, day, connector_type, positions):
    return OtherJob(job=name, starts=day, connector_type=connector_type, positions=positions)


JOBS = (
    job("first", date(2026, 11, 28), "LC", 40),
    job("second", date(2026, 12, 20), "LC", 60),
    job("second", date(2026, 12, 20), "SC", 20),
)


def ahead(stock, jobs=JOBS):
    return stores_ahead(
        jobs,
        past_jobs(USUAL),
        no_rework(),
        stock,
        crew=priced_crew(),
        today=TODAY,
        rng=np.random.default_rng(4),
    )


@pytest.fixture(scope="module")
def answer():
    return ahead(
        moves(
            ("2026-11-01", "body", "LC", "a", "counted", 100, None),
            ("2026-11-05", "body", "LC", "a", "issued", 30, None),
            ("2026-11-06", "body", "LC", "a", "returned", 7, None),
            ("2026-11-01", "sleeve", None, "s", "received", 500, "2026-12-01"),
            ("2026-11-01", "ring", "LC", "r", "received", 500, None),
        )
    )


def row(answer, connector_type, part, job):
    table = answer.table
    same = (table["connector_type"] == connector_type) & (table["part"] == part)
    return table[same & (table["job"] == job)].iloc[0]


def test_needs_add_up_over_the_jobs(answer):
    first, second = (row(answer, "LC", "body", name) for name in ("first", "second"))
    assert first["stock"] == second["stock"] == 77
    assert 40 <= first["need_p50"] <= first["need_p95"] < 77
    assert second["need_p50"] >= 100
    assert first["chance_short"] < 0.01 < 0.99 < second["chance_short"]


def test_order_in_time_and_wait_before(answer):
    assert row(answer, "LC", "body", "second")["order_by"] == date(2026, 12, 13)
    assert row(answer, "LC", "body", "second")["act"] == "wait"
    assert row(answer, "SC", "body", "second")["chance_short"] == 1.0
    urgent = ahead(moves())
    assert row(urgent, "LC", "body", "first")["act"] == "order now"
    found = [one.code for one in urgent.findings if one.values["part"] == "body"]
    assert found == ["stores_order", "stores_wait"]


def test_each_job_is_one_row_a_part(answer):
    assert not answer.table.duplicated(["connector_type", "part", "job"]).any()
    assert row(answer, "all", "sleeve", "second")["need_p50"] >= 120


def test_what_expires_before_use_is_lost_and_said(answer):
    late = row(answer, "all", "sleeve", "second")
    assert late["stock"] == pytest.approx(row(answer, "all", "sleeve", "first")["need_p50"], abs=8)
    expiry = [one for one in answer.findings if one.code == "stores_expiry"]
    assert len(expiry) == 1 and "expire on Tue 1 Dec 2026" in str(expiry[0])


def test_enough_is_said_too(answer):
    found = [one for one in answer.findings if one.code == "stores_enough"]
    assert any("LC crimp rings: enough" in str(one) for one in found)


def test_a_count_replaces_what_was_reckoned():
    counted = moves(
        ("2026-11-01", "body", "LC", "a", "received", 48, None),
        ("2026-11-03", "body", "LC", "a", "issued", 60, None),
        ("2026-11-09", "body", "LC", "a", "counted", 5, None),
        ("2026-11-09", "body", "LC", "b", "received", 12, "2027-01-01"),
        ("2026-11-10", "body", "SC", "a", "received", 99, None),
    )
    assert stock_at(counted, priced_crew(), "body", "LC") == (17, [(date(2027, 1, 1), 12.0)])


def test_without_moves_the_settings_tell_the_stock():
    crew = priced_crew(parts=[{"part": "body", "connector_type": "LC", "stock": 33}])
    assert stock_at(moves(), crew, "body", "LC") == (33, [])


def test_no_job_ahead_is_no_question():
    assert ahead(moves(), jobs=()).table.empty


def test_the_picture_draws(answer):
    from matplotlib.figure import Figure

    ax = Figure().subplots()
    assert answer.plot(ax) is ax
    assert ax.get_ylabel() == "Chance to run out [%]"
