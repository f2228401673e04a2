"""Who works when, with which kit, on which positions of which job."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from yieldkit.simulate.plan import CrewPlan

Ints = NDArray[np.int64]

SITES = (
    "Heron Quay House",
    "Old Tannery",
    "Millrace School",
    "Lamplight Hall",
    "Sluice Cottage Row",
    "Barley Market",
    "Fennel Street Clinic",
    "Rope Loft",
    "Observatory Hill",
    "Ferry Steps",
    "Cooper Yard",
    "Weir Offices",
    "Tide Museum",
    "Linden Depot",
)
"""Invented places."""


@dataclass(frozen=True, eq=False)
class Roster:
    """Days and kit: arrays of shape (days, technicians); -1 where a person is not at work."""

    dates: NDArray[np.datetime64]
    """Date of each working day."""
    splicer: Ints
    cleaver: Ints
    heater: Ints
    joints: Ints
    """Positions meant to be started."""


@dataclass(frozen=True, eq=False)
class Work:
    """All positions in the order in which they are begun: codes by index, one entry a position."""

    day: Ints
    technician: Ints
    job: Ints
    panel: Ints
    port: Ints
    kind: Ints
    """Index of the connector type."""
    fibre_lot: Ints
    connector_lot: Ints
    group: Ints
    """Positions joined by one arc share a group; a single fibre is a group of one."""
    fibre: Ints
    ribbon: NDArray[np.bool_]
    first_of_day: Ints
    """First index of each day, and the number of positions at the end."""
    job_names: list[str]
    job_sites: list[str]
    job_opened: Ints
    job_closed: Ints
    """Day of the last position, -1 where the job is still open at the end."""
    fibre_lots: list[str]
    connector_lots: list[str]
    planned: list[tuple[int, int, int, int, int, int]]
    """Job, panel, kind, ports, fibre lot, connector lot: a row a panel."""


def make_roster(plan: CrewPlan, rng: np.random.Generator) -> Roster:
    """Draw presence, kit and volume of every person and day."""
    shape = (plan.days, len(plan.technicians))
    day = np.arange(plan.days)
    dates = np.datetime64(plan.first_day, "D") + (7 * (day // 5) + day % 5).astype("timedelta64[D]")
    here = rng.random(shape) < plan.present
    here[~here.any(axis=1), 0] = True
    person = np.arange(shape[1])[None, :]

    def kit(units: int) -> Ints:
        own = rng.random(shape) < plan.own_kit
        held = np.where(own, person % units, rng.integers(units, size=shape))
        return np.where(here, held, -1)

    joints = np.where(here, np.maximum(rng.poisson(plan.per_day, shape), 1), 0)
    return Roster(
        dates, kit(len(plan.splicers)), kit(len(plan.cleavers)), kit(len(plan.heaters)), joints
    )


class _Job:
    """An open job: its panels in order, and the next free port."""

    def __init__(self, number: int, panels: list[tuple[int, int, int, int]], ribbon: bool) -> None:
        self.number = number
        self.panels = panels  # kind, ports, fibre lot, connector lot
        self.ribbon = ribbon
        self.panel = 0
        self.port = 0

    def take(self, wanted: int) -> list[tuple[int, int, int]]:
        """Up to ``wanted`` ports as (panel, first port, number)."""
        got: list[tuple[int, int, int]] = []
        while wanted > 0 and self.panel < len(self.panels):
            left = self.panels[self.panel][1] - self.port
            now = min(left, wanted)
            got.append((self.panel, self.port, now))
            wanted -= now
            self.port += now
            if self.port == self.panels[self.panel][1]:
                self.panel, self.port = self.panel + 1, 0
        return got

    @property
    def done(self) -> bool:
        return self.panel >= len(self.panels)


class _Office:
    """Opens jobs with their panels and lots."""

    def __init__(self, plan: CrewPlan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        self.shares = np.array([kind.share for kind in plan.types])
        self.shares = self.shares / self.shares.sum()
        self.fibre_lots: list[str] = []
        self.connector_lots: list[str] = []
        self.planned: list[tuple[int, int, int, int, int, int]] = []
        self.sites: list[str] = []
        self.opened: list[int] = []

    def lot(self, names: list[str], name: str) -> int:
        if name not in names:
            names.append(name)
        return names.index(name)

    def open(self, day: int) -> _Job:
        rng, plan = self.rng, self.plan
        number = len(self.sites)
        period = int(day / 5 / plan.lot_weeks)
        size = max(24, int(plan.job_positions * rng.gamma(6.0, 1 / 6.0)))
        names = [kind.name for kind in plan.types]
        ribbon = "splice" in names and rng.random() < plan.ribbons
        panels = []
        while size > 0:
            kind = int(rng.choice(len(self.shares), p=self.shares))
            if ribbon:
                kind = names.index("splice")
            ports = 24 if ribbon else min(24, size)
            fibre = self.lot(self.fibre_lots, f"F{2 * period + 1 + int(rng.integers(2)):02d}")
            body = -1
            if names[kind] != "splice":
                name = f"K{names[kind]}{period + 1 + int(rng.random() < 0.25):02d}"
                body = self.lot(self.connector_lots, name)
            panels.append((kind, ports, fibre, body))
            self.planned.append((number, len(panels) - 1, kind, ports, fibre, body))
            size -= ports
        self.sites.append(SITES[int(rng.integers(len(SITES)))])
        self.opened.append(day)
        return _Job(number, panels, ribbon)


def make_work(plan: CrewPlan, roster: Roster, rng: np.random.Generator) -> Work:
    """Hand positions of open jobs to the persons, day by day."""
    office = _Office(plan, rng)
    jobs = [office.open(0) for _ in range(plan.open_jobs)]
    blocks: list[tuple[int, int, int, int, int, int, bool]] = []
    closed: dict[int, int] = {}
    for day in range(plan.days):
        for person in np.flatnonzero(roster.joints[day]):
            wanted = int(roster.joints[day, person])
            at = int(person + rng.integers(2)) % len(jobs)
            while wanted > 0:
                job = jobs[at]
                width = plan.ribbon_fibres
                share = max(width, wanted // width * width) if job.ribbon else wanted
                for panel, port, count in job.take(share):
                    blocks.append((day, int(person), job.number, panel, port, count, job.ribbon))
                    wanted -= count
                if job.done:
                    closed[job.number] = day
                    jobs[at] = office.open(day)
    return _spread_out(plan, office, blocks, closed)


def _spread_out(
    plan: CrewPlan,
    office: _Office,
    blocks: list[tuple[int, int, int, int, int, int, bool]],
    closed: dict[int, int],
) -> Work:
    """One entry a position from blocks of ports."""
    table = np.array(blocks, dtype=np.int64)
    count = table[:, 5]
    start = np.concatenate([[0], np.cumsum(count)])
    which = np.repeat(np.arange(len(table)), count)
    step = np.arange(start[-1]) - start[which]
    day, person, job, panel = (table[which, column] for column in range(4))
    port = table[which, 4] + step
    ribbon = table[which, 6].astype(bool)
    lookup = {(j, p): (kind, fibre, body) for j, p, kind, _, fibre, body in office.planned}
    panels = np.array([lookup[j, p] for j, p in table[:, 2:4].tolist()], dtype=np.int64)
    fibre = np.where(ribbon, port % plan.ribbon_fibres + 1, port + 1)
    begins = np.ones(len(port), dtype=bool)
    begins[1:] = ~(ribbon[1:] & (port[1:] % plan.ribbon_fibres > 0) & (which[1:] == which[:-1]))
    jobs = len(office.sites)
    return Work(
        day=day,
        technician=person,
        job=job,
        panel=panel,
        port=port,
        kind=panels[which, 0],
        fibre_lot=panels[which, 1],
        connector_lot=panels[which, 2],
        group=np.cumsum(begins) - 1,
        fibre=fibre,
        ribbon=ribbon,
        first_of_day=np.searchsorted(day, np.arange(plan.days + 1)),
        job_names=[f"J{2001 + j}" for j in range(jobs)],
        job_sites=office.sites,
        job_opened=np.array(office.opened),
        job_closed=np.array([closed.get(j, -1) for j in range(jobs)]),
        fibre_lots=office.fibre_lots,
        connector_lots=office.connector_lots,
        planned=office.planned,
    )


def last_day(plan: CrewPlan) -> np.datetime64:
    """Sunday that ends the period."""
    return np.datetime64(plan.first_day + timedelta(days=7 * plan.weeks - 1), "D")
