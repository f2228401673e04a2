"""Splicers' records as arrays: what each row shows, by the numbers of words and places."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from yieldkit.crew import Crew, Equipment
from yieldkit.records.columns import grouped, whole
from yieldkit.records.places import Places, Spots
from yieldkit.records.stacking import UNKNOWN, Words, coded

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa


_LEAST_STEP = 0.9e-4
"""Finer steps are the tail of a reckoned number, no display [dB]."""


@dataclass(frozen=True, eq=False)
class Shown:
    """Splicers' records as arrays, one element a row of the stacked table ``rows``.

    Parameters
    ----------
    splicer, serial, technician, job, kind, cleaver, heater : ndarray of int
        Numbers of ``words`` as the export shows them, -1 for none; ``kind``: connector type.
    spot, written : ndarray of int
        Place of the row, and as it was written: a ribbon's may be a range of ports.
    when : ndarray of datetime64[us]
        Time as shown.
    counter, fibre : ndarray of int
        Record number, -1 without one; fibre number, 0 without one.
    low, high : ndarray of float
        Interval that the estimate can mean [dB]; NaN without one.
    zone : ndarray of int
        The clock's zone in ``zones``; -1 for the crew's own.
    """

    rows: pa.Table
    words: Words
    places: Places
    spot: np.ndarray
    written: np.ndarray
    splicer: np.ndarray
    serial: np.ndarray
    technician: np.ndarray
    cleaver: np.ndarray
    heater: np.ndarray
    job: np.ndarray
    kind: np.ndarray
    when: np.ndarray
    counter: np.ndarray
    fibre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    zone: np.ndarray
    zones: list[str]

    @property
    def whole_minute(self) -> np.ndarray:
        """Whether the time as shown has no seconds."""
        return self.when.astype("datetime64[m]").astype("datetime64[us]") == self.when

    def take(self, name: str, where: np.ndarray) -> pa.Array:
        """Values of a stacked column at some rows; text stays coded."""
        import pyarrow as pa

        column = whole(self.rows[name])
        if column.null_count == len(column):
            return pa.nulls(len(where), column.type)
        return column.take(pa.array(where))


def shown(
    rows: pa.Table, words: Words, crew: Crew, places: Places, spots: Spots, job: np.ndarray
) -> Shown:
    """Read the codes, times and intervals of the stacked attempts ``rows``."""
    unit = words.meaning("unit")
    serials = coded(rows, "serial_text")
    own_serial = serials.meant(stripped(words, serials.words))
    by_serial = {row.serial: row.unit for row in _splicers(crew)}
    by_code = {words.number[s]: words.number[u] for s, u in by_serial.items()}
    told = np.array([by_code.get(n, -1) for n in range(len(words.texts))] + [-1])[own_serial]
    splicer = coded(rows, "splicer_text").meant(unit)
    for other in (coded(rows, "furniture_text").meant(unit), told):
        splicer = np.where(splicer < 0, other, splicer)
    splicer = np.where(splicer < 0, words.number[UNKNOWN], splicer).astype(np.int32)
    when = whole(rows["when_shown"]).to_numpy(zero_copy_only=False)
    unit_days, group = _unit_days(splicer, when, words, crew)
    low, high = _intervals(rows, unit_days, group)
    zones = sorted({e.clock_zone for e in unit_days if e and e.clock_zone})
    zone = np.array([zones.index(e.clock_zone) if e and e.clock_zone else -1 for e in unit_days])
    return Shown(
        rows,
        words,
        places,
        spots.of["attempts"],
        spots.written,
        splicer,
        np.where(own_serial < 0, _serial(unit_days, group, splicer, words), own_serial),
        coded(rows, "technician_text").meant(words.meaning("technician")),
        coded(rows, "cleaver_text").meant(unit),
        coded(rows, "heater_text").meant(unit),
        job,
        coded(rows, "connector_type_text").meant(words.meaning("connector type")),
        when,
        _whole(rows, "counter", -1),
        _whole(rows, "fibre", 0),
        low,
        high,
        zone[group] if len(zone) else np.zeros(0, np.int64),
        zones,
    )


def _splicers(crew: Crew) -> list[Equipment]:
    """Splicers whose serial stands for one unit alone."""
    rows = {(r.serial, r.unit): r for r in crew.equipment if r.serial and r.kind == "splicer"}
    return [r for r in rows.values() if sum(serial == r.serial for serial, _ in rows) == 1]


def _whole(rows: pa.Table, name: str, none: int) -> np.ndarray:
    import pyarrow.compute as pc

    found: np.ndarray = pc.fill_null(whole(rows[name]), none).to_numpy()
    return found


def _unit_days(
    splicer: np.ndarray, when: np.ndarray, words: Words, crew: Crew
) -> tuple[list[Equipment | None], np.ndarray]:
    """The unit behind each splicer's code on each day shown, and the group of each row."""
    day = when.astype("datetime64[D]")
    number = np.where(np.isnat(when), 0, day.astype(np.int64))
    group, distinct = grouped(number * len(words.texts) + splicer)
    units = [
        crew.unit_on(words.texts[splicer], np.datetime64(day, "D").item())
        for day, splicer in (divmod(one, len(words.texts)) for one in distinct.tolist())
    ]
    return units, group


