"""One file and its layout to typed rows; every row is typed, or refused with its reason."""

from __future__ import annotations

import datetime as dt
import fnmatch
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from yieldkit.errors import CrewError
from yieldkit.records.bodies import Body, Header, body_of, find_header
from yieldkit.records.cells import Cells
from yieldkit.records.columns import whole
from yieldkit.records.dates import times
from yieldkit.records.declared import Layout, keys_of
from yieldkit.records.fingerprints import fingerprints
from yieldkit.records.parsed import NOT_NAMED, PARSED, Parsed, coded_schema
from yieldkit.records.parts import MACHINE, continues, parts_of
from yieldkit.records.patterns import LONGEST, sought
from yieldkit.records.reading import (
    CONTROL,
    MAX_LINE,
    Rows,
    kind_of,
    lengths,
    reads_alike,
    text_rows,
)
from yieldkit.records.typing_cells import (
    Typed,
    cells_of,
    date_column,
    loss_columns,
    number_column,
    outcome_columns,
    plain_text,
    rows_of,
    when_columns,
    word_columns,
)
from yieldkit.records.wide import reading_columns, ribbon_rows, value_columns

REFUSED_SCHEMA = pa.schema(
    [
        ("sheet", pa.string()),
        ("source_row", pa.int64()),
        ("column", pa.string()),
        ("found", pa.string()),
        ("reason", pa.string()),
        ("text", pa.string()),
        ("counter", pa.int64()),
        ("splicer_text", pa.string()),
    ]
)
NEEDED = {
    "attempts": (("when", "counter"),),
    "rework": (("when",), ("place", "panel", "port", "job", "cause", "disposition", "step")),
    "measurements": (("place", "panel", "port", "when"),),
    "kit_use": (("when",), ("technician",)),
    "planned": (("job",), ("port", "place", "ports")),
    "jobs": (("job",),),
    "service": (("when",), ("unit",)),
    "stock": (("part",), ("quantity",)),
    "checks": (("when",), ("check", "unit")),
    "decisions": (("decision",),),
}
"""Keys that a row needs: one of each group."""
_SPECIAL = {
    *("when_shown", "when_text", "loss_text", "loss_db", "loss_mark", "loss_step"),
    *("value_text", "value", "value_mark", "value_step", "outcome_text", "error", "reached_arc"),
    *("step_text", "step", "cause_text", "cause", "disposition_text", "disposition"),
    *("result", "after_cleaning", "part_of_day", "sheet", "source_row", "fingerprint"),
}
"""Columns that are not filled one by one."""


def parse(data: bytes, name: str, layout: Layout, apart: Apart | None = None) -> Parsed:
    """Read one file with one layout.

    Parameters
    ----------
    data : bytes
        The file as it came.
    name : str
        Its name; some files name their machine only there.
    layout : Layout
        As declared.
    apart : Apart, optional
        The file, where it was taken apart already.

    Returns
    -------
    Parsed
        Every data row is in ``rows`` (once or more) or in ``refused`` (once).

    Raises
    ------
    CrewError
        If the file cannot be read at all, or lacks the layout's headings or sheets.
    """
    found = (apart or Apart(data, name)).bodies(layout)
    if not found:
        raise CrewError(
            f'the headings of layout "{layout.name}" are not in this file',
            file=name,
            wanted=", ".join(str(heading) for heading in layout.needed[:6]),
            remedy="Run `yieldkit layout` on the file to see what it holds.",
        )
    parts, refused, said_by_part = [], [], []
    words: dict[str, list[str]] = {}
    try:
        for rows, header in found:
            for typed, kept, said in _parts(rows, header, layout, name):
                parts.append(typed)
                refused.append(kept)
                said_by_part.append(said)
                words |= _words(typed.schema.metadata)
    except CrewError as error:  # a pattern does not know in which file it is sought
        raise replace(error, file=name) from None
    table = parts[0].replace_schema_metadata(None)
    if len(parts) > 1:
        table = pa.concat_tables(parts).unify_dictionaries().combine_chunks()
    lost = pa.concat_tables(refused)
    table = table.set_column(
        table.schema.get_field_index("fingerprint"),
        "fingerprint",
        _fingerprinted(layout.table, table),
    )
    several = bool(layout.ribbon or layout.readings)
    typed_rows = _source_rows(table) if several else table.num_rows
    count = typed_rows + lost.num_rows
    furniture = _furniture(layout, said_by_part)
    if words:
        furniture["unknown_words"] = words
    return Parsed(layout.name, layout.table, table, lost, count, furniture)


