"""Parsed files made by hand for the tests of deriving: a row is a dict of what it says."""

import hashlib
from datetime import UTC, date, datetime

import pyarrow as pa

from yieldkit.crew import Crew
from yieldkit.records.deriving import derive
from yieldkit.records.fingerprints import fingerprints
from yieldkit.records.parsed import PARSED, Parsed
from yieldkit.records.stacking import Source
from yieldkit.records.tables import TABLES, arrow_schema

REFUSED = pa.schema(
    [
        ("sheet", pa.string()),
        ("source_row", pa.int64()),
        *((name, pa.string()) for name in ("column", "found", "reason", "text")),
    ]
)


def crew(**settings):
    """Settings with a zone, one limit and tests of insertion loss at one wavelength."""
    base = {
        "general": {"zone": "Europe/Helsinki"},
        "connector_types": [
            {"connector_type": "LC", "required_tests": "insertion loss 1310"},
            {"connector_type": "splice", "design": "D", "required_tests": "none"},
        ],
        "limits": [{"quantity": "estimated loss", "limit_db": 0.15}],
    }
    return Crew.model_validate(base | settings)


def at(text):
    """A time such as "2026-11-16 08:30"."""
    return datetime.fromisoformat(text)


def made(file, table, rows, **furniture):
    """A file taken in, from dicts of its rows; rows are numbered from 2 on unless they say."""
    schema = arrow_schema(PARSED[table])
    full = [
        {"sheet": "", "source_row": number} | _defaults(table) | row
        for number, row in enumerate(rows, start=2)
    ]
    columns = {
        field.name: pa.array([row.get(field.name) for row in full], field.type) for field in schema
    }
    columns["fingerprint"] = fingerprints(table, columns, len(full))
    parsed = Parsed(
        layout="made",
        table=table,
        rows=pa.table(columns, schema=schema),
        refused=REFUSED.empty_table(),
        data_rows=len({(row["sheet"], row["source_row"]) for row in full}),
        furniture=furniture,
    )
    digest = hashlib.sha256(repr((file, rows)).encode()).hexdigest()
    taken_in = datetime(2026, 11, 25, tzinfo=UTC)
    return Source(file, digest, 100, taken_in, "taken in", parsed=parsed)


def _defaults(table):
    if table == "attempts":
        return {"error": "none", "reached_arc": True, "loss_mark": "="}
    if table == "measurements":
        return {"quantity": "insertion loss", "wavelength_nm": 1310.0, "value_mark": "="}
    return {}


def arc(
    when, place="P01/01", loss=0.03, counter=None, job="J1", splicer="SP-01", who="T01", **more
):
    """One record of a splicer."""
    return {
        "when_shown": at(when) if when else None,
        "place_text": place,
        "loss_db": loss,
        "loss_text": "" if loss is None else f"{loss:.2f}",
        "counter": counter,
        "job_text": job,
        "splicer_text": splicer,
        "technician_text": who,
    } | more


def test(when, place="P01/01", value=0.2, result="pass", job="J1", **more):
    """One reading of insertion loss."""
    return {
        "when_shown": at(when),
        "place_text": place,
        "value": value,
        "value_text": f"{value:.2f}",
        "value_step": 0.01,
        "result": result,
        "job_text": job,
        "technician_text": "T09",
    } | more


test.__test__ = False


def panel(ports=12, panel="P01", kind="LC", job="J1"):
    """One line of a panel schedule."""
    return {"job_text": job, "panel_text": panel, "ports": ports, "connector_type_text": kind}


def kit(day, who="T01", splicer="SP-01", cleaver="C-01", heater="H-01"):
    """One line of the kit sheet."""
    return {
        "when_shown": datetime.combine(date.fromisoformat(day), datetime.min.time()),
        "technician_text": who,
        "splicer_text": splicer,
        "cleaver_text": cleaver,
        "heater_text": heater,
        "part_of_day": "all",
    }


def entry(day, place="P01/01", step="splice", cause="cleave", job="J1", who="T01", **more):
    """One entry of the rework log."""
    return {
        "when_shown": datetime.combine(date.fromisoformat(day), datetime.min.time()),
        "place_text": place,
        "step": step,
        "cause": cause,
        "cause_text": cause,
        "disposition": "unknown",
        "job_text": job,
        "technician_text": who,
    } | more


def derived(*sources, settings=None):
    """All tables as DataFrames, from files and settings."""
    found = derive(sources, settings or crew())
    return {name: found.plain(name).to_pandas() for name in TABLES}


def position(tables, position_id="J1|P01|1"):
    """The row of one position."""
    return tables["positions"].set_index("position_id").loc[position_id]


def classes(tables, file):
    """Accepted, duplicates, held, refused of a file."""
    row = tables["files"].set_index("file").loc[file]
    return row[["accepted", "duplicates", "held", "refused"]].tolist()
