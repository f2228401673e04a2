"""Raw files of a simulated crew: counts, reproducible bytes, and taken in by our own records."""

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from yieldkit.records.ingest import ingest
from yieldkit.records.opened import open_crew
from yieldkit.records.settings import read_settings
from yieldkit.simulate import Defects, simulate, typical_crew, write_inbox
from yieldkit.simulate.demo import DRIFTING, OVERDUE, demo_crew, write_demo
from yieldkit.simulate.formats import FORMATS

DEMO = Path(__file__).parents[2] / "data" / "demo"
ACCOUNT = ["data_rows", "accepted", "duplicates", "held", "refused"]


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    """Five splicers, five formats, ribbons beside them, all defects."""
    folder = tmp_path_factory.mktemp("crew")
    crew = simulate(typical_crew(weeks=3, splicers=5, ribbons=0.3), seed=3)
    truth = write_inbox(crew, folder, seed=1)
    ingest(folder)
    return crew, truth, open_crew(folder)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    truth = write_demo(folder)
    ingest(folder)
    return truth, open_crew(folder), folder


@pytest.fixture(scope="module")
def simulated_demo():
    return demo_crew()


def assert_accounted(truth, files):
    files = files.set_index("file")
    for name, counts in truth.items():
        if counts.get("kind") == "splice_export":
            wanted = [counts[k] for k in ("data_rows", "good", "duplicate")]
            assert files.loc[name, ACCOUNT].tolist() == [*wanted, 0, counts["malformed"]], name
            assert files.loc[name, "layout"] == counts["layout"]
        elif "data_rows" in counts and not name.startswith("_"):
            found = files.loc[name]
            assert found["data_rows"] == counts["data_rows"], name
            assert found["accepted"] == counts["data_rows"] - counts.get("rows_twice", 0), name


def test_every_row_of_every_format_is_accounted_for(taken_in):
    _, truth, opened = taken_in
    assert_accounted(truth, opened.files())
    used = {counts["layout"] for counts in truth.values() if "layout" in counts}
    assert used == set(FORMATS)


def test_strays_are_named(taken_in):
    status = taken_in[2].files().set_index("file")["status"]
    assert status["new file.csv"] == "empty"
    assert status["depot_keys.csv"] == "no layout"
    assert status["headings only.csv"] == "no rows"


def test_defects_are_there(taken_in):
    truth = taken_in[1]
    exports = [counts for counts in truth.values() if counts.get("kind") == "splice_export"]
    reasons = {reason for counts in exports for reason in counts["malformed_why"]}
    flags = {flag for counts in exports for flag in counts["flags"]}
    assert reasons >= {
        "truncated_last_line", "nul_block", "impossible_loss", "impossible_angle",
    }  # fmt: skip
    assert flags >= {
        "tech_variant", "tech_blank", "place_variant", "place_blank", "place_mistyped",
        "formula_text", "hostile_id",
    }  # fmt: skip
    assert any("same_bytes_as" in counts for counts in exports)
    assert sum(counts["duplicate"] for counts in exports) > 100


def test_clean_files_hold_every_record_once(tmp_path):
    crew = simulate(typical_crew(weeks=2), seed=5)
    truth = write_inbox(crew, tmp_path, defects=Defects.none())
    exports = truth["_all_splice_exports"]
    assert exports["data_rows"] == exports["good"] == len(crew.tables["attempts"])
    assert exports["records_readable_nowhere"] == 0


def test_unknown_format_is_refused(tmp_path):
    crew = simulate(typical_crew(weeks=1), seed=5)
    with pytest.raises(ValueError, match="SP-01"):
        write_inbox(crew, tmp_path, layouts={"SP-01": "nothing"})


def test_settings_written_are_the_settings(taken_in, tmp_path):
    crew = taken_in[0]
    write_inbox(crew, tmp_path, defects=Defects.none())
    read = read_settings(tmp_path)
    assert read.model_copy(update={"aliases": ()}) == crew.crew
    assert [alias.written for alias in read.aliases] == ["blue van"]


