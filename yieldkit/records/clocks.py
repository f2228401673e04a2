"""Clocks that lie: shown times to UTC, repaired where order and neighbours show them wrong.

Records of one machine are put in the order in which it made them: by counter, else by their place
in the download. The longest run of times that never goes back is believed; a block outside it is
given the time that a swapped day and month, a wrong year or a clock an hour off explains, else the
place between its neighbours that fits the tests made there. Every such time is marked inferred.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from yieldkit.crew import Crew
from yieldkit.records.columns import grouped
from yieldkit.records.counters import EARLIEST_YEAR
from yieldkit.records.stacking import downloaded_of

if TYPE_CHECKING:
    import duckdb

    from yieldkit.records.attempts import Shown
    from yieldkit.records.stacking import Source

SOURCES = ("shown", "inferred", "unknown")
"""Where a time comes from."""
HOUR = np.timedelta64(1, "h")
TOLERANCE = np.timedelta64(10, "m")
"""Times that go back by less than this keep their shown value."""
SPLIT = np.timedelta64(6, "h")
"""A pause that ends a block of records."""
WELL_ORDERED = 0.5
"""Least share of records in the longest believable order for the order to be evidence at all."""
LATEST_YEARS = 15
_SURE = ("day and month swapped", "wrong year")
"""Explanations that are believed where only the order of rows in a file speaks."""
UNTOLD = "time cannot be told"
NOT_CHANGED = "clock not changed with daylight saving"
WHYS = (
    *("", *_SURE, "clock 1 h off", "clock 12 h off", "placed between its neighbours"),
    *(NOT_CHANGED, UNTOLD),
)
"""Why a time is not the one shown; nothing where it is."""
_NAT = np.datetime64("NaT", "ms")
_QUARTER = 15 * 60 * 1000
"""A quarter of an hour [ms]."""
_TESTED = f"""
SELECT p.pos, min(m.when_shown) AS tested FROM measured m JOIN places p USING (job, spot)
WHERE m.when_shown <> m.when_shown::DATE AND date_part('year', m.when_shown) >= {EARLIEST_YEAR}
GROUP BY 1
"""


@dataclass(frozen=True, eq=False)
class Times:
    """Times of the records that count: ``at`` names their rows; the other arrays are alike.

    ``source`` holds numbers of ``SOURCES``, ``why`` of ``WHYS``; ``in_turn`` the records in the
    order in which each machine's counter has them.
    """

    at: np.ndarray
    in_turn: np.ndarray
    local: np.ndarray
    utc: np.ndarray
    source: np.ndarray
    why: np.ndarray


def set_times(
    con: duckdb.DuckDBPyConnection,
    shown: Shown,
    epoch: np.ndarray,
    at: np.ndarray,
    sources: Sequence[Source],
    unwanted: Sequence[str],
    crew: Crew,
) -> Times:
    """Times of the records in the rows ``at``, repaired where their clock lies.

    ``unwanted`` are repairs (``splicer|file|why``) that the lead does not want.
    """
    found = con.execute(_TESTED).fetchnumpy()
    tested = np.full(len(shown.places.names) + 1, _NAT)
    tested[found["pos"]] = found["tested"].astype("datetime64[ms]")
    downloaded = np.array([downloaded_of(source) or "NaT" for source in sources], "datetime64[ms]")
    counter = shown.counter[at].astype(float)
    counter[counter < 0] = np.nan
    order = np.lexsort((counter, shown.serial[at].astype(np.int64) << 20 | epoch[at]))
    row = at[order]
    src = shown.rows["src"].to_numpy()[row]
    rows = pd.DataFrame(
        {
            "src": src,
            "serial": shown.serial[row],
            "splicer": shown.splicer[row],
            "epoch": epoch[row],
            "counter": counter[order],
            "when_shown": shown.when[row].astype("datetime64[ms]"),
            "zone": shown.zone[row],
            "downloaded": downloaded[src],
            "tested": tested[shown.places.pos[shown.places.pair[row]]],
        },
        copy=False,
    )
    rows["when_local"] = _in_crew_zone(rows, shown.zones, crew)
    rows["why"] = np.zeros(len(rows), dtype=np.int8)
    believed = _believed(rows, shown.words.texts, crew)
    for sequence in _sequences(rows):
        _repair_sequence(rows, sequence, believed)
    _summer_time(rows, crew)
    rows.loc[rows["when_local"].isna(), "why"] = WHYS.index(UNTOLD)
    if unwanted:
        _leave_as_shown(rows, [s.file for s in sources], shown.words.texts, unwanted)
    local = rows["when_local"].to_numpy()
    source = np.minimum(rows["why"].to_numpy(), 1)
    source[np.isnat(local)] = SOURCES.index("unknown")
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return Times(
        at,
        order,
        local[back],
        to_utc(rows["when_local"], crew).to_numpy()[back],
        source[back],
        rows["why"].to_numpy()[back],
    )


def _leave_as_shown(
    rows: pd.DataFrame, files: Sequence[str], units: Sequence[str], unwanted: Sequence[str]
) -> None:
    """Give back the shown time where the lead does not want a repair."""
    repaired = rows.index[rows["why"] != 0]
    keys = pd.Series(
        [
            f"{units[splicer]}|{files[src]}|{WHYS[why]}"
            for splicer, src, why in rows.loc[repaired, ["splicer", "src", "why"]].itertuples(
                index=False
            )
        ],
        index=repaired,
        dtype=object,
    )
    chosen = repaired[keys.isin(unwanted)]
    rows.loc[chosen, "when_local"] = rows.loc[chosen, "when_shown"]
    rows.loc[chosen, "why"] = 0


def _in_crew_zone(rows: pd.DataFrame, zones: Sequence[str], crew: Crew) -> pd.Series:
    """Shown times, those of a clock set to another zone moved to the crew's."""
    local = rows["when_shown"].copy()
    for number, zone in enumerate(zones):
        chosen = rows["zone"] == number
        moved = (
            local[chosen]
            .dt.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
            .dt.tz_convert(crew.zone)
            .dt.tz_localize(None)
        )
        local[chosen] = moved
    return local


