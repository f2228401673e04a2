"""Blank sheets to keep by hand or on a screen; the reader knows them without a layout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from yieldkit.errors import CrewError
from yieldkit.records.declared import Layout
from yieldkit.records.tables import CAUSES, DISPOSITIONS, SERVICE_EVENTS, STEPS

if TYPE_CHECKING:
    from yieldkit.crew import Crew

Kind = Literal["text", "day", "time", "number", "list", "code"]
ROWS = 60
"""Blank rows of a sheet; more are added by writing below."""


@dataclass(frozen=True)
class Field:
    """One column of a form: heading, key of the layout, what to write, choices.

    A ``list`` takes its choices only; a ``code`` offers the crew's codes and takes others too.
    An ``optional`` column may be taken out of the sheet, as those of older sheets are.
    """

    heading: str
    key: str
    kind: Kind
    note: str
    choices: tuple[str, ...] = ()
    codes: str = ""
    width: int = 12
    optional: bool = False


@dataclass(frozen=True)
class Form:
    """One blank sheet."""

    file: str
    table: str
    title: str
    why: str
    fields: tuple[Field, ...]

    def layouts(self) -> tuple[Layout, ...]:
        """Layouts of the sheet as a workbook, and saved as text."""
        columns = {one.key: one.heading for one in self.fields}
        words: dict[str, Any] = {
            one.key: {choice: (choice,) for choice in one.choices}
            for one in self.fields
            if one.kind == "list"
        }
        shared: dict[str, Any] = {
            "table": self.table,
            "columns": columns,
            "optional": tuple(one.key for one in self.fields if one.optional),
            "dates": ("d.m.yyyy h:mm", "d.m.yyyy"),
            "words": words,
            "about": f"Our own form: {self.title.lower()}.",
            "built_in": True,
        }
        name = f"form {self.file}"
        return (
            Layout(name=name, format="workbook", **shared),
            Layout(name=f"{name}, as text", **shared),
            Layout(name=f"{name}, as text with semicolons", delimiter=";", decimal=",", **shared),
        )


F = Field
_JOB = F("Job", "job", "text", "Job code as on the work order")
_TECHNICIAN = F("Technician", "technician", "code", "Your code, not your name", codes="people")
_REMARK = F("Remark", "remark", "text", "Anything else worth knowing", width=28, optional=True)
_PANEL = F("Panel", "panel", "text", "Panel or tray, for example P03", width=9)
_PORT = F("Port", "port", "text", "Port or fibre, for example 17", width=7)
_TYPE = F(
    *("Connector type", "connector_type", "code", "SC, LC, ..., or splice"),
    codes="types",
    optional=True,
)
FORMS: tuple[Form, ...] = (
    Form(
        "rework_log",
        "rework",
        "Rework log",
        "One line for every attempt that failed, also the quick ones. Unknown is a good answer.",
        (
            F("Date", "when", "day", "Day of the failure, not of writing", width=11),
            _TECHNICIAN,
            _JOB,
            _PANEL,
            _PORT,
            _TYPE,
            F("Step where found", "step", "list", "Where you noticed it", STEPS, width=14),
            F("Suspected cause", "cause", "list", "Your guess; unknown is fine", CAUSES, width=18),
            F("What was done", "disposition", "list", "How it ended", DISPOSITIONS, width=14),
            F(
                "Tries",
                "tries",
                "number",
                "Failed tries this line stands for",
                width=7,
                optional=True,
            ),
            F("Bodies", "bodies", "number", "Connector bodies used up (0 if none)", width=8),
            F(
                "Sleeves",
                "sleeves",
                "number",
                "Sleeves or epoxy doses used up",
                width=8,
                optional=True,
            ),
            F("Rings", "rings", "number", "Crimp rings used up", width=7, optional=True),
            F(
                "Crimp die",
                "die",
                "code",
                "Size on the die, if it was crimped",
                codes="dies",
                width=9,
                optional=True,
            ),
            F("Cord (m)", "cord_m", "number", "Cord cut away", width=8, optional=True),
            F("Minutes", "rework_min", "number", "Minutes until it was right again", width=8),
            _REMARK,
        ),
    ),
    Form(
        "kit_sheet",
        "kit_use",
        "Kit of the day",
        "One line a person and day: who works with which splicer, cleaver and heater.",
        (
            F("Date", "when", "day", "Day", width=12),
            F("Part of day", "part_of_day", "list", "all, or am and pm", ("all", "am", "pm")),
            _TECHNICIAN,
            F("Splicer", "splicer", "code", "Code on the unit", codes="splicer"),
            F("Cleaver", "cleaver", "code", "Code on the unit", codes="cleaver"),
            F("Heater", "heater", "code", "Code on the unit", codes="heater", optional=True),
        ),
    ),
    Form(
        "service_log",
        "service",
        "Service log",
        "One line each time a blade is turned, electrodes are changed, an arc is calibrated.",
        (
            F("Date and time", "when", "time", "When it was done", width=18),
            F("Unit", "unit", "code", "Code on the unit", codes="all"),
            F("Event", "event", "list", "What was done", SERVICE_EVENTS, width=24),
            F("Remark", "remark", "text", "For example the blade's new position", width=40),
        ),
    ),
    Form(
        "morning_checks",
        "checks",
        "Morning checks",
        "One line a check splice, arc check or reference check, before the day's work.",
        (
            F("Date and time", "when", "time", "When it was done", width=18),
            F(
                "Check",
                "check",
                "list",
                "Kind of check",
                ("check splice", "reference check", "arc check"),
                width=16,
            ),
            F("Unit", "unit", "code", "Splicer, cleaver or test set", codes="all"),
            _TECHNICIAN,
            F("Reading (dB)", "value", "number", "As the display shows it", width=13),
            F("Result", "result", "list", "Its verdict", ("pass", "fail", "unknown")),
            _REMARK,
        ),
    ),
    Form(
        "stock_moves",
        "stock",
        "Stock moves",
        "One line each time parts come in, go out, come back, are counted or thrown away.",
        (
            F("Date", "when", "day", "Day", width=12),
            F("Part", "part", "code", "Name as in the settings", codes="parts", width=16),
            _TYPE,
            F("Lot", "lot", "text", "Lot on the bag", optional=True),
            F(
                "Move",
                "move",
                "list",
                "What happened",
                ("received", "issued", "returned", "counted", "scrapped"),
            ),
            F("Pieces", "quantity", "number", "Pieces, not packs", width=9),
            F("Expires", "expires", "day", "Last day of use, if it has one", optional=True),
            F("Technician", "technician", "code", "Who drew it", codes="people"),
            F("Job", "job", "text", "Job it was drawn for", optional=True),
            _REMARK,
        ),
    ),
    Form(
        "planned_positions",
        "planned",
        "Planned positions",
        "One line a panel with its number of ports, or one line a single port.",
        (
            _JOB,
            F("Site", "site", "text", "Site", width=20, optional=True),
            _PANEL,
            F("Number of ports", "ports", "number", "Ports 1 to n of a whole panel", width=16),
            F(
                "Port",
                "port",
                "text",
                "A single port, where the line is not a whole panel",
                width=7,
            ),
            _TYPE,
            F("Fibre lot", "fibre_lot", "text", "Lot of the fibre or cable", optional=True),
            F(
                "Connector lot",
                "connector_lot",
                "text",
                "Lot of the connectors",
                width=14,
                optional=True,
            ),
            F(
                "Conditions",
                "conditions",
                "text",
                "Dust, wind, cold, height, ...",
                width=24,
                optional=True,
            ),
        ),
    ),
    Form(
        "job_list",
        "jobs",
        "Job list",
        "One line a job.",
        (
            _JOB,
            F("Site", "site", "text", "Site", width=24),
            F("Planned terminations", "planned", "number", "How many in all", width=20),
            F("Opened", "opened", "day", "First day"),
            F("Closed", "closed", "day", "Last day; empty while open"),
            F(
                "Conditions",
                "conditions",
                "text",
                "Dust, wind, cold, height, ...",
                width=28,
                optional=True,
            ),
        ),
    ),
    Form(
        "decisions",
        "decisions",
        "Decisions",
        "One line a decision of the weekly review, so that next week shows what came of it.",
        (
            F("Date", "when", "day", "Day", width=12),
            F("Decision", "decision", "text", "What was decided", width=40),
            F("Unit or lot", "unit", "text", "What it is about", width=18),
            F("Decided by", "by", "code", "Code", codes="people"),
            F("Reason", "reason", "text", "Why", width=40, optional=True),
        ),
    ),
)
LAYOUTS: tuple[Layout, ...] = tuple(layout for form in FORMS for layout in form.layouts())
"""Built-in layouts; ``load_layouts`` puts them behind the crew's own."""


