"""Schemas of all tables, in one place: name, type, unit, meaning, allowed values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Kind = Literal["text", "whole", "number", "yes/no", "utc", "local", "date"]
"""``utc``: timestamp with zone UTC, milliseconds; ``local``: as a clock showed it, no zone."""

UNKNOWN = "unknown"
"""Value of a person, unit, step or cause that the records do not tell."""

LINKS = ("exact", "normalised", "probable", "unlinked")
FIRST_PASS = ("yes", "no", "pending", "unknown")
STATES = ("not started", "open", "accepted", "accepted as is", "given up")
ACCEPTED = ("accepted", "accepted as is")
STEPS = ("prepare", "cleave", "splice", "protect", "crimp", "inspect", "test", UNKNOWN)
"""Steps where a failure is found; ``prepare`` and ``cleave`` lie before the arc."""
CAUSES = (
    "strip or nick",
    "cleave",
    "contamination",
    "arc or splicer",
    "protection or cure",
    "crimp or mechanical",
    "assembly",
    "end face",
    "test set-up",
    "fibre or cable",
    "cord too short",
    UNKNOWN,
)
DISPOSITIONS = (
    "re-cleave",
    "re-splice",
    "new connector",
    "cleaned",
    "accepted as is",
    "given up",
    "left open",
    UNKNOWN,
)
QUANTITIES = (
    "estimated loss",
    "one-way loss",
    "two-way loss",
    "insertion loss",
    "return loss",
    "end face",
)
"""What a reading is of; a limit row meets its own quantity only."""
ERRORS = (
    "none",
    "loss over limit",
    "cleave angle",
    "end face",
    "dust",
    "gap or offset",
    "arc",
    "bubble or neck",
    "proof test",
    "other",
)
"""Classes of a splicer's outcome. ``cleave angle`` and ``end face`` are refusals before the arc."""
SERVICE_EVENTS = (
    "blade rotation",
    "blade height",
    "blade replacement",
    "electrode replacement",
    "arc calibration",
    "cleaning",
    "repair",
    "calibration",
    "other",
)
KIT_KINDS = ("splicer", "cleaver", "heater", "test set")


