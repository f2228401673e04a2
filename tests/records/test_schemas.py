"""docs/records.md says what the schemas say."""

from pathlib import Path

from tests.records.made_files import arc, derived, made
from yieldkit.records.tables import TABLES, records_page

PAGE = Path(__file__).parents[2] / "docs" / "records.md"


def test_the_page_of_records_is_made_from_the_schemas():
    wanted = "write docs/records.md anew from yieldkit.records.tables.records_page()"
    assert PAGE.read_text("utf-8") == records_page(), wanted


def test_deriving_gives_every_table_with_its_columns_and_allowed_values():
    tables = derived(made("a.csv", "attempts", [arc("2026-11-16 08:00", counter=1)]))
    assert set(tables) == set(TABLES)
    for name, table in TABLES.items():
        assert list(tables[name].columns) == table.names
        for column in table.columns:
            if column.values:
                assert set(tables[name][column.name].dropna()) <= set(column.values), column.name