@dataclass(frozen=True, eq=False)
class Apart:
    """A file taken apart, once for all layouts that do it alike.

    Parameters
    ----------
    data : bytes
        The file as it came.
    name : str
        Its name.
    """

    data: bytes
    name: str
    _taken: dict[tuple[str, ...], list[Rows]] = field(default_factory=dict, repr=False)

    @cached_property
    def kind(self) -> str:
        """``text``, ``zip`` or ``ole``; see ``kind_of``."""
        return kind_of(self.data, self.name)

    def bodies(self, layout: Layout) -> list[tuple[Rows, Header]]:
        """Sheets of the file that have the layout's headings; empty if none has."""
        if (self.kind == "text") == (layout.format == "workbook"):
            return []
        return _fitting_sheets(self._rows(layout), self.name, layout)

    def _rows(self, layout: Layout) -> list[Rows]:
        """Lines of a text, or the sheets of a workbook."""
        if self.kind != "text":
            from yieldkit.records.workbook import sheets

            if () not in self._taken:
                self._taken[()] = sheets(self.data, self.name, self.kind)
            return self._taken[()]
        quote = "" if layout.format == "fixed" else layout.quote
        if quote.isascii() and quote.encode() not in self.data:
            quote = ""  # no lines are to be joined
        encoding = "utf-8" if reads_alike(self.data, layout.encoding) else layout.encoding
        key = (encoding, layout.delimiter if quote else "", quote)
        if key not in self._taken:
            self._taken[key] = [text_rows(self.data, *key)]
        return self._taken[key]


def _fitting_sheets(found: list[Rows], name: str, layout: Layout) -> list[tuple[Rows, Header]]:
    """Sheets of a workbook that have the layout's headings."""
    wanted = found if layout.format != "workbook" else _wanted_sheets(found, name, layout)
    headed = [(rows, find_header(rows, layout)) for rows in wanted if len(rows.lines)]
    return [(rows, header) for rows, header in headed if header is not None]


def _wanted_sheets(found: list[Rows], name: str, layout: Layout) -> list[Rows]:
    if not layout.sheets:
        return found
    wanted = [
        rows for rows in found if any(fnmatch.fnmatch(rows.sheet, one) for one in layout.sheets)
    ]
    if not wanted:
        raise CrewError(
            f'the workbook has no sheet that layout "{layout.name}" asks for',
            file=name,
            found=", ".join(rows.sheet for rows in found),
            wanted=", ".join(layout.sheets),
            remedy="Mend `sheets` in the layout, or leave it out to take every sheet that fits.",
        )
    return wanted


def said_by(patterns: dict[str, str], texts: Sequence[str]) -> dict[str, str]:
    """First match of each pattern; its first group, if it has one."""
    found = {}
    for key, pattern in patterns.items():
        for text in texts:
            match = sought(pattern, CONTROL.sub("\ufffd", text[:LONGEST]))
            if match:
                said = (match[1] if match.groups() else match[0]) or ""
                found[key] = said.strip().strip('";,')
                break
    return found


