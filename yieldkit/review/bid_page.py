"""One page to staple to a bid: HTML for print, a workbook, and the list as CSV."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd
import xlsxwriter

from yieldkit.answers.result import Finding
from yieldkit.answers.spares import BidSpares
from yieldkit.answers.stores import StoreRisk
from yieldkit.review.files import replace_text, replaced
from yieldkit.review.model import Picture, Shown
from yieldkit.review.page import TEMPLATES
from yieldkit.review.pictures import picture
from yieldkit.wording import page as words
from yieldkit.wording import spares as said
from yieldkit.wording.numbers import day, interval, money, percent

COLUMNS = (
    *("connector_type", "part", "positions"),
    *("p50", "p80", "p90", "p95", "p99", "packs", "quantity"),
)
"""Columns of ``spares.csv``; names and order stable."""


@dataclass(frozen=True)
class Written:
    """Where a bid's page, workbook and list lie."""

    page: Path
    workbook: Path
    table: Path


def write_bid(
    folder: Path,
    answer: BidSpares,
    *,
    crew: str,
    title: str,
    stores: StoreRisk | None = None,
    invented: bool = False,
) -> Written:
    """Write ``bid.html``, ``bid.xlsx`` and ``spares.csv`` into ``folder``.

    Parameters
    ----------
    answer : BidSpares
        From ``bid_spares``.
    crew, title : str
        Names of the crew and of the bid.
    stores : StoreRisk, optional
        The store beside the other jobs.
    invented : bool
        Whether the crew is the demo crew.
    """
    page = replace_text(
        folder / "bid.html",
        render(answer, crew=crew, title=title, stores=stores, invented=invented),
    )
    rows = answer.table[list(COLUMNS)].to_csv(index=False, lineterminator="\n")
    table = replace_text(folder / "spares.csv", rows)
    book = write_bid_workbook(folder / "bid.xlsx", answer, crew=crew, title=title, stores=stores)
    return Written(page, book, table)


def render(
    answer: BidSpares,
    *,
    crew: str,
    title: str,
    stores: StoreRisk | None = None,
    invented: bool = False,
) -> str:
    """The page as HTML; text from the bid is escaped."""
    findings = answer.findings
    return _template().render(
        crew=crew,
        title=title,
        starts=_starts(answer),
        as_of="" if answer.as_of is None else day(answer.as_of),
        demo=words.DEMO if invented else "",
        opening=str(findings[0]),
        unsure=[_line(one) for one in findings[1:] if one.severity in ("cannot tell", "watch")],
        store=[_line(one) for one in stores.findings] if stores else [],
        notes=[_line(one) for one in findings[1:] if one.severity in ("note", "fine")],
        tables=_shown(answer, stores),
        picture=_picture(answer),
        severities=words.SEVERITIES,
        reading=said.READING,
        safety=words.SAFETY,
        css=(TEMPLATES / "page.css").read_text("utf-8"),
    )


def write_bid_workbook(
    path: Path, answer: BidSpares, *, crew: str, title: str, stores: StoreRisk | None = None
) -> Path:
    """The same as a workbook; text stays text, whatever it begins with."""
    with replaced(path) as beside:
        book = xlsxwriter.Workbook(
            str(beside),
            {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False},
        )
        style = {
            "title": book.add_format({"bold": True, "font_size": 15}),
            "caption": book.add_format({"bold": True, "font_size": 12}),
            "head": book.add_format({"bold": True, "bottom": 2, "text_wrap": True}),
            "long": book.add_format({"text_wrap": True, "valign": "top"}),
            "number": book.add_format({"num_format": "#,##0.##"}),
        }
        sheet = book.add_worksheet("bid")
        sheet.hide_gridlines(2)
        sheet.set_paper(9)
        sheet.set_landscape()
        sheet.set_margins(0.4, 0.4, 0.4, 0.4)
        sheet.fit_to_pages(1, 1)
        sheet.set_column(0, 0, 27)
        sheet.set_column(1, 1, 24)
        sheet.set_column(2, 9, 12)
        sheet.write_string(0, 0, f"{title}: spares, parts and hours ({crew})", style["title"])
        row = 2
        for finding in (*answer.findings, *(stores.findings if stores else ())):
            text = str(finding)
            sheet.merge_range(row, 0, row, 9, text, style["long"])
            sheet.set_row(row, 15 * max(1, math.ceil(len(text) / 135)))
            row += 1
        for shown in _shown(answer, stores):
            row += 1
            sheet.write_string(row, 0, shown.caption, style["caption"])
            row += 1
            sheet.set_row(row, 46)
            for column, head in enumerate(shown.heads):
                sheet.write_string(row, column, head, style["head"])
            for cells in shown.rows:
                row += 1
                for column, cell in enumerate(cells):
                    sheet.write_string(row, column, cell)
            row += 1
        _raw(book, "spares", answer.table[list(COLUMNS)], style)
        for name, table in (
            ("yields", answer.types),
            ("hours", answer.hours),
            ("next pack", answer.next_pack),
            ("assumptions", answer.assumptions),
            ("stores", stores.table if stores else None),
        ):
            if table is not None and len(table):
                _raw(book, name, table, style)
        book.close()
    return path


