"""What came in: rows that add up, and findings in words."""

import pandas as pd
import pytest

from tests.records.made_files import arc, crew, derived, made, panel
from yieldkit.answers.doubts import what_came_in

AS_OF = pd.Timestamp("2026-11-20", tz="UTC")


@pytest.fixture(scope="module")
def tables():
    rows = [arc(f"2026-11-16 08:{n:02d}:07", f"P01/{n}", counter=n) for n in range(1, 12)]
    changed = [rows[0] | {"loss_db": 0.3, "loss_text": "0.30"}, arc("2026-11-16 09:00", None)]
    plan = made("plan.csv", "planned", [panel(12)])
    return derived(plan, made("a.csv", "attempts", rows), made("b.csv", "attempts", changed))


def codes(result):
    return {finding.code: str(finding) for finding in result.findings}


def test_rows_of_every_file_add_up_and_are_told(tables):
    result = what_came_in(tables["files"], tables["attempts"], crew=crew(), as_of=AS_OF)
    assert result.table["data_rows"].sum() == 14
    told = codes(result)
    assert told["rows_came_in"].startswith("3 files, every row accounted for: 14 rows: 13 count,")
    assert "1 row held" in told["rows_held"]
    assert told["links_unsure"] == "Of 12 arcs, 1 could not be put to a position."


def test_rows_that_do_not_add_up_are_an_error(tables):
    files = tables["files"].copy()
    files.loc[0, "accepted"] += 1
    with pytest.raises(ValueError, match="do not add up"):
        what_came_in(files, tables["attempts"], crew=crew())


@pytest.mark.parametrize(
    "due, code", [("2026-11-10", "calibration_overdue"), ("2026-12-01", "calibration_due")]
)
def test_due_and_overdue_calibrations_are_findings(tables, due, code):
    settings = crew(equipment=[{"unit": "SP-01", "kind": "splicer", "calibration_due": due}])
    result = what_came_in(tables["files"], tables["attempts"], crew=settings, as_of=AS_OF)
    assert "SP-01" in codes(result)[code]


def test_a_calibration_far_off_or_of_a_unit_gone_is_no_finding(tables):
    units = [
        {"unit": "SP-01", "kind": "splicer", "calibration_due": "2027-11-10"},
        {
            "unit": "SP-02",
            "kind": "splicer",
            "calibration_due": "2026-11-10",
            "valid_to": "2026-10-01",
        },
    ]
    result = what_came_in(
        tables["files"], tables["attempts"], crew=crew(equipment=units), as_of=AS_OF
    )
    assert not {"calibration_overdue", "calibration_due"} & set(codes(result))


def test_a_repaired_unit_is_judged_by_the_row_in_force(tables):
    units = [
        {"unit": "SP-01", "kind": "splicer", "serial": "A", "calibration_due": "2026-01-01"},
        {"unit": "SP-01", "kind": "splicer", "serial": "B", "valid_from": "2026-06-01",
         "calibration_due": "2027-06-01"},
    ]  # fmt: skip
    result = what_came_in(
        tables["files"], tables["attempts"], crew=crew(equipment=units), as_of=AS_OF
    )
    assert not {"calibration_overdue", "calibration_due", "unit_not_valid"} & set(codes(result))


def test_arcs_on_a_unit_outside_its_validity_are_a_finding(tables):
    units = [{"unit": "SP-01", "kind": "splicer", "valid_to": "2026-10-31"}]
    result = what_came_in(
        tables["files"], tables["attempts"], crew=crew(equipment=units), as_of=AS_OF
    )
    assert codes(result)["unit_not_valid"].startswith("12 arcs on SP-01 from")


def test_expired_lots_are_findings(tables):
    stock = pd.DataFrame(
        [
            ("2026-08-01", "epoxy", "E1", "received", 10, "2026-11-01"),
            ("2026-08-01", "epoxy", "E2", "received", 10, "2026-11-20"),
            ("2026-08-01", "epoxy", "E3", "received", 10, "2026-10-01"),
            ("2026-09-01", "epoxy", "E3", "issued", 10, "2026-10-01"),  # used up in time
            ("2026-08-01", "sleeve", "S1", "received", 10, "2027-11-01"),
        ],
        columns=["date", "part", "lot", "move", "quantity", "expires"],
    )
    result = what_came_in(
        tables["files"], tables["attempts"], crew=crew(), stock=stock, as_of=AS_OF
    )
    told = [str(one) for one in result.findings if one.code.startswith("lot_")]
    assert len(told) == 2
    assert "epoxy lot E1 expired" in told[0]
    assert "epoxy lot E2 expires" in told[1] and "in 0 days" in told[1]  # its last day of use