def content(path: Path) -> dict[str, str]:
    """Digest of a file, of a workbook's parts (compression differs between zlib versions)."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            parts = {name: book.read(name) for name in book.namelist()}
    else:
        parts = {"": path.read_bytes()}
    return {name: hashlib.sha256(data).hexdigest() for name, data in parts.items()}


def test_demo_is_what_its_command_makes(demo, tmp_path):
    made = demo[2]
    again = subprocess.run(
        [sys.executable, "-m", "yieldkit.simulate", "demo", str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "invented" in again.stdout
    kept = sorted(p.relative_to(DEMO) for p in DEMO.rglob("*") if p.is_file())
    new = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file())
    assert new == kept
    for path in kept:
        assert (tmp_path / path).read_bytes() == (made / path).read_bytes(), path
        assert content(tmp_path / path) == content(DEMO / path), path
    assert sum((DEMO / path).stat().st_size for path in kept) < 2_000_000


def test_wrong_use_of_the_command():
    from yieldkit.simulate.__main__ import main

    assert main(["demo"]) == 2


def test_demo_is_accounted_for(demo):
    truth, opened, _ = demo
    assert_accounted(truth, opened.files())
    assert opened.default_week() == "2026-W47"
    assert sum(counts.get("kind") == "splice_export" for counts in truth.values()) >= 5


def test_demo_answers_are_the_truth_or_open(demo, simulated_demo):
    """No failure is called first pass, no first pass a failure, as far as records can tell."""
    told = demo[1].positions().set_index("position_id")["first_pass_termination"]
    true = simulated_demo.truth.positions.set_index("position_id")["first_pass"]
    told = told.reindex(true.index)
    assert ((told == "yes") & ~true).sum() <= 2
    assert ((told == "no") & true).sum() <= 2
    assert told.isin(["yes", "no"]).mean() > 0.9


def test_simulated_positions_are_those_that_the_files_tell(demo, simulated_demo):
    """The table made without files agrees with the one derived from the files."""
    mine = simulated_demo.tables["positions"].set_index("position_id")["first_pass_termination"]
    theirs = demo[1].positions().set_index("position_id")["first_pass_termination"]
    both = pd.DataFrame({"mine": mine, "theirs": theirs}).dropna()
    sure = both[both.isin(["yes", "no"]).all(axis=1)]
    assert len(sure) > 0.9 * len(both)
    assert (sure["mine"] == sure["theirs"]).mean() > 0.995


def test_demo_hides_a_drift_and_an_overdue_blade(demo):
    opened = demo[1]
    attempts = opened.attempts().dropna(subset="loss_low_db")
    middle = (attempts["loss_low_db"] + attempts["loss_high_db"].clip(upper=1.01)) / 2
    late = pd.to_datetime(attempts["date"]) >= pd.Timestamp("2026-11-02")
    early = pd.to_datetime(attempts["date"]) < pd.Timestamp("2026-10-19")
    ratio = (
        middle[late].groupby(attempts["splicer"]).mean()
        / middle[early].groupby(attempts["splicer"]).mean()
    )
    assert ratio.idxmax() == DRIFTING and ratio[DRIFTING] > 2
    service = opened.service()
    within = service[pd.to_datetime(service["date"]) >= pd.Timestamp("2026-08-24")]
    assert OVERDUE not in set(within["unit"])
    positions = opened.positions()
    known = positions[positions["first_pass_termination"].isin(["yes", "no"])]
    recent = known[pd.to_datetime(known["first_date"]) >= pd.Timestamp("2026-10-26")]
    recent = recent[recent["splicer"] != DRIFTING]
    failed = (recent["first_pass_termination"] == "no").groupby(recent["cleaver"]).mean()
    assert failed.drop("unknown", errors="ignore").idxmax() == OVERDUE


def test_demo_names_nobody():
    settings = read_settings(DEMO)
    assert all(not person.name for person in settings.people)
    assert "invented" in settings.general.name
    assert "invented" in (DEMO / "README.md").read_text("utf-8")
    assert np.isin([p.code[0] for p in settings.people], ["T"]).all()
