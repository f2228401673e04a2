"""``doubts.xlsx``: written with drop-down decisions, read back as filled in."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldkit.errors import CrewError
from yieldkit.records.disk import digest, write_whole
from yieldkit.records.store import Store

if TYPE_CHECKING:
    import pyarrow as pa

WORKBOOK = "doubts.xlsx"
WRITTEN = "doubts.json"
"""In the store: the generation whose doubts list was written, and the digest of its bytes."""
SHEETS = {
    "words": ("technician", "unit", "job", "connector type", "step", "cause", "outcome"),
    "places": ("place", "position of a row"),
    "held rows": ("held row",),
    "rows to look at": ("entered twice", "gone from newer save", "type differs", "die differs"),
    "clocks": ("clock", "counter gap"),
    "refused rows": ("refused row",),
}
"""Sheet to the kinds of doubt on it."""
HEADINGS = ("kind", "found", "suggested", "state", "where", "rows", "decision", "remark", "key")
WIDTHS = (16, 52, 34, 15, 34, 7, 22, 28, 14)
DECISIONS = "decisions"
DECISION_HEADINGS = ("kind", "key", "meaning", "decided", "remark", "undo")
REMARKS = "remarks"
REMARK_HEADINGS = ("kind", "found", "where", "remark", "key")
_READ = dict.fromkeys(SHEETS, HEADINGS) | {
    REMARKS: REMARK_HEADINGS,
    DECISIONS: DECISION_HEADINGS,
}
"""Sheets that are read back, and the headings that each must have."""
MOST_ROWS = 3_000
_LINE = 15
"""Height of a line [pt]."""
_INTRODUCTION = (
    "What the records leave open. Choose or write a decision in its column, save, close, and run"
    " `yieldkit ingest`.",
    "Rows marked open wait for you. Rows applied by rule count already as suggested: write another"
    " meaning to change them.",
    'A decision holds for every later file. The sheet "decisions" lists them; write yes under undo'
    " to take one back.",
    "Aliases in the crew's settings beat decisions here.",
    'A remark on a doubt that is no more is kept on the sheet "remarks".',
)


def is_written(store: Store) -> bool:
    """Whether the doubts list is of the present tables: not lost, left behind or held open."""
    number = store.number()
    there = (store.crew_folder / WORKBOOK).exists()
    return number == 0 or (there and _written(store).get("generation") == number)


def is_untouched(store: Store) -> bool:
    """Whether the list is as the program wrote it, so that nothing was typed into it."""
    try:
        data = (store.crew_folder / WORKBOOK).read_bytes()
    except OSError:
        return False
    return digest(data) == _written(store).get("untouched")


def _written(store: Store) -> dict[str, Any]:
    try:
        found = json.loads((store.root / WRITTEN).read_bytes())
    except (FileNotFoundError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def write_workbook(
    store: Store,
    doubts: pa.Table,
    repairs: Sequence[Mapping[str, Any]],
    gone: frozenset[tuple[str, str]] = frozenset(),
) -> int:
    """Write the workbook beside the one there and put it in its place; doubts that found no room.

    What was typed into the one there and is not yet among ``repairs`` stays filled in; remarks on
    doubts that are no more go to a sheet of their own, but for those on doubts that are ``gone``.

    Raises
    ------
    CrewError
        If there is one and it cannot be read; it is then left as it is.
    OSError
        If it cannot be replaced.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import xlsxwriter

    path = store.crew_folder / WORKBOOK
    typed, undone = _typed(path) if path.exists() and not is_untouched(store) else ({}, set())
    typed = {pair: row for pair, row in typed.items() if pair not in gone}

    packed = io.BytesIO()
    book = xlsxwriter.Workbook(
        packed, {"strings_to_formulas": False, "strings_to_urls": False, "in_memory": True}
    )
    bold = book.add_format({"bold": True, "bg_color": "#E8E4DA", "border": 1})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    fill = book.add_format({"bg_color": "#FFF7D6", "border": 1, "text_wrap": True, "valign": "top"})
    first = book.add_worksheet("read me")
    first.set_column(0, 0, 110, wrap)
    for number, line in enumerate(_INTRODUCTION):
        first.write_string(number, 0, line, wrap)
    _print_on_one_width(first)
    left_out = doubts.num_rows
    rest = dict(typed)
    for name, kinds in SHEETS.items():
        chosen = doubts.filter(pc.is_in(doubts["kind"], pa.array(kinds)))
        rows = chosen.slice(0, MOST_ROWS).to_pylist()
        left_out -= len(rows)
        for row in rows:
            row["key"] = _cell(row["key"])
            rest.pop((row["kind"], row["key"]), None)
        _write_doubts(book.add_worksheet(name), rows, typed, bold, wrap, fill)
    for repair in repairs:
        rest.pop((str(repair["kind"]), _cell(str(repair["key"]))), None)
    _write_remarks(book.add_worksheet(REMARKS), rest, bold, wrap)
    _write_decisions(book.add_worksheet(DECISIONS), repairs, undone, bold, wrap, fill)
    book.close()
    data = packed.getvalue()
    write_whole(path, data)
    nothing_typed = not typed and not undone
    mark = {"generation": store.number(), "untouched": digest(data) if nothing_typed else ""}
    write_whole(store.root / WRITTEN, json.dumps(mark).encode())
    return left_out


