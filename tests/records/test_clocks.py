"""Clocks that lie: what is found, what it is repaired to, what stays unknown."""

import numpy as np
import pandas as pd
import pytest

from tests.records.made_files import arc, derived, made, panel, test
from yieldkit.records.clocks import longest_order

PLAN = made("plan.csv", "planned", [panel(400, "P01")])


def workdays(days, per_day=20, start=1):
    """Records of some days, every 15 minutes from 08:00, ports and counter running on."""
    found = []
    for day in days:
        for n in range(per_day):
            when = pd.Timestamp(day) + pd.Timedelta(minutes=480 + 15 * n)
            number = start + len(found)
            found.append(arc(str(when), f"P01/{number}", counter=number))
    return found


def shifted(rows, **shift):
    return [row | {"when_shown": row["when_shown"] + pd.Timedelta(**shift)} for row in rows]


def readings_after(rows, minutes=12):
    return [
        test(str(row["when_shown"] + pd.Timedelta(minutes=minutes)), row["place_text"])
        for row in rows
    ]


def local(tables):
    found = tables["attempts"].sort_values("counter")
    return found["when"].dt.tz_convert("Europe/Helsinki").dt.tz_localize(None)


def test_clocks_in_order_are_left_as_shown():
    rows = workdays(["2026-11-16", "2026-11-17"])
    tables = derived(PLAN, made("a.csv", "attempts", rows))
    assert (tables["attempts"]["when_source"] == "shown").all()
    assert local(tables).tolist() == [row["when_shown"] for row in rows]


def test_a_clock_not_put_back_is_found_by_the_tests():
    before, after = workdays(["2026-10-22", "2026-10-23"]), workdays(["2026-10-26"], start=41)
    tests = made("tests.csv", "measurements", readings_after(before + after))
    tables = derived(PLAN, made("a.csv", "attempts", before + shifted(after, hours=1)), tests)
    assert (tables["attempts"]["when_source"] == "inferred").sum() == len(after)
    assert local(tables).tolist() == [row["when_shown"] for row in before + after]


def test_a_clock_not_put_forward_in_spring_is_found_too():
    before, after = workdays(["2026-03-26", "2026-03-27"]), workdays(["2026-03-30"], start=41)
    tests = made("tests.csv", "measurements", readings_after(before + after))
    tables = derived(PLAN, made("a.csv", "attempts", before + shifted(after, hours=-1)), tests)
    assert local(tables).tolist() == [row["when_shown"] for row in before + after]


def test_a_clock_that_was_put_back_is_left_alone():
    rows = workdays(["2026-10-22", "2026-10-23", "2026-10-26"])
    tests = made("tests.csv", "measurements", readings_after(rows))
    tables = derived(PLAN, made("a.csv", "attempts", rows), tests)
    assert (tables["attempts"]["when_source"] == "shown").all()


@pytest.mark.parametrize("counter", [True, False])
def test_a_flat_battery_is_repaired_by_order_and_tests(counter):
    rows = workdays(["2026-11-16", "2026-11-17"])
    if not counter:
        rows = [row | {"counter": None} for row in rows]
    reset = rows[10]["when_shown"] - pd.Timestamp("2000-01-01 00:04:00")
    broken = rows[:10] + shifted(rows[10:16], seconds=-reset.total_seconds()) + rows[16:]
    tests = made("tests.csv", "measurements", readings_after(rows))
    tables = derived(PLAN, made("a.csv", "attempts", broken), tests)
    found = tables["attempts"]
    assert (found["when_source"] == "inferred").sum() == 6
    times = found.assign(n=found["port"].astype(int)).sort_values("n")["when"]
    true = pd.Series([row["when_shown"] for row in rows]).dt.tz_localize("Europe/Helsinki")
    assert ((times.reset_index(drop=True) - true).abs() < pd.Timedelta(minutes=5)).all()


def test_swapped_day_and_month_is_turned_back():
    rows = workdays(["2026-11-02", "2026-11-03", "2026-11-04"])
    swapped = [
        row | {"when_shown": row["when_shown"].replace(month=3, day=11)} for row in rows[20:40]
    ]
    tables = derived(PLAN, made("a.csv", "attempts", rows[:20] + swapped + rows[40:]))
    assert local(tables).tolist() == [row["when_shown"] for row in rows]
    assert (tables["attempts"]["when_source"] == "inferred").sum() == 20


def test_a_wrong_year_is_put_right():
    rows = workdays(["2026-11-02", "2026-11-03", "2026-11-04"])
    wrong = [row | {"when_shown": row["when_shown"].replace(year=2016)} for row in rows[20:40]]
    tables = derived(PLAN, made("a.csv", "attempts", rows[:20] + wrong + rows[40:]))
    assert local(tables).tolist() == [row["when_shown"] for row in rows]


def test_a_time_that_nothing_tells_is_unknown_and_not_guessed():
    rows = workdays(["2026-11-02", "2026-11-03"])
    lost = [row | {"when_shown": pd.Timestamp("2000-01-01 05:00")} for row in rows[20:21]]
    tables = derived(PLAN, made("a.csv", "attempts", rows[:20] + lost + rows[21:]))
    found = tables["attempts"].set_index("counter").loc[21]
    assert found["when_source"] == "unknown"
    assert pd.isna(found["when"]) and pd.isna(found["date"])


def test_a_time_after_its_download_is_not_believed():
    rows = workdays(["2026-11-02", "2026-11-03"])
    late = [row | {"when_shown": row["when_shown"].replace(year=2031)} for row in rows[-3:]]
    source = made(
        "a.csv", "attempts", rows[:-3] + late, downloaded=pd.Timestamp("2026-11-03 18:00")
    )
    assert local(derived(PLAN, source)).tolist() == [row["when_shown"] for row in rows]


def test_local_times_become_utc_by_the_crews_zone():
    rows = [
        arc("2026-10-23 08:00", "P01/1", counter=1),
        arc("2026-10-26 08:00", "P01/2", counter=2),
    ]
    when = derived(made("a.csv", "attempts", rows))["attempts"]["when"]
    assert when.dt.hour.tolist() == [5, 6]


def test_the_longest_order_keeps_the_most_records():
    times = np.array(["2026-11-02T08:00"], "datetime64[ms]") + np.arange(10) * np.timedelta64(
        1, "h"
    )
    times[3:5] -= np.timedelta64(90, "D")
    kept = longest_order(times, np.ones(10, bool))
    assert kept.tolist() == [True] * 3 + [False] * 2 + [True] * 5


def test_a_file_in_no_order_is_no_evidence_against_its_clock():
    rows = workdays(["2026-11-02", "2026-11-03", "2026-11-04", "2026-11-05"])
    order = np.random.default_rng(5).permutation(len(rows))
    mixed = [rows[n] | {"counter": None} for n in order]
    tables = derived(PLAN, made("a.csv", "attempts", mixed))
    assert (tables["attempts"]["when_source"] == "shown").all()


def test_a_memory_read_from_its_middle_is_left_alone():
    rows = [row | {"counter": None} for row in workdays(["2026-11-16", "2026-11-17", "2026-11-18"])]
    ring = (rows[25:] + rows[:25])[::-1]
    tables = derived(PLAN, made("a.csv", "attempts", ring))
    assert (tables["attempts"]["when_source"] == "shown").all()
