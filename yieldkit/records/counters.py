"""A machine's counter: where it started again, and which numbers the records do not hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.records.columns import in_order_of

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.attempts import Shown
    from yieldkit.records.stacking import Source

SMALL_START = 20
"""A run that begins at this number or lower can be a restart however short it is."""
FEW = 3
"""Records that make a restart believable where it begins higher."""
JUMP = 200
"""A counter that leaps by more begins a new run: the records between lie elsewhere."""
EARLIEST_YEAR = 2005


@dataclass
class _Chain:
    """Runs of one counter that follow one another in time."""

    first_time: float
    last_time: float
    low: int
    high: int
    last: int
    rows: int


def find_epochs(shown: Shown) -> np.ndarray:
    """Epoch of each record: it grows when the machine's counter starts again; 0 without counter.

    Per machine, records in order of shown time make runs of a rising counter; runs are chained by
    the least leap in number and time. A chain that begins low after another has ended for good is
    a new epoch; a block that merely lies at a wrong time fits the other's gap or end and is not.
    """
    epoch = np.zeros(len(shown.counter), dtype=np.int64)
    day = shown.when.astype("datetime64[ms]").astype(np.int64) / 86_400_000
    day[~(shown.when >= np.datetime64(f"{EARLIEST_YEAR}-01-01"))] = np.nan
    counted = np.flatnonzero(shown.counter >= 0)
    counted = counted[np.argsort(shown.serial[counted], kind="stable")]
    edges = np.flatnonzero(np.diff(shown.serial[counted])) + 1
    for part in np.split(counted, edges):
        epoch[part] = epochs_of(shown.counter[part], day[part])
    return epoch


def epochs_of(counter: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Epoch of each record of one machine.

    Parameters
    ----------
    counter : array of int, shape (records,)
        Record numbers as shown; records may be there several times.
    day : array of float, shape (records,)
        Shown time [days]; NaN where it cannot be true.

    Returns
    -------
    array of int, shape (records,)
        0 for the first epoch. A record without time takes the epoch of the row before it in the
        file, if that holds its number's neighbourhood.
    """
    epoch = np.zeros(len(counter), dtype=np.int64)
    timed = np.flatnonzero(~np.isnan(day))
    if len(timed) < 2:
        return epoch
    order = timed[np.lexsort((counter[timed], day[timed]))]
    steps = np.diff(counter[order])
    if not (steps < 0).any():
        return epoch
    breaks = np.flatnonzero((steps < 0) | (steps > JUMP)) + 1
    runs = np.split(order, breaks)
    chains, chain_of = _chained(counter, day, runs)
    numbers = _numbered(chains, _held_by(counter, runs, chain_of))
    for run, chain in zip(runs, chain_of, strict=True):
        epoch[run] = numbers[chain]
    _untimed(epoch, day)
    return epoch


def _chained(
    counter: np.ndarray, day: np.ndarray, runs: list[np.ndarray]
) -> tuple[list[_Chain], list[int]]:
    """Runs in order of time put to the chain with the least leap in number and time."""
    span = max(float(np.nanmax(day) - np.nanmin(day)), 1.0)
    per_day = max(len(np.unique(counter)) / span, 1.0)
    chains: list[_Chain] = []
    chain_of = []
    for run in runs:
        first, last = int(counter[run[0]]), int(counter[run[-1]])
        begin, end = float(day[run[0]]), float(day[run[-1]])
        best, least = -1, np.inf
        for number, chain in enumerate(chains):
            leap = first - chain.last
            cost = leap + per_day * (begin - chain.last_time)
            if leap >= 0 and cost < least:
                best, least = number, cost
        if best < 0:
            best = len(chains)
            chains.append(_Chain(begin, end, first, last, last, 0))
        chain = chains[best]
        chain.last_time, chain.last = end, last
        chain.low, chain.high = min(chain.low, first), max(chain.high, last)
        chain.rows += len(run)
        chain_of.append(best)
    return chains, chain_of


def _held_by(counter: np.ndarray, runs: list[np.ndarray], chain_of: list[int]) -> list[set[int]]:
    """Numbers that each chain holds."""
    held: list[set[int]] = [set() for _ in range(max(chain_of) + 1)]
    for run, chain in zip(runs, chain_of, strict=True):
        held[chain].update(counter[run].tolist())
    return held


def _misplaced(one: _Chain, other: _Chain, held: set[int], held_other: set[int]) -> bool:
    """Whether the smaller of two chains fits a gap or an end of the larger: a wrong time alone."""
    small, large = sorted((one, other), key=lambda chain: chain.rows)
    inside = large.low <= small.low and small.high <= large.high
    beside = 0 < large.low - small.high <= FEW or 0 < small.low - large.high <= FEW
    return (inside or beside) and small.rows < large.rows and not held & held_other


def _numbered(chains: list[_Chain], held: list[set[int]]) -> list[int]:
    """Epoch of each chain, in order of time."""
    numbers = [0] * len(chains)
    main, epoch = 0, 0
    for number in range(1, len(chains)):
        before, here = chains[main], chains[number]
        ended = before.last_time <= here.first_time
        believable = here.rows >= FEW or here.low <= SMALL_START
        misplaced = _misplaced(before, here, held[main], held[number])
        if ended and here.low < before.last and believable and not misplaced:
            epoch, main = epoch + 1, number
        elif here.rows > before.rows:
            main = number
        numbers[number] = epoch
    return numbers


