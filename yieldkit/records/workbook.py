"""Sheets of XLSX, ODS and XLS files as text cells, refused before they can fill the memory."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from yieldkit.errors import CrewError
from yieldkit.records.open_document import merged_ranges
from yieldkit.records.reading import CONTROL, Rows

MAX_INFLATED = 400 * 2**20
"""Most bytes that a packed workbook may unfold to."""
MAX_CELLS = 20_000_000
"""Most cells a sheet may span."""
_REMEDY = "Save the records as CSV, or copy them into a new workbook."
_OURS = (
    ({"general", "people", "equipment", "connector types"}, "settings, crew.xlsx"),
    ({"read me", "words", "places", "held rows", "decisions"}, "list of doubts, doubts.xlsx"),
    ({"about", "records", "first pass", "losses"}, "review of a week, review.xlsx"),
)
"""Sheets by which our own workbooks are known."""
_REF = re.compile(rb'<c\b[^>]*?\br="([A-Z]{1,3})(\d{1,7})"')
_ROW = re.compile(rb'<row\b[^>]*?\br="(\d{1,9})"')


def sheets(data: bytes, name: str, kind: str) -> list[Rows]:
    """All sheets of a workbook in order, hidden ones too: what is hidden may be records.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for errors.
    kind : {"zip", "ole"}
        As ``reading.kind_of`` found.

    Raises
    ------
    CrewError
        If it is no workbook, has a password, or would unfold beyond bounds.
    """
    import python_calamine

    if kind == "zip":
        check_packed(data, name)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except python_calamine.PasswordError:
        raise CrewError(
            "the workbook has a password", file=name, remedy="Save it without."
        ) from None
    except Exception as error:
        raise CrewError("this workbook cannot be read", file=name, remedy=_REMEDY) from error
    for has, what in _OURS:
        if has <= set(book.sheet_names):
            raise CrewError(
                f"this is yieldkit's own {what}, no records",
                file=name,
                remedy="Its place is the crew's folder, not inbox/.",
            )
    open_merged = merged_ranges(data) if kind == "zip" else {}
    found = []
    for meta in book.sheets_metadata:
        if "Sheet" not in str(meta.typ):  # charts and macros hold no rows
            continue
        try:
            sheet = book.get_sheet_by_name(meta.name)
            if sheet.end and (sheet.end[0] + 1) * (sheet.end[1] + 1) > MAX_CELLS:
                raise _too_large(name, f'sheet "{meta.name}" spans too many cells')
            rows = sheet.to_python(skip_empty_area=False)
            merged = tuple(sheet.merged_cell_ranges or ()) or open_merged.get(meta.name, ())
        except CrewError:
            raise
        except BaseException as error:  # the reader panics on some broken files
            if isinstance(error, KeyboardInterrupt):
                raise
            raise CrewError(
                f'sheet "{meta.name}" cannot be read', file=name, remedy=_REMEDY
            ) from error
        found.append(_rows(meta.name, rows, merged))
    return found


def _rows(name: str, rows: Sequence[Sequence[object]], merged: tuple) -> Rows:
    """Cells as text, with the places of real numbers."""
    real = set()
    cells = []
    for at, row in enumerate(rows):
        out = []
        for column, value in enumerate(row):
            if isinstance(value, float) and not isinstance(value, bool):
                real.add((at, column))
            out.append(_text(value))
        cells.append(out)
    lines = ["\t".join(row).rstrip("\t") for row in cells]
    odd = any(CONTROL.search(line) for line in lines)
    return Rows(
        name,
        pa.array(lines, pa.string()),
        cells=cells,
        real=frozenset(real),
        merged=merged,
        odd=odd,
    )


def _text(value: object) -> str:
    """A cell as text: dates in ISO form, whole numbers without a point."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.10g}"
    if isinstance(value, dt.datetime):
        rounded = value + dt.timedelta(microseconds=500_000) if value.microsecond else value
        return rounded.replace(microsecond=0).isoformat(sep=" ")
    if isinstance(value, dt.date | dt.time):
        return (
            value.replace(microsecond=0).isoformat() if isinstance(value, dt.time) else str(value)
        )
    if isinstance(value, dt.timedelta):
        seconds = round(value.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return "" if value is None else str(value)


def _too_large(name: str, what: str) -> CrewError:
    return CrewError(what, file=name, wanted=f"at most {MAX_CELLS:,} cells a sheet", remedy=_REMEDY)


def check_packed(data: bytes, name: str) -> None:
    """Unfold each part in pieces, counting: sizes in the directory may lie."""
    try:
        packed = zipfile.ZipFile(io.BytesIO(data))
        parts = packed.infolist()
    except Exception as error:
        raise CrewError("this workbook is damaged", file=name, remedy=_REMEDY) from error
    names = {part.filename for part in parts}
    if "word/document.xml" in names:
        raise CrewError(
            "this is a text document, not a table",
            file=name,
            remedy="If it holds records, copy its table into a workbook.",
        )
    if len(parts) > 5000:
        raise _too_large(name, "the workbook has too many parts")
    if not any(n.startswith("xl/workbook") or n == "content.xml" for n in names):
        raise CrewError(
            "this packed file is no workbook",
            file=name,
            remedy="Unpack it and put the files in one by one.",
        )
    total = 0
    for part in parts:
        seen = _Seen(name)
        try:
            with packed.open(part) as stream:
                while piece := stream.read(2**20):
                    total += len(piece)
                    if total > MAX_INFLATED:
                        raise _too_large(
                            name, f"the workbook unfolds to more than {MAX_INFLATED // 2**20} MB"
                        )
                    if part.filename.endswith((".xml", ".rels")):
                        seen.look(piece)
        except CrewError:
            raise
        except Exception as error:  # a broken archive fails in many ways
            raise CrewError("this workbook is damaged", file=name, remedy=_REMEDY) from error
    if "content.xml" in names:
        _check_repeats(packed, name)


def _check_repeats(packed: zipfile.ZipFile, name: str) -> None:
    """An open document writes equal cells once, with a count: see how far its values reach."""
    from xml.etree import ElementTree  # entities are refused before

    row = column = last_row = last_column = 0
    filled = False
    try:
        with packed.open("content.xml") as stream:
            for event, element in ElementTree.iterparse(stream, ("start", "end")):
                tag = element.tag.rsplit("}", 1)[-1]
                if event == "start" and tag == "table":
                    row = last_row = last_column = 0
                elif event == "start" and tag == "table-row":
                    column, filled = 0, False
                elif event == "end" and tag in ("table-cell", "covered-table-cell"):
                    column += _count(element, "columns")
                    if len(element) or any(key.endswith("value") for key in element.attrib):
                        last_column, filled = max(last_column, column), True
                elif event == "end" and tag == "table-row":
                    row += _count(element, "rows")
                    last_row = row if filled else last_row
                    element.clear()
                    if last_row * last_column > MAX_CELLS:
                        raise _too_large(name, "a sheet spans too many cells")
    except ElementTree.ParseError as error:
        raise CrewError("this workbook is damaged", file=name, remedy=_REMEDY) from error


def _count(element: Any, kind: str) -> int:
    """How often a row or cell is repeated."""
    for key, value in element.attrib.items():
        if key.endswith(f"number-{kind}-repeated"):
            return int(value) if value.isdigit() else 1
    return 1


class _Seen:
    """What the pieces of one part have shown: how far its cells reach, entities."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.tail = b""
        self.rows = self.columns = 1

    def look(self, piece: bytes) -> None:
        """Look at the next piece, with the end of the one before."""
        text = self.tail + piece
        self.tail = text[-400:]
        if b"<!ENTITY" in text or b"<!DOCTYPE" in text:
            raise CrewError(
                "the workbook declares entities, which no export needs",
                file=self.name,
                remedy=_REMEDY,
            )
        for letters, row in _REF.findall(text):
            self.rows = max(self.rows, int(row))
            column = 0
            for letter in letters:
                column = column * 26 + letter - 64
            self.columns = max(self.columns, column)
        for row in _ROW.findall(text):
            self.rows = max(self.rows, int(row))
        if self.rows * self.columns > MAX_CELLS:
            raise _too_large(self.name, "a sheet spans too many cells")
