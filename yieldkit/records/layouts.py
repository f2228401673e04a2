"""Layouts of a crew: read from its folder, matched to files by content, written as TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from yieldkit.errors import CrewError
from yieldkit.records.bodies import Header, head_cells
from yieldkit.records.dates import form
from yieldkit.records.declared import Layout
from yieldkit.records.parsing import NEEDED, Apart, parse, said_by
from yieldkit.records.reading import Rows
from yieldkit.records.words import plain

_LOOK = "Run `yieldkit layout` on it: it proposes a layout and writes it into layouts/."
_HEAD_BYTES = 2**16
_READ_WELL = 0.6
"""Least share of the first rows that must be readable where no headings tell the layout."""


def load_layouts(folder: Path) -> list[Layout]:
    """Layouts of a folder, and the built-in ones of the package's own forms.

    Parameters
    ----------
    folder : Path
        Folder of ``*.toml`` files, one layout each; it need not exist.

    Returns
    -------
    list of Layout
        The crew's own first, by file name.

    Raises
    ------
    CrewError
        If a file is no TOML, has a key that layouts do not have, or two have one name.
    """
    from yieldkit.records.forms import LAYOUTS

    found = [read_layout(path) for path in sorted(folder.glob("*.toml"))]
    names: dict[str, Layout] = {}
    for layout in found:
        if layout.name in names:
            raise CrewError(
                f'two layouts are named "{layout.name}"',
                file=str(folder),
                remedy="Give one of them another `name`.",
            )
        names[layout.name] = layout
    return found + [layout for layout in LAYOUTS if layout.name not in names]


def read_layout(path: Path) -> Layout:
    """One layout from its TOML file; its name is the file's unless it says another."""
    if not path.resolve().is_relative_to(path.parent.resolve()):
        raise CrewError(
            "this layout is a link that leads out of the folder",
            file=path.name,
            remedy="Copy the layout itself here.",
        )
    try:
        said = tomllib.loads(path.read_text("utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise CrewError(f"this is no TOML: {error}", file=path.name) from None
    except UnicodeDecodeError:
        raise CrewError("this is no UTF-8 text", file=path.name) from None
    return layout_of(said, path.name)


def layout_of(said: dict[str, Any], file: str) -> Layout:
    """Make a layout from what its file says; mistakes are named by key."""
    said = {"name": Path(file).stem} | said
    try:
        layout = Layout.model_validate(said)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or None
        if first["type"] == "extra_forbidden":
            raise CrewError(
                "layouts have no such key",
                file=file,
                column=where,
                remedy="docs/layouts.md lists the keys.",
            ) from None
        what = first["msg"].removeprefix("Value error, ")
        raise CrewError(what[:1].lower() + what[1:], file=file, column=where) from None
    told = {*layout.columns, *layout.constants, *layout.preamble, *layout.file_name}
    for group in NEEDED[layout.table]:
        if not told & set(group):
            keys = " or ".join(group)
            what = f"a row of {layout.table} needs {keys}, and [columns] names none of them"
            raise CrewError(what, file=file, column="columns")
    for one in layout.dates:
        try:
            form(one)
        except ValueError as error:
            raise CrewError(str(error), file=file, column="dates") from None
    return layout


def choose_layout(
    data: bytes, name: str, layouts: Sequence[Layout], apart: Apart | None = None
) -> Layout:
    """The layout that fits a file by its content.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for errors only.
    layouts : sequence of Layout
        From ``load_layouts``.
    apart : Apart, optional
        The file, which ``parse`` may then use as it is taken apart here.

    Returns
    -------
    Layout

    Raises
    ------
    CrewError
        If the file is empty, too large or unreadable; if no layout fits; if two fit equally.
    """
    head = apart or Apart(data, name)
    text = head.kind == "text"
    if text and len(data) > _HEAD_BYTES:
        head = Apart(data[: data.rfind(b"\n", 0, _HEAD_BYTES) + 1 or _HEAD_BYTES], name)
    fits: list[tuple[tuple[float, ...], Layout]] = []
    refused: CrewError | None = None
    for layout in layouts:
        try:
            found = head.bodies(layout)
        except CrewError as error:
            if len(layouts) == 1 or not text:
                refused = error
            continue
        if found:
            score = _score(*found[0], layout)
            by_place = layout.format == "fixed" or not layout.header_rows
            if by_place and _readable(head, layout) < _READ_WELL:
                continue
            fits.append((score, layout))
    if not fits:
        raise refused or CrewError("no layout fits this file", file=name, remedy=_LOOK)
    best = max(score for score, _ in fits)
    first = [layout for score, layout in fits if score == best]
    if len(first) > 1:
        first = _by_rows(head, first)
    if len(first) > 1:
        names = " and ".join(f'"{layout.name}"' for layout in first)
        raise CrewError(
            f"layouts {names} fit this file equally well",
            file=name,
            remedy="Delete one, or give one a heading, preamble or sheet that tells them apart.",
        )
    return first[0]


def _score(rows: Rows, header: Header, layout: Layout) -> tuple[float, ...]:
    """How well the headings fit: share of the file's headings known, headings named, preamble."""
    ignored = {plain(str(heading)) for heading in layout.ignore}
    named = {place for found in header.where.values() for place in found}
    filled = [place for place, name in enumerate(header.names) if name]
    known = [place for place in filled if place in named or plain(header.names[place]) in ignored]
    above = [" ".join(cells) for cells in head_cells(rows, layout)[: header.row]]
    preamble = len(said_by(layout.preamble, above)) == len(layout.preamble)
    has_headings = float(header.rows > 0)
    return (
        has_headings,
        round(len(known) / max(1, len(filled)), 6),
        float(len(named)),
        float(preamble),
    )


def _readable(head: Apart, layout: Layout) -> float:
    """Share of the first rows that the layout reads."""
    try:
        parsed = parse(head.data, head.name, layout, head)
    except CrewError:
        return 0.0
    return 1 - parsed.refused.num_rows / max(1, parsed.data_rows)


def _by_rows(head: Apart, layouts: list[Layout]) -> list[Layout]:
    """Of layouts whose headings fit alike, those that read most of the rows."""
    shares = [round(_readable(head, layout), 6) for layout in layouts]
    return [la for la, share in zip(layouts, shares, strict=True) if share == max(shares)]


def write_toml(layout: Layout, notes: Sequence[str] = ()) -> str:
    """A layout as TOML text, defaults left out, notes as comments at the top."""
    said = layout.model_dump(exclude_defaults=True, exclude={"built_in"})
    said = {"name": layout.name, "table": layout.table} | said
    lines = [f"# {note}" if note else "#" for one in notes for note in one.splitlines()]
    tables = []
    for key, value in said.items():
        if isinstance(value, dict):
            tables += _toml_table(key, value)
        elif key == "readings":
            for reading in value:
                tables += ["", "[[readings]]", *_pairs(reading)]
        else:
            lines += _pairs({key: value})
    return "\n".join([*lines, *tables]) + "\n"


def _toml_table(name: str, value: dict[str, Any]) -> list[str]:
    plain_pairs = {k: v for k, v in value.items() if not isinstance(v, dict)}
    lines = ["", f"[{name}]", *_pairs(plain_pairs)] if plain_pairs else []
    for key, inner in value.items():
        if isinstance(inner, dict):
            lines += _toml_table(f"{name}.{_key(key)}", inner)
    return lines


def _pairs(value: dict[str, Any]) -> list[str]:
    return [f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None]


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else _value(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    out = []
    for sign in str(value):
        if sign in '"\\':
            out.append("\\" + sign)
        elif ord(sign) < 32 or 127 <= ord(sign) < 160 or 0xD800 <= ord(sign) < 0xE000:
            out.append("\\t" if sign == "\t" else f"\\u{min(ord(sign), 0xFFFD):04x}")
        else:
            out.append(sign)
    return '"' + "".join(out) + '"'