def _parts(
    rows: Rows, header: Header, layout: Layout, name: str
) -> Iterator[tuple[pa.Table, pa.Table, dict[str, str]]]:
    """Typed and refused rows of each download in a text file or sheet, and what it says of itself.

    A part that names no machine is of the machine before it where its records run on; else of one
    that is not named, never of the first.
    """
    by_name = said_by(layout.file_name, [name])
    machine = [k for k in MACHINE if k in {*layout.preamble, *layout.file_name}]
    asked = bool(machine) and not set(MACHINE) & {*layout.columns, *layout.constants}
    before: pa.Table | None = None
    said = by_name
    for number, part in enumerate(parts_of(rows, header, layout)):
        own = said_by(layout.preamble, part.above)
        body = body_of(part.rows, part.header, layout, part.aside, part.joined)
        named = any(key in own for key in machine)
        if not number or (asked and named):
            rest = by_name if not number else _without(by_name, MACHINE)
            said = rest | own
        elif not asked:
            said = by_name | (own or said)
        else:
            typed, _ = _typed(body, _with(layout, said | own))
            if before is not None and continues(before, typed):
                said = said | own
            else:
                where = f"{part.rows.sheet}, " if part.rows.sheet else ""
                unnamed = f"{NOT_NAMED}{name}, {where}from row {part.header.row + 2}"
                said = _without(by_name, MACHINE) | own | {"splicer": unnamed}
        typed, refused = _typed(body, _with(layout, said))
        if typed.num_rows:
            before = typed
        yield typed, refused, said


def _without(said: dict[str, str], keys: Sequence[str]) -> dict[str, str]:
    return {key: value for key, value in said.items() if key not in keys}


def _with(layout: Layout, said: dict[str, str]) -> Layout:
    """Layout with what a part of a file says of itself as constants."""
    keys = set(keys_of(layout.table))
    mine = {key: value for key, value in said.items() if key in keys}
    return layout.model_copy(update={"constants": {**layout.constants, **mine}}) if mine else layout


def _furniture(layout: Layout, parts: Sequence[dict[str, str]]) -> dict[str, object]:
    """What the file says about itself, where all its parts agree."""
    found: dict[str, object] = {}
    units = {said.get("splicer", layout.constants.get("splicer")) for said in parts}
    if len(units) == 1 and None not in units:
        found["unit"] = units.pop()
    stamps = [said["downloaded"] for said in parts if "downloaded" in said]
    read = times(pa.array(stamps, pa.string()), layout.dates)
    if len(stamps) == len(parts) and read.read.all():
        newest = int(max(read.ms.tolist()))
        found["downloaded"] = dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=newest)
    if len(parts) == 1 and parts[0].get("rows", "").isdigit():
        found["rows_said"] = int(parts[0]["rows"])
    return found


def _typed(body: Body, layout: Layout) -> tuple[pa.Table, pa.Table]:
    """Typed rows and refused rows of one body."""
    typed = Typed(body, layout, len(body.source_row), bad=dict(body.misshapen))
    long = np.flatnonzero(lengths(body.raw) > MAX_LINE)
    for row in long[pc.utf8_length(body.raw.take(pa.array(long))).to_numpy() > MAX_LINE].tolist():
        typed.bad[row] = ("", f"more than {MAX_LINE} characters", "the line is too long")
    _fill(typed)
    _needed(typed)
    good = np.ones(typed.n, dtype=bool)
    good[list(typed.bad)] = False
    spread = np.arange(typed.n)
    if layout.ribbon:
        spread = ribbon_rows(typed, good)
    elif layout.readings:
        spread = reading_columns(typed, good)
    refused = _refused(typed)
    good[list(typed.bad)] = False
    table = _table(typed, spread, good)
    words = {k.encode(): "\x1f".join(sorted(v)).encode() for k, v in typed.unknown_words.items()}
    return table.replace_schema_metadata(words or None), refused


def _words(metadata: dict[bytes, bytes] | None) -> dict[str, list[str]]:
    return {k.decode(): v.decode().split("\x1f") for k, v in (metadata or {}).items()}


def _fill(typed: Typed) -> None:
    """All columns that one source row gives once."""
    table = PARSED[typed.layout.table]
    for column in table.columns:
        key = column.name.removesuffix("_text")
        if column.name in _SPECIAL:
            continue
        if column.kind == "text":
            plain_text(typed, column, key)
        elif column.kind == "date":
            date_column(typed, column, key)
        elif column.kind in ("whole", "number"):
            number_column(typed, column, key)
    names = set(table.names)
    if "when_shown" in names:
        when_columns(typed)
    if "loss_db" in names and not typed.layout.ribbon:
        outcome_columns(typed, loss_columns(typed))
    word_columns(typed, table.name)
    if "value_text" in names and not typed.layout.readings:
        value_columns(typed)


