"""Crimp dies as people write them, and those that do not belong to the connector type."""

import pytest

from tests.records.made_files import arc, crew, derived, entry, made, panel, test
from tests.records.test_ingest import SETTINGS, put
from tests.records.test_ingest import crew as folder_of_a_crew  # noqa: F401
from yieldkit.crew import ConnectorType
from yieldkit.records.decisions import OPEN
from yieldkit.records.deriving import derive
from yieldkit.records.dies import die_differs, sizes_in
from yieldkit.records.doubts import Doubt, doubts_of
from yieldkit.records.forms import FORMS, write_forms
from yieldkit.records.ingest import ingest
from yieldkit.records.layouts import choose_layout, load_layouts
from yieldkit.records.opened import open_crew
from yieldkit.records.proposing import propose

LC = ConnectorType(connector_type="LC", body_die_in=0.128, boot_die_in=0.161)
SPLICE = ConnectorType(connector_type="splice", design="D", required_tests="none")
OWN = crew(
    connector_types=[
        LC.model_dump() | {"required_tests": "insertion loss 1310"},
        {"connector_type": "SC", "body_die_in": 0.19},
        {"connector_type": "ST"},
        {"connector_type": "splice", "design": "D", "required_tests": "none"},
    ]
)


@pytest.mark.parametrize(
    "text, sizes",
    [
        (".128", (0.128,)),
        ('0.128"', (0.128,)),
        ("0,128 in", (0.128,)),
        ("hex 0.128 inch", (0.128,)),
        ("3.25 mm", (0.128,)),
        ("3,25", (0.128,)),
        ("0.128/0.161", (0.128, 0.161)),
        ("3.25 / 4.09 mm", (0.128, 0.161)),
        ("128", ()),
        ("large", ()),
        ("", ()),
        ("0", ()),
    ],
)
def test_sizes_as_people_write_them(text, sizes):  # 1 in = 25.4 mm
    assert sizes_in(text) == pytest.approx(sizes, abs=5e-4)


@pytest.mark.parametrize("text", [".128", "0.161", "3.25 mm", "0.128/0.161", "0,13"])
def test_a_die_of_the_type_is_no_doubt(text):
    assert die_differs(text, LC) == ""


@pytest.mark.parametrize("text", [".190", "0.128/0.190", "4.83 mm", "large", "128"])
def test_another_die_or_one_that_cannot_be_read_is(text):
    assert "0.128 in or 0.161 in" in die_differs(text, LC)


def test_a_splice_takes_no_die_and_a_type_without_dies_says_nothing():
    assert "no crimp" in die_differs(".128", SPLICE)
    assert die_differs(".128", ConnectorType(connector_type="ST")) == ""


def doubts(*sources):
    found = doubts_of(derive(sources, OWN), OWN, []).to_pylist()
    return [Doubt(**row) for row in found if row["kind"] == "die differs"]


def test_each_kind_of_row_with_a_wrong_die_is_listed_with_its_place():
    plan = made("plan.csv", "planned", [panel(4), panel(4, "P02", "SC"), panel(4, "P03", "ST")])
    log = made(
        "log.csv",
        "rework",
        [
            entry("2026-11-16", "P01/01", step="crimp", die_text=".190"),
            entry("2026-11-16", "P02/01", step="crimp", die_text=".190"),
            entry("2026-11-16", "P03/01", step="crimp", die_text=".190"),
        ],
    )
    tests = made(
        "tests.csv", "measurements", [test("2026-11-17 08:00", "P02/02", die_text="3.25 mm")]
    )
    arcs = made(
        "arcs.csv",
        "attempts",
        [arc("2026-11-16 08:00", "P01/02", die_text="big"), arc("2026-11-16 09:00", "P01/03")],
    )
    found = doubts(plan, log, tests, arcs)
    assert sorted(one.where for one in found) == [
        "arcs.csv, row 2",
        "log.csv, row 2",
        "tests.csv, row 2",
    ]
    assert {one.state for one in found} == {OPEN}
    assert any(one.found == "crimp die .190 on LC: J1 P01/01" for one in found)
    assert any("0.190 in belong" in one.suggested for one in found)


def test_the_tables_keep_what_was_written():
    log = made("log.csv", "rework", [entry("2026-11-16", die_text=" .128 ")])
    frames = derived(log, settings=OWN)
    assert frames["rework"]["die"].tolist() == [".128"]


def test_a_log_with_a_die_is_proposed_read_and_asked(folder_of_a_crew):  # noqa: F811
    folder = folder_of_a_crew
    (folder / "crew.toml").write_text(
        SETTINGS.replace('"none"\n', '"none"\nbody_die_in = 0.128\nboot_die_in = 0.161\n', 1),
        "utf-8",
    )
    lines = "".join(
        f"2026-11-{10 + n},T0{1 + n % 3},J1,P01/{n},LC,cut,{('.128', '.161', '.190')[n % 3]}\n"
        for n in range(1, 13)
    )
    text = "date,technician,job,position,connector type,cause,crimp die (in)\n" + lines
    proposal = propose(text.encode(), "log.csv")
    assert proposal.layout.table == "rework"
    assert proposal.layout.columns["die"] == "crimp die (in)"
    from yieldkit.records.proposing import write_layout

    write_layout(proposal, folder / "layouts" / "log.toml")
    put(folder, "log.csv", text)
    ingest(folder)
    found = open_crew(folder).doubts()
    assert (found["kind"] == "die differs").sum() == 4


@pytest.mark.parametrize(
    "heading",
    ["Crimp die", "Crimpeinsatz", "Matrice de sertissage", "Matriz de crimpado", "Krimpmatrijs",
     "Pressback", "Puristusleuka", "Matryca", "Krimpovací čelist", "Matrice di crimpatura"],
)  # fmt: skip
def test_headings_of_a_die_in_several_languages(heading):
    lines = "".join(
        f"2026-11-{10 + n};T01;J1;P01/{n};dirty;,128\n".replace(",", "0.") for n in range(1, 9)
    )
    proposal = propose(f"Date;Technician;Job;Position;Cause;{heading}\n{lines}".encode(), "log.csv")
    assert proposal.layout.columns["die"] == heading


def test_the_blank_rework_log_offers_the_crews_dies_and_older_sheets_are_still_read(tmp_path):
    import openpyxl

    write_forms(tmp_path, OWN)
    sheet = openpyxl.load_workbook(tmp_path / "rework_log.xlsx").worksheets[0]
    offered = [rule.formula1 for rule in sheet.data_validations.dataValidation]
    assert '"0.128 in,0.161 in,0.190 in"' in offered
    form = next(one for one in FORMS if one.file == "rework_log")
    heads = ",".join(one.heading for one in form.fields if one.key != "die")
    data = f"{heads}\n2026-11-16,T01,J1,P01,1,LC,crimp,cleave,new connector,1,1,0,0,0,5,\n".encode()
    assert choose_layout(data, "old.csv", load_layouts(tmp_path)).table == "rework"