def _believed(rows: pd.DataFrame, units: Sequence[str], crew: Crew) -> np.ndarray:
    """Times that are possible at all: after the unit was bought, before its download."""
    times = rows["when_local"]
    possible = times >= pd.Timestamp(EARLIEST_YEAR, 1, 1)
    usual = times[possible].median()
    if not pd.isna(usual):
        far = pd.Timedelta(days=365 * LATEST_YEARS)
        possible &= (times >= usual - far) & (times <= usual + far)
    if rows["downloaded"].notna().any():
        possible &= ~(times > rows["downloaded"] + pd.Timedelta(days=1)).fillna(False)
    bought = {
        unit: min(row.valid_from for row in crew.equipment if row.unit == unit and row.valid_from)
        for unit in {row.unit for row in crew.equipment if row.valid_from}
        if all(row.valid_from for row in crew.equipment if row.unit == unit)
    }
    if bought:
        since = pd.to_datetime(rows["splicer"].map(dict(enumerate(units))).map(bought))
        possible &= ~(times < since - pd.Timedelta(days=1)).fillna(False)
    return possible.to_numpy(dtype=bool)


def _sequences(rows: pd.DataFrame) -> list[np.ndarray]:
    """Rows of each machine in the order it made them: by counter, else file by file."""
    counted = rows["counter"].notna().to_numpy()
    group = np.where(counted, rows["epoch"], rows["src"])
    edges = np.diff(rows["serial"].to_numpy()) != 0
    edges |= (np.diff(group) != 0) | (counted[1:] != counted[:-1])
    times = rows["when_local"].to_numpy()
    found = []
    for block in np.split(np.arange(len(rows)), np.flatnonzero(edges) + 1):
        if len(block) and not counted[block[0]]:
            steps = np.diff(times[block])
            back = (steps < np.timedelta64(0)).sum() > (steps > np.timedelta64(0)).sum()
            block = block[::-1] if back else block
        found.append(block)
    return found