def _needed(typed: Typed) -> None:
    """Refuse rows without what makes them a record; hidden lines of blanks are gone already."""
    for group in NEEDED[typed.layout.table]:
        keys = [key for key in group if _has(typed, key)]
        if not keys:
            continue
        filled = np.zeros(typed.n, dtype=bool)
        for key in keys:
            filled |= cells_of(typed, key).filled
        nothing = Cells.alike(None, typed.n)
        wanted = " or ".join(typed.body.heading(key) or key for key in keys)
        typed.refuse(~filled, keys[0], nothing, f"nothing under {wanted}")


def _has(typed: Typed, key: str) -> bool:
    return bool(typed.body.cells(key)) or key in typed.layout.constants


def _refused(typed: Typed) -> pa.Table:
    """Refused rows with their raw text."""
    rows = sorted(typed.bad)
    body = typed.body
    text = [
        (line or "")[:MAX_LINE] for line in body.raw.take(pa.array(rows, pa.int64())).to_pylist()
    ]
    reasons = [typed.bad[row] for row in rows]
    return pa.table(
        {
            "sheet": pa.array([body.sheet] * len(rows), pa.string()),
            "source_row": pa.array(body.source_row[rows] if rows else [], pa.int64()),
            "column": pa.array([one[0] for one in reasons], pa.string()),
            "found": pa.array([one[1][:500] for one in reasons], pa.string()),
            "reason": pa.array([one[2] for one in reasons], pa.string()),
            "text": pa.array(text, pa.string()),
            **_record_of(typed, rows),
        },
        schema=REFUSED_SCHEMA,
    )


def _record_of(typed: Typed, rows: list[int]) -> dict[str, pa.Array]:
    """Record number and machine of refused rows, where the row's cells can be told apart."""
    unsure = ("", typed.body.heading("counter"))
    clear = [None if typed.bad[row][0] in unsure else row for row in rows]
    found = {}
    for name in ("counter", "splicer_text"):
        kind = REFUSED_SCHEMA.field(name).type
        column = typed.columns.get(name)
        if isinstance(column, Cells):
            column = column.plain()
        if typed.layout.table != "attempts" or column is None:
            column = pa.nulls(typed.n, kind)
        found[name] = column.take(pa.array(clear, pa.int64())).cast(kind)
    return found


def _table(typed: Typed, spread: np.ndarray, good: np.ndarray) -> pa.Table:
    """Good rows in the table's schema; ``spread`` names the source row of each typed row."""
    schema = coded_schema(PARSED[typed.layout.table])
    keep = good[spread]
    rows = np.flatnonzero(keep)
    n = len(rows)
    columns = (
        typed.columns
        if keep.all()
        else {name: rows_of(column, rows) for name, column in typed.columns.items()}
    )
    columns = columns | {
        "sheet": Cells.alike(typed.body.sheet, n),
        "source_row": pa.array(typed.body.source_row[spread[rows]], pa.int64()),
    }
    arrays = []
    for wanted in schema:
        column = columns.get(wanted.name)
        if isinstance(column, Cells):
            coded = pa.types.is_dictionary(wanted.type)
            column = column.array() if coded else column.plain()
        elif column is None:
            column = pa.nulls(n, wanted.type)
        arrays.append(column if column.type == wanted.type else column.cast(wanted.type))
    return pa.Table.from_arrays(arrays, schema=schema)


def _fingerprinted(name: str, table: pa.Table) -> pa.Array:
    columns = [whole(column) for column in table.columns]
    return fingerprints(name, dict(zip(table.column_names, columns, strict=True)), table.num_rows)


def _source_rows(table: pa.Table) -> int:
    """Distinct source rows."""
    pairs = table.select(["sheet", "source_row"])
    return int(pairs.group_by(["sheet", "source_row"]).aggregate([]).num_rows)
