"""The ``attempts`` table of a simulated crew, as honest records would show it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.records import tables
from yieldkit.simulate import frames
from yieldkit.simulate.chances import Bools
from yieldkit.simulate.machines import Log
from yieldkit.simulate.plan import CrewPlan
from yieldkit.simulate.roster import Ints, Roster, Work
from yieldkit.simulate.settings import serials
from yieldkit.simulate.world import Happened


def position_names(work: Work) -> dict[str, pd.Series]:
    """Text columns job, panel, port and position_id of all positions."""
    panels = [f"P{i + 1:02d}" for i in range(int(work.panel.max()) + 1)]
    ports = [str(i + 1) for i in range(int(work.port.max()) + 1)]
    job = frames.pick(work.job_names, work.job)
    panel, port = frames.pick(panels, work.panel), frames.pick(ports, work.port)
    names = job + "|" + panel + "|" + port
    return {"job": job, "panel": panel, "port": port, "position_id": names}


def place_texts(place: dict[str, pd.Series]) -> pd.Series:
    """Places as people write them: ``P03/07``."""
    return place["panel"] + "/" + place["port"].str.zfill(2)


def attempts_table(
    plan: CrewPlan,
    roster: Roster,
    work: Work,
    happened: Happened,
    log: Log,
    kit_known: Bools,
    place: dict[str, pd.Series],
) -> tuple[pd.DataFrame, Ints]:
    """The table in time order, and the index of each row into ``log``.

    ``kit_known`` has shape (days, technicians): whether the kit sheet tells that day; ``place``
    is what ``position_names`` gives.
    """
    rows = np.flatnonzero(log.kept)
    rows = rows[np.lexsort((rows, log.local[rows]))]
    at = log.attempt[rows]
    refusal = log.refusal[rows]
    position, splicer = happened.position[at], happened.splicer[at]
    size = len(rows)
    known = log.place_known[rows]
    where = np.where(known, position, -1)
    has_counter = np.array([unit.counter for unit in plan.splicers])[splicer]
    serial = frames.pick(serials(plan), splicer)
    ribbon = work.ribbon[position] & ~refusal
    fibre = work.fibre[position]
    shown = np.datetime_as_string(log.shown[rows], unit="s")
    ids = [
        f"{s}|0|{c}" + (f"|{f}" if r else "") if k else f"{s}|{t}|attempts-{i}"
        for i, (s, c, k, t, f, r) in enumerate(
            zip(serial, log.counter[rows], has_counter, shown, fibre, ribbon, strict=True)
        )
    ]
    sheet = kit_known[happened.day[at], happened.technician[at]]
    person_known = log.operator_known[rows] | sheet
    kit = sheet | plan.logging.names_cleaver
    person = np.where(log.operator_known[rows], 0, np.where(sheet, 1, 2))
    errors = frames.pick(tables.ERRORS, log.error[rows])
    when = frames.instants(log.local[rows], plan.zone)
    columns: dict[str, object] = {
        "attempt_id": frames.texts(ids),
        "splicer": frames.pick([unit.unit for unit in plan.splicers], splicer),
        "serial": serial,
        "epoch": np.zeros(size, dtype=np.int64),
        "counter": frames.whole(log.counter[rows], has_counter),
        "when": when,
        "when_shown": pd.Series(log.shown[rows].astype("datetime64[ms]")),
        "when_source": frames.pick(("shown", "inferred"), log.repaired[rows].astype(int)),
        "date": frames.dates(roster.dates[happened.day[at]]),
        "technician": frames.pick(
            plan.technicians, np.where(person_known, happened.technician[at], -1)
        ).fillna(tables.UNKNOWN),
        "technician_source": frames.pick(("export", "kit sheet", tables.UNKNOWN), person),
        "cleaver": frames.pick(plan.cleavers, np.where(kit, happened.cleaver[at], -1)).fillna(
            tables.UNKNOWN
        ),
        "heater": frames.pick(plan.heaters, np.where(kit, happened.heater[at], -1)).fillna(
            tables.UNKNOWN
        ),
        "kit_source": frames.pick(
            ("export", "kit sheet", tables.UNKNOWN),
            np.where(plan.logging.names_cleaver, 0, np.where(sheet, 1, 2)),
        ),
        "job": frames.pick(work.job_names, work.job[position]),
        **{
            name: place[name].iloc[np.maximum(where, 0)].reset_index(drop=True).where(known)
            for name in ("panel", "port", "position_id")
        },
        "link": frames.pick(("exact", "unlinked"), (~known).astype(int)),
        "fibre": frames.whole(fibre, ribbon),
        "ribbon": frames.pick(
            [f"R{arc}" for arc in range(int(happened.arc.max()) + 1)],
            np.where(ribbon, happened.arc[at], -1),
        ),
        "connector_type": frames.pick(
            [kind.name for kind in plan.types], np.where(known, work.kind[position], -1)
        ).fillna(tables.UNKNOWN),
        "fibre_lot": frames.pick(
            work.fibre_lots, np.where(known, work.fibre_lot[position], -1)
        ).fillna(tables.UNKNOWN),
        "connector_lot": frames.pick(
            work.connector_lots, np.where(known, work.connector_lot[position], -1)
        ).fillna(tables.UNKNOWN),
        "program": frames.pick(("single", "ribbon"), ribbon.astype(int)),
        "loss_text": frames.texts(log.text[rows]),
        "loss_low_db": log.low_db[rows],
        "loss_high_db": log.high_db[rows],
        "angle_crew_deg": log.angle_crew[rows],
        "angle_other_deg": log.angle_other[rows],
        "arcs": frames.whole((~refusal).astype(np.int64)),
        "reached_arc": ~refusal,
        "error": errors,
        "error_text": errors,
        "remark": frames.constant("", size),
    }
    text = place_texts(place)
    columns["place_text"] = text.iloc[np.maximum(where, 0)].reset_index(drop=True).where(known, "")
    number = _try_numbers(position, refusal, known)
    columns["attempt_no"] = frames.whole(number, known & ~refusal)
    columns["redo"] = frames.pick(("no", "yes"), (number > 1).astype(int))
    return frames.finish(tables.ATTEMPTS, columns), rows


def _try_numbers(position: Ints, refusal: Bools, known: Bools) -> Ints:
    """Which recorded arc at its position each row is, from 1; 0 for the others."""
    number = np.zeros(len(position), dtype=np.int64)
    arcs = np.flatnonzero(~refusal & known)
    counted = pd.Series(position[arcs]).groupby(position[arcs]).cumcount()
    number[arcs] = counted.to_numpy() + 1
    return number
