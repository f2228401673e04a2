"""Settings on disk: ``crew.xlsx`` (a sheet a kind) or ``crew.toml``, one model behind."""

from __future__ import annotations

import difflib
import io
import re
import tomllib
import typing
import zipfile
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from yieldkit.crew import Crew, General
from yieldkit.errors import CrewError

WORKBOOK, TEXT = "crew.xlsx", "crew.toml"
LARGEST_BYTES = 20_000_000
_FORM_ROWS = 300
_UNITS = {"db": "dB", "mm": "mm", "nm": "nm", "in": "in", "minutes": "min", "percent": "%"}
_NEW_CREW = {
    "connector_types": [
        {
            "connector_type": "SC",
            "required_tests": "insertion loss",
            "body_die_in": 0.190,
            "boot_die_in": 0.161,
        },
        {
            "connector_type": "LC",
            "required_tests": "insertion loss",
            "body_die_in": 0.128,
            "boot_die_in": 0.161,
        },
        {
            "connector_type": "ST",
            "required_tests": "insertion loss",
            "body_die_in": 0.128,
            "boot_die_in": 0.161,
        },
        {"connector_type": "splice", "design": "D", "required_tests": "none"},
    ],
}
"""Example rows of a new crew: dies are common practice; the connector's instruction decides."""


def row_models() -> dict[str, type[BaseModel]]:
    """Model of a row of each kind of settings, by the name of the kind (``general`` apart)."""
    return {
        name: typing.get_args(info.annotation)[0]
        for name, info in Crew.model_fields.items()
        if name != "general"
    }


def heading(field: str) -> str:
    """Heading of a field in the workbook: ``limit_db`` is "limit [dB]"."""
    words, _, last = field.rpartition("_")
    if words and last in _UNITS:
        return f"{words.replace('_', ' ')} [{_UNITS[last]}]"
    return field.replace("_", " ")


def choices(info: FieldInfo) -> tuple[str, ...]:
    """Allowed words of a field; empty where any value goes."""
    annotation = info.annotation
    for part in (annotation, *typing.get_args(annotation)):
        if typing.get_origin(part) is Literal:
            return tuple(str(value) for value in typing.get_args(part))
    return ("yes", "no") if annotation is bool else ()


def read_settings(folder: Path) -> Crew:
    """Settings of the crew in ``folder``.

    Raises
    ------
    CrewError
        If there is no settings file, or both kinds; if it cannot be read; if a setting is missing,
        misspelt or impossible (naming sheet or table, row and column).
    """
    workbook, text = folder / WORKBOOK, folder / TEXT
    if workbook.exists() and text.exists():
        raise CrewError(
            f"there are two settings files, {WORKBOOK} and {TEXT}",
            file=str(folder),
            remedy="Keep one and move the other away.",
        )
    if workbook.exists():
        return _from_workbook(workbook)
    if text.exists():
        return _from_text(text)
    raise CrewError(
        f"there is no {WORKBOOK} here",
        file=str(folder),
        remedy="Run `yieldkit new FOLDER` to make a crew's folder, or name yours with --crew.",
    )


def write_new_settings(folder: Path) -> Path:
    """Write a blank ``crew.xlsx`` with example connector types; never over an existing one."""
    if (folder / WORKBOOK).exists() or (folder / TEXT).exists():
        raise CrewError(
            "the crew's settings are already here",
            file=str(folder),
            remedy="The program never writes over them; choose another folder.",
        )
    return write_workbook(Crew.model_validate(_NEW_CREW), folder / WORKBOOK)


def write_workbook(crew: Crew, path: Path) -> Path:
    """Write settings as a workbook: a sheet a kind, drop-downs, a note on each heading."""
    import xlsxwriter

    book = xlsxwriter.Workbook(
        str(path),
        {
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "default_date_format": "yyyy-mm-dd",
        },
    )
    bold = book.add_format({"bold": True, "bg_color": "#E8E4DA", "border": 1, "text_wrap": True})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    _write_general(book, crew.general, bold, wrap)
    for kind, model in row_models().items():
        sheet = book.add_worksheet(kind.replace("_", " "))
        sheet.freeze_panes(1, 0)
        for column, (field, info) in enumerate(model.model_fields.items()):
            sheet.write_string(0, column, heading(field), bold)
            note = (info.description or heading(field)) + (
                "" if info.is_required() else f"\n(may stay empty: {_shown(info.default)})"
            )
            sheet.write_comment(0, column, note, {"x_scale": 2})
            sheet.set_column(column, column, max(12, len(heading(field)) + 2))
            if words := choices(info):
                sheet.data_validation(
                    1, column, _FORM_ROWS, column, {"validate": "list", "source": list(words)}
                )
        for number, row in enumerate(getattr(crew, kind), start=1):
            for column, field in enumerate(model.model_fields):
                _write_cell(sheet, number, column, getattr(row, field))
    book.close()
    return path


