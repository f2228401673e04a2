"""A bid: what is to be terminated, by whom, at what risk; from a workbook or a TOML file."""

from __future__ import annotations

import tomllib
import zipfile
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from yieldkit.crew import ALL
from yieldkit.errors import CrewError

LARGEST_BYTES = 5_000_000
BLANK = "blank bid.xlsx"
SHEETS = ("bid", "positions", "parts", "other jobs")
FORM_ROWS = 60
NOT_THERE = (None, "")

Word = Annotated[str, Field(min_length=1, max_length=80)]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class BidLine(_Row):
    """Positions of one connector type."""

    connector_type: Word = Field(description="Connector type, as in the crew's settings")
    positions: int = Field(gt=0, le=1_000_000, description="Positions to be accepted")
    expected_yield: float | None = Field(
        None, gt=0, lt=1, description="In place of the records: first-pass yield, 0.95 for 95 %"
    )


class BidPart(_Row):
    """In place of the crew's settings, for this bid only."""

    part: Word = Field(description="Part: body, sleeve, ring, cord_m")
    connector_type: Word = Field(ALL, description="Connector type, or all if types share it")
    price: float | None = Field(None, ge=0, description="Price of one [currency]")
    pack: int | None = Field(None, ge=1, description="Pieces in a pack")
    leftover_value: float | None = Field(
        None, ge=0, le=1, description="Share of the price that a leftover keeps"
    )
    in_hand: int | None = Field(None, ge=0, description="Pieces in hand for this job")
    lead_time_days: float | None = Field(None, ge=0, description="Days from order to shelf")


class OtherJob(_Row):
    """A job that draws on the same store, before or after this one."""

    job: Word = Field(description="Its name")
    starts: date = Field(description="Day on which it starts")
    connector_type: Word = Field(description="Connector type")
    positions: int = Field(gt=0, le=1_000_000, description="Positions to be accepted")


class Bid(_Row):
    """One bid.

    Either ``service_level`` (the chance wanted that nothing runs short), or ``event_cost`` (what
    one event of running short costs: a trip, a lost access window), which asks for the quantities
    of least expected cost.
    """

    title: Word = Field("Bid", description="Name of the bid")
    starts: date | None = Field(None, description="Day on which the job starts")
    service_level: float | None = Field(
        None, gt=0, lt=1, description="Chance wanted that nothing runs short, 0.95 for 95 %"
    )
    event_cost: float | None = Field(
        None, gt=0, description="Fixed cost of running short once [currency]"
    )
    piece_cost: float | None = Field(
        None, ge=0, description="Cost of each missing piece on top [currency]"
    )
    technicians: int | None = Field(None, ge=1, description="People who terminate")
    apprentices: int = Field(0, ge=0, description="Apprentices among them")
    apprentice_failures: float = Field(
        1.6, ge=1, le=10, description="Times as many failures by an apprentice (your assumption)"
    )
    site_failures: float = Field(
        1.0, gt=0, le=10, description="Times as many failures on this site (your assumption)"
    )
    lines: tuple[BidLine, ...] = Field(min_length=1, description="Positions by connector type")
    parts: tuple[BidPart, ...] = ()
    other_jobs: tuple[OtherJob, ...] = ()

    @model_validator(mode="after")
    def _no_contradiction(self) -> Bid:
        if self.service_level is not None and self.event_cost is not None:
            raise ValueError(
                "service level and event cost contradict each other; give one: the chance wanted"
                " that nothing runs short, or what running short costs"
            )
        if self.piece_cost is not None and self.event_cost is None:
            raise ValueError(
                "a piece cost needs an event cost beside it (what running short costs)"
            )
        if self.apprentices and self.technicians is None:
            raise ValueError(
                "apprentices are given without technicians; say how many people in all"
            )
        if self.technicians is not None and self.apprentices > self.technicians:
            raise ValueError("there are more apprentices than people who terminate")
        seen: set[str] = set()
        for line in self.lines:
            if line.connector_type in seen:
                raise ValueError(f"two lines for {line.connector_type}; give one with the sum")
            seen.add(line.connector_type)
        pairs = [(row.part, row.connector_type) for row in self.parts]
        if len(set(pairs)) < len(pairs):
            raise ValueError("two rows for one part")
        return self

    @property
    def positions(self) -> int:
        """Positions of all types."""
        return sum(line.positions for line in self.lines)


