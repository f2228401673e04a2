"""From raw files to the page: weeks that mislead a careless reader."""

import shutil
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from yieldkit.errors import CrewError
from yieldkit.records.ingest import ingest
from yieldkit.review import write_review

LAYOUTS = Path(__file__).parent.parent / "crew_a" / "layouts"
SETTINGS = """
[general]
name = "Small crew"
zone = "UTC"
[[people]]
code = "T01"
[[people]]
code = "T02"
[[equipment]]
unit = "SP-02"
kind = "splicer"
[[equipment]]
unit = "C-01"
kind = "cleaver"
[[connector_types]]
connector_type = "SC"
required_tests = "insertion loss 1310"
[[limits]]
quantity = "estimated loss"
limit_db = 0.15
[[limits]]
quantity = "insertion loss"
limit_db = 0.50
"""
REWORK = """
table = "rework"
dates = ["yyyy-mm-dd"]
[columns]
when = "Date written"
technician = "Who"
job = "Job"
place = "Place"
connector_type = "Type"
cause = "What went wrong"
bodies = "Parts used"
rework_min = "Minutes"
"""
MONDAY = datetime(2026, 11, 16, 8)


class Crew:
    """A crew's folder, filled by hand."""

    def __init__(self, folder: Path):
        self.folder = folder
        (folder / "inbox").mkdir()
        (folder / "layouts").mkdir()
        (folder / "crew.toml").write_text(SETTINGS, "utf-8")
        for name in ("english_text", "test_results", "panel_schedule", "kit_sheet"):
            shutil.copy(LAYOUTS / f"{name}.toml", folder / "layouts")
        (folder / "layouts" / "rework_text.toml").write_text(REWORK, "utf-8")
        self._put(
            "panels.csv",
            "job,site,panel,type,ports,fibre_lot,connector_lot",
            ["J1,Quay,P01,SC,96,F1,K1"],
        )
        days = [MONDAY.date() + timedelta(days=n) for n in range(12)]
        kit = [f"{day},{who},SP-02,C-01,H-01" for day in days for who in ("T01", "T02")]
        self._put("kit.csv", "date,technician,splicer,cleaver,heater", kit)

    def arcs(self, name, rows):
        """Rows of (time, technician, port, loss as shown)."""
        head = "machine,started,worker,order,place,angle_left,angle_right,loss,remark"
        lines = [
            f"SP-02,{when:%Y-%m-%dT%H:%M:%S},{who},J1,P01/{port},0.4,0.3,{loss},"
            for when, who, port, loss in rows
        ]
        return self._put(name, head, lines)

    def tests(self, name, rows):
        """Rows of (time, technician, port, loss, verdict)."""
        head = (
            "tested,job,panel,port,technician,il_1310_db,il_1550_db,return_loss_db,end_face,result"
        )
        lines = [
            f"{when:%Y-%m-%d %H:%M},J1,P01,{port},{who},{loss},{loss},,pass,{result}"
            for when, who, port, loss, result in rows
        ]
        return self._put(name, head, lines)

    def log(self, name, rows):
        """Rows of (day, technician, port, cause)."""
        head = "Date written,Who,Job,Place,Type,What went wrong,Parts used,Minutes"
        lines = [f"{day},{who},J1,P01/{port},SC,{cause},1,6" for day, who, port, cause in rows]
        return self._put(name, head, lines)

    def review(self, week="2026-W47", **options):
        """Take the inbox in and write the review."""
        ingest(self.folder)
        return write_review(self.folder, week=week, **options)

    def _put(self, name, head, lines):
        text = "\n".join([head, *lines]) + "\n"
        (self.folder / "inbox" / name).write_text(text, "utf-8")
        return self


@pytest.fixture
def crew(tmp_path):
    return Crew(tmp_path)


def joints(ports, who="T01", loss="0.03 dB", start=MONDAY, apart=20):
    return [(start + timedelta(minutes=apart * k), who, port, loss) for k, port in enumerate(ports)]


def passed(rows, after=timedelta(hours=3)):
    return [(when + after, who, port, "0.20", "PASS") for when, who, port, _ in rows]


def overall(written):
    table = written.review.stable["first_pass"]
    return table[(table["by"] == "all") & (table["stage"] == "termination")].iloc[0]


def page(written):
    return written.page.read_text("utf-8")


def test_a_week_whose_tests_are_still_out_has_no_yield_yet(crew):
    written = crew.arcs("a.csv", joints(range(1, 13))).review()
    row = overall(written)
    assert (row["positions"], row["pending"], row["first_pass"], row["failed"]) == (12, 12, 0, 0)
    assert pd.isna(row["yield"]) and (row["bound_low"], row["bound_high"]) == (0, 1)
    assert "12 joints begun; none is decided yet. 12 still wait for a test." in page(written)
    assert "100.0 %" not in page(written).split('id="arrived"')[0]


def test_a_test_this_week_of_a_joint_made_last_week_is_told_under_its_type(crew):
    rows = joints(range(1, 13), start=MONDAY - timedelta(days=4))
    crew.arcs("a.csv", rows + joints(range(20, 24)))
    crew.tests("t.csv", passed(rows, after=timedelta(days=5)))
    losses = crew.review().review.stable["losses"]
    tested = losses[losses["quantity"].eq("insertion loss") & losses["by"].eq("connector_type")]
    assert set(tested["group"]) == {"SC"} and set(tested["n"]) == {12}


def test_without_limits_in_the_settings_the_page_says_so(crew):
    settings = crew.folder / "crew.toml"
    kept = SETTINGS.split("[[limits]]")[0]
    settings.write_text(kept, "utf-8")
    written = crew.arcs("a.csv", joints(range(1, 13))).review()
    assert "Cannot tell whether losses meet their limits: the settings hold none." in page(written)


