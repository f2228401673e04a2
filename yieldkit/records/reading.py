"""Bytes to lines of text or rows of a workbook, within bounded memory; no meaning yet."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from yieldkit.errors import CrewError
from yieldkit.records.cells import Cells
from yieldkit.records.words import folded

MAX_BYTES = 256 * 2**20
"""Largest file taken in; a crew's year of exports is below a tenth of it."""
HEAD = 80
"""Rows among which the headings are looked for."""
MAX_LINE = 2**20
"""Longest line read as a row; a longer one is refused, its beginning kept."""
CONTROL = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]"
)
_RE2_CONTROL = (
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\x{2028}\x{2029}"
    r"\x{202a}-\x{202e}\x{2066}-\x{2069}\x{feff}]"
)
_QUOTED_LINES = 60
UTF32 = (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")
"""Byte-order marks of UTF-32."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of a text file or of one sheet as they came.

    Parameters
    ----------
    sheet : str
        Name of the sheet; empty for text files.
    lines : pyarrow.StringArray
        Raw text of each row, the first row of the file first.
    cells : list of list of str, optional
        Cells of a workbook's rows, real dates in ISO form and real numbers with a point.
    real : set, optional
        Places (row, column) of a workbook's real numbers.
    merged : tuple of ((row, column), (row, column))
        Merged ranges of a workbook, corners included, from 0.
    ended : bool
        Whether the last line had its line end.
    odd : bool
        Whether control characters occur anywhere.
    heads : dict
        First rows taken apart already, by delimiter and quote: many layouts look at them.
    """

    sheet: str
    lines: pa.StringArray
    cells: list[list[str]] | None = None
    real: frozenset[tuple[int, int]] = frozenset()
    merged: tuple[tuple[tuple[int, int], tuple[int, int]], ...] = ()
    ended: bool = True
    odd: bool = False
    heads: dict[tuple[str, ...], tuple[list[list[str]], list[set[str]]]] = field(
        default_factory=dict, repr=False
    )

    @cached_property
    def said(self) -> str:
        """All that the first rows say, to tell quickly what they do not."""
        if self.cells is not None:
            return folded(" ".join(cell for row in self.cells[:HEAD] for cell in row))
        return folded(" ".join(line[:MAX_LINE] for line in self.lines.slice(0, HEAD).to_pylist()))


def load(path: Path) -> bytes:
    """Bytes of a file, refused before reading when it is too large.

    Raises
    ------
    CrewError
        If it is larger than ``MAX_BYTES``.
    """
    check_size(path.stat().st_size, path.name)
    return path.read_bytes()


def check_size(size: int, name: str) -> None:
    """Refuse what is empty or too large for one file."""
    if size == 0:
        raise CrewError("the file is empty", file=name, remedy="Download it again, or delete it.")
    if size > MAX_BYTES:
        raise CrewError(
            f"the file has {size / 2**20:.0f} MB; {MAX_BYTES // 2**20} MB are taken at once",
            file=name,
            remedy="Split it by month, or check that it is an export at all.",
        )


def kind_of(data: bytes, name: str) -> str:
    """``text``, ``zip`` (XLSX, ODS) or ``ole`` (XLS) by the first bytes.

    Raises
    ------
    CrewError
        If the file is empty, too large, or neither text nor a workbook.
    """
    check_size(len(data), name)
    if data[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        return "zip"
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        return "ole"
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:4] in UTF32 or utf16(data):
        return "text"
    head = data[:65536]
    control = len(head) - len(head.translate(None, bytes((*range(9), *range(14, 32), 127))))
    known = (
        b"%PDF",
        b"\x89PNG",
        b"\xff\xd8\xff",
        b"GIF8",
        b"\x1f\x8b",
        b"Rar!",
        b"7z\xbc\xaf",
        b"MZ",
    )
    if head.startswith(known) or control > 0.3 * len(head):
        raise CrewError(
            "this is neither text nor a workbook",
            file=name,
            remedy="Export the records as CSV or XLSX and put that file in instead.",
        )
    return "text"


def utf16(data: bytes) -> str | None:
    """The byte order of UTF-16 without a mark: every other byte of the beginning is zero."""
    head = data[:4000]
    if len(head) < 8:
        return None
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.7 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.1 * half:
        return "utf-16-be"
    return None


def reads_alike(data: bytes, encoding: str) -> bool:
    """Whether the bytes read as they do in UTF-8: what they say themselves beats ``encoding``."""
    marked = data.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", *UTF32))
    return marked or utf16(data) is not None or (data.isascii() and _holds_ascii(encoding))


@lru_cache(maxsize=64)
def _holds_ascii(encoding: str) -> bool:
    """Whether ASCII means itself in an encoding: nearly all are so."""
    signs = bytes(range(128)) + b"\x1b$B0!"  # where such a shift to other signs means nothing
    return signs.decode(encoding, errors="replace") == signs.decode("ascii")


def decode(data: bytes, encoding: str) -> str:
    """Text of the bytes; a byte-order mark beats the declared encoding, bad bytes become U+FFFD."""
    if data[:3] == b"\xef\xbb\xbf":
        return data[3:].decode("utf-8", errors="replace")
    if data[:4] in UTF32:
        return data.decode("utf-32", errors="replace")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    return data.decode(utf16(data) or encoding, errors="replace")


def text_rows(data: bytes, encoding: str, delimiter: str = "", quote: str = '"') -> Rows:
    """Rows of a text file: its lines, those with a quoted line break joined.

    Parameters
    ----------
    data : bytes
        The file.
    encoding : str
        As declared.
    delimiter, quote : str
        As declared; without a quoting character no lines are joined.
    """
    if data.isascii() and _holds_ascii(encoding) and not utf16(data):
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        return _ascii_rows(data, delimiter, quote)
    text = decode(data, encoding)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\ufeff" in text:
        text = _marks_within(text)
    ended = text.endswith("\n")
    odd = CONTROL.search(text) is not None
    whole = pa.array([text[:-1] if ended else text], pa.string())
    lines = _shortened(pc.split_pattern(whole, "\n").flatten())
    if quote and quote in text:
        lines = _joined(lines, delimiter, quote)
    return Rows("", lines, ended=ended, odd=odd)


def _marks_within(text: str) -> str:
    """Text without the byte-order marks of files put behind the first; a line begins at each.

    Within a line a mark counts only where what follows begins as the first file does.
    """
    lead = text[:3]
    if "\n" not in lead:
        text = re.sub(rf"(?<!\n)\ufeff(?={re.escape(lead)})", "\n", text)
    return text.replace("\n\ufeff", "\n")


def _ascii_rows(data: bytes, delimiter: str, quote: str) -> Rows:
    """As ``text_rows``, without decoding: most exports are plain ASCII."""
    ended = data.endswith(b"\n")
    offsets = pa.py_buffer(np.array([0, len(data) - ended], dtype=np.int32))
    whole = pa.StringArray.from_buffers(1, offsets, pa.py_buffer(data))
    lines = pc.split_pattern(whole, "\n").values
    ends = len(lines) - 1 + ended + data.count(b"\t")
    below = np.count_nonzero(np.frombuffer(data, dtype=np.uint8) < ord(" "))
    lines = _shortened(lines)
    if quote and quote.encode() in data:
        lines = _joined(lines, delimiter, quote)
    return Rows("", lines, ended=ended, odd=bool(below > ends) or b"\x7f" in data)


def _shortened(lines: pa.StringArray) -> pa.StringArray:
    """Lines, those that are too long cut off just behind the longest that is read."""
    if (pc.max(pc.binary_length(lines)).as_py() or 0) <= MAX_LINE:
        return lines
    return pc.utf8_slice_codeunits(lines, 0, MAX_LINE + 1)


def _joined(lines: pa.StringArray, delimiter: str, quote: str) -> pa.StringArray:
    """Join lines on which a quoted cell stays open.

    Only where the joined line then has as many cells as most lines: a stray quote must not
    swallow the rows after it.
    """
    uneven = pc.bit_wise_and(pc.count_substring(lines, quote), 1).to_numpy(zero_copy_only=False)
    suspects = np.flatnonzero(uneven)
    if not len(suspects):
        return lines
    usual = _usual_width(lines, delimiter, quote)
    found = lines.to_pylist()
    kept: list[str] = []
    at = 0
    for place, start in enumerate(suspects[:-1]):
        stop = int(suspects[place + 1])
        if start < at or stop - start > _QUOTED_LINES:
            continue
        one = "\n".join(found[start : stop + 1])
        if len(one) > MAX_LINE or len(fields(one, delimiter, quote)) != usual:
            continue
        kept += [*found[at:start], one]
        at = stop + 1
    return pa.array(kept + found[at:], pa.string())


def _usual_width(lines: pa.StringArray, delimiter: str, quote: str) -> int:
    """Cells that most lines have, of the first thousand whose quotes close."""
    even = [line for line in lines.slice(0, 1000).to_pylist() if line.count(quote) % 2 == 0]
    widths = [len(fields(line, delimiter, quote)) for line in even if line.strip()]
    return max(set(widths), key=widths.count) if widths else 1


def fields(line: str, delimiter: str, quote: str = '"') -> list[str]:
    """Cells of one line; a quote that is never closed is an ordinary character."""
    if not delimiter:
        return [line]
    if not quote or quote not in line:
        return re.split(r"\s+", line.strip()) if delimiter == " " else line.split(delimiter)
    cells, at = [], 0
    sign = re.escape(quote)
    whole = re.compile(
        rf"\s*{sign}((?:[^{sign}]|{sign}{sign})*){sign}\s*(?={re.escape(delimiter)}|$)"
    )
    while True:
        match = whole.match(line, at)
        if match:
            cells.append(match[1].replace(quote * 2, quote))
            at = match.end()
        else:
            stop = line.find(delimiter, at)
            stop = len(line) if stop < 0 else stop
            cells.append(line[at:stop])
            at = stop
        if at >= len(line):
            return cells
        at += len(delimiter)


_FEW = 100
"""Places of a text up to which it is quicker to look for them one by one."""


def rows_with(lines: pa.StringArray, text: str) -> np.ndarray:
    """Rows in which ``text`` stands; quick where they are few."""
    offsets, data = _buffers(lines)
    sought, whole = text.encode(), data.tobytes()
    found: list[int] = []
    at = whole.find(sought)
    for _ in range(_FEW):
        if at < 0:
            return np.array(found, dtype=np.int64)
        row = int(np.searchsorted(offsets, at, side="right")) - 1
        end = int(offsets[row + 1])
        inside = at + len(sought) <= end  # else it runs over a line's end
        found += [row] if inside else []
        at = whole.find(sought, end if inside else at + 1)
    return np.flatnonzero(pc.match_substring(lines, text).to_numpy(zero_copy_only=False))


def first_signs(lines: pa.StringArray) -> np.ndarray:
    """First byte of each line; a line end where the line is empty."""
    offsets, data = _buffers(lines)
    signs = np.append(data, np.uint8(ord("\n")))[offsets[:-1]]
    return np.where(np.diff(offsets) > 0, signs, np.uint8(ord("\n")))


def begins_with_digit(lines: pa.StringArray) -> np.ndarray:
    """Whether each line begins with a digit from 0 to 9."""
    first = first_signs(lines)
    return (first >= ord("0")) & (first <= ord("9"))


def lengths(lines: pa.StringArray) -> np.ndarray:
    """Bytes of each line."""
    return np.diff(_buffers(lines)[0])


def _buffers(lines: pa.StringArray) -> tuple[np.ndarray, np.ndarray]:
    """Where each line begins and the last one ends, and the bytes of all lines."""
    _, starts, data = lines.buffers()
    if data is None or not len(lines):
        return np.zeros(len(lines) + 1, dtype=np.int32), np.zeros(0, dtype=np.uint8)
    offsets = np.frombuffer(starts, dtype=np.int32)[lines.offset : lines.offset + len(lines) + 1]
    signs = np.frombuffer(data, dtype=np.uint8)[offsets[0] : offsets[-1]]
    return offsets - offsets[0], signs


def split(
    lines: pa.StringArray, width: int, delimiter: str, quote: str
) -> tuple[list[Cells], dict[int, list[str]]]:
    """Columns of the regular lines, and the cells of the others by their row.

    Parameters
    ----------
    lines : pyarrow.StringArray
        Data lines.
    width : int
        Cells wanted.
    delimiter, quote : str
        As declared.

    Returns
    -------
    columns : list of Cells, shape (width, len(lines))
        Nothing where the line is not regular.
    others : dict
        Row to cells for lines with quotes or with another number of cells.
    """
    regular = _plain_ones(lines, width, delimiter, quote)
    rows = np.flatnonzero(regular)
    part = lines if len(rows) == len(lines) else lines.take(pa.array(rows))
    columns, uneven = _columns(part, width, delimiter)
    regular[rows[uneven]] = False
    if not regular.all():
        columns = [column.spread(regular) for column in columns]
    rest = np.flatnonzero(~regular)
    others = {
        int(row): fields(line, delimiter, quote)
        for row, line in zip(rest, lines.take(pa.array(rest)).to_pylist(), strict=True)
    }
    return columns, others


def _plain_ones(lines: pa.StringArray, width: int, delimiter: str, quote: str) -> np.ndarray:
    """Lines for the fast reader: of several cells, parted by one byte, without quotes."""
    if delimiter == " " or len(delimiter.encode()) > 1 or width < 2:
        return np.zeros(len(lines), dtype=bool)
    found = lengths(lines) > 0
    if quote and quote.encode() in _buffers(lines)[1].tobytes():  # joined lines have quotes too
        found &= ~pc.match_substring(lines, quote).to_numpy(zero_copy_only=False)
    return found


def _columns(lines: pa.StringArray, width: int, delimiter: str) -> tuple[list[Cells], list[int]]:
    """Split lines by the fast reader, but for those of another width, which are told."""
    if not len(lines):
        return [Cells.alike(None, 0) for _ in range(width)], []
    uneven: list[int] = []

    def pass_over(row: pa.csv.InvalidRow) -> str:
        uneven.append(row.number - 1)
        return "skip"

    names = [str(i) for i in range(width)]
    whole = pa.ListArray.from_arrays(pa.array([0, len(lines)], pa.int32()), lines)
    data = pc.binary_join(whole, "\n")[0].as_buffer()
    table = pa.csv.read_csv(
        pa.BufferReader(data),
        read_options=pa.csv.ReadOptions(
            column_names=names, block_size=data.size + 4096, use_threads=False
        ),
        parse_options=pa.csv.ParseOptions(
            delimiter=delimiter,
            quote_char=False,
            escape_char=False,
            ignore_empty_lines=False,
            invalid_row_handler=pass_over,
        ),
        convert_options=pa.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()),
            strings_can_be_null=False,
            check_utf8=False,
        ),
    )
    return [Cells.of(table[name].combine_chunks()) for name in names], uneven


def without_control(cells: pa.StringArray) -> pa.StringArray:
    """Cells with U+FFFD in place of zero bytes, control and direction characters."""
    return pc.replace_substring_regex(cells, _RE2_CONTROL, "\ufffd")