def _write_doubts(
    sheet: Any,
    doubts: Sequence[Mapping[str, Any]],
    typed: Mapping[tuple[str, str], Mapping[str, str]],
    bold: Any,
    wrap: Any,
    fill: Any,
) -> None:
    sheet.freeze_panes(1, 0)
    _print_on_one_width(sheet)
    for column, (heading, width) in enumerate(zip(HEADINGS, WIDTHS, strict=True)):
        sheet.write_string(0, column, heading, bold)
        sheet.set_column(column, column, width)
    decision = HEADINGS.index("decision")
    for number, doubt in enumerate(doubts, start=1):
        cells = [doubt[name] for name in HEADINGS[:5]]
        sheet.set_row(number, _LINE * _lines(cells))
        for column, cell in enumerate(cells):
            sheet.write_string(number, column, _cell(cell), wrap)
        sheet.write_number(number, 5, doubt["rows"], wrap)
        row = typed.get((doubt["kind"], doubt["key"]), {})
        for column, cell in enumerate((row.get("decision", ""), row.get("remark", ""))):
            if cell:
                sheet.write_string(number, decision + column, _cell(cell), fill)
            else:
                sheet.write_blank(number, decision + column, None, fill)
        sheet.write_string(number, decision + 2, doubt["key"])
        offered = [_cell(word) for word in doubt["choices"] or () if word and "," not in word]
        if offered and sum(len(word) + 1 for word in offered) <= 255:
            sheet.data_validation(
                number,
                decision,
                number,
                decision,
                {"validate": "list", "source": offered, "error_type": "information"},
            )
    if doubts:
        sheet.autofilter(0, 0, len(doubts), len(HEADINGS) - 1)


def _write_remarks(
    sheet: Any, rest: Mapping[tuple[str, str], Mapping[str, str]], bold: Any, wrap: Any
) -> None:
    """Remarks on doubts that are on no other sheet; they go back there with their doubt."""
    sheet.freeze_panes(1, 0)
    _print_on_one_width(sheet)
    for column, (heading, width) in enumerate(
        zip(REMARK_HEADINGS, (16, 52, 34, 40, 14), strict=True)
    ):
        sheet.write_string(0, column, heading, bold)
        sheet.set_column(column, column, width)
    kept = sorted((pair, row) for pair, row in rest.items() if row.get("remark"))
    for number, ((kind, key), row) in enumerate(kept, start=1):
        cells = (kind, row.get("found", ""), row.get("where", ""), row["remark"], key)
        for column, cell in enumerate(cells):
            sheet.write_string(number, column, _cell(cell), wrap)