def _repair_sequence(rows: pd.DataFrame, labels: np.ndarray, possible: np.ndarray) -> None:
    times = rows["when_local"].to_numpy()[labels]
    good = possible[labels]
    if not len(labels) or good.all() and (np.diff(times) >= -TOLERANCE).all():
        return
    kept = longest_order(times, good)
    if not good.any() or kept.sum() < WELL_ORDERED * good.sum():
        rows.loc[labels[~good], "when_local"] = pd.NaT
        return
    tested = rows["tested"].to_numpy()[labels]
    lag = _usual_lag(times[kept], tested[kept])
    repaired = times.copy()
    why = np.zeros(len(labels), dtype=np.int8)
    counted = bool(rows["counter"].notna().to_numpy()[labels[0]])
    for block in _blocks(~kept):
        reason, inferred = _repair_block(times, tested, kept, block, lag)
        if not counted and good[block].all() and reason not in _SURE:
            continue  # without counters a memory read from its middle looks the same
        repaired[block], why[block] = inferred, WHYS.index(reason)
    rows.loc[labels, "when_local"] = repaired
    rows.loc[labels, "why"] = why


def longest_order(times: np.ndarray, possible: np.ndarray) -> np.ndarray:
    """Records of the longest sequence of blocks whose times never go back.

    Parameters
    ----------
    times : array of datetime64, shape (records,)
        Times in the order in which the records were made.
    possible : array of bool, shape (records,)
        Times that can be true.

    Returns
    -------
    array of bool, shape (records,)
    """
    kept = np.zeros(len(times), dtype=bool)
    able = np.flatnonzero(possible)
    if not len(able):
        return kept
    steps = np.diff(times[able])
    blocks = np.split(able, np.flatnonzero((steps < -TOLERANCE) | (steps > SPLIT)) + 1)
    first = np.array([times[block].min() for block in blocks])
    last = np.array([times[block].max() for block in blocks])
    best = np.array([len(block) for block in blocks], dtype=np.int64)
    before = np.full(len(blocks), -1)
    for number in range(1, len(blocks)):
        fits = np.flatnonzero(last[:number] <= first[number] + TOLERANCE)
        if len(fits):
            from_block = fits[np.argmax(best[fits])]
            best[number] += best[from_block]
            before[number] = from_block
    number = int(np.argmax(best))
    while number >= 0:
        kept[blocks[number]] = True
        number = int(before[number])
    return kept


def _blocks(chosen: np.ndarray) -> list[np.ndarray]:
    """Consecutive records among ``chosen``."""
    where = np.flatnonzero(chosen)
    return np.split(where, np.flatnonzero(np.diff(where) > 1) + 1) if len(where) else []


def _usual_lag(times: np.ndarray, tested: np.ndarray) -> np.timedelta64:
    """Median time from an arc to the test of its position, of those tested within four hours."""
    lag = tested - times
    near = lag[(lag > np.timedelta64(0)) & (lag < 4 * HOUR)]
    return np.median(near).astype("timedelta64[ms]") if len(near) else np.timedelta64(15, "m")


def _repair_block(
    times: np.ndarray,
    tested: np.ndarray,
    kept: np.ndarray,
    block: np.ndarray,
    lag: np.timedelta64,
) -> tuple[str, np.ndarray]:
    """The block's times by the first explanation that fits between its neighbours."""
    earlier = np.flatnonzero(kept[: block[0]])
    later = np.flatnonzero(kept[block[-1] + 1 :])
    low = times[earlier[-1]] if len(earlier) else None
    high = times[block[-1] + 1 + later[0]] if len(later) else None
    shown = times[block]
    for reason, candidate in _explained(shown, low, high):
        if _fits(candidate, low, high):
            return reason, candidate
    return "placed between its neighbours", _placed(shown, tested[block], low, high, lag)


def _explained(
    shown: np.ndarray, low: np.datetime64 | None, high: np.datetime64 | None
) -> list[tuple[str, np.ndarray]]:
    """Times that a usual fault of a clock or of its writing would explain."""
    stamps = pd.DatetimeIndex(shown)
    found = [("day and month swapped", _swapped(stamps))]
    for side in (low, high):
        if side is not None:
            year = pd.Timestamp(side).year
            found.append(("wrong year", _with_year(stamps, year)))
    for hours in (-1, 1, 12, -12):
        found.append((f"clock {abs(hours)} h off", shown + hours * HOUR))
    return found


