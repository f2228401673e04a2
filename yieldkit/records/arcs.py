"""Arcs in order at their positions: how each ended, and which follow one another.

Reckoned a column at a time on the numbers of ``placed.Placed``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa

    from yieldkit.records.placed import Placed

VERDICTS = ("fail", "good", "unsure")
FAIL, GOOD, UNSURE = range(3)


@dataclass(frozen=True, eq=False)
class Arcs:
    """Arcs at positions, by position and time.

    Parameters
    ----------
    row : ndarray of int
        Record of each arc: its place among those that count.
    number, following : ndarray of int
        Which arc of its position, from 1; record of the next arc there, -1 for none.
    first : ndarray of int
        Where each position's arcs begin in ``row``; the arrays below are one a position.
    pos, count : ndarray of int
        Position and how many arcs it has.
    last : ndarray of int
        Record of the last arc.
    link : ndarray of int
        The least sure of the arcs' links.
    last_utc : ndarray of datetime64
        Newest time of an arc.
    """

    row: np.ndarray
    number: np.ndarray
    following: np.ndarray
    first: np.ndarray
    pos: np.ndarray
    count: np.ndarray
    last: np.ndarray
    link: np.ndarray
    last_utc: np.ndarray


def verdicts(placed: Placed, limit_db: np.ndarray) -> np.ndarray:
    """How each arc ended: an error or a loss surely over the limit, surely within it, or unsure.

    Parameters
    ----------
    placed : Placed
    limit_db : ndarray of float
        Limit of each record's estimate [dB]; NaN without one.

    Returns
    -------
    ndarray of int
        Numbers of ``VERDICTS``.
    """
    failed = ~placed.reached | placed.failed | (placed.low > limit_db)
    good = (placed.high <= limit_db) | placed.told
    return np.where(failed, FAIL, np.where(good, GOOD, UNSURE)).astype(np.int8)


def at_positions(placed: Placed) -> Arcs:
    """Arcs that have a position, in order."""
    row = placed.by(placed.pos, where=placed.reached & (placed.pos >= 0))
    pos = placed.pos[row]
    first = np.flatnonzero(np.diff(pos, prepend=-1))
    count = np.diff(first, append=len(row))
    following = np.append(row[1:], -1)[: len(row)]
    following[first + count - 1] = -1
    utc = placed.utc[row].astype("datetime64[us]").astype(np.int64)  # NaT is the least number
    return Arcs(
        row=row,
        number=np.arange(len(row)) - np.repeat(first, count) + 1,
        following=following,
        first=first,
        pos=pos[first],
        count=count,
        last=row[first + count - 1],
        link=np.maximum.reduceat(placed.link[row], first) if len(row) else placed.link[row],
        last_utc=(np.maximum.reduceat(utc, first) if len(row) else utc).astype("datetime64[us]"),
    )


def of_lonely_machines(placed: Placed) -> np.ndarray:
    """Records of machines that made arcs without a position."""
    return np.isin(placed.serial, np.unique(placed.serial[placed.pos < 0]))


def chained(placed: Placed, redo_minutes: float) -> np.ndarray:
    """Arcs without a position that may redo the one that their maker did just before."""
    row = placed.by(placed.serial, where=placed.reached & of_lonely_machines(placed))
    here, before = row[1:], row[:-1]
    soon = placed.utc[here] - placed.utc[before] <= np.timedelta64(round(redo_minutes * 60), "s")
    same = (placed.serial[here] == placed.serial[before]) & (
        placed.technician[here] == placed.technician[before]
    )
    found = np.zeros(len(placed.at), dtype=bool)
    found[here[soon & same & (placed.pos[here] < 0)]] = True
    return found


def in_turn(placed: Placed, good: np.ndarray, unknown: int) -> dict[str, pa.Array]:
    """Arcs without a position, each with the arcs that its maker did before and after on a machine.

    Parameters
    ----------
    placed : Placed
    good : ndarray of bool
        Whether each record is a good arc as far as its error and its loss tell.
    unknown : int
        Number of the technician who is not known.

    Returns
    -------
    dict of pyarrow.Array
        ``rn``, ``job``, ``good``, ``when_utc``; ``pos``, ``job`` and ``when`` with ``_before`` and
        ``_after``.
    """
    import pyarrow as pa

    known = placed.technician != unknown
    where = placed.reached & known & of_lonely_machines(placed)
    row = placed.by(placed.serial, placed.technician, where=where)
    new = np.ones(len(row) + 1, dtype=bool)
    new[1:-1] = (np.diff(placed.serial[row]) != 0) | (np.diff(placed.technician[row]) != 0)
    at = np.flatnonzero(placed.pos[row] < 0)
    here = row[at]
    columns = {
        "rn": pa.array(placed.at[here].astype(np.int32)),
        "job": placed.words.column(placed.job[here]),
        "good": pa.array(good[here]),
        "when_utc": pa.array(placed.utc[here].astype("datetime64[us]")),
    }
    for side, none, other in (
        ("before", new[at], np.append(row, 0)[at - 1]),
        ("after", new[at + 1], np.append(row, 0)[at + 1]),
    ):
        pos = np.where(none, -1, placed.pos[other])
        when = placed.utc[other].astype("datetime64[us]")
        columns[f"pos_{side}"] = pa.array(pos, mask=pos < 0)
        columns[f"job_{side}"] = placed.words.column(np.where(none, -1, placed.job[other]))
        columns[f"when_{side}"] = pa.array(when, mask=none | np.isnat(when))
    return columns
