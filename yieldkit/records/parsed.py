"""What one file holds once its cells are typed: values as shown, nothing repaired or linked.

``layouts`` and ``parsing`` make it; ``deriving`` takes it. One row here is one reading of one
source row; a wide ribbon row gives several. Accounting counts source rows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from yieldkit.records.tables import (
    CAUSES,
    DISPOSITIONS,
    ERRORS,
    QUANTITIES,
    STEPS,
    Column,
    Table,
    arrow_schema,
)

if TYPE_CHECKING:
    import pyarrow as pa

VERSION = 9
"""Grows whenever the same bytes and layout would be typed differently."""
NOT_NAMED = "machine not named: "
"""Beginning of the spelling of a machine that a part of a file leaves open; a doubt, no code."""

C = Column
_SOURCE = (
    C("sheet", "text", "sheet of a workbook; empty for text files"),
    C("source_row", "whole", "row in the file or sheet as a spreadsheet counts", low=1),
    C("fingerprint", "text", "digest of the row's typed values as shown and its occurrence no."),
)
_TIME = (
    C("when_shown", "local", "time as written, no zone"),
    C("when_text", "text", "time as written"),
)
_PLACE = (
    C("job_text", "text", "job as written"),
    C("panel_text", "text", "panel as written, if in a column of its own"),
    C("port_text", "text", "port as written, if in a column of its own"),
    C("place_text", "text", "panel and port together as written, if in one column"),
)


def _text(*names: str) -> tuple[Column, ...]:
    return tuple(C(name, "text", name.removesuffix("_text") + " as written") for name in names)


ATTEMPTS = Table(
    "attempts",
    "one record of a splicer as shown",
    ("fingerprint",),
    (
        *_TIME,
        C("counter", "whole", "record number as shown", low=0),
        *_text("splicer_text", "serial_text", "technician_text", "cleaver_text", "heater_text"),
        *_PLACE,
        C("fibre", "whole", "fibre number", low=1),
        C("ribbon_text", "text", "ribbon id; the same for all fibres of one ribbon arc"),
        *_text("connector_type_text", "fibre_lot_text", "connector_lot_text", "program"),
        C("loss_text", "text", "estimate as shown"),
        C("loss_db", "number", "number in it; missing if there was none", "dB"),
        C("loss_mark", "text", "how it bounds", values=("=", "<", ">", "")),
        C("loss_step", "number", "step of the display (0.01 for two decimals)", "dB"),
        C("angle_crew_deg", "number", "cleave angle of the crew's fibre", "deg"),
        C("angle_other_deg", "number", "cleave angle of the other end", "deg"),
        C("arcs", "whole", "arcs as shown", low=0),
        C("outcome_text", "text", "outcome as shown"),
        C("error", "text", "class of the outcome by the layout's words", values=ERRORS),
        C("reached_arc", "yes/no", "false for a failure before the arc"),
        *_text("die_text", "remark"),
        *_SOURCE,
    ),
)
REWORK = Table(
    "rework",
    "one entry of the rework log as written",
    ("fingerprint",),
    (
        *_TIME,
        *_text("technician_text"),
        *_PLACE,
        *_text("connector_type_text", "step_text", "cause_text", "disposition_text"),
        C("step", "text", "step by the layout's or built-in words", values=STEPS),
        C("cause", "text", "cause by the layout's or built-in words", values=CAUSES),
        C("disposition", "text", "by the layout's or built-in words", values=DISPOSITIONS),
        C("tries", "whole", "number of tries written", low=0),
        C("bodies", "number", "pieces", "pieces", low=0),
        C("sleeves", "number", "pieces", "pieces", low=0),
        C("rings", "number", "pieces", "pieces", low=0),
        C("cord_m", "number", "cord", "m", low=0),
        C("rework_min", "number", "minutes", "min", low=0),
        *_text("die_text", "remark"),
        *_SOURCE,
    ),
)
MEASUREMENTS = Table(
    "measurements",
    "one reading of a test row as written",
    ("fingerprint",),
    (
        *_TIME,
        *_text("technician_text"),
        *_PLACE,
        *_text("connector_type_text"),
        C("quantity", "text", "what was read", values=QUANTITIES),
        C("wavelength_nm", "number", "wavelength", "nm"),
        C("direction", "text", "A to B, B to A, both, or empty"),
        C("value_text", "text", "reading as written"),
        C("value", "number", "number in it; missing if none", "dB"),
        C("value_mark", "text", "how it bounds", values=("=", "<", ">", "")),
        C("value_step", "number", "step of the display (0.01 for two decimals)", "dB"),
        C("result", "text", "verdict as recorded", values=("pass", "fail", "unknown")),
        C("after_cleaning", "yes/no", "the row says that the end face was cleaned first"),
        *_text("die_text", "remark"),
        *_SOURCE,
    ),
)
KIT_USE = Table(
    "kit_use",
    "one line of the kit sheet as written",
    ("fingerprint",),
    (
        *_TIME,
        C("part_of_day", "text", "part of the day", values=("all", "am", "pm")),
        *_text("technician_text", "splicer_text", "cleaver_text", "heater_text"),
        *_SOURCE,
    ),
)
PLANNED = Table(
    "planned",
    "one line of a panel schedule: a panel with a number of ports, or one position",
    ("fingerprint",),
    (
        *_PLACE,
        C("ports", "whole", "number of ports 1..n where the line is a whole panel", low=1),
        *_text("connector_type_text", "fibre_lot_text", "connector_lot_text", "site", "conditions"),
        *_SOURCE,
    ),
)
JOBS = Table(
    "jobs",
    "one job as written",
    ("fingerprint",),
    (
        *_text("job_text", "site"),
        C("planned", "whole", "terminations planned", low=0),
        C("opened", "date", "day opened"),
        C("closed", "date", "day closed"),
        *_text("conditions"),
        *_SOURCE,
    ),
)
SERVICE = Table(
    "service",
    "one service event as written",
    ("fingerprint",),
    (*_TIME, *_text("unit_text", "event_text"), *_text("remark"), *_SOURCE),
)
STOCK = Table(
    "stock",
    "one stock move as written",
    ("fingerprint",),
    (
        *_TIME,
        *_text("part", "connector_type_text", "lot", "move_text", "technician_text", "job_text"),
        C("quantity", "number", "pieces", "pieces"),
        C("expires", "date", "expiry of the lot"),
        *_text("remark"),
        *_SOURCE,
    ),
)
CHECKS = Table(
    "checks",
    "one morning check as written",
    ("fingerprint",),
    (
        *_TIME,
        *_text("check_text", "unit_text", "technician_text", "value_text"),
        C("value", "number", "number in it", "dB"),
        C("value_mark", "text", "how it bounds", values=("=", "<", ">", "")),
        C("value_step", "number", "step of the display", "dB"),
        C("result", "text", "verdict as recorded", values=("pass", "fail", "unknown")),
        *_text("remark"),
        *_SOURCE,
    ),
)
DECISIONS = Table(
    "decisions",
    "one decision as written",
    ("fingerprint",),
    (*_TIME, *_text("decision", "unit_text", "by_text", "reason"), *_SOURCE),
)
PARSED = {
    table.name: table
    for table in (
        ATTEMPTS,
        REWORK,
        MEASUREMENTS,
        KIT_USE,
        PLANNED,
        JOBS,
        SERVICE,
        STOCK,
        CHECKS,
        DECISIONS,
    )
}


ONCE = {"fingerprint", "when_text"}
"""Columns in which hardly a text comes twice: they are kept as they are."""


def coded_schema(table: Table) -> pa.Schema:
    """Arrow schema of a table with its text coded, but for ``ONCE``."""
    import pyarrow as pa

    coded = pa.dictionary(pa.int32(), pa.string())
    plain = arrow_schema(table)
    text = {f.name for f in plain if pa.types.is_string(f.type)} - ONCE
    return pa.schema([f.with_type(coded) if f.name in text else f for f in plain])


@dataclass(frozen=True, eq=False)
class Waiting:
    """Typed rows of one file that are read when their turn comes.

    Parameters
    ----------
    count : int
        How many there are.
    read : callable
        Reads them: columns of ``PARSED[table]``, text coded, without those in which nothing
        stands and without the time as written.
    """

    count: int
    read: Callable[[], pa.Table]


@dataclass(frozen=True, eq=False)
class Parsed:
    """One file read with one layout.

    Parameters
    ----------
    layout : str
        Name of the layout.
    table : str
        Key of ``PARSED`` that the file feeds.
    rows : pyarrow.Table
        Typed rows, columns of ``PARSED[table]``; text may be coded (``coded_schema``).
    refused : pyarrow.Table
        Columns sheet, source_row, column, found, reason, text; for attempts counter and
        splicer_text where the row still shows them.
    data_rows : int
        Source rows that are or were records: distinct (sheet, source_row) of ``rows`` and
        ``refused`` together, which never share one.
    furniture : dict
        What the file says about itself: ``unit`` (splicer named in preamble or file name),
        ``downloaded`` (datetime, if said), ``rows_said`` (if the preamble counts them).
    """

    layout: str
    table: str
    rows: pa.Table
    refused: pa.Table
    data_rows: int
    furniture: dict[str, object] = field(default_factory=dict)