def _raw(book: Any, name: str, table: pd.DataFrame, style: dict[str, Any]) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    for column, field in enumerate(table.columns):
        sheet.write_string(0, column, said.HEADINGS.get(str(field), str(field)), style["head"])
        sheet.set_column(column, column, 16)
        for row, value in enumerate(table[field], start=1):
            if isinstance(value, (int, float)) or hasattr(value, "item"):
                sheet.write_number(row, column, float(value), style["number"])
            else:
                sheet.write_string(row, column, str(value))


def _starts(answer: BidSpares) -> str:
    starts = answer.settings["bid"].starts
    return "" if starts is None else f"starts {day(starts)}"


def _line(finding: Finding) -> dict[str, str]:
    return {"severity": finding.severity, "text": str(finding)}


def _picture(answer: BidSpares) -> Picture:
    rows = int((answer.table["part"] != "cord_m").sum())
    return picture(
        answer.plot, height=1.1 + 0.3 * rows, caption=said.CAPTION, says=str(answer.findings[0])
    )


def _shown(answer: BidSpares, stores: StoreRisk | None) -> list[Shown]:
    """The page's tables, already rounded."""
    made = [_parts(answer), _types(answer), _hours(answer), _assumptions(answer)]
    if stores is not None and len(stores.table):
        made.append(_stores(stores))
    return made


def _parts(answer: BidSpares) -> Shown:
    more = answer.next_pack["chance"].to_numpy(float)
    rows = tuple(
        (
            _name(row.connector_type, row.part),
            f"{row.positions}",
            *(_many(getattr(row, name)) for name in ("p50", "p80", "p90", "p95", "p99")),
            f"{row.packs}",
            _many(row.quantity),
            percent(float(chance)),
        )
        for row, chance in zip(answer.table.itertuples(), more, strict=True)
    )
    heads = tuple(said.PARTS_HEADS)
    return Shown(said.PARTS_CAPTION, heads, rows, frozenset(range(1, len(heads))))


def _many(amount: float) -> str:
    """Pieces; metres of cord to the next tenth, never less than is needed."""
    return f"{amount:.0f}" if amount == int(amount) else f"{math.ceil(10 * amount - 1e-6) / 10:.1f}"


def _name(connector_type: object, part: object) -> str:
    words_of = said.part_words(str(part))
    return words_of.capitalize() if connector_type == "all" else f"{connector_type} {words_of}"


def _types(answer: BidSpares) -> Shown:
    rows = tuple(
        (
            str(row["connector_type"]),
            f"{row['positions']}",
            percent(row["yield"]),
            interval(row["low"], row["high"]),
            f"{row['n']}",
            str(row["from"]),
        )
        for row in answer.types.to_dict("records")
    )
    return Shown(said.TYPES_CAPTION, tuple(said.TYPES_HEADS), rows, frozenset({1, 2, 3, 4}))


def _hours(answer: BidSpares) -> Shown:
    currency = answer.settings["currency"]
    rows = tuple(
        (
            percent(row["level"], 0),
            f"{row['hours']:.0f} h",
            f"{row['rework_hours']:.0f} h",
            money(row["rework_cost"], currency),
        )
        for row in answer.hours.to_dict("records")
    )
    return Shown(said.HOURS_CAPTION, tuple(said.HOURS_HEADS), rows, frozenset({1, 2, 3}))


def _assumptions(answer: BidSpares) -> Shown:
    rows = tuple(
        (str(row["assumption"]), f"{row['low']}", f"{row['high']}")
        for row in answer.assumptions.to_dict("records")
    )
    return Shown(said.MATTERS_CAPTION, tuple(said.MATTERS_HEADS), rows, frozenset({1, 2}))


def _stores(stores: StoreRisk) -> Shown:
    rows = tuple(
        (
            _name(row["connector_type"], row["part"]),
            f"{row['job']}, {day(row['before'])}",
            f"{row['stock']:g}",
            f"{row['need_p50']:g}",
            f"{row['need_p95']:g}",
            percent(row["chance_short"]),
            day(row["order_by"]),
            str(row["act"]),
        )
        for row in stores.table.to_dict("records")
    )
    return Shown(said.STORES_CAPTION, tuple(said.STORES_HEADS), rows, frozenset({2, 3, 4, 5}))


@cache
def _template() -> jinja2.Template:
    surroundings = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return surroundings.get_template("bid.html.j2")