def read_bid(path: Path) -> Bid:
    """A bid from ``.xlsx`` or ``.toml``.

    Raises
    ------
    CrewError
        If the file cannot be read, a sheet or a column is missing, or a value is impossible.
    """
    if not path.is_file():
        raise CrewError(
            "there is no such bid file",
            file=str(path),
            remedy=f"Fill in a copy of bids/{BLANK}, or check the name.",
        )
    if path.stat().st_size > LARGEST_BYTES:
        raise CrewError("the bid file is larger than any bid", file=path.name)
    if path.suffix.lower() == ".toml":
        return _checked(_from_text(path), path)
    if path.suffix.lower() == ".xlsx":
        return _checked(_from_workbook(path), path)
    raise CrewError(
        "a bid is a workbook (.xlsx) or a TOML file (.toml)",
        file=path.name,
        found=path.suffix or "no ending",
    )


def write_blank_bid(path: Path, connector_types: tuple[str, ...] = ()) -> Path:
    """Write a blank bid workbook; cells are text or numbers, never formulas."""
    import xlsxwriter

    path.parent.mkdir(parents=True, exist_ok=True)
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
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    top = book.add_worksheet("bid")
    top.set_column(0, 0, 24)
    top.set_column(1, 1, 20)
    top.set_column(2, 2, 80, wrap)
    for column, heading in enumerate(("setting", "value", "meaning")):
        top.write_string(0, column, heading, bold)
    rows = [name for name in Bid.model_fields if name not in ("lines", "parts", "other_jobs")]
    for number, name in enumerate(rows, start=1):
        top.write_string(number, 0, _heading(name))
        top.write_string(number, 2, Bid.model_fields[name].description or "")
        if name == "starts":
            top.write_blank(number, 1, None, day)
        if name == "service_level":
            top.write_number(number, 1, 0.95)
    top.freeze_panes(1, 0)
    for sheet, model in _row_models().items():
        page = book.add_worksheet(sheet)
        page.freeze_panes(1, 0)
        for column, (name, info) in enumerate(model.model_fields.items()):
            page.write_string(0, column, _heading(name), bold)
            page.write_comment(0, column, info.description or name, {"x_scale": 2})
            page.set_column(column, column, 18, day if name == "starts" else None)
            if name == "connector_type" and connector_types:
                words = [*connector_types, *([ALL] if sheet == "parts" else [])]
                if len(",".join(words)) <= 250:
                    page.data_validation(
                        1,
                        column,
                        FORM_ROWS,
                        column,
                        {"validate": "list", "source": words, "error_type": "warning"},
                    )
    book.close()
    return path


def _row_models() -> dict[str, type[BaseModel]]:
    return {"positions": BidLine, "parts": BidPart, "other jobs": OtherJob}


def _heading(name: str) -> str:
    return name.replace("_", " ")


def _from_text(path: Path) -> dict[str, Any]:
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8"))
    except UnicodeDecodeError as error:
        raise CrewError("the bid file is not UTF-8 text", file=path.name) from error
    except tomllib.TOMLDecodeError as error:
        raise CrewError(
            f"the bid file is not valid TOML: {error}",
            file=path.name,
            remedy="Write text in quotes, numbers without, and each type under [[lines]].",
        ) from error
    if not raw.get("lines"):
        raise CrewError(
            "the bid has no positions",
            file=path.name,
            wanted="one [[lines]] table a connector type",
            remedy='For example: [[lines]] connector_type = "LC" and positions = 480.',
        )
    return raw


