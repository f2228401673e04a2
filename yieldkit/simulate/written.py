"""Records and cells to bytes: text of lines, workbooks, the same bytes for the same cells."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from yieldkit.simulate.formats import Format, Record

MADE = datetime(2026, 1, 1)
"""Date of making written into workbooks, so that the bytes do not depend on the day."""


def text_lines(fmt: Format, records: Sequence[Record]) -> list[str]:
    """Lines of the records, in the order given."""
    lines = []
    for record in records:
        cells = [cell.replace("\n", " ") for cell in fmt.row(record)]
        if fmt.fixed:
            padded = [
                cell[: width - 1].ljust(width) for cell, width in zip(cells, fmt.fixed, strict=True)
            ]
            lines.append("".join(padded).rstrip())
        else:
            lines.append(fmt.delimiter.join(_quoted(cell, fmt.delimiter) for cell in cells))
    return lines


def head_lines(fmt: Format, unit: str, when: datetime, rows: int) -> list[str]:
    """Preamble and headings."""
    head = fmt.preamble(unit, when, rows)
    if fmt.fixed:
        names = zip(fmt.headings, fmt.fixed, strict=True)
        return [*head, "".join(name.ljust(width) for name, width in names).rstrip()]
    return [*head, fmt.delimiter.join(fmt.headings)]


def _quoted(cell: str, delimiter: str) -> str:
    if delimiter in cell or '"' in cell:
        return '"' + cell.replace('"', '""') + '"'
    return cell


def book_bytes(sheets: dict[str, list[list[Any]]], merged: dict[str, list[tuple]] | None) -> bytes:
    """A workbook of cells, the same bytes for the same cells.

    ``merged`` holds for a sheet blocks (first row, column, last row, text).
    """
    import xlsxwriter

    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False,
                                        "strings_to_urls": False})  # fmt: skip
    book.set_properties({"created": MADE})
    stamp = book.add_format({"num_format": "dd/mm/yyyy hh:mm:ss"})
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                if isinstance(cell, datetime):
                    whole = cell.hour == cell.minute == cell.second == 0
                    sheet.write_datetime(i, j, cell, day if whole else stamp)
                elif isinstance(cell, int | float):
                    sheet.write_number(i, j, cell)
                elif cell:
                    sheet.write_string(i, j, cell)
        for first, column, last, text in (merged or {}).get(name, []):
            sheet.merge_range(first, column, last, column, text)
    book.close()
    return buffer.getvalue()
