"""The week's workbook: a table a sheet, typed cells, frozen headings with units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from yieldkit.review.files import replaced
from yieldkit.review.model import Review
from yieldkit.wording import page as words
from yieldkit.wording.numbers import day

_SHARES = {
    "yield",
    "bound_low",
    "bound_high",
    "adjusted",
    "adjusted_low",
    "adjusted_high",
    "chance_this_unit",
    *("chance_worse", "chance_source", "share"),
    *("over_share_low", "over_share_high"),
    *("given", "now", "now_low", "now_high"),
    *(f"{name}{end}" for name in ("before", "after") for end in ("", "_low", "_high")),
}
"""Columns of fractions, shown in per cent."""
_LONGEST_CELL = 32_000


def write_workbook(path: Path, review: Review) -> Path:
    """Write all tables of a review; text from the records stays text, whatever it begins with."""
    tables = {**review.stable, **review.further}
    with replaced(path) as beside:
        book = xlsxwriter.Workbook(
            str(beside),
            {
                "strings_to_formulas": False,
                "strings_to_urls": False,
                "strings_to_numbers": False,
                "nan_inf_to_errors": False,
            },
        )
        styles = _styles(book)
        _write_about(book, review, tables, styles)
        for name, table in tables.items():
            _write_sheet(book, name, table, styles, review.zone)
        book.close()
    return path


def _styles(book: Any) -> dict[str, Any]:
    return {
        "head": book.add_format(
            {
                "bold": True,
                "bottom": 2,
                "text_wrap": True,
                "valign": "bottom",
                "bg_color": "#EFEEE8",
            }
        ),
        "head right": book.add_format(
            {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom", "align": "right"}
            | {"bg_color": "#EFEEE8"}
        ),
        "title": book.add_format({"bold": True, "font_size": 16}),
        "bold": book.add_format({"bold": True}),
        "text": book.add_format({"valign": "top"}),
        "long": book.add_format({"valign": "top", "text_wrap": True}),
        "about": book.add_format({"valign": "top", "indent": 1}),
        "whole": book.add_format({"num_format": "#,##0", "valign": "top"}),
        "share": book.add_format({"num_format": "0.0%", "valign": "top"}),
        "db": book.add_format({"num_format": "0.000", "valign": "top"}),
        "number": book.add_format({"num_format": "0.###", "valign": "top"}),
        "date": book.add_format({"num_format": "yyyy-mm-dd", "valign": "top", "align": "left"}),
        "time": book.add_format(
            {"num_format": "yyyy-mm-dd hh:mm", "valign": "top", "align": "left"}
        ),
    }


def _write_about(
    book: Any, review: Review, tables: Mapping[str, pd.DataFrame], styles: Mapping[str, Any]
) -> None:
    sheet = book.add_worksheet("about")
    sheet.hide_gridlines(2)
    sheet.set_paper(9)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_column(0, 0, 22)
    sheet.set_column(1, 1, 12)
    sheet.set_column(2, 2, 80)
    title, dates = words.week_title(review.week, review.first_day, review.last_day)
    sheet.write_string(0, 0, f"{review.crew}: {title}, {dates}", styles["title"])
    lines = [
        "" if review.as_of is None else f"Records known until {day(review.as_of)} {review.zone}.",
        words.DEMO if review.invented else "",
        words.PRIVACY_LEAD if review.lead else "",
        words.PRIVACY,
    ]
    row = 2
    for line in filter(None, lines):
        sheet.merge_range(row, 0, row, 2, line, styles["long"])
        sheet.set_row(row, 15 * max(1, math.ceil(len(line) / 105)))
        row += 1
    row += 1
    for column, head in enumerate(("Sheet", "Rows", "What a row is")):
        sheet.write_string(row, column, head, styles["head"])
    for name, table in tables.items():
        row += 1
        sheet.write_url(row, 0, f"internal:'{_sheet_name(name)}'!A1", string=_sheet_name(name))
        sheet.write_number(row, 1, len(table), styles["whole"])
        sheet.write_string(row, 2, words.SHEETS.get(name, ""), styles["about"])


def _write_sheet(
    book: Any, name: str, table: pd.DataFrame, styles: Mapping[str, Any], zone: str
) -> None:
    sheet = book.add_worksheet(_sheet_name(name))
    sheet.freeze_panes(1, min(2, max(len(table.columns) - 1, 0)))
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    for column, field in enumerate(table.columns):
        cells = [_cell(value, zone) for value in table[field]]
        head = words.workbook_heading(name, str(field))
        numbers = any(isinstance(cell, (int, float)) for cell in cells)
        sheet.write_string(0, column, head, styles["head right" if numbers else "head"])
        longest = max((_width(cell) for cell in cells), default=0)
        sheet.set_column(column, column, min(60, max(9, longest + 2, _longest_word(head) + 3)))
        style = _style_of(name, str(field), cells)
        for row, cell in enumerate(cells, start=1):
            _write(sheet, row, column, cell, style, styles)
    if len(table):
        sheet.autofilter(0, 0, len(table), len(table.columns) - 1)


def _style_of(table: str, field: str, cells: list[object]) -> str:
    shares = _SHARES | ({"low", "high"} if words.is_share(table) else set())
    if field in shares:
        return "share"
    if field.endswith("_db") or "_db_" in field or "[dB]" in words.workbook_heading(table, field):
        return "db"
    numbers = [cell for cell in cells if isinstance(cell, (int, float))]
    if all(float(number).is_integer() for number in numbers):
        return "whole"
    return "number"


def _write(
    sheet: Any, row: int, column: int, cell: object, style: str, styles: Mapping[str, Any]
) -> None:
    if cell is None:
        return
    if isinstance(cell, bool):
        sheet.write_boolean(row, column, cell, styles["text"])
    elif isinstance(cell, (int, float)):
        sheet.write_number(row, column, cell, styles[style])
    elif isinstance(cell, datetime):
        sheet.write_datetime(row, column, cell, styles["time"])
    elif isinstance(cell, date):
        sheet.write_datetime(row, column, datetime(cell.year, cell.month, cell.day), styles["date"])
    else:
        text = str(cell)
        sheet.write_string(
            row, column, text[:_LONGEST_CELL], styles["long" if len(text) > 58 else "text"]
        )


def _cell(value: object, zone: str) -> object:
    """A value as a cell keeps it: no numpy, no zone, nothing for missing."""
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    if value is pd.NA:
        return None
    if isinstance(value, pd.Timestamp):
        local = value.tz_convert(zone).tz_localize(None) if value.tz is not None else value
        return local.to_pydatetime().replace(microsecond=0)
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and math.isinf(value):
        return "no upper end" if value > 0 else "no lower end"
    return value


def _width(cell: object) -> int:
    if isinstance(cell, datetime):
        return 16
    return 0 if cell is None else min(60, len(str(cell)) if isinstance(cell, str) else 10)


def _longest_word(text: str) -> int:
    return max((len(word) for word in text.split()), default=0)


def _sheet_name(name: str) -> str:
    return name.replace("_", " ")[:31]