def test_three_arcs_at_one_position_are_one_failed_position_not_three_joints(crew):
    rows = joints(range(1, 11))
    again = [(MONDAY + timedelta(hours=6, minutes=9 * k), "T01", 11, "0.30 dB") for k in range(2)]
    rows += again + [(MONDAY + timedelta(hours=7), "T01", 11, "0.02 dB")]
    row = overall(crew.arcs("a.csv", rows).tests("t.csv", passed(rows[:10] + rows[-1:])).review())
    assert (row["positions"], row["first_pass"], row["failed"]) == (11, 10, 1)


def test_who_logs_every_failure_looks_no_worse_than_who_logs_half(crew):
    rows, log, fine = [], [], []
    for who, first, share in (("T01", 1, 1.0), ("T02", 41, 0.5)):
        start = MONDAY + timedelta(days=first // 40)
        mine = joints(range(first, first + 40), who, start=start, apart=10)
        bad = mine[::5]
        redone = [(when + timedelta(minutes=4), who, port, "0.03 dB") for when, _, port, _ in bad]
        spoilt = [(when, who, port, "0.40 dB") for when, _, port, _ in bad]
        rows += [row for row in mine if row not in bad] + spoilt + redone
        fine += [row for row in mine if row not in bad] + redone
        log += [(start.date(), who, row[2], "bad cleave") for row in bad[: int(len(bad) * share)]]
    written = (
        crew.arcs("a.csv", sorted(rows))
        .tests("t.csv", passed(fine))
        .log("l.csv", log)
        .review(lead=True)
    )
    table = written.review.stable["first_pass"]
    mine = table[(table["by"] == "technician") & (table["stage"] == "termination")]
    assert mine["group"].tolist() == ["T01", "T02"]
    assert mine["failed"].tolist() == [8, 8]
    assert written.review.stable["rework"]["events"].sum() == 12


def test_losses_all_shown_as_zero_make_a_page(crew):
    rows = joints(range(1, 41), loss="0.00 dB", apart=8)
    written = crew.arcs("a.csv", rows).tests("t.csv", passed(rows)).review()
    assert overall(written)["first_pass"] == 40
    assert "could not be worked out" not in page(written)


def test_overlapping_downloads_change_no_figure(crew, tmp_path_factory):
    rows = joints(range(1, 31))
    once = crew.arcs("a.csv", rows).tests("t.csv", passed(rows)).review()
    other = Crew(tmp_path_factory.mktemp("twice"))
    other.arcs("a.csv", rows[:20]).arcs("b.csv", rows[10:]).arcs("b (1).csv", rows[10:])
    twice = other.tests("t.csv", passed(rows)).review()
    pd.testing.assert_frame_equal(
        once.review.stable["first_pass"].drop(columns="as_of"),
        twice.review.stable["first_pass"].drop(columns="as_of"),
    )
    records = twice.review.stable["records"].set_index("file")
    assert records.loc[["a.csv", "b.csv", "b (1).csv"], "accepted"].sum() == 30
    assert records["duplicates"].sum() == 30


def test_a_failure_found_by_another_a_week_later_restates_the_first_arcs_week(crew):
    first = joints(range(1, 31), "T01")
    crew.arcs("a.csv", first).tests("t.csv", passed(first))
    assert overall(crew.review())["failed"] == 0
    later = joints(range(31, 41), "T02", start=MONDAY + timedelta(days=7))
    redo = [(MONDAY + timedelta(days=8), "T02", 5, "0.03 dB")]
    crew.arcs("b.csv", later + redo).tests("u.csv", passed(later + redo))
    crew.log("l.csv", [(date(2026, 11, 24), "T02", 5, "cracked in sleeve")])
    written = crew.review("2026-W48", lead=True)
    assert "100.0 % as first given (30 decided), 96.7 % as known now" in page(written)
    old = crew.review("2026-W47", lead=True).review.stable["first_pass"]
    failed = old[(old["by"] == "technician") & (old["stage"] == "termination")]
    assert failed.set_index("group")["failed"].to_dict() == {"T01": 1}
    given = pd.read_csv(crew.folder / "reviews" / "2026-W47" / "given.csv")
    assert given[(given["by"] == "all") & (given["stage"] == "termination")]["failed"].item() == 0


def test_few_personal_figures_are_in_no_shared_file(crew):
    rows = joints(range(1, 13))
    written = crew.arcs("a.csv", rows).tests("t.csv", passed(rows)).review()
    for path in (written.page.parent / "tables" / "first_pass.csv", written.given):
        table = pd.read_csv(path)
        mine = table[table["by"] == "technician"]
        assert len(mine) and mine["yield"].isna().all() and mine["failed"].isna().all()
    assert "Figures on persons" not in page(written)


def test_any_day_names_its_week_and_the_default_is_the_last_whole_week(crew):
    rows = joints(range(1, 13))
    crew.arcs("a.csv", rows).tests("t.csv", passed(rows))
    assert crew.review("2026-11-18").review.week == "2026-W47"
    late = joints([40], start=MONDAY + timedelta(days=8))
    assert crew.arcs("b.csv", late).review(None).review.week == "2026-W47"


@pytest.mark.parametrize(
    ("week", "said"), [("2026-W99", "no such week"), ("2025-W10", "hold nothing of this week")]
)
def test_an_unknown_week_is_one_sentence(crew, week, said):
    crew.arcs("a.csv", joints(range(1, 5)))
    with pytest.raises(CrewError, match=said):
        crew.review(week)