@dataclass(frozen=True)
class Column:
    """One column: name, kind, meaning, unit, allowed values or least and greatest value."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    values: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its key, its columns."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [column.name for column in self.columns]


C = Column
_WHERE_FROM = (
    C("file", "text", "name of the first file that holds the row"),
    C("sheet", "text", "sheet of a workbook; empty for text files"),
    C("source_row", "whole", "row in the file or sheet as a spreadsheet counts", low=1),
    C("fingerprint", "text", "digest of the row's typed values as shown, and its occurrence"),
)
_PLACE = (
    C("job", "text", "job code"),
    C("panel", "text", "panel code, normalised"),
    C("port", "text", "port, normalised"),
    C("position_id", "text", "job|panel|port of the position meant; missing when unlinked"),
    C("link", "text", "how surely the row is linked to its position", values=LINKS),
)

ATTEMPTS = Table(
    "attempts",
    "one arc sequence meant as a joint, or one recorded failure before the arc",
    ("attempt_id",),
    (
        C("attempt_id", "text", "serial|epoch|counter, else serial|clock as shown|fingerprint"),
        C("splicer", "text", "unit code of the splicer"),
        C("serial", "text", "serial of the physical splicer; the unit code where none is known"),
        C("epoch", "whole", "counter epoch: grows by one when the counter starts again", low=0),
        C("counter", "whole", "record number as shown; missing without a counter", low=0),
        C("when", "utc", "time of the joint; repaired where the clock was wrong"),
        C("when_shown", "local", "time as the machine's clock showed it"),
        C(
            "when_source",
            "text",
            "whether the time is as shown, inferred by a repair, or unknown",
            values=("shown", "inferred", UNKNOWN),
        ),
        C("date", "date", "day of the joint in the crew's zone"),
        C("technician", "text", "code of who made it; unknown if the records do not say"),
        C(
            "technician_source",
            "text",
            "where the technician is from",
            values=("export", "kit sheet", "rework log", "test", "decision", UNKNOWN),
        ),
        C("cleaver", "text", "unit code of the cleaver; unknown if the records do not say"),
        C("heater", "text", "unit code of the curing heater; unknown if the records do not say"),
        C(
            "kit_source",
            "text",
            "where cleaver and heater are from",
            values=("export", "kit sheet", "inferred", UNKNOWN),
        ),
        *_PLACE,
        C("place_text", "text", "place as written"),
        C("fibre", "whole", "fibre number within a ribbon or cable", low=1),
        C("ribbon", "text", "one id for all fibres of one ribbon arc; missing for single fibres"),
        C("connector_type", "text", "connector type, or splice for an ordinary fibre splice"),
        C("fibre_lot", "text", "fibre lot; unknown if the records do not say"),
        C("connector_lot", "text", "connector lot; unknown if the records do not say"),
        C("program", "text", "splicing program as shown"),
        C("loss_text", "text", "the estimate as shown"),
        C("loss_low_db", "number", "least loss the display can mean", "dB"),
        C("loss_high_db", "number", "greatest loss the display can mean; may be infinite", "dB"),
        C("angle_crew_deg", "number", "cleave angle of the crew's fibre", "deg", low=0, high=90),
        C("angle_other_deg", "number", "cleave angle of the other end", "deg", low=0, high=90),
        C("arcs", "whole", "arcs at this attempt, re-arcs included; missing if not shown", low=0),
        C("reached_arc", "yes/no", "false for a failure recorded before the arc"),
        C("error", "text", "class of the outcome", values=ERRORS),
        C("error_text", "text", "outcome as shown"),
        C("attempt_no", "whole", "which arc at its position, in time order", low=1),
        C("redo", "text", "whether it redoes an earlier arc", values=("no", "yes", "probable")),
        C("die", "text", "crimp die as written"),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

REWORK = Table(
    "rework",
    "one entry of the hand-kept rework log",
    ("rework_id",),
    (
        C("rework_id", "text", "fingerprint of the entry"),
        C("logged", "date", "day written on the entry"),
        C("technician", "text", "code of the technician named; unknown if none"),
        *_PLACE,
        C("place_text", "text", "place as written"),
        C("attempt_id", "text", "the failed attempt that the entry tells of; missing if unlinked"),
        C("connector_type", "text", "connector type"),
        C("step", "text", "step where the failure was found", values=STEPS),
        C("cause", "text", "suspected cause", values=CAUSES),
        C("cause_text", "text", "cause as written"),
        C("disposition", "text", "what was done", values=DISPOSITIONS),
        C("disposition_text", "text", "what was done, as written"),
        C(
            "tries",
            "whole",
            "number of tries that the entry stands for; missing if not said",
            low=0,
        ),
        C("bodies", "number", "connector bodies used up; missing if not counted", "pieces", low=0),
        C("sleeves", "number", "sleeves or epoxy doses used up", "pieces", low=0),
        C("rings", "number", "crimp rings used up", "pieces", low=0),
        C("cord_m", "number", "cord used up", "m", low=0),
        C("rework_min", "number", "minutes written", "min", low=0),
        C("die", "text", "crimp die as written"),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

MEASUREMENTS = Table(
    "measurements",
    "one test reading",
    ("measurement_id",),
    (
        C("measurement_id", "text", "fingerprint and quantity of the reading"),
        *_PLACE,
        C("place_text", "text", "place as written"),
        C("when", "utc", "time of the test"),
        C("when_shown", "local", "time as written"),
        C("date", "date", "day of the test in the crew's zone"),
        C("technician", "text", "code of the person named on the row, not always the tester"),
        C("quantity", "text", "what was read", values=QUANTITIES),
        C("wavelength_nm", "number", "wavelength; missing where it has none", "nm"),
        C("direction", "text", "A to B, B to A, both, or empty"),
        C("value_text", "text", "reading as written"),
        C("value_low", "number", "least value the display can mean", "dB"),
        C("value_high", "number", "greatest value the display can mean", "dB"),
        C("result", "text", "verdict as recorded", values=("pass", "fail", UNKNOWN)),
        C("repeat", "whole", "1 for the first reading of this quantity here, then 2, ...", low=1),
        C(
            "after_cleaning",
            "yes/no",
            "true where the row says that the end face was cleaned first",
        ),
        C("die", "text", "crimp die as written"),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

KIT_USE = Table(
    "kit_use",
    "who held which kit on a day",
    ("technician", "date", "part_of_day", "splicer"),
    (
        C("technician", "text", "code"),
        C("date", "date", "day"),
        C("part_of_day", "text", "all day, morning or afternoon", values=("all", "am", "pm")),
        C("splicer", "text", "unit code"),
        C("cleaver", "text", "unit code"),
        C("heater", "text", "unit code"),
        C("source", "text", "whether written or inferred", values=("kit sheet", "inferred")),
        *_WHERE_FROM,
    ),
)

PLANNED = Table(
    "planned",
    "one position meant to be done",
    ("position_id",),
    (
        C("position_id", "text", "job|panel|port"),
        C("job", "text", "job code"),
        C("panel", "text", "panel code"),
        C("port", "text", "port"),
        C("connector_type", "text", "connector type"),
        C("fibre_lot", "text", "fibre lot"),
        C("connector_lot", "text", "connector lot"),
        C("site", "text", "site"),
        C("conditions", "text", "site conditions"),
        *_WHERE_FROM,
    ),
)

JOBS = Table(
    "jobs",
    "one job",
    ("job",),
    (
        C("job", "text", "job code"),
        C("site", "text", "site"),
        C("planned", "whole", "terminations planned", "positions", low=0),
        C("opened", "date", "day opened"),
        C("closed", "date", "day closed; missing while open"),
        C("conditions", "text", "site conditions"),
        *_WHERE_FROM,
    ),
)

EQUIPMENT = Table(
    "equipment",
    "one unit with its serial and validity",
    ("unit", "valid_from"),
    (
        C("unit", "text", "unit code"),
        C("kind", "text", "kind of unit", values=KIT_KINDS),
        C("model", "text", "model class; estimates of two models are never pooled"),
        C("serial", "text", "serial number"),
        C("valid_from", "date", "first day of this serial under this code"),
        C("valid_to", "date", "last day"),
        C("calibration_due", "date", "day by which calibration is due"),
    ),
)

SERVICE = Table(
    "service",
    "one service event",
    ("fingerprint",),
    (
        C("when", "utc", "time of the event"),
        C("when_shown", "local", "time as written"),
        C("date", "date", "day in the crew's zone"),
        C("unit", "text", "unit code"),
        C("event", "text", "kind of event", values=SERVICE_EVENTS),
        C("event_text", "text", "event as written"),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

STOCK = Table(
    "stock",
    "one stock move",
    ("fingerprint",),
    (
        C("date", "date", "day"),
        C("part", "text", "part"),
        C("connector_type", "text", "connector type it belongs to; empty if shared"),
        C("lot", "text", "lot"),
        C(
            "move",
            "text",
            "kind of move",
            values=("received", "issued", "returned", "counted", "scrapped"),
        ),
        C("quantity", "number", "pieces", "pieces"),
        C("expires", "date", "expiry of the lot"),
        C("technician", "text", "code of who drew it"),
        C("job", "text", "job it was drawn for"),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

CHECKS = Table(
    "checks",
    "one morning check splice or reference check",
    ("fingerprint",),
    (
        C("when", "utc", "time"),
        C("date", "date", "day in the crew's zone"),
        C(
            "check",
            "text",
            "kind of check",
            values=("check splice", "reference check", "arc check"),
        ),
        C("unit", "text", "unit code"),
        C("technician", "text", "code"),
        C("value_low", "number", "least value the reading can mean", "dB"),
        C("value_high", "number", "greatest value", "dB"),
        C("result", "text", "verdict as recorded", values=("pass", "fail", UNKNOWN)),
        C("remark", "text", "remark as written"),
        *_WHERE_FROM,
    ),
)

DECISIONS = Table(
    "decisions",
    "one dated decision of the weekly review",
    ("decision_id",),
    (
        C("decision_id", "text", "digest of the decision"),
        C("date", "date", "day"),
        C("decision", "text", "what was decided"),
        C("unit", "text", "unit, lot or type it is about"),
        C("by", "text", "code of who decided"),
        C("reason", "text", "why"),
        *_WHERE_FROM,
    ),
)

POSITIONS = Table(
    "positions",
    "one place that must end with an accepted joint (derived)",
    ("position_id",),
    (
        C("position_id", "text", "job|panel|port"),
        C("job", "text", "job code"),
        C("panel", "text", "panel code"),
        C("port", "text", "port"),
        C("site", "text", "site"),
        C("planned", "yes/no", "whether it is on the planned list"),
        C("connector_type", "text", "connector type; unknown if the records do not say"),
        C("fibre_lot", "text", "fibre lot of the first arc"),
        C("connector_lot", "text", "connector lot of the first arc"),
        C("first_attempt_id", "text", "first recorded arc"),
        C("first_when", "utc", "time of the first arc"),
        C("first_date", "date", "day of the first arc in the crew's zone"),
        C("technician", "text", "who made the first arc"),
        C("splicer", "text", "splicer of the first arc"),
        C("cleaver", "text", "cleaver of the first arc"),
        C("heater", "text", "heater of the first arc"),
        C("program", "text", "program of the first arc"),
        C("arcs", "whole", "recorded attempts that reached the arc", "attempts", low=0),
        C("preparation_losses", "whole", "recorded failures before the arc", "attempts", low=0),
        C("rework_entries", "whole", "linked entries of the rework log", "entries", low=0),
        C(
            "bodies",
            "number",
            "connector bodies used up, the accepted one included",
            "pieces",
            low=0,
        ),
        C("rework_min", "number", "minutes of linked rework entries; missing if none says", "min"),
        C("first_pass_splice", "text", "first arc within its limit", values=FIRST_PASS),
        C(
            "first_pass_termination",
            "text",
            "first arc led to an accepted joint, all required tests passed",
            values=FIRST_PASS,
        ),
        C("first_pass_link", "text", "first certification passed", values=FIRST_PASS),
        C("why", "text", "what decided first_pass_termination, in one word or two"),
        C("failed_step", "text", "step where the first attempt failed", values=STEPS),
        C("failed_cause", "text", "suspected cause of that failure", values=CAUSES),
        C("state", "text", "where the position stands", values=STATES),
        C("accepted_when", "utc", "time of the last required test passed"),
        C("link", "text", "least sure link of the rows behind", values=LINKS),
    ),
)

FILES = Table(
    "files",
    "one file taken in",
    ("sha256", "file"),
    (
        C("file", "text", "name as it lay in the inbox"),
        C("sha256", "text", "digest of its bytes"),
        C("layout", "text", "layout that read it; empty if none did"),
        C("table", "text", "main table it fed"),
        C("size", "whole", "size", "bytes", low=0),
        C("taken_in", "utc", "when it was taken in"),
        C("newest", "utc", "newest time in it, or when it was downloaded where known"),
        C(
            "status",
            "text",
            "what came of it",
            values=(
                "taken in",
                "empty",
                "no rows",
                "no layout",
                "two layouts",
                "unreadable",
                "withdrawn",
            ),
        ),
        C("reason", "text", "why it was not taken in, and what to do"),
        C("data_rows", "whole", "rows that are or were records", "rows", low=0),
        C("accepted", "whole", "rows that count", "rows", low=0),
        C("duplicates", "whole", "rows already held from this or another file", "rows", low=0),
        C("held", "whole", "rows that conflict with another", "rows", low=0),
        C("refused", "whole", "rows that cannot be read", "rows", low=0),
    ),
)

REFUSED = Table(
    "refused",
    "one row refused",
    ("file", "sheet", "source_row"),
    (
        C("file", "text", "file"),
        C("sha256", "text", "digest of the file's bytes"),
        C("sheet", "text", "sheet"),
        C("source_row", "whole", "row as a spreadsheet counts", low=1),
        C("column", "text", "heading of the column at fault; empty for the whole row"),
        C("found", "text", "what stood there"),
        C("reason", "text", "why it was refused and what was wanted"),
        C("text", "text", "the row as it came"),
    ),
)

HELD = Table(
    "held",
    "one row that conflicts with a row that counts",
    ("file", "sheet", "source_row"),
    (
        C("file", "text", "file"),
        C("sheet", "text", "sheet"),
        C("source_row", "whole", "row as a spreadsheet counts", low=1),
        C("table", "text", "table"),
        C("key", "text", "the key that both claim"),
        C("against_file", "text", "file of the row that counts"),
        C("against_row", "whole", "its row", low=1),
        C("differs", "text", "the columns that differ, with both values"),
        C("fingerprint", "text", "fingerprint of the held row"),
    ),
)

TABLES = {
    table.name: table
    for table in (
        ATTEMPTS,
        REWORK,
        MEASUREMENTS,
        KIT_USE,
        PLANNED,
        JOBS,
        EQUIPMENT,
        SERVICE,
        STOCK,
        CHECKS,
        DECISIONS,
        POSITIONS,
        FILES,
        REFUSED,
        HELD,
    )
}


def arrow_schema(table: Table) -> pa.Schema:
    """Arrow schema of a table."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "yes/no": pa.bool_(),
        "utc": pa.timestamp("ms", tz="UTC"),
        "local": pa.timestamp("ms"),
        "date": pa.date32(),
    }
    return pa.schema([(column.name, types[column.kind]) for column in table.columns])