def _write_general(book: Any, general: General, bold: Any, wrap: Any) -> None:
    sheet = book.add_worksheet("general")
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, 0, 28)
    sheet.set_column(1, 1, 20)
    sheet.set_column(2, 2, 78)
    for column, head in enumerate(("setting", "value", "what it means")):
        sheet.write_string(0, column, head, bold)
    for number, (field, info) in enumerate(General.model_fields.items(), start=1):
        sheet.write_string(number, 0, heading(field))
        _write_cell(sheet, number, 1, getattr(general, field))
        sheet.write_string(number, 2, info.description or "", wrap)
        if words := choices(info):
            sheet.data_validation(number, 1, number, 1, {"validate": "list", "source": list(words)})


def _write_cell(sheet: Any, row: int, column: int, value: object) -> None:
    if value is None or value == "":
        return
    if isinstance(value, bool):
        sheet.write_string(row, column, "yes" if value else "no")
    elif isinstance(value, (int, float)):
        sheet.write_number(row, column, value)
    elif isinstance(value, date):
        sheet.write_datetime(row, column, datetime(value.year, value.month, value.day))
    else:
        sheet.write_string(row, column, _shown(value))


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return "; ".join(value) if value else "none"
    return "" if value is None else str(value)


def _from_text(path: Path) -> Crew:
    try:
        raw = tomllib.loads(_bytes(path).decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise CrewError(
            "is not UTF-8 text", file=path.name, remedy="Save it as UTF-8 again."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise CrewError(
            f"is not valid TOML: {error}", file=path.name, remedy="Mend that line."
        ) from error
    rows: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for kind, value in raw.items():
        if kind == "general":
            continue
        if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
            _known_kind(kind, path.name)
            raise CrewError(
                f"{kind} must be a list of tables",
                file=path.name,
                remedy=f"Write each as [[{kind}]].",
            )
        rows[kind] = list(enumerate(value, start=1))
    general = raw.get("general", {})
    if not isinstance(general, dict):
        raise CrewError("general must be a table", file=path.name, remedy="Write it as [general].")
    return _build(path.name, general, {}, rows, place="[[{kind}]] no. {row}")


def _from_workbook(path: Path) -> Crew:
    import python_calamine

    data = _bytes(path)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(part.file_size for part in packed.infolist()) > 20 * LARGEST_BYTES:
                raise CrewError(
                    "is far too large for settings",
                    file=path.name,
                    remedy="Restore it from a copy, or start from a new one.",
                )
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except (zipfile.BadZipFile, python_calamine.CalamineError) as error:
        raise CrewError(
            "is not a workbook that can be read",
            file=path.name,
            remedy="Open it in a spreadsheet program and save it as .xlsx again.",
        ) from error
    general: dict[str, Any] = {}
    general_rows: dict[str, int] = {}
    rows: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for name in book.sheet_names:
        kind = re.sub(r"\s+", "_", name.strip().lower())
        cells = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        if kind == "general":
            for number, field, value in _general_cells(cells, path.name):
                general[field], general_rows[field] = value, number
        else:
            _known_kind(kind, path.name)
            rows[kind] = list(_sheet_rows(cells, row_models()[kind], path.name, name))
    return _build(path.name, general, general_rows, rows, place="sheet {kind}, row {row}")


def _bytes(path: Path) -> bytes:
    if path.stat().st_size > LARGEST_BYTES:
        raise CrewError("is far too large for settings", file=path.name, remedy="Restore a copy.")
    return path.read_bytes()


def _known_kind(kind: str, file: str) -> None:
    known = ["general", *row_models()]
    if kind not in known:
        raise CrewError(
            "no such kind of settings",
            file=file,
            found=kind,
            wanted=", ".join(word.replace("_", " ") for word in known),
            remedy=_nearest(kind, known),
        )


def _nearest(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean {near[0].replace('_', ' ')}?" if near else "Mend or remove it."


def _general_cells(cells: list[list[Any]], file: str) -> Iterator[tuple[int, str, Any]]:
    fields = {heading(field): field for field in General.model_fields}
    fields |= {field: field for field in General.model_fields}
    for number, row in enumerate(cells[1:], start=2):
        name = str(row[0]).strip() if row else ""
        if not name:
            continue
        if name not in fields:
            raise CrewError(
                "no such setting",
                file=f"{file}, sheet general",
                row=number,
                found=name,
                remedy=_nearest(name, list(fields)),
            )
        value = row[1] if len(row) > 1 else ""
        if value != "":
            yield number, fields[name], _plain(value, General.model_fields[fields[name]])


def _sheet_rows(
    cells: list[list[Any]], model: type[BaseModel], file: str, sheet: str
) -> Iterator[tuple[int, dict[str, Any]]]:
    if not cells:
        return
    fields = {heading(field): field for field in model.model_fields}
    fields |= {field: field for field in model.model_fields}
    named: list[str | None] = []
    for cell in cells[0]:
        name = str(cell).strip()
        if name and name not in fields:
            raise CrewError(
                "no such column",
                file=f"{file}, sheet {sheet}",
                row=1,
                found=name,
                remedy=_nearest(name, list(fields)),
            )
        named.append(fields.get(name))
    for number, row in enumerate(cells[1:], start=2):
        values = {
            field: _plain(value, model.model_fields[field])
            for field, value in zip(named, row, strict=False)
            if field and value != "" and not (isinstance(value, str) and not value.strip())
        }
        if values:
            yield number, values


def _plain(value: Any, info: FieldInfo) -> Any:
    """A spreadsheet's cell as the model wants it: whole numbers as text where text is meant."""
    text = info.annotation is str or choices(info) or info.annotation == tuple[str, ...]
    if isinstance(value, float) and text:
        return str(int(value)) if value.is_integer() else str(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if info.annotation is str else value.date()
    return value


def _build(
    file: str,
    general: Mapping[str, Any],
    general_rows: Mapping[str, int],
    rows: Mapping[str, list[tuple[int, dict[str, Any]]]],
    *,
    place: str,
) -> Crew:
    built: dict[str, Any] = {}
    try:
        built["general"] = General.model_validate(general)
    except ValidationError as error:
        raise _said(error, General, f"{file}, general", None, general_rows) from error
    for kind, numbered in rows.items():
        _known_kind(kind, file)
        model = row_models()[kind]
        kept = []
        for number, values in numbered:
            try:
                kept.append(model.model_validate(values))
            except ValidationError as error:
                where = place.format(kind=kind.replace("_", " "), row=number)
                raise _said(error, model, f"{file}, {where}", None, {}) from error
        built[kind] = tuple(kept)
    try:
        return Crew.model_validate(built)
    except ValidationError as error:
        said = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
        raise CrewError(said, file=file, remedy="Keep one of them.") from error


def _said(
    error: ValidationError,
    model: type[BaseModel],
    file: str,
    row: int | None,
    rows: Mapping[str, int],
) -> CrewError:
    """The first thing wrong, in a person's words."""
    first = error.errors()[0]
    field = str(first["loc"][0]) if first["loc"] else ""
    info = model.model_fields.get(field)
    if first["type"] == "extra_forbidden":
        return CrewError(
            "no such setting",
            file=file,
            row=row,
            found=field,
            remedy=_nearest(field, list(model.model_fields)),
        )
    wanted = (info.description or None) if info else None
    if info and (words := choices(info)):
        wanted = " or ".join(words)
    if first["type"] == "missing":
        return CrewError(
            f'"{heading(field)}" is missing',
            file=file,
            row=row,
            wanted=wanted,
            remedy="Fill it in.",
        )
    said = first["msg"].removeprefix("Value error, ")
    return CrewError(
        said[0].lower() + said[1:],
        file=file,
        row=rows.get(field, row),
        column=heading(field),
        found=str(first["input"]),
        wanted=wanted,
        remedy="Mend that cell.",
    )
