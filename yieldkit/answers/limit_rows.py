"""Which limit row a reading meets: its own quantity, wavelength, direction, job, type and tier."""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldkit.answers.loss_readings import BOTH
from yieldkit.crew import ALL, Limit


def limit_name(limit: Limit) -> str:
    """A limit row in words: "insertion loss 1310 nm, LC: each at most 0.50 dB"."""
    wave = f" {limit.wavelength_nm:g} nm" if limit.wavelength_nm else ""
    way = {"any": "", "each": ", both ways", "mean": ", mean of both ways"}[limit.direction]
    scope = [part for part in (limit.connector_type, limit.job) if part != ALL]
    if limit.after_tries:
        scope.append(f"after {limit.after_tries} tries")
    statistic = {"each": "each", "mean": "mean", "97 %": "97 %"}[limit.statistic]
    least = "at least" if limit.at_least else "at most"
    named = ", ".join([f"{limit.quantity}{wave}{way}", *scope])
    edition = f" ({limit.edition})" if limit.edition else ""
    return f"{named}: {statistic} {least} {limit.limit_db:g} dB{edition}"


def readings_of_rows(readings: pd.DataFrame, limits: tuple[Limit, ...]) -> pd.DataFrame:
    """Readings, once for each rule (quantity, statistic, direction) with the row that they meet."""
    rules: dict[tuple[str, str, str], list[int]] = {}
    for number, limit in enumerate(limits):
        rules.setdefault((limit.quantity, limit.statistic, limit.direction), []).append(number)
    parts = []
    for (quantity, _, direction), numbers in rules.items():
        fitting = readings[_of_quantity(readings, quantity, direction)]
        of_each = _row_of_each(fitting, limits, numbers)
        parts.append(fitting[of_each >= 0].assign(limit_no=of_each[of_each >= 0]))
    if not parts:
        return readings.iloc[:0].assign(limit_no=0, limit="")
    met = pd.concat(parts, ignore_index=True)
    return met.assign(limit=[limit_name(limits[number]) for number in met["limit_no"]])


def _of_quantity(readings: pd.DataFrame, quantity: str, direction: str) -> pd.Series:
    if direction == "mean" and quantity in ("one-way loss", "two-way loss"):
        return readings["quantity"].eq("two-way loss")
    fits = readings["quantity"].eq(quantity)
    return fits & readings["direction"].ne(BOTH) if direction == "each" else fits


def _row_of_each(
    readings: pd.DataFrame, limits: tuple[Limit, ...], numbers: list[int]
) -> np.ndarray:
    """Number of the row that each reading meets; -1 for none."""

    def narrower(number: int) -> tuple[bool, bool, bool, int, int]:
        row = limits[number]
        since = row.from_date.toordinal() if row.from_date else 0
        named = row.job != ALL, row.connector_type != ALL, row.wavelength_nm is not None
        return (*named, since, row.after_tries)

    found = np.full(len(readings), -1)
    days = pd.to_datetime(readings["date"])
    for number in sorted(numbers, key=narrower):
        row = limits[number]
        fits = readings["tries"].gt(row.after_tries)
        if row.job != ALL:
            fits &= readings["job"].eq(row.job)
        if row.connector_type != ALL:
            fits &= readings["connector_type"].eq(row.connector_type)
        if row.wavelength_nm is not None:
            fits &= readings["wavelength_nm"].sub(row.wavelength_nm).abs().lt(15)
        if row.from_date is not None:
            fits &= days >= pd.Timestamp(row.from_date)
        found[fits.to_numpy(bool)] = number
    return found
