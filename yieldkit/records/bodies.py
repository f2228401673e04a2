"""Where a file's data begin and end: headings found, furniture dropped, columns of text."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.records.cells import Cells
from yieldkit.records.declared import Heading, Layout
from yieldkit.records.furniture import Header, furniture_rows
from yieldkit.records.reading import HEAD, MAX_LINE, Rows, fields, split, without_control
from yieldkit.records.words import plain

_FREE = {"remark", "reason", "conditions"}


@dataclass(frozen=True, eq=False)
class Body:
    """Data rows of one sheet as columns of text, trimmed, null where empty.

    ``misshapen`` maps a row to (heading, found, reason) where its cells cannot be told apart.
    """

    sheet: str
    header: Header
    columns: list[Cells]
    source_row: np.ndarray
    raw: pa.StringArray
    misshapen: dict[int, tuple[str, str, str]] = field(default_factory=dict)

    def cells(self, key: str) -> list[Cells]:
        """Columns that a key of the layout names; empty if the file lacks them."""
        return [self.columns[place] for place in self.header.where.get(key, ())]

    def heading(self, key: str) -> str:
        """Heading of a key as the file shows it."""
        return " + ".join(self.header.names[place] for place in self.header.where.get(key, ()))


def head_cells(rows: Rows, layout: Layout) -> list[list[str]]:
    """Cells of the first rows."""
    return _head(rows, layout)[0]


def _head(rows: Rows, layout: Layout) -> tuple[list[list[str]], list[set[str]]]:
    """Cells of the first rows, and the words in them to compare by."""
    key = () if rows.cells is not None else (layout.delimiter, layout.quote)
    if key not in rows.heads:
        if rows.cells is not None:
            cells = rows.cells[:HEAD]
        else:
            lines = rows.lines.slice(0, HEAD).to_pylist()
            cells = [fields(line[:MAX_LINE], layout.delimiter, layout.quote) for line in lines]
        rows.heads[key] = cells, [{plain(cell) for cell in row} for row in cells]
    return rows.heads[key]


def find_header(rows: Rows, layout: Layout) -> Header | None:
    """Find the headings by content; ``None`` if a needed one is nowhere."""
    if layout.format == "fixed" or not layout.header_rows:
        return _placed(rows, layout)
    for word in layout.needed_words:
        if word not in rows.said and not (layout.quote and layout.quote in word):
            return None
    head, said = _head(rows, layout)
    for at in range(len(head) - layout.header_rows + 1):
        here = set().union(*said[at : at + layout.header_rows])
        if not layout.needed_words <= here:
            continue
        names = stacked(head[at : at + layout.header_rows], rows.merged, at)
        where = places(names, layout)
        if where is not None:
            width = len(names)
            while width and not names[width - 1]:
                width -= 1
            wide = max([width, *(p + 1 for found in where.values() for p in found)])
            return Header(at, layout.header_rows, tuple(names[:wide]), where)
    return None


def stacked(
    head: Sequence[Sequence[str]], merged: Sequence[tuple] = (), first: int = 0
) -> list[str]:
    """One heading a column from one to three rows, as ``upper / lower``.

    An upper heading reaches as far as it is merged, else over one empty cell right of it.
    """
    width = max(len(row) for row in head)
    rows = [[" ".join(cell.split()) for cell in row] + [""] * (width - len(row)) for row in head]
    for at, row in enumerate(rows[:-1]):
        reach = {
            column: left
            for (top, left), (bottom, right) in merged
            if top <= first + at <= bottom
            for column in range(left, right + 1)
            if right > left
        }
        shown = list(row)
        for column in range(1, width):
            if shown[column]:
                continue
            if reach:
                row[column] = shown[reach.get(column, column)]
            elif shown[column - 1] and rows[-1][column]:
                row[column] = shown[column - 1]
    names = []
    for column in range(width):
        parts = list(dict.fromkeys(row[column] for row in rows if row[column]))
        names.append(" / ".join(parts))
    return names


def places(names: Sequence[str], layout: Layout) -> dict[str, tuple[int, ...]] | None:
    """Columns of each key among headings; ``None`` if a needed one is missing."""
    known: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        known.setdefault(plain(name), []).append(place)
        if " / " in name:
            known.setdefault(plain(name.rsplit(" / ", 1)[1]), []).append(place)
    where: dict[str, tuple[int, ...]] = {}
    needed = set(layout.needed)
    for key, headings in layout.headings.items():
        found = [_place(heading, known, len(names)) for heading in headings]
        if any(p is None and h in needed for p, h in zip(found, headings, strict=True)):
            return None
        if key.startswith("ribbon.") or all(p is not None for p in found):
            where[key] = tuple(p for p in found if p is not None)
    return where


def _place(heading: Heading, known: dict[str, list[int]], width: int) -> int | None:
    """Column of a heading; ``Loss#2`` is the second of that name."""
    if isinstance(heading, int):
        return heading - 1 if heading <= width else None
    name, number = heading, 1
    match = re.fullmatch(r"(.+)#(\d)", heading)
    if match and plain(heading) not in known:
        name, number = match[1], int(match[2])
    found = known.get(plain(name), [])
    return found[number - 1] if len(found) >= number else None