def _swapped(stamps: pd.DatetimeIndex) -> np.ndarray:
    parts = pd.DataFrame({"year": stamps.year, "month": stamps.day, "day": stamps.month})
    turned = pd.to_datetime(parts, errors="coerce") + (stamps - stamps.normalize())
    return turned.to_numpy().astype("datetime64[ms]")


def _with_year(stamps: pd.DatetimeIndex, year: int) -> np.ndarray:
    parts = pd.DataFrame({"year": year, "month": stamps.month, "day": stamps.day})
    moved = pd.to_datetime(parts, errors="coerce") + (stamps - stamps.normalize())
    return moved.to_numpy().astype("datetime64[ms]")


def _fits(times: np.ndarray, low: np.datetime64 | None, high: np.datetime64 | None) -> bool:
    """Whether times are all there, in order, near and between two neighbours.

    With one neighbour alone they must lie within a week of it.
    """
    if np.isnat(times).any() or (np.diff(times) < -TOLERANCE).any():
        return False
    week = np.timedelta64(7, "D")
    if low is not None and times[0] < low - TOLERANCE:
        return False
    if high is not None and times[-1] > high + TOLERANCE:
        return False
    if low is None and high is not None:
        return bool(times[0] > high - week)
    if high is None and low is not None:
        return bool(times[-1] < low + week)
    return low is not None


def _placed(
    shown: np.ndarray,
    tested: np.ndarray,
    low: np.datetime64 | None,
    high: np.datetime64 | None,
    lag: np.timedelta64,
) -> np.ndarray:
    """The block moved as a whole, its own pauses kept, to where its tests or neighbours say.

    Where neither a test nor two neighbours on one day tell the day, the times are unknown.
    """
    unknown = np.full(len(shown), _NAT)
    if np.isnat(shown).any() or (np.diff(shown) < -TOLERANCE).any():
        if low is None or high is None or not _one_day(low, high):
            return unknown
        share = np.arange(1, len(shown) + 1) / (len(shown) + 1)
        return low + ((high - low) / np.timedelta64(1, "ms") * share).astype("timedelta64[ms]")
    offsets = (tested - lag - shown)[~np.isnat(tested)]
    if len(offsets):
        moved = shown + np.median(offsets).astype("timedelta64[ms]")
    elif low is not None and high is not None and _one_day(low, high):
        moved = shown + (low - shown[0]) + (high - low - (shown[-1] - shown[0])) / 2
    else:
        return unknown
    if low is not None and moved[0] <= low:
        moved = moved + (low - moved[0]) + np.timedelta64(1, "s")
    if high is not None and moved[-1] >= high:
        moved = moved - (moved[-1] - high) - np.timedelta64(1, "s")
    return moved if low is None or moved[0] >= low - HOUR else unknown


def _one_day(low: np.datetime64, high: np.datetime64) -> bool:
    return bool(low.astype("datetime64[D]") == high.astype("datetime64[D]"))


def _summer_time(rows: pd.DataFrame, crew: Crew) -> None:
    """Move back clocks that were not changed with daylight saving, as the tests show them.

    The time from an arc to the test of its position leaps by an hour at the change and stays so
    until somebody sets the clock.
    """
    if rows["tested"].isna().all():
        return
    lag = (rows["tested"] - rows["when_local"]).dt.total_seconds() / 60
    usable = lag.abs() < 240
    day = rows["when_local"].dt.normalize()
    if not usable.any():
        return
    for change, minutes in clock_changes(rows["when_local"], crew):
        for _, part in rows[usable].groupby("serial", sort=True):
            before = lag[part.index][day[part.index] < change]
            after = part.index[day[part.index] >= change]
            if len(before) < 8 or len(after) < 8:
                continue
            usual = float(before.median())
            daily = lag[after].groupby(day[after]).agg(["median", "size"])
            wrong = (daily["median"] - usual - minutes).abs() < 25
            if not wrong.iloc[0]:
                continue
            right = daily.index[~wrong & (daily["size"] >= 3)]
            until = right[0] if len(right) else pd.Timestamp.max
            serial = part["serial"].iloc[0]
            moved = (rows["serial"] == serial) & (day >= change) & (day < until)
            rows.loc[moved, "when_local"] += pd.Timedelta(minutes=minutes)
            rows.loc[moved, "why"] = WHYS.index(NOT_CHANGED)


