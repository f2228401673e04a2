"""The ``positions`` table of a simulated crew, derived from its records by the fixed rules.

Termination is *no* by an error or an estimate over limit at the first recorded arc, a later arc, a
linked rework entry (cleaned excepted), or a test failed and not passed after cleaning; *unknown*
where an unlinked arc may be its first; *yes* when the tests were passed; else *pending*, and
*unknown* once the settings' days have gone by. It sees the records only, never the truth.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.crew import Crew
from yieldkit.records import tables
from yieldkit.simulate import frames


def derive_positions(
    attempts: pd.DataFrame,
    rework: pd.DataFrame,
    measurements: pd.DataFrame,
    planned: pd.DataFrame,
    *,
    crew: Crew,
    as_of: pd.Timestamp,
) -> pd.DataFrame:
    """The table, a row a planned position, in the order of the planned list.

    Parameters
    ----------
    attempts, rework, measurements, planned : DataFrame
        Tables of the schemas.
    crew : Crew
        Settings; ``pending_days`` is used.
    as_of : Timestamp
        Time up to which the records are known (UTC).
    """
    index = pd.Index(planned["position_id"])
    code = {
        name: index.get_indexer(table["position_id"].fillna(""))
        for name, table in (("a", attempts), ("r", rework), ("m", measurements))
    }
    size = len(index)
    reached = attempts["reached_arc"].to_numpy() & (code["a"] >= 0)
    arcs = np.bincount(code["a"][reached], minlength=size)
    prepared = (code["a"] >= 0) & ~attempts["reached_arc"].to_numpy()
    rows = np.flatnonzero(reached)
    first = np.full(size, -1)
    first[code["a"][rows[::-1]]] = rows[::-1]
    last = np.full(size, -1)
    last[code["a"][rows]] = rows
    begun = first >= 0
    at = np.maximum(first, 0)
    error = attempts["error"].to_numpy()
    first_bad = begun & (error[at] != "none")
    entries = _entries(rework, code["r"], size)
    tests = _tests(attempts, measurements, code["m"], last, size)
    doubtful = _doubtful(attempts, first, size)

    no = begun & (first_bad | (arcs > 1) | entries["not_cleaned"] | tests["failed"])
    yes = begun & ~no & ~doubtful & tests["passed"]
    age = (as_of - attempts["when"].iloc[at]).dt.total_seconds().to_numpy() / 86400
    stale = age > crew.general.pending_days
    answer = np.where(
        no, "no", np.where(yes, "yes", np.where(doubtful | stale, "unknown", "pending"))
    )
    splice = np.where(first_bad, "no", np.where(doubtful, "unknown", "yes"))
    link = np.where(tests["first_failed"], "no", np.where(tests["passed"], "yes", answer))
    link = np.where(np.isin(link, ["yes", "no"]) | (link == "unknown"), link, "pending")
    step = np.where(first_bad, "splice", entries["step"])
    step = np.where(no & (step == ""), np.where(tests["failed"], "test", "unknown"), step)
    cause = np.where(entries["cause"] == "", tables.UNKNOWN, entries["cause"])
    state = np.where(~begun, "not started", "open")
    state = np.where(begun & tests["passed"], "accepted", state)
    state = np.where(begun & entries["given_up"], "given up", state)
    why = np.select(
        [~begun, first_bad, arcs > 1, tests["failed"], no, yes, doubtful],
        ["not started", "first arc failed", "later arc", "test failed", "rework entry",
         "tests passed", "unlinked arc"],
        "tests out",
    )  # fmt: skip

    def of_first(column: str) -> pd.Series:
        return attempts[column].iloc[at].reset_index(drop=True).where(begun)

    columns: dict[str, object] = {
        **{
            name: planned[name].reset_index(drop=True)
            for name in ("position_id", "job", "panel", "port", "site", "connector_type")
        },
        "planned": np.ones(size, dtype=bool),
        "fibre_lot": planned["fibre_lot"].reset_index(drop=True),
        "connector_lot": planned["connector_lot"].reset_index(drop=True),
        "first_attempt_id": of_first("attempt_id"),
        "first_when": of_first("when"),
        "first_date": of_first("date"),
        **{name: of_first(name) for name in ("technician", "splicer", "cleaver", "heater")},
        "program": of_first("program"),
        "arcs": arcs,
        "preparation_losses": np.bincount(code["a"][prepared], minlength=size),
        "rework_entries": entries["count"],
        "bodies": entries["bodies"]
        + (tests["passed"] & (planned["connector_type"] != "splice").to_numpy()),
        "rework_min": entries["minutes"],
        "first_pass_splice": frames.texts(splice.astype(object)).where(begun),
        "first_pass_termination": frames.texts(answer.astype(object)).where(begun),
        "first_pass_link": frames.texts(link.astype(object)).where(begun),
        "why": frames.texts(why.astype(object)),
        "failed_step": frames.texts(step.astype(object)).where(no),
        "failed_cause": frames.texts(cause.astype(object)).where(no),
        "state": frames.texts(state.astype(object)),
        "accepted_when": tests["when"],
        "link": frames.constant("exact", size).where(begun),
    }
    return frames.finish(tables.POSITIONS, columns)


def _entries(rework: pd.DataFrame, code: np.ndarray, size: int) -> dict[str, np.ndarray]:
    """What the linked rework entries say of each position."""
    linked = code >= 0
    at = code[linked]
    entry = rework[linked]
    count = np.bincount(at, minlength=size)
    said = entry["rework_min"].notna().to_numpy()
    minutes = np.bincount(at[said], entry["rework_min"].to_numpy()[said], minlength=size)
    counted = np.bincount(at[said], minlength=size)
    # A preparation loss is no failure of the arc; a cleaned end face is none of the joint.
    late = (entry["disposition"] != "cleaned").to_numpy() & ~entry["step"].isin(
        ["prepare", "cleave"]
    ).to_numpy()
    first_step = np.full(size, "", dtype=object)
    first_cause = np.full(size, "", dtype=object)
    first_step[at[late][::-1]] = entry["step"].to_numpy(dtype=object)[late][::-1]
    first_cause[at[late][::-1]] = entry["cause"].to_numpy(dtype=object)[late][::-1]
    given_up = (entry["disposition"] == "given up").to_numpy()
    return {
        "count": count,
        "minutes": np.where(counted > 0, minutes, np.nan),
        "bodies": np.bincount(at, entry["bodies"].fillna(0).to_numpy(), minlength=size),
        "not_cleaned": np.bincount(at[late], minlength=size) > 0,
        "given_up": np.bincount(at[given_up], minlength=size) > 0,
        "step": first_step,
        "cause": first_cause,
    }


def _tests(
    attempts: pd.DataFrame,
    measurements: pd.DataFrame,
    code: np.ndarray,
    last: np.ndarray,
    size: int,
) -> dict[str, np.ndarray | pd.Series]:
    """Whether the tests of each position failed, or passed after its last arc."""
    failed = (measurements["result"] == "fail").to_numpy() & (code >= 0)
    passed = (measurements["result"] == "pass").to_numpy() & (code >= 0)
    when = _plain(measurements["when"])
    rows = np.flatnonzero(passed)
    latest = np.full(size, np.datetime64("NaT", "ms"), dtype="datetime64[ms]")
    order = rows[np.argsort(when[rows], kind="stable")]
    latest[code[order]] = when[order]
    arc = _plain(attempts["when"])[np.maximum(last, 0)]
    good = ~np.isnat(latest) & (last >= 0) & (latest >= arc)
    cleaned = np.bincount(code[passed & measurements["after_cleaning"].to_numpy()], minlength=size)
    any_failed = np.bincount(code[failed], minlength=size) > 0
    accepted = pd.Series(pd.DatetimeIndex(latest).tz_localize("UTC")).where(good)
    return {
        "first_failed": any_failed,
        "failed": any_failed & ~(cleaned > 0),
        "passed": good,
        "when": accepted,
    }


def _plain(times: pd.Series) -> np.ndarray:
    """UTC times without their zone [ms]."""
    return times.dt.tz_localize(None).to_numpy().astype("datetime64[ms]")


def _doubtful(attempts: pd.DataFrame, first: np.ndarray, size: int) -> np.ndarray:
    """Positions before whose first arc the same splicer made an unlinked arc on the same day."""
    order = np.lexsort((np.arange(len(attempts)), attempts["splicer"].to_numpy(dtype=str)))
    unit = attempts["splicer"].to_numpy(dtype=object)[order]
    day = attempts["date"].to_numpy()[order]
    person = attempts["technician"].to_numpy(dtype=object)[order]
    loose = (attempts["link"] == "unlinked").to_numpy() & attempts["reached_arc"].to_numpy()
    loose = loose[order]
    after = np.zeros(len(attempts), dtype=bool)
    same = (unit[1:] == unit[:-1]) & (day[1:] == day[:-1]) & (person[1:] == person[:-1])
    after[1:] = loose[:-1] & same
    doubt = np.zeros(len(attempts), dtype=bool)
    doubt[order] = after
    begun = first >= 0
    return begun & doubt[np.maximum(first, 0)]