def _placed(rows: Rows, layout: Layout) -> Header | None:
    """Columns by place: find the first data row and the usual width."""
    start = layout.header_rows
    if layout.starts_after:
        pattern = re.compile(layout.starts_after, re.I)
        head = rows.lines.slice(0, HEAD).to_pylist()
        start = next((i + 1 for i, line in enumerate(head) if pattern.search(line)), -1)
        if start < 0:
            return None
    if layout.format == "fixed":
        keys = layout.headings
        where: dict[str, tuple[int, ...]] = {}
        names: list[str] = []
        for key, spans in keys.items():
            where[key] = tuple(range(len(names), len(names) + len(spans)))
            names += [f"{key} {span}" for span in spans]
        return Header(start, 0, tuple(names), where)
    widths = [len(cells) for cells in head_cells(rows, layout)[start:] if any(cells)]
    if not widths:
        return None
    width = max(set(widths), key=widths.count)
    found = places([""] * width, layout)
    if found is None:
        return None
    return Header(start, 0, tuple(f"column {i + 1}" for i in range(width)), found)


def body_of(
    rows: Rows,
    header: Header,
    layout: Layout,
    aside: frozenset[int] = frozenset(),
    joined: Mapping[int, str] | None = None,
) -> Body:
    """Data rows below the headings, furniture left out, also the rows ``aside``.

    ``joined`` are rows on which another file goes on, with the reason for refusing them.
    """
    start = header.row + header.rows
    count = max(0, len(rows.lines) - start)
    lines = rows.lines.slice(start)
    numbers = np.arange(start + 1, start + 1 + count)
    kept = ~furniture_rows(rows, lines, start, header, layout)
    kept[[row - start for row in aside if start <= row < start + count]] = False
    if rows.cells is not None:
        body = _from_cells(rows, header, layout, start, kept)
    elif layout.format == "fixed":
        body = _from_fixed(lines, header, layout, kept, rows.ended)
    else:
        body = _from_lines(lines, header, layout, kept, rows.ended)
    cells, misshapen = body
    for at, why in (joined or {}).items():
        if start <= at < start + count and kept[at - start]:
            misshapen[int(kept[: at - start].sum())] = ("", lines[at - start].as_py()[-80:], why)
    raw = lines if kept.all() else lines.filter(pa.array(kept))
    if rows.odd:
        zero = pc.match_substring_regex(raw, "\\x00{8,}").to_numpy(zero_copy_only=False)
        for row in np.flatnonzero(zero):
            found = (raw[int(row)].as_py() or "")[:80].replace("\x00", "\u2400")
            misshapen[int(row)] = ("", found, "zero bytes lie over the row; download it again")
    cells = [_bare(column, rows.odd) for column in cells]
    for key in layout.fill_down:
        for place in header.where.get(key, ()):
            cells[place] = _filled_down(cells[place])
    return Body(rows.sheet, header, cells, numbers[kept], raw, misshapen)


def _bare(cells: Cells, odd: bool) -> Cells:
    """Cells without blanks around and control characters; nothing where no sign is left."""
    words = without_control(cells.words) if odd else cells.words
    cells = cells.respelt(pc.utf8_trim_whitespace(words))
    cells = cells.without(cells.sizes == 0)
    if pc.any(pc.starts_with(cells.words, '="')).as_py():  # how sheets are made to keep zeros
        return cells.respelt(pc.replace_substring_regex(cells.words, r'^="([^"]*)"$', r"\1"))
    return cells


def _filled_down(cells: Cells) -> Cells:
    """Cells with what stands above them where nothing does."""
    last = np.maximum.accumulate(np.where(cells.filled, np.arange(len(cells)), -1))
    return cells.take(last).where(last >= 0)


def _from_lines(
    lines: pa.StringArray, header: Header, layout: Layout, kept: np.ndarray, ended: bool
) -> tuple[list[Cells], dict[int, tuple[str, str, str]]]:
    """Columns of a delimited text; rows of another shape are mended or named."""
    last = len(lines) - 1 if not ended else -1
    rows = np.flatnonzero(kept)
    lines = lines if kept.all() else lines.filter(pa.array(kept))
    columns, others = split(lines, header.width, layout.delimiter, layout.quote)
    misshapen: dict[int, tuple[str, str, str]] = {}
    mended: dict[int, list[str]] = {}
    free = set(range(header.width)) - {
        p for key, found in header.where.items() if key not in _FREE for p in found
    }
    lengths = [len(cells) for row, cells in others.items() if int(rows[row]) != last]
    for row, cells in others.items():
        cut = int(rows[row]) == last and len(cells) not in lengths
        found = fitted(cells, header, free, cut)
        if isinstance(found, str):
            misshapen[row] = ("", f"{len(cells)} cells", found)
        else:
            mended[row] = found
    if not ended and len(rows) and int(rows[-1]) == last and len(rows) - 1 not in misshapen:
        _cut_last(columns, mended, header, len(rows) - 1, misshapen, free)
    if mended:
        columns = _put(columns, mended)
    return columns, misshapen