def write_forms(folder: Path, crew: Crew | None = None) -> list[Path]:
    """Write all blank sheets as workbooks.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    crew : Crew, optional
        Its codes are offered in the drop-downs.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    CrewError
        If a form of that name is there already: it may be filled in.
    """
    for form in FORMS:
        if (folder / f"{form.file}.xlsx").exists():
            raise CrewError(
                "this form is there already and may be filled in",
                file=f"{form.file}.xlsx",
                remedy="Move it into inbox/, or name another folder.",
            )
    folder.mkdir(parents=True, exist_ok=True)
    codes = _codes(crew)
    found = []
    for form in FORMS:
        path = folder / f"{form.file}.xlsx"
        write_form(form, path, codes)
        found.append(path)
    return found


def _codes(crew: Crew | None) -> dict[str, list[str]]:
    """Codes of the crew's settings by kind."""
    if crew is None:
        return {}
    units: dict[str, list[str]] = {k: [] for k in ("splicer", "cleaver", "heater", "all")}
    for one in crew.equipment:
        units["all"].append(one.unit)
        if one.kind in units:
            units[one.kind].append(one.unit)
    return units | {
        "people": [person.code for person in crew.people],
        "dies": sorted({f"{die:.3f} in" for one in crew.connector_types for die in one.dies_in}),
        "types": [one.connector_type for one in crew.connector_types],
        "parts": sorted({one.part for one in crew.parts}),
    }


