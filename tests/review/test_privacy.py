"""Names in the files stay off everything shared; the lead's own view may quote the raw rows."""

import openpyxl
import pytest

from tests.records.test_ingest import LAYOUT, SETTINGS, crew, export, put  # noqa: F401
from yieldkit.records.ingest import ingest
from yieldkit.review import write_review

PEOPLE = '[[people]]\ncode = "T01"\nname = "Wilhelmina Niemi"\n[[people]]\ncode = "T02"\n'
NAMES = ("Wilhelmina", "Ottilie")


@pytest.fixture
def week(crew):  # noqa: F811
    """A week whose rows name persons: known, unknown, on a refused and on a held row."""
    (crew / "crew.toml").write_text(SETTINGS + PEOPLE, "utf-8")
    layout = LAYOUT.replace('loss = "loss"\n', 'loss = "loss"\nremark = "note"\n')
    (crew / "layouts" / "export.toml").write_text(layout, "utf-8")
    heading, *lines = export(range(1, 40)).splitlines()
    who = ("Wilhelmina Niemi", "Ottilie", "T02")
    lines = [
        line.replace(",T01,", f",{who[n % 3]},") + ",Ottilie said so"
        for n, line in enumerate(lines)
    ]
    lines.append(lines[4].replace("5,2026", "99,2026").replace("0.03", "-9.0"))
    lines.append(lines[4].replace("0.03", "0.55"))
    put(crew, "a.csv", "\n".join([f"{heading},note", *lines]) + "\n")
    assert ingest(crew).totals["refused"] == 1
    return crew


def everything_in(folder):
    """Text of all files written, the sheets of workbooks included."""
    for path in folder.rglob("*"):
        if path.suffix == ".xlsx":
            for sheet in openpyxl.load_workbook(path):
                yield f"{path.name} {sheet.title}", repr(list(sheet.iter_rows(values_only=True)))
        elif path.is_file():
            yield path.name, path.read_text("utf-8")


def test_no_name_is_on_what_is_shared(week):
    write_review(week, week="2026-W47")
    found = list(everything_in(week / "reviews"))
    assert any("1 of persons" in text for name, text in found if name == "review.html")
    for name, text in found:
        assert not any(one in text for one in NAMES), name


def test_the_leads_view_quotes_raw_rows_but_no_page_of_it_does(week):
    write_review(week, week="2026-W47", lead=True)
    found = dict(everything_in(week / "reviews" / "2026-W47" / "lead"))
    assert "Ottilie" in found["review.xlsx refused"]
    assert not any(one in found["review.html"] for one in NAMES)