def fitted(cells: list[str], header: Header, free: set[int], cut: bool) -> list[str] | str:
    """Cells of a row brought to the headings' width, or the reason why they cannot be."""
    width = header.width
    if len(cells) > width and not any(cell.strip() for cell in cells[width:]):
        cells = cells[:width]
    if len(cells) == width:
        return cells
    if cut:
        return f"the last line is cut off; wanted {width} cells; download the file again"
    if len(cells) < width and all(place in free for place in range(len(cells), width)):
        return cells + [""] * (width - len(cells))
    return f"the row has another number of cells than the headings; wanted {width}"


def _cut_last(
    columns: list[Cells],
    mended: dict[int, list[str]],
    header: Header,
    row: int,
    misshapen: dict[int, tuple[str, str, str]],
    free: set[int],
) -> None:
    """A last line without line end may be cut within its last cell: compare with the others."""
    place = header.width - 1
    if place in free or row < 3:
        return
    cell = mended[row][place] if row in mended else columns[place].at(row)
    lengths = pc.min_max(pc.utf8_length(columns[place].take(np.arange(row)).used().words))
    if cell is not None and lengths["min"].is_valid and len(cell) < lengths["min"].as_py():
        misshapen[row] = (header.names[place], cell, "the last line is cut off in this cell")


def _put(columns: list[Cells], mended: dict[int, list[str]]) -> list[Cells]:
    """Columns with the mended rows in their places."""
    rows = np.array(list(mended))
    texts = [pa.array(cells, pa.string()) for cells in zip(*mended.values(), strict=True)]
    return [column.put(rows, text) for column, text in zip(columns, texts, strict=True)]


def _from_fixed(
    lines: pa.StringArray, header: Header, layout: Layout, kept: np.ndarray, ended: bool
) -> tuple[list[Cells], dict[int, tuple[str, str, str]]]:
    """Columns of a fixed-width text."""
    last = len(lines) - 1 if not ended else -1
    rows = np.flatnonzero(kept)
    lines = lines.filter(pa.array(kept))
    spans = [tuple(str(s).split("-")) for found in layout.headings.values() for s in found]
    columns = [
        Cells.of(pc.utf8_slice_codeunits(lines, int(a) - 1, int(b) if b else None))
        for a, b in spans
    ]
    needed = [
        int(str(s).split("-")[0])
        for key, found in layout.headings.items()
        if key not in _FREE and key not in layout.optional
        for s in found
    ]
    length = pc.utf8_length(lines).to_numpy(zero_copy_only=False)
    misshapen = {}
    for row in np.flatnonzero(length < max(needed)):
        cut = int(rows[row]) == last
        if cut or length[row] < min(sorted(needed)[1:2] or needed):
            why = "the last line is cut off" if cut else "the line is too short"
            misshapen[int(row)] = ("", f"{length[row]} characters", f"{why}; wanted {max(needed)}")
    return columns, misshapen


def _from_cells(
    rows: Rows, header: Header, layout: Layout, start: int, kept: np.ndarray
) -> tuple[list[Cells], dict[int, tuple[str, str, str]]]:
    """Columns of a sheet: merged cells filled, real numbers written with the declared mark."""
    assert rows.cells is not None  # noqa: S101  (told by the caller)
    grid = [list(row) + [""] * (header.width - len(row)) for row in rows.cells[start:]]
    for (top, left), (bottom, right) in rows.merged:
        if bottom > top >= start and right - left < max(2, header.width // 2):
            for row in range(top - start, min(bottom - start + 1, len(grid))):
                for column in range(left, min(right + 1, header.width)):
                    grid[row][column] = grid[row][column] or grid[top - start][left]
    shown = _decimals(rows, grid, header, start)
    columns = []
    for column in range(header.width):
        out = []
        for row, cells in enumerate(grid):
            cell = cells[column]
            if (row + start, column) in rows.real:
                cell = _as_shown(cell, shown.get(column, 0)).replace(".", layout.decimal)
            out.append(cell)
        columns.append(Cells.of(pa.array(out, pa.string()).filter(pa.array(kept))))
    return columns, {}


def _decimals(rows: Rows, grid: list[list[str]], header: Header, start: int) -> dict[int, int]:
    """Decimals of each column's real numbers: a sheet keeps 0.1 where 0.10 was shown."""
    most: dict[int, int] = {}
    for row, column in rows.real:
        if row >= start and column < header.width:
            decimals = len(grid[row - start][column].partition(".")[2])
            if decimals <= 4:
                most[column] = max(most.get(column, 0), decimals)
    return most


def _as_shown(cell: str, decimals: int) -> str:
    """A real number with its column's decimals; ids and counters stay whole."""
    whole, _, after = cell.partition(".")
    if "e" in cell or len(after) > 4 or not decimals:
        return cell
    return f"{whole}.{after.ljust(decimals, '0')}"