def _untimed(epoch: np.ndarray, day: np.ndarray) -> None:
    """Records without a time take the epoch of the row before them."""
    known = np.where(np.isnan(day), -1, np.arange(len(day)))
    last = np.maximum.accumulate(known)
    fill = np.isnan(day) & (last >= 0)
    epoch[fill] = epoch[last[fill]]


def refused_numbers(sources: Sequence[Source], unit_of: Mapping[str, str | None]) -> pa.Table:
    """Record number and machine of each refused row of a splicer's file, null where not readable.

    Parameters
    ----------
    sources : sequence of Source
        Files in the order of ``src``.
    unit_of : mapping
        Spelling of a unit to its code.

    Returns
    -------
    pyarrow.Table
        ``src``, ``splicer``, ``counter``, and ``line``, by which the same row of overlapping
        downloads is known.
    """
    import pyarrow as pa

    found = []
    for src, source in enumerate(sources):
        parsed = source.parsed
        if parsed is None or parsed.table != "attempts" or not parsed.refused.num_rows:
            continue
        own = unit_of.get(str(parsed.furniture.get("unit") or ""))
        for row in parsed.refused.to_pylist():
            splicer = unit_of.get(row.get("splicer_text") or "") or own
            line = row["text"] or f"{source.sha256} {row['source_row']}"
            found.append(
                {"src": src, "splicer": splicer, "counter": row.get("counter"), "line": line}
            )
    whole, text = pa.int64(), pa.string()
    schema = pa.schema([("src", whole), ("splicer", text), ("counter", whole), ("line", text)])
    return pa.Table.from_pylist(found, schema=schema)


def spans(
    splicer: np.ndarray,
    serial: np.ndarray,
    epoch: np.ndarray,
    counter: np.ndarray,
    in_turn: np.ndarray,
) -> dict[str, np.ndarray]:
    """First and last number of each machine's epochs, and how many of them the records hold.

    Parameters
    ----------
    splicer, serial, epoch, counter : ndarray of int, shape (records,)
        Codes of the unit and its serial, epoch and record number (-1: none).
    in_turn : ndarray of int, shape (records,)
        Records by serial, epoch and record number.

    Returns
    -------
    dict of ndarray
        ``splicer``, ``serial``, ``epoch``, ``first``, ``last``, ``held``.
    """
    at = in_turn[counter[in_turn] >= 0]
    at = at[in_order_of(splicer[at])]
    new = np.zeros(len(at), dtype=bool)
    for column in (splicer, serial, epoch):
        new |= np.diff(column[at], prepend=-1) != 0
    distinct = new | (np.diff(counter[at], prepend=-1) != 0)
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(at))[: len(first)] - 1
    held = np.add.reduceat(distinct.astype(np.int64), first) if len(at) else first
    return {
        "splicer": splicer[at[first]],
        "serial": serial[at[first]],
        "epoch": epoch[at[first]],
        "first": counter[at[first]],
        "last": counter[at[last]],
        "held": held,
    }


GAPS = """
WITH spans AS (
    SELECT * REPLACE (splicer::VARCHAR AS splicer, serial::word AS serial) FROM counter_spans
), sole AS (
    SELECT i.src, any_value(a.splicer)::VARCHAR AS splicer FROM judged a JOIN in_attempts i
    USING (rn) WHERE i.src IN (SELECT src FROM refused_numbers WHERE splicer IS NULL)
    GROUP BY 1 HAVING count(DISTINCT a.splicer) = 1
), refused AS (
    SELECT DISTINCT coalesce(r.splicer, s.splicer) AS splicer, r.counter,
        CASE WHEN r.counter IS NULL THEN r.line END AS line
    FROM refused_numbers r LEFT JOIN sole s USING (src)
), has AS (
    SELECT DISTINCT splicer::VARCHAR AS splicer, serial, epoch, counter FROM judged
    WHERE counter IN (SELECT counter FROM refused)
), seen AS (
    SELECT s.splicer, s.serial, s.epoch, r.counter,
        count(*) OVER (PARTITION BY s.splicer, r.counter) AS fits
    FROM spans s JOIN refused r ON r.splicer = s.splicer AND r.counter BETWEEN s.first AND s.last
    LEFT JOIN has h ON h.splicer = s.splicer AND h.serial = s.serial AND h.epoch = s.epoch
        AND h.counter = r.counter
    WHERE h.counter IS NULL
), told AS (
    SELECT splicer, serial, epoch, count(*) FILTER (fits = 1) AS refused,
        count(*) FILTER (fits > 1) AS unsure FROM seen GROUP BY ALL
), unread AS (
    SELECT splicer, count(*) AS rows FROM refused WHERE counter IS NULL GROUP BY 1
), gaps AS (
    SELECT s.*, s.last - s.first + 1 - s.held - coalesce(t.refused, 0) AS not_held,
        coalesce(t.unsure, 0) + coalesce(u.rows, 0) AS unsure
    FROM spans s LEFT JOIN told t USING (splicer, serial, epoch) LEFT JOIN unread u USING (splicer)
)
SELECT * EXCLUDE unsure, least(unsure, not_held) AS maybe_refused FROM gaps ORDER BY ALL
"""
"""Numbers between a counter's first and last record that no file holds: arcs that may have been.

A number on a refused row is held; a refused row without a readable number, or with one that two
epochs lack, may hold one of them (``maybe_refused``).
"""