def clock_changes(local: pd.Series, crew: Crew) -> list[tuple[pd.Timestamp, int]]:
    """Days on which the crew's zone changed its clocks, and by how many minutes."""
    if local.notna().sum() == 0:
        return []
    days = pd.date_range(local.min().normalize(), local.max().normalize() + timedelta(days=1))
    noon = (days + pd.Timedelta(hours=12)).tz_localize(crew.zone)
    offset = np.asarray((noon.tz_localize(None) - noon.tz_convert(None)) / pd.Timedelta(minutes=1))
    leaps = np.flatnonzero(np.diff(offset)).tolist()
    return [(days[leap + 1], round(offset[leap + 1] - offset[leap])) for leap in leaps]


def add_utc(con: duckdb.DuckDBPyConnection, tables: Sequence[str], crew: Crew) -> None:
    """Make ``utc_of`` (when_shown, when_utc) of all times that some tables show."""
    shown = " UNION ".join(f"SELECT when_shown FROM {table}" for table in tables)
    times = con.execute(f"SELECT * FROM ({shown}) WHERE when_shown IS NOT NULL ORDER BY 1").df()
    times["when_utc"] = to_utc(times["when_shown"], crew)
    con.register("utc_of", times)


def notes(shown: Shown, times: Times, files: Sequence[str]) -> list[dict[str, Any]]:
    """Blocks of repaired or unknown times: splicer, file, why, rows, shown and inferred spans."""
    odd = np.flatnonzero(times.why)
    if not len(odd):
        return []
    at = times.at[odd]
    rows = pd.DataFrame(
        {
            "splicer": np.array(shown.words.texts, dtype=object)[shown.splicer[at]],
            "file": np.array(files, dtype=object)[shown.rows["src"].to_numpy()[at]],
            "why": np.array(WHYS, dtype=object)[times.why[odd]],
            "row": shown.rows["source_row"].to_numpy()[at],
            "shown": shown.when[at],
            "meant": times.local[odd],
        }
    )
    found = rows.groupby(["splicer", "file", "why"], as_index=False).agg(
        rows=("row", "size"),
        first_row=("row", "min"),
        shown_from=("shown", "min"),
        shown_to=("shown", "max"),
        meant_from=("meant", "min"),
        meant_to=("meant", "max"),
    )
    blocks = found.astype(object).where(found.notna(), None).to_dict("records")
    return [{str(name): value for name, value in block.items()} for block in blocks]


def to_utc(local: pd.Series, crew: Crew) -> pd.Series:
    """Local times of the crew as UTC without zone; in the hour that comes twice, the first.

    Zones are told once for each quarter of an hour that occurs.
    """
    known = local.notna().to_numpy()
    quarter = local.to_numpy().astype("datetime64[ms]").astype(np.int64) // _QUARTER
    quarter[~known] = quarter[known].min(initial=np.iinfo(np.int64).max) if known.any() else 0
    codes, blocks = grouped(quarter)
    first = pd.DatetimeIndex((blocks * _QUARTER).astype("datetime64[ms]"))
    moved = first.tz_localize(
        crew.zone, ambiguous=np.ones(len(first), bool), nonexistent="NaT"
    ).tz_convert("UTC")
    offset = (moved.tz_localize(None) - first).to_numpy()
    shift = offset[codes]
    utc = local + shift
    gap = np.flatnonzero(np.isnat(shift) & known)
    if len(gap):  # times that a change of the clocks left out
        utc.iloc[gap] = (
            local.iloc[gap]
            .dt.tz_localize(
                crew.zone, ambiguous=np.ones(len(gap), bool), nonexistent="shift_forward"
            )
            .dt.tz_convert("UTC")
            .dt.tz_localize(None)
        )
    return utc