def records_page() -> str:
    """The page docs/records.md: every table and column, its kind, unit, values and meaning."""
    kinds = {
        "text": "text",
        "whole": "whole number",
        "number": "number",
        "yes/no": "yes/no",
        "utc": "time, UTC",
        "local": "time as shown, no zone",
        "date": "day in the crew's zone",
    }
    lines = [
        "# Records: every table and column",
        "",
        "Made from the schemas in `yieldkit/records/tables.py`. The tables lie as plain Parquet in"
        " `store/generations/<n>/<table>/`; `yk.open_crew(folder)` gives each as a DataFrame.",
        "A missing value means that the records do not say; `unknown` is a value that is counted.",
    ]
    for table in TABLES.values():
        lines += ["", f"## {table.name}", "", f"One row: {table.row}. Key: {', '.join(table.key)}."]
        lines += [
            "",
            "| column | kind | unit | values | meaning |",
            "| --- | --- | --- | --- | --- |",
        ]
        for column in table.columns:
            span = [f"from {column.low:g}"] if column.low is not None else []
            span += [f"to {column.high:g}"] if column.high is not None else []
            values = ", ".join(column.values) or " ".join(span)
            meaning = column.meaning.replace("|", "\\|")
            lines.append(
                f"| `{column.name}` | {kinds[column.kind]} | {column.unit} | {values} | {meaning} |"
            )
    return "\n".join(lines) + "\n"


def require_columns(frame: pd.DataFrame, names: Iterable[str]) -> None:
    """Raise ``ValueError`` naming the columns that ``frame`` lacks."""
    lacking = [name for name in names if name not in frame.columns]
    if lacking:
        raise ValueError(f"the table lacks {lacking}; it has {list(frame.columns)}")
