"""What people write: rework log, kit sheet, schedules, jobs, service, stock, morning checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from yieldkit.crew import Crew
from yieldkit.records import tables
from yieldkit.simulate import frames
from yieldkit.simulate.attempts import place_texts
from yieldkit.simulate.chances import Array, Bools
from yieldkit.simulate.machines import Log, shown_loss
from yieldkit.simulate.plan import CrewPlan
from yieldkit.simulate.readings import Readings
from yieldkit.simulate.roster import Ints, Roster, Work, last_day
from yieldkit.simulate.world import STEPS, Happened

CAUSE_OF_ERROR = {
    "loss over limit": ("cleave", "arc or splicer", "contamination"),
    "dust": ("contamination",),
    "gap or offset": ("strip or nick", "arc or splicer"),
    "arc": ("arc or splicer",),
    "bubble or neck": ("contamination", "arc or splicer"),
    "proof test": ("strip or nick",),
}
CAUSE_OF_STEP = {
    "protect": ("protection or cure",),
    "crimp": ("crimp or mechanical", "assembly"),
    "inspect": ("end face", "contamination"),
    "test": ("fibre or cable", "assembly", tables.UNKNOWN),
    "cleave": ("cleave",),
}


@dataclass(frozen=True, eq=False)
class Rework:
    """The rework log, one entry a line; ``attempt`` indexes ``Happened``."""

    attempt: Ints
    logged: NDArray[np.datetime64]
    step: NDArray[np.object_]
    cause: NDArray[np.object_]
    disposition: NDArray[np.object_]
    minutes: Array
    repeated: Bools
    """A second line about the same failure."""
    place_known: Bools


def honesty(plan: CrewPlan, rng: np.random.Generator) -> Array:
    """Share of failures that each person writes down."""
    share = plan.logging.honest + plan.logging.spread * rng.standard_normal(len(plan.technicians))
    for i, person in enumerate(plan.technicians):
        if person in plan.logging.dishonest:
            share[i] = 0.0
    return np.clip(share, 0, 1)


def keep_rework(
    plan: CrewPlan,
    roster: Roster,
    happened: Happened,
    log: Log,
    readings: Readings,
    honest: Array,
    rng: np.random.Generator,
) -> Rework:
    """Draw which failures are written down, when and in which words."""
    day = np.where(happened.late, happened.test_day, happened.day)
    failed = happened.leads & (happened.step > 0) & (day < plan.days)
    # Of a ribbon the entry stands for the whole arc; the first fibre bears it.
    failures = np.flatnonzero(failed)
    failures = failures[rng.random(len(failures)) < honest[happened.technician[failures]]]
    prepared = np.flatnonzero(happened.leads & (happened.rejected > 0))
    share = honest[happened.technician[prepared]] * plan.logging.preparation_logged
    prepared = prepared[rng.random(len(prepared)) < share]
    cleaned = np.unique(readings.attempt[readings.cleaned])
    writes = 0.3 * (honest[happened.technician[cleaned]] > 0)
    cleaned = cleaned[rng.random(len(cleaned)) < writes]

    attempt = np.concatenate([failures, prepared, cleaned])
    size = len(attempt)
    names = np.array(STEPS, dtype=object)[happened.step[attempt]]
    step = np.concatenate(
        [names[: len(failures)], np.full(len(prepared), "cleave"), np.full(len(cleaned), "test")]
    ).astype(object)
    done = np.where(happened.gave_up[attempt], "given up", "re-splice").astype(object)
    body = np.isin(step, ["protect", "crimp", "inspect", "test"])
    done = np.where(body & (done != "given up"), "new connector", done)
    done[len(failures) : len(failures) + len(prepared)] = "re-cleave"
    done[len(failures) + len(prepared) :] = "cleaned"
    cause = _causes(plan, happened, log, attempt, step, rng)
    cause[len(failures) + len(prepared) :] = "contamination"
    found = day[attempt]
    found = np.where(done == "cleaned", happened.test_day[attempt], found)
    lag = rng.integers(0, plan.logging.late_days + 1, size) * (rng.random(size) < 0.3)
    logged = roster.dates[np.minimum(found, plan.days - 1)]
    logged = np.minimum(logged + lag.astype("timedelta64[D]"), last_day(plan))
    minutes = np.maximum(5 * np.round(rng.gamma(3.0, 9.0 / 3, size) / 5), 5.0)
    minutes = np.where(rng.random(size) < plan.logging.minutes_blank, np.nan, minutes)
    twice = np.flatnonzero(rng.random(size) < plan.logging.twice)
    every = np.concatenate([np.arange(size), twice])
    repeated = np.arange(len(every)) >= size
    order = np.lexsort((every, logged[every]))
    every, repeated = every[order], repeated[order]
    known = rng.random(len(every)) >= plan.logging.place_blank
    return Rework(
        attempt[every],
        logged[every],
        step[every],
        cause[every],
        done[every],
        minutes[every],
        repeated,
        known,
    )


def _causes(
    plan: CrewPlan,
    happened: Happened,
    log: Log,
    attempt: Ints,
    step: NDArray[np.object_],
    rng: np.random.Generator,
) -> NDArray[np.object_]:
    """Suspected causes: the likely one, or unknown."""
    arcs = np.flatnonzero(~log.refusal)
    error = np.zeros(len(happened.position), dtype=np.int64)
    error[log.attempt[arcs]] = log.error[arcs]
    sure = rng.random(len(attempt)) < plan.logging.cause_right
    which = rng.random(len(attempt))
    causes = np.full(len(attempt), tables.UNKNOWN, dtype=object)
    for i in np.flatnonzero(sure):
        if step[i] == "splice":
            words = CAUSE_OF_ERROR.get(tables.ERRORS[error[attempt[i]]], (tables.UNKNOWN,))
        else:
            words = CAUSE_OF_STEP[step[i]]
        causes[i] = words[int(which[i] * len(words))]
    return causes


def rework_table(
    plan: CrewPlan,
    work: Work,
    happened: Happened,
    rework: Rework,
    attempt_ids: dict[int, str],
    crew: Crew,
    names: dict[str, pd.Series],
) -> pd.DataFrame:
    """The ``rework`` table; parts are those that a failure at that step uses up."""
    position = happened.position[rework.attempt]
    size = len(position)
    known = rework.place_known
    place = {
        name: names[name].iloc[position].reset_index(drop=True).where(known)
        for name in ("panel", "port", "position_id")
    }
    types = [plan.types[k].name for k in work.kind[position]]
    cost = {
        (kind, step): crew.parts_for_failure(kind, step)
        for kind, step in set(zip(types, rework.step, strict=True))
    }
    used = [cost[kind, step] for kind, step in zip(types, rework.step, strict=True)]
    none = rework.disposition == "cleaned"
    parts = {
        column: np.where(none, 0.0, np.array([row.get(part, 0.0) for row in used], dtype=float))
        for column, part in (
            ("bodies", "body"),
            ("sleeves", "sleeve"),
            ("rings", "ring"),
            ("cord_m", "cord_m"),
        )
    }
    columns: dict[str, object] = {
        "rework_id": frames.texts([f"rework-{i}" for i in range(size)]),
        "logged": frames.dates(rework.logged),
        "technician": frames.pick(plan.technicians, happened.technician[rework.attempt]),
        "job": frames.pick(work.job_names, work.job[position]),
        **place,
        "link": frames.pick(("exact", "unlinked"), (~known).astype(int)),
        "place_text": place_texts(place).where(known, ""),
        "attempt_id": frames.texts([attempt_ids.get(int(a)) for a in rework.attempt]).where(known),
        "connector_type": frames.texts(np.array(types, dtype=object)),
        "step": frames.texts(rework.step),
        "cause": frames.texts(rework.cause),
        "cause_text": frames.texts(rework.cause),
        "disposition": frames.texts(rework.disposition),
        "disposition_text": frames.texts(rework.disposition),
        "tries": frames.whole(np.ones(size, dtype=np.int64)),
        **parts,
        "rework_min": rework.minutes,
        "remark": frames.constant("", size),
    }
    return frames.finish(tables.REWORK, columns)


def kit_table(plan: CrewPlan, roster: Roster, known: Bools) -> pd.DataFrame:
    """The ``kit_use`` table: a row a person and day that the kit sheet tells."""
    day, person = np.nonzero(known)
    size = len(day)
    columns: dict[str, object] = {
        "technician": frames.pick(plan.technicians, person),
        "date": frames.dates(roster.dates[day]),
        "part_of_day": frames.constant("all", size),
        "splicer": frames.pick([u.unit for u in plan.splicers], roster.splicer[day, person]),
        "cleaver": frames.pick(plan.cleavers, roster.cleaver[day, person]),
        "heater": frames.pick(plan.heaters, roster.heater[day, person]),
        "source": frames.constant("kit sheet", size),
    }
    return frames.finish(tables.KIT_USE, columns)


def planned_table(plan: CrewPlan, work: Work) -> pd.DataFrame:
    """The ``planned`` table: every port of every panel of every job opened."""
    panels = np.array(work.planned, dtype=np.int64)
    which = np.repeat(np.arange(len(panels)), panels[:, 3])
    starts = np.cumsum(panels[:, 3]) - panels[:, 3]
    port = np.arange(len(which)) - starts[which]
    job, panel, kind, _, fibre, body = (panels[which, c] for c in range(6))
    job_text = frames.pick(work.job_names, job)
    panel_text = frames.pick([f"P{i + 1:02d}" for i in range(int(panel.max()) + 1)], panel)
    port_text = frames.pick([str(i + 1) for i in range(int(port.max()) + 1)], port)
    ids = job_text + "|" + panel_text + "|" + port_text
    columns: dict[str, object] = {
        "position_id": ids,
        "job": job_text,
        "panel": panel_text,
        "port": port_text,
        "connector_type": frames.pick([k.name for k in plan.types], kind),
        "fibre_lot": frames.pick(work.fibre_lots, fibre),
        "connector_lot": frames.pick(work.connector_lots, body).fillna(""),
        "site": frames.pick(work.job_sites, job),
        "conditions": frames.constant("", len(which)),
    }
    return frames.finish(tables.PLANNED, columns)


def jobs_table(plan: CrewPlan, roster: Roster, work: Work) -> pd.DataFrame:
    """The ``jobs`` table."""
    panels = np.array(work.planned, dtype=np.int64)
    count = np.bincount(panels[:, 0], panels[:, 3], minlength=len(work.job_names))
    days = roster.dates
    closed = frames.dates(days[work.job_closed]).where(pd.Series(work.job_closed >= 0))
    columns: dict[str, object] = {
        "job": frames.texts(work.job_names),
        "site": frames.texts(work.job_sites),
        "planned": count.astype(np.int64),
        "opened": frames.dates(days[work.job_opened]),
        "closed": closed,
        "conditions": frames.constant("", len(count)),
    }
    return frames.finish(tables.JOBS, columns)


def service_table(plan: CrewPlan, roster: Roster, happened: Happened) -> pd.DataFrame:
    """The ``service`` table, in time order; a worn unit is served before work begins."""
    units = {"cleaver": list(plan.cleavers), "splicer": [u.unit for u in plan.splicers]}
    events = happened.service
    days = np.array(
        [
            roster.dates[e.day] if e.day >= 0 else roster.dates[0] + np.timedelta64(e.day, "D")
            for e in events
        ],
        dtype="datetime64[D]",
    )
    local = frames.at_minute(days, 430.0)
    columns: dict[str, object] = {
        "when": frames.instants(local, plan.zone),
        "when_shown": pd.Series(local.astype("datetime64[ms]")),
        "date": frames.dates(local.astype("datetime64[D]")),
        "unit": frames.texts([units[e.kind][e.unit] for e in events]),
        "event": frames.texts([e.event for e in events]),
        "event_text": frames.texts([e.event for e in events]),
        "remark": frames.constant("", len(events)),
    }
    return frames.finish(tables.SERVICE, columns)


def bodies_used(plan: CrewPlan, work: Work, happened: Happened, crew: Crew) -> Array:
    """Connector bodies that each attempt used up: one if accepted, else by the design."""
    kind = work.kind[happened.position]
    lost = np.array(
        [
            [crew.parts_for_failure(k.name, step).get("body", 0.0) for step in STEPS[1:]]
            for k in plan.types
        ]
    )
    one = np.array([float(k.design != "D") for k in plan.types])
    table = np.column_stack([one, lost])
    return np.asarray(table[kind, happened.step] * happened.leads)


def stock_table(
    plan: CrewPlan, roster: Roster, work: Work, happened: Happened, crew: Crew
) -> pd.DataFrame:
    """The ``stock`` table: bodies issued to a job and returned; the difference was used.

    Issued less returned less accepted is a count of failures that depends on nobody's logging.
    """
    kind = work.kind[happened.position]
    bodies = bodies_used(plan, work, happened, crew)
    key = work.job[happened.position] * len(plan.types) + kind
    size = len(work.job_names) * len(plan.types)
    used = np.bincount(key, bodies, minlength=size)
    begun = np.array([k.design != "D" for k in plan.types])[kind] & (happened.try_no == 1)
    first = np.bincount(key[begun], minlength=size)
    which = np.flatnonzero(used)
    job, type_of = which // len(plan.types), which % len(plan.types)
    issued = np.maximum(12 * np.ceil(1.08 * first[which] / 12), 12 * np.ceil(used[which] / 12))
    days = roster.dates
    closed = work.job_closed[job]
    back = np.flatnonzero(closed >= 0)
    everything = np.concatenate([np.arange(len(which)), back])
    returned = np.arange(len(everything)) >= len(which)
    quantity = np.where(returned, (issued - used[which])[everything], issued[everything])
    date = np.where(returned, days[closed[everything]], days[work.job_opened[job[everything]]])
    rows = len(everything)
    columns: dict[str, object] = {
        "date": frames.dates(date),
        "part": frames.constant("body", rows),
        "connector_type": frames.pick([k.name for k in plan.types], type_of[everything]),
        "lot": frames.constant("", rows),
        "move": frames.pick(("issued", "returned"), returned.astype(int)),
        "quantity": quantity.astype(float),
        "expires": frames.dates(date).where(pd.Series(np.zeros(rows, dtype=bool))),
        "technician": frames.constant("", rows),
        "job": frames.pick(work.job_names, job[everything]),
        "remark": frames.constant("", rows),
    }
    return frames.finish(tables.STOCK, columns)


def checks_table(
    plan: CrewPlan, roster: Roster, splicer_log_mean: Array, rng: np.random.Generator
) -> pd.DataFrame:
    """The ``checks`` table: one check splice a splicer and morning, on one reference fibre.

    ``splicer_log_mean`` has shape (splicers, days): what the splicer and its day add.
    """
    frames_of = []
    for i, unit in enumerate(plan.splicers):
        held = roster.splicer == i
        days = np.flatnonzero(held.any(axis=1))
        person = held[days].argmax(axis=1)
        mean = unit.mean_db * np.exp(splicer_log_mean[i, days])
        low, high, _ = shown_loss(rng.exponential(mean), unit)
        local = frames.at_minute(roster.dates[days], 440.0)
        frames_of.append(
            pd.DataFrame(
                {
                    "when": frames.instants(local, plan.zone),
                    "date": frames.dates(local.astype("datetime64[D]")),
                    "check": frames.constant("check splice", len(days)),
                    "unit": frames.constant(unit.unit, len(days)),
                    "technician": frames.pick(plan.technicians, person),
                    "value_low": low,
                    "value_high": high,
                    "result": frames.pick(("pass", "fail"), (low > 0.1).astype(int)),
                    "remark": frames.constant("", len(days)),
                }
            )
        )
    every = pd.concat(frames_of, ignore_index=True)
    return frames.finish(tables.CHECKS, {str(name): every[name] for name in every})