def _print_on_one_width(sheet: Any) -> None:
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _lines(cells: Sequence[str]) -> int:
    """Lines that the longest cell needs; not every spreadsheet program fits rows by itself."""
    return min(
        max(1, *(-(-len(cell) // width) for cell, width in zip(cells, WIDTHS, strict=False))), 8
    )


def _write_decisions(
    sheet: Any,
    repairs: Sequence[Mapping[str, Any]],
    undone: set[tuple[str, str]],
    bold: Any,
    wrap: Any,
    fill: Any,
) -> None:
    sheet.freeze_panes(1, 0)
    _print_on_one_width(sheet)
    for column, heading in enumerate(DECISION_HEADINGS):
        sheet.write_string(0, column, heading, bold)
        sheet.set_column(column, column, 24)
    for number, repair in enumerate(repairs, start=1):
        for column, heading in enumerate(DECISION_HEADINGS[:-1]):
            sheet.write_string(number, column, _cell(str(repair.get(heading) or "")), wrap)
        undo = (str(repair["kind"]), _cell(str(repair["key"]))) in undone
        sheet.write_string(number, len(DECISION_HEADINGS) - 1, "yes" if undo else "", fill)
    if repairs:
        column = len(DECISION_HEADINGS) - 1
        sheet.data_validation(
            1, column, len(repairs), column, {"validate": "list", "source": ["yes"]}
        )


def _cell(text: str) -> str:
    """Text that a workbook can hold: no control characters, at most 32,000 letters."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() or c in "\n\t" else "\ufffd" for c in text)
    return text[:32_000]


def filled_in(path: Path, allowed: Mapping[str, Sequence[str]]) -> Iterator[dict[str, Any]]:
    """Decisions filled into the workbook: kind, key, meaning, remark, and ``undo``.

    Those known already come without a meaning, with their remark as it now stands.

    Parameters
    ----------
    path : Path
        The workbook.
    allowed : mapping
        Kinds whose decision is one of a few words.
    """
    for row, sheet, number in _rows(path):
        yield from _decision(row, sheet, number, path.name, allowed)


def place_of(path: Path, kind: str, key: str) -> tuple[str, int | None]:
    """Sheet and row in which a decision is filled in."""
    for row, sheet, number in _rows(path):
        if sheet in SHEETS and (row["kind"], row["key"]) == (kind, key) and row["decision"]:
            return f"{path.name}, sheet {sheet}", number
    return path.name, None


def _typed(path: Path) -> tuple[dict[tuple[str, str], dict[str, str]], set[tuple[str, str]]]:
    """Rows of the workbook with a decision or a remark, by doubt, and decisions to undo."""
    typed, undone = {}, set()
    for row, sheet, _ in _rows(path):
        pair = (row["kind"], row["key"])
        if sheet == DECISIONS:
            if _is_yes(row["undo"]):
                undone.add(pair)
                if row["remark"]:
                    typed[pair] = {"found": row["key"], "remark": row["remark"]}
        elif row.get("decision") or row["remark"]:
            typed[pair] = row
    return typed, undone


def _rows(path: Path) -> Iterator[tuple[dict[str, str], str, int]]:
    """Each row of the workbook by heading, with its sheet and number."""
    import python_calamine

    from yieldkit.records.workbook import check_packed

    try:
        data = path.read_bytes()
        check_packed(data, path.name)
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except (python_calamine.CalamineError, CrewError, OSError) as error:
        raise CrewError(
            "the doubts list cannot be read",
            file=path.name,
            remedy="Close it in the spreadsheet program, or delete it: it is written anew.",
        ) from error
    for name in book.sheet_names:
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        if not rows:
            continue
        if name not in _READ:
            if set(HEADINGS) <= {str(cell).strip() for cell in rows[0]}:
                raise CrewError(
                    "the doubts list has no such sheet",
                    file=path.name,
                    found=name,
                    wanted=", ".join(SHEETS),
                    remedy="Give it its name back, or delete it.",
                )
            continue
        headings = [str(cell).strip() for cell in rows[0]]
        wanted = _READ[name]
        for heading in wanted:
            if heading not in headings:
                raise CrewError(
                    "a column of the doubts list is gone",
                    file=f"{path.name}, sheet {name}",
                    wanted=heading,
                    remedy="Put its heading back, or delete the workbook: it is written anew.",
                )
        for number, cells in enumerate(rows[1:], start=2):
            yield dict(zip(headings, (_text(cell) for cell in cells), strict=False)), name, number


def _is_yes(cell: str) -> bool:
    return cell.lower() in ("yes", "y", "x")


def _decision(
    row: Mapping[str, str], sheet: str, number: int, file: str, allowed: Mapping[str, Sequence[str]]
) -> Iterator[dict[str, Any]]:
    if sheet == DECISIONS:
        pair = {"kind": row["kind"], "key": row["key"]}
        yield pair | {"undo": _is_yes(row["undo"]), "remark": row["remark"]}
    if sheet not in SHEETS:
        return
    meaning = row["decision"]
    if not meaning:
        return
    if not row["kind"] or not row["key"]:
        raise CrewError(
            "the kind or the key of this decision is gone, so nobody knows what it is about",
            file=f"{file}, sheet {sheet}",
            row=number,
            found=meaning,
            remedy="Undo the change, or empty the decision: the row is written anew.",
        )
    words = allowed.get(row["kind"])
    if words is not None and meaning not in words:
        raise CrewError(
            "no such decision",
            file=f"{file}, sheet {sheet}",
            row=number,
            column="decision",
            found=meaning,
            wanted=" or ".join(words),
            remedy="Choose one from the list in that cell.",
        )
    yield {
        "kind": row["kind"],
        "key": row["key"],
        "meaning": meaning,
        "remark": row["remark"],
        "undo": False,
    }


def _text(cell: Any) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip() if cell is not None else ""