def _serial(
    unit_days: list[Equipment | None], group: np.ndarray, splicer: np.ndarray, words: Words
) -> np.ndarray:
    """Serial of each row's unit; the unit's code where none is known."""
    known = np.array(
        [words.number[e.serial] if e and e.serial else -1 for e in unit_days] + [-1], np.int32
    )[group]
    return np.where(known < 0, splicer, known)


def _intervals(
    rows: pa.Table, unit_days: list[Equipment | None], group: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest loss that each display can mean [dB]; each display is reckoned once."""
    import pyarrow.compute as pc

    displays: dict[tuple[bool, float, float, float], int] = {}
    of_unit_day = [displays.setdefault(_display(e), len(displays)) for e in [*unit_days, None]]
    own = pc.fill_null(whole(rows["loss_step"]), np.inf).to_numpy()
    loss = pc.fill_null(whole(rows["loss_db"]), np.nan).to_numpy()
    mark = coded(rows, "loss_mark").meant({"<": 0, ">": 1}) + 1
    (steps, own), (losses, loss) = (grouped(one) for one in (own, loss))
    shape = (len(loss) + 1, len(own), len(displays), 3)
    which, distinct = grouped(
        np.ravel_multi_index((losses, steps, np.array(of_unit_day)[group], mark), shape, "wrap")
    )
    at, step_at, display, mark = np.unravel_index(distinct, shape)
    truncates, floor, ceiling, step = np.array(list(displays)).T[:, display]
    loss, own = np.append(loss, np.nan)[at], own[step_at]
    step = np.minimum(step, np.where(own < _LEAST_STEP, np.inf, own))
    high = np.where(truncates > 0, loss + step, loss + step / 2).round(6)
    high = np.where(loss >= ceiling, np.inf, high)
    low = np.where(truncates > 0, loss, np.maximum(0, (loss - step / 2).round(6)))
    low = np.where(loss <= floor, 0.0, low)
    low = np.where(mark == 1, 0.0, np.where(mark == 2, loss, low))
    high = np.where(mark == 1, loss, np.where(mark == 2, np.inf, high))
    none = np.isnan(loss)
    return np.where(none, np.nan, low)[which], np.where(none, np.nan, high)[which]


def _display(unit: Equipment | None) -> tuple[bool, float, float, float]:
    """Whether a unit's display truncates; its floor, ceiling and step [dB]."""
    if unit is None:
        return False, -np.inf, np.inf, 0.01
    floor, ceiling = unit.display_floor_db, unit.display_ceiling_db
    return (
        unit.display == "truncates",
        -np.inf if floor is None else floor,
        np.inf if ceiling is None else ceiling,
        unit.display_step_db,
    )


def seen_days(con: duckdb.DuckDBPyConnection, shown: Shown) -> None:
    """Make ``seen_days`` (technician, date): days on which an export names a person."""
    import pyarrow as pa

    at = np.flatnonzero((shown.technician >= 0) & ~np.isnat(shown.when))
    day = shown.when[at].astype("datetime64[D]").astype(np.int64)
    number, technician = np.divmod(
        grouped(day * len(shown.words.texts) + shown.technician[at])[1], len(shown.words.texts)
    )
    con.register(
        "seen_days",
        pa.table(
            {
                "technician": shown.words.column(technician),
                "date": pa.array(number.astype("datetime64[D]")),
            }
        ),
    )


def stripped(words: Words, texts: list[str]) -> dict[str, int]:
    """Number of each text without the blanks around it; -1 where none is known."""
    return {text: words.number.get(text.strip(" "), -1) for text in texts}
