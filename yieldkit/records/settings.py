"""Settings on disk: ``crew.xlsx`` (a sheet a kind) or ``crew.toml``, one model behind."""

from __future__ import annotations

import difflib
import io
import re
import tomllib
import typing
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from yieldkit.crew import Crew, General
from yieldkit.errors import CrewError

WORKBOOK, TEXT = "crew.xlsx", "crew.toml"


@dataclass(eq=False)
class SettingsErrors(CrewError):
    """Several wrong settings at once, so that they are mended in one go; a line each."""

    every: tuple[CrewError, ...] = ()

    def __str__(self) -> str:
        return "\n  ".join([f"{self.file}: {self.what}:", *map(str, self.every)])


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
        If there is no settings file, or both kinds; if it cannot be read; if settings are missing,
        misspelt or impossible (naming sheet or table, row and column of each).
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
            if kind not in row_models():
                raise _unknown_kind(kind, path.name)
            raise CrewError(
                f"{kind} must be a list of tables",
                file=path.name,
                remedy=f"Write each as [[{kind}]].",
            )
        rows[kind] = list(enumerate(value, start=1))
    general = raw.get("general", {})
    if not isinstance(general, dict):
        raise CrewError("general must be a table", file=path.name, remedy="Write it as [general].")
    wrong = [_unknown_kind(kind, path.name) for kind in rows if kind not in row_models()]
    return _build(path.name, general, {}, rows, wrong, place="[[{kind}]] no. {row}")


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
    wrong: list[CrewError] = []
    for name in book.sheet_names:
        kind = re.sub(r"\s+", "_", name.strip().lower())
        cells = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        if kind == "general":
            for number, field, value in _general_cells(cells, path.name, wrong):
                general[field], general_rows[field] = value, number
        elif kind in row_models():
            rows[kind] = list(_sheet_rows(cells, row_models()[kind], path.name, name, wrong))
        else:
            wrong.append(_unknown_kind(kind, path.name))
    place = "sheet {kind}, row {row}"
    return _build(path.name, general, general_rows, rows, wrong, place=place)


def _bytes(path: Path) -> bytes:
    if path.stat().st_size > LARGEST_BYTES:
        raise CrewError("is far too large for settings", file=path.name, remedy="Restore a copy.")
    return path.read_bytes()


def _unknown_kind(kind: str, file: str) -> CrewError:
    known = ["general", *row_models()]
    return CrewError(
        "no such kind of settings",
        file=file,
        found=kind,
        wanted=", ".join(word.replace("_", " ") for word in known),
        remedy=_nearest(kind, known),
    )


def _nearest(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean {near[0].replace('_', ' ')}?" if near else "Mend or remove it."


def _general_cells(
    cells: list[list[Any]], file: str, wrong: list[CrewError]
) -> Iterator[tuple[int, str, Any]]:
    fields = {heading(field): field for field in General.model_fields}
    fields |= {field: field for field in General.model_fields}
    for number, row in enumerate(cells[1:], start=2):
        name = str(row[0]).strip() if row else ""
        if not name:
            continue
        if name not in fields:
            wrong.append(
                CrewError(
                    "no such setting",
                    file=f"{file}, sheet general",
                    row=number,
                    found=name,
                    remedy=_nearest(name, list(fields)),
                )
            )
            continue
        value = row[1] if len(row) > 1 else ""
        if value != "":
            yield number, fields[name], _plain(value, General.model_fields[fields[name]])


def _sheet_rows(
    cells: list[list[Any]],
    model: type[BaseModel],
    file: str,
    sheet: str,
    wrong: list[CrewError],
) -> Iterator[tuple[int, dict[str, Any]]]:
    if not cells:
        return
    fields = {heading(field): field for field in model.model_fields}
    fields |= {field: field for field in model.model_fields}
    named: list[str | None] = []
    for cell in cells[0]:
        name = str(cell).strip()
        if name and name not in fields:
            wrong.append(
                CrewError(
                    "no such column",
                    file=f"{file}, sheet {sheet}",
                    row=1,
                    found=name,
                    remedy=_nearest(name, list(fields)),
                )
            )
        named.append(fields.get(name))
    required = {field for field, info in model.model_fields.items() if info.is_required()}
    if required - set(named) and any(error.row == 1 for error in wrong):
        return  # each row would only repeat that its column is missing
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
    wrong: list[CrewError],
    *,
    place: str,
) -> Crew:
    """The settings; ``wrong`` is what was wrong already, raised with all that is wrong here."""
    built: dict[str, Any] = {}
    try:
        built["general"] = General.model_validate(general)
    except ValidationError as error:
        wrong += _said(error, General, f"{file}, general", general_rows)
    for kind, numbered in rows.items():
        if kind not in row_models():
            continue
        model = row_models()[kind]
        kept = []
        for number, values in numbered:
            try:
                kept.append(model.model_validate(values))
            except ValidationError as error:
                where = place.format(kind=kind.replace("_", " "), row=number)
                wrong += _said(error, model, f"{file}, {where}", {})
        built[kind] = tuple(kept)
    if len(wrong) > 1:
        raise SettingsErrors(f"{len(wrong)} settings to mend", file=file, every=tuple(wrong))
    if wrong:
        raise wrong[0]
    try:
        return Crew.model_validate(built)
    except ValidationError as error:
        said = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
        raise CrewError(said, file=file, remedy="Keep one of them.") from error


def _said(
    error: ValidationError, model: type[BaseModel], file: str, rows: Mapping[str, int]
) -> list[CrewError]:
    """All that is wrong in one row, in a person's words."""
    return [_one_said(found, model, file, rows) for found in error.errors()]


def _one_said(found: Any, model: type[BaseModel], file: str, rows: Mapping[str, int]) -> CrewError:
    field = str(found["loc"][0]) if found["loc"] else ""
    info = model.model_fields.get(field)
    row = rows.get(field)
    if found["type"] == "extra_forbidden":
        return CrewError(
            "no such setting",
            file=file,
            row=row,
            found=field,
            remedy=_nearest(field, list(model.model_fields)),
        )
    words = choices(info) if info else ()
    if found["type"] == "missing":
        wanted = " or ".join(words) or (info.description or None if info else None)
        return CrewError(
            f'"{heading(field)}" is missing',
            file=file,
            row=row,
            wanted=wanted,
            remedy="Fill it in.",
        )
    said, wanted, remedy = _wanted(found, words)
    value = found["input"]
    return CrewError(
        said[0].lower() + said[1:],
        file=file,
        row=row,
        column=heading(field),
        found=f"{value:g}" if isinstance(value, float) else str(value),
        wanted=wanted,
        remedy=remedy,
    )


def _wanted(found: Any, words: tuple[str, ...]) -> tuple[str, str | None, str]:
    """What is wrong with a value, what is wanted, what to do."""
    said, _, wanted = str(found["msg"]).removeprefix("Value error, ").partition("; wanted ")
    said = said.replace("Input should be", "must be")
    if words:
        return "is none of the words for it", " or ".join(words), ""
    if found["type"].startswith("date"):
        return "is no date", "year-month-day, such as 2026-11-23", ""
    if found["type"].endswith("_parsing"):
        return "is no number", "a whole number" if "int" in found["type"] else "a number", ""
    value, most = found["input"], found.get("ctx", {}).get("lt", found.get("ctx", {}).get("le"))
    if most == 1 and isinstance(value, (int, float)) and 1 < value <= 100:
        return said, None, f"Write {value / 100:g} for {value:g} %."
    return said, wanted or None, "" if wanted else "Mend that cell."