def write_form(form: Form, path: Path, codes: Mapping[str, Sequence[str]]) -> None:
    """Write one blank sheet: title, headings, ruled rows, drop-downs, print set-up."""
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        sheet = book.add_worksheet(form.title)
        styles = _styles(book)
        last = len(form.fields) - 1
        for row in range(4, 4 + ROWS):
            sheet.set_row(row, 24)  # room for handwriting
        sheet.write_string(0, 0, form.title, styles["title"])
        sheet.write_string(1, 0, form.why, styles["why"])
        for column, one in enumerate(form.fields):
            width = max(one.width, len(one.heading) + 2)
            sheet.set_column(column, column, width)
            sheet.write_string(3, column, one.heading, styles["heading"])
            sheet.write_comment(3, column, one.note, {"x_scale": 1.2, "y_scale": 0.5})
            for row in range(4, 4 + ROWS):
                sheet.write_blank(row, column, None, styles[one.kind])
            _validate(sheet, column, one, codes)
        _page(sheet, form, last)
        _legend(book, form, styles)


def _styles(book: Any) -> dict[str, Any]:
    rule = {"border": 1, "border_color": "#9a9a9a"}
    found = {
        "title": book.add_format({"bold": True, "font_size": 16}),
        "why": book.add_format({"italic": True}),
        "heading": book.add_format(
            {"bold": True, "bg_color": "#e4e4e4", "text_wrap": True, "valign": "top", **rule}
        ),
        "day": book.add_format({"num_format": "yyyy-mm-dd", **rule}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm", **rule}),
        "number": book.add_format({"num_format": "General", **rule}),
    }
    # text cells keep a port such as 03 or 1/2 as it is typed
    text = book.add_format({"num_format": "@", **rule})
    return found | {"text": text, "list": text, "code": text}


def _validate(sheet: Any, column: int, one: Field, codes: Mapping[str, Sequence[str]]) -> None:
    """Drop-downs, and a kind word where a date or number was wanted."""
    place = (4, column, 3 + ROWS, column)
    shown = {"input_title": one.heading[:32], "input_message": one.note[:255]}
    offered = list(one.choices or codes.get(one.codes, ()))
    if sum(len(word) + 1 for word in offered) > 255:
        offered = []
    if offered:
        strict = "stop" if one.kind == "list" else "information"
        sheet.data_validation(
            *place, {"validate": "list", "source": offered, "error_type": strict, **shown}
        )
    elif one.kind in ("day", "time"):
        sheet.data_validation(
            *place,
            {
                "validate": "date",
                "criteria": ">",
                "value": date(2000, 1, 1),
                "error_type": "warning",
                "error_message": "A date is wanted here, for example 2026-11-20.",
                **shown,
            },
        )
    elif one.kind == "number":
        sheet.data_validation(
            *place,
            {
                "validate": "decimal",
                "criteria": ">=",
                "value": -1000,
                "error_type": "warning",
                "error_message": "A number is wanted here.",
                **shown,
            },
        )
    else:
        sheet.data_validation(*place, {"validate": "any", **shown})


def _page(sheet: Any, form: Form, last: int) -> None:
    """Print set-up: landscape, one page wide, headings on each page."""
    sheet.freeze_panes(4, 0)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(3)
    sheet.print_area(0, 0, 3 + ROWS, last)
    sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
    sheet.set_footer(f"&L{form.title}&RPage &P of &N")


def _legend(book: Any, form: Form, styles: Mapping[str, Any]) -> None:
    """A second sheet: what to write in each column, and the words to choose from."""
    sheet = book.add_worksheet("What to write")
    sheet.set_column(0, 0, 22)
    sheet.set_column(1, 1, 100)
    sheet.write_string(0, 0, "What to write", styles["title"])
    for row, one in enumerate(form.fields, 2):
        words = f" Choose: {', '.join(one.choices)}." if one.choices else ""
        sheet.write_string(row, 0, one.heading, styles["heading"])
        sheet.write_string(row, 1, f"{one.note}.{words}")
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
