"""Three simulated crews, each in layouts that the sample has not: every row against its truth."""

import pytest

from tests.records.test_proposing import share_right
from tests.simulate.test_inbox import assert_accounted
from yieldkit.records.ingest import ingest
from yieldkit.records.layouts import load_layouts
from yieldkit.records.opened import open_crew
from yieldkit.simulate import Logging, simulate, typical_crew, write_inbox

CREWS = {
    "fixed width and ribbons": (
        typical_crew(4, 4, splicers=3, ribbons=0.4),
        {"SP-01": "columns", "SP-02": "zapis", "SP-03": "columns"},
        11,
    ),
    "workbooks and words for losses": (
        typical_crew(6, 3, splicers=4),
        {"SP-01": "cahier", "SP-02": "joint_list", "SP-03": "cahier", "SP-04": "joint_list"},
        12,
    ),
    "sparing with words": (
        typical_crew(5, 3, splicers=3, logging=Logging(kit_sheet=0.4, operator_blank=0.6)),
        {"SP-01": "skarvlista", "SP-02": "zapis", "SP-03": "joint_list"},
        13,
    ),
}


@pytest.mark.parametrize("name", CREWS)
def test_every_row_of_a_simulated_crew_is_accounted_for(name, tmp_path):
    plan, layouts, seed = CREWS[name]
    truth = write_inbox(simulate(plan, seed=seed), tmp_path, layouts=layouts, seed=seed)
    report = ingest(tmp_path)
    found = open_crew(tmp_path)
    assert_accounted(truth, found.files())
    exports = truth["_all_splice_exports"]
    assert len(found.attempts()) >= exports["good"]  # a ribbon's row is one row and twelve joints
    counted = ("accepted", "duplicates", "held", "refused")
    assert report.totals["data_rows"] == sum(report.totals[key] for key in counted)
    of_files = [row for row in truth.values() if row.get("kind") == "splice_export"]
    assert sum(row["duplicate"] for row in of_files) > 50
    assert sum(row["malformed"] for row in of_files) > 0
    right, total = share_right(tmp_path / "inbox", load_layouts(tmp_path / "layouts"))
    assert right / total >= 0.95
    again = ingest(tmp_path, again=True)
    assert again.totals == report.totals