def _from_workbook(path: Path) -> dict[str, Any]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_path(str(path))
        sheets = {name.strip().lower(): name for name in book.sheet_names}
        for needed in ("bid", "positions"):
            if needed not in sheets:
                raise CrewError(
                    f'the bid has no sheet "{needed}"',
                    file=path.name,
                    found=", ".join(book.sheet_names),
                    remedy=f"Start from bids/{BLANK} and keep its sheets' names.",
                )
        cells = {
            sheet: book.get_sheet_by_name(sheets[sheet]).to_python(skip_empty_area=False)
            for sheet in SHEETS
            if sheet in sheets
        }
    except (CalamineError, zipfile.BadZipFile, OSError) as error:
        raise CrewError(
            "the bid cannot be opened as a workbook",
            file=path.name,
            remedy="Save it again as .xlsx.",
        ) from error
    made: dict[str, Any] = {}
    known = {_heading(name): name for name in Bid.model_fields}
    for number, row in enumerate(cells["bid"][1:], start=2):
        name = str(row[0]).strip().lower() if row else ""
        if not name:
            continue
        if name not in known:
            raise CrewError(
                "the bid has an unknown setting",
                file=f"{path.name}, sheet bid",
                row=number,
                found=name,
                wanted=f"one of {', '.join(known)}",
            )
        if len(row) > 1 and row[1] not in NOT_THERE:
            made[known[name]] = row[1]
    for sheet, model in _row_models().items():
        field = {"positions": "lines", "parts": "parts", "other jobs": "other_jobs"}[sheet]
        made[field] = _rows(cells.get(sheet, []), model, path, sheet)
    if not made["lines"]:
        raise CrewError(
            "the bid has no positions",
            file=f"{path.name}, sheet positions",
            remedy="Give each connector type a row with its positions.",
        )
    return made


def _rows(
    cells: list[list[Any]], model: type[BaseModel], path: Path, sheet: str
) -> list[dict[str, Any]]:
    if not cells:
        return []
    headings = [str(cell).strip().lower() for cell in cells[0]]
    names = {_heading(name): name for name in model.model_fields}
    required = [_heading(n) for n, info in model.model_fields.items() if info.is_required()]
    for needed in required:
        if needed not in headings:
            raise CrewError(
                f'the sheet has no column "{needed}"',
                file=f"{path.name}, sheet {sheet}",
                found=", ".join(word for word in headings if word) or "no headings",
                remedy=f"Start from bids/{BLANK} and keep its headings.",
            )
    made = []
    for number, row in enumerate(cells[1:], start=2):
        values = {
            names[heading]: value
            for heading, value in zip(headings, row, strict=False)
            if heading in names and value not in NOT_THERE
        }
        if not values:
            continue
        try:
            model.model_validate(values)
        except ValidationError as error:
            raise _plain(error, f"{path.name}, sheet {sheet}", number) from error
        made.append(values)
    return made


def place_of_type(path: Path, connector_type: str) -> tuple[str, int | None]:
    """File, sheet and row of a bid where a connector type stands; in TOML the file alone."""
    if path.suffix.lower() != ".xlsx":
        return path.name, None
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_path(str(path))
    name = next(name for name in book.sheet_names if name.strip().lower() == "positions")
    rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
    column = [str(cell).strip().lower() for cell in rows[0]].index("connector type")
    said = [str(row[column]).strip() for row in rows]
    row = said.index(connector_type) + 1 if connector_type in said else None
    return f"{path.name}, sheet {name}", row


def _checked(raw: dict[str, Any], path: Path) -> Bid:
    try:
        return Bid.model_validate(raw)
    except ValidationError as error:
        raise _plain(error, path.name, None) from error


def _plain(error: ValidationError, file: str, row: int | None) -> CrewError:
    """The first of pydantic's complaints as one sentence."""
    first = error.errors()[0]
    place = [part for part in first["loc"] if isinstance(part, str)]
    line = next((part + 1 for part in first["loc"] if isinstance(part, int)), None)
    said = first["msg"].removeprefix("Value error, ")
    said = said[:1].lower() + said[1:]
    if first["type"] == "extra_forbidden":
        said = "no such setting in a bid"
    if line is not None and row is None:
        said = f"{said} (entry {line} of {place[0]})"
    found = None if first["type"] == "missing" or not place else str(first["input"])
    return CrewError(
        said, file=file, row=row, column=_heading(place[-1]) if place else None, found=found
    )
