"""What happens, attempt by attempt: retries share a cable end and speed up the wear.

The days are walked one by one, because a blade's wear tomorrow depends on today's retries; within a
day each round of tries is one step on arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from yieldkit.simulate import losses
from yieldkit.simulate.chances import COLUMN, Array, Bools, step_weights, type_shares
from yieldkit.simulate.effects import Effects
from yieldkit.simulate.plan import SOURCES, CrewPlan
from yieldkit.simulate.roster import Ints, Roster, Work

STEPS = ("none", "splice", "protect", "crimp", "inspect", "test")
"""Step where an attempt failed; ``none``: it did not."""


@dataclass(frozen=True, eq=False)
class Service:
    """One service event: working day, kind of unit, unit, what.

    A negative day counts calendar days before the first.
    """

    day: int
    kind: str
    unit: int
    event: str


@dataclass(frozen=True, eq=False)
class Happened:
    """Every attempt in the order in which it happened; entries of the arrays are attempts."""

    position: Ints
    day: Ints
    technician: Ints
    splicer: Ints
    cleaver: Ints
    heater: Ints
    try_no: Ints
    """1 for the first attempt at the position."""
    arc: Ints
    """One number an arc; the fibres of a ribbon share it."""
    leads: Bools
    """True for the first fibre of its arc."""
    rejected: Ints
    """Cleaves rejected before this arc."""
    eta: Array
    """Logit of a fault."""
    mean_db: Array
    bias: Array
    fault_parts: Array
    """Shape (attempts, sources): what each source adds to ``eta``."""
    loss_parts: Array
    loss_db: Array
    """Estimate before any display."""
    step: Ints
    """Index into ``STEPS`` of the failure of the whole arc; 0 where it led to an accepted joint."""
    own_fault: Bools
    """False for a fibre of a ribbon that was itself in order."""
    over: Bools
    """Estimate over its limit."""
    excess_db: Array
    """Reading less estimate [dB]."""
    return_loss_db: Array
    late: Bools
    """The failure was found at the test only."""
    gave_up: Bools
    test_day: Ints
    """Working day of the test; -1 where it never came to a test."""
    wear: Array
    """Blade lives used."""
    service: tuple[Service, ...]


class _Machines:
    """Cleaves since rotation and arcs since replacement, with the services that they bring."""

    def __init__(self, plan: CrewPlan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        wear = plan.wear
        self.cleaves = rng.random(len(plan.cleavers)) * wear.blade_life
        self.turn_at = wear.blade_life * rng.uniform(0.85, 1.15, len(plan.cleavers))
        for i, unit in enumerate(plan.cleavers):
            if unit in wear.overdue:
                self.cleaves[i] = wear.overdue_start * wear.blade_life
                self.turn_at[i] = np.inf
        self.arcs = rng.random(len(plan.splicers)) * wear.electrode_life
        self.service: list[Service] = []
        daily = plan.per_day * len(plan.technicians) * plan.present
        for kind, used, event in (
            ("cleaver", self.cleaves, "blade rotation"),
            ("splicer", self.arcs, "electrode replacement"),
        ):
            # Before the period the crew worked as in it, so the last service lies that far back.
            days = np.ceil(used / (1.4 if kind == "cleaver" else 1.1) / daily * len(used) * 7 / 5)
            for number, back in enumerate(days):
                self.service.append(Service(-int(back) - 1, kind, number, event))
        self.service.sort(key=lambda event: event.day)

    def morning(self, day: int) -> None:
        for unit in np.flatnonzero(self.cleaves >= self.turn_at).tolist():
            self.service.append(Service(day, "cleaver", unit, "blade rotation"))
            self.cleaves[unit] = 0.0
            self.turn_at[unit] = self.plan.wear.blade_life * self.rng.uniform(0.85, 1.15)
        for unit in np.flatnonzero(self.arcs >= self.plan.wear.electrode_life).tolist():
            self.service.append(Service(day, "splicer", unit, "electrode replacement"))
            self.arcs[unit] = 0.0


def _running(units: Ints, amount: NDArray[Any], size: int) -> tuple[Array, Array]:
    """For each entry the sum of earlier amounts at its unit, and the totals by unit."""
    before = np.zeros(len(units))
    for unit in range(size):
        here = units == unit
        before[here] = np.cumsum(amount[here]) - amount[here]
    total: Array = np.bincount(units, amount, minlength=size).astype(np.float64)
    return before, total


class _Days:
    """The walk through the days; ``run`` gives all attempts."""

    def __init__(
        self,
        plan: CrewPlan,
        roster: Roster,
        work: Work,
        effects: Effects,
        rng: np.random.Generator,
    ) -> None:
        self.plan, self.roster, self.work = plan, roster, work
        self.effects, self.rng = effects, rng
        self.machines = _Machines(plan, rng)
        self.done = np.zeros(len(plan.technicians))
        self.tries = np.zeros(len(work.port), dtype=np.int64)
        self.redo: dict[int, list[Ints]] = {}
        self.rounds: list[dict[str, NDArray]] = []
        self.arc_count = 0
        kinds = plan.types
        self.base = logit(np.array([kind.fault for kind in kinds]))
        self.limit = np.array(
            [np.inf if k.test_limit_db is None else k.test_limit_db for k in kinds]
        )
        self.mating = np.array([kind.mating_db for kind in kinds])
        self.zero = np.array([kind.zero_db for kind in kinds])
        self.reflects = np.array([kind.return_loss for kind in kinds])
        self.other_cleave = np.array([float(kind.design != "A") for kind in kinds])
        self.shares = type_shares(plan)
        self.mean_db = np.array([splicer.mean_db for splicer in plan.splicers])
        self.bias = np.array([splicer.bias for splicer in plan.splicers])
        limit = plan.testing.estimate_limit_db
        self.estimate_limit = np.inf if limit is None else limit

    def run(self) -> Happened:
        for day in range(self.plan.days):
            self.machines.morning(day)
            first, last = self.work.first_of_day[day], self.work.first_of_day[day + 1]
            fresh = np.arange(first, last)
            self._try(day, fresh, self.work.technician[fresh])
            for positions in self.redo.pop(day, []):
                self._try(day, positions, self._who(day, self.work.technician[positions]))
        columns = {
            name: np.concatenate([round[name] for round in self.rounds]) for name in self.rounds[0]
        }
        return Happened(service=tuple(self.machines.service), **columns)

    def _who(self, day: int, wanted: Ints) -> Ints:
        """The first person again if at work, else somebody who is."""
        here = self.roster.splicer[day] >= 0
        other = self.rng.choice(np.flatnonzero(here), size=len(wanted))
        return np.where(here[wanted], wanted, other)

    def _try(self, day: int, positions: Ints, technician: Ints) -> None:
        """Rounds of tries at ``positions`` until none is left that is redone at once."""
        while len(positions):
            again = self._round(day, positions, technician)
            positions, technician = positions[again], technician[again]

    def _round(self, day: int, positions: Ints, technician: Ints) -> Bools:
        plan, work, rng = self.plan, self.work, self.rng
        size = len(positions)
        kind = work.kind[positions]
        kit = {
            "technician": technician,
            "splicer": self.roster.splicer[day, technician],
            "cleaver": self.roster.cleaver[day, technician],
            "heater": self.roster.heater[day, technician],
        }
        _, starts, group = np.unique(work.group[positions], return_index=True, return_inverse=True)
        leads = np.zeros(size, dtype=bool)
        leads[starts] = True
        self.tries[positions] += 1
        tries = self.tries[positions]

        wear, learned, rejected = self._prepare(kit, kind, leads, group, starts)
        faults, log_mean, bias = self._predict(day, positions, kit, wear, learned)
        eta = self.base[kind] + faults.sum(axis=1) + plan.retry * (tries > 1)
        ribbon = np.where(
            work.ribbon[positions], plan.ribbon_loss * rng.standard_normal(len(starts))[group], 0.0
        )
        mean = self.mean_db[kit["splicer"]] * np.exp(log_mean.sum(axis=1) + ribbon)
        loss = losses.draw(rng, mean, family=plan.family, shape=plan.family_shape, bias=bias)

        found = self._find_failure(kind, eta, faults, loss, starts, group)
        step = found["step"]
        late = (step == 5) | ((step == 4) & (rng.random(len(starts)) < plan.found_late)[group])
        failed = step > 0
        gave_up = failed & (
            (rng.random(len(starts)) < plan.give_up)[group] | (tries >= plan.max_tries)
        )
        lag = plan.testing.lag_days
        wait = rng.geometric(1 / lag, len(starts))[group] if lag >= 1 else np.zeros(size, int)
        test_day = np.where(~failed | late, day + wait, -1)
        self.rounds.append(
            {
                "position": positions,
                "day": np.full(size, day),
                **kit,
                "try_no": tries.copy(),
                "arc": self.arc_count + group,
                "leads": leads,
                "rejected": np.where(leads, rejected, 0),
                "eta": eta,
                "mean_db": mean,
                "bias": bias,
                "fault_parts": faults,
                "loss_parts": log_mean,
                "loss_db": loss,
                **found,
                "late": late,
                "gave_up": gave_up,
                "test_day": test_day,
                "wear": wear,
            }
        )
        self.arc_count += len(starts)
        self._queue(positions, late & ~gave_up, test_day)
        return np.asarray(failed & ~late & ~gave_up)

    def _find_failure(
        self, kind: Ints, eta: Array, faults: Array, loss: Array, starts: Ints, group: Ints
    ) -> dict[str, NDArray[Any]]:
        """Earliest failure of each arc: splice, protect, crimp, inspect or test."""
        rng, size, reading = self.rng, len(kind), self.plan.testing
        fault = (rng.random(len(starts)) < expit(eta[starts]))[group]
        fault_step = self._fault_step(faults[starts], kind[starts])[group]
        over = loss > self.estimate_limit
        excess = self.mating[kind] * rng.gamma(4.0, 0.25, size) - self.zero[kind]
        back = reading.return_loss_mean_db + reading.return_loss_sd_db * rng.standard_normal(size)
        weak = np.zeros(size, dtype=bool)
        if reading.return_loss_limit_db is not None:
            weak = (back < reading.return_loss_limit_db) & self.reflects[kind]
        bad_test = weak | (loss + excess > self.limit[kind])
        # The failure that is met first stops the joint: splice, protect, crimp, inspect, test.
        own = np.where(over, 1, np.where(fault, fault_step, np.where(bad_test, 5, 0)))
        own = np.where(fault & (fault_step == 1), 1, own)
        step = self._first_in_group(own, group, len(starts))

        return {
            "step": step,
            "own_fault": own == step,
            "over": over,
            "excess_db": excess,
            "return_loss_db": back,
        }

    def _queue(self, positions: Ints, wanted: Bools, test_day: Ints) -> None:
        """Put late failures on the list of the working day after their test."""
        for due in np.unique(test_day[wanted]):
            if due + 1 < self.plan.days:
                later = positions[wanted & (test_day == due)]
                self.redo.setdefault(int(due) + 1, []).append(later)

    def _prepare(
        self, kit: dict[str, Ints], kind: Ints, leads: Bools, group: Ints, starts: Ints
    ) -> tuple[Array, Array, Ints]:
        """Blade lives used, joints done before, cleaves rejected; and the wear they cause."""
        plan, machines = self.plan, self.machines
        cleavers, splicers = len(plan.cleavers), len(plan.splicers)
        once = (1.0 + self.other_cleave[kind]) * leads
        before, _ = _running(kit["cleaver"], once, cleavers)
        cleaves = machines.cleaves[kit["cleaver"]] + before
        wear = np.minimum(cleaves / plan.wear.blade_life, plan.wear.most)[starts][group]
        chance = expit(
            logit(plan.refusal)
            + plan.wear.refusal * wear**2
            + self.effects.faults["cleaver"][kit["cleaver"]]
        )[starts]
        rejected = np.minimum(self.rng.geometric(1 - chance) - 1, 5)[group]
        used = np.bincount(kit["cleaver"], once + rejected * leads, minlength=cleavers)
        machines.cleaves += used
        machines.arcs += np.bincount(kit["splicer"], leads * 1.0, minlength=splicers)
        before, total = _running(kit["technician"], leads * 1.0, len(plan.technicians))
        learned = self.done[kit["technician"]] + before
        self.done += total
        return wear, learned[starts][group], rejected

    def _predict(
        self, day: int, positions: Ints, kit: dict[str, Ints], wear: Array, learned: Array
    ) -> tuple[Array, Array, Array]:
        """What each source adds: logit of a fault, log mean loss, and the losses' bias."""
        plan, work, effects = self.plan, self.work, self.effects
        code = {
            **kit,
            "fibre_lot": work.fibre_lot[positions],
            "connector_lot": work.connector_lot[positions],
            "job": work.job[positions],
            "day": np.full(len(positions), day),
            "splicer_day": day * len(plan.splicers) + kit["splicer"],
            "end": work.group[positions],
        }
        faults = np.zeros((len(positions), len(SOURCES)))
        log_mean = np.zeros_like(faults)
        bias = self.bias[kit["splicer"]].copy()
        for source, column in COLUMN.items():
            if not len(effects.faults[source]):
                continue
            at = code[source]
            has = at >= 0
            faults[:, column] = np.where(has, effects.faults[source][at], 0.0)
            log_mean[:, column] = np.where(has, effects.losses[source][at], 0.0)
            if source in effects.shift_faults:
                faults[:, column] += np.where(has, effects.shift_faults[source][at, day], 0.0)
                log_mean[:, column] += np.where(has, effects.shift_losses[source][at, day], 0.0)
                bias += np.where(has, effects.shift_bias[source][at, day], 0.0)
        faults[:, COLUMN["cleaver"]] += plan.wear.fault * wear**2
        log_mean[:, COLUMN["cleaver"]] += plan.wear.loss * wear**2
        arcs = self.machines.arcs[kit["splicer"]] / plan.wear.electrode_life
        log_mean[:, COLUMN["splicer"]] += plan.wear.electrode_loss * arcs**2
        new = np.isin(kit["technician"], [plan.technicians.index(a) for a in plan.apprentices])
        faults[:, COLUMN["technician"]] += np.where(
            new, plan.learning * np.exp(-learned / plan.learning_joints), 0.0
        )
        if plan.interaction:
            pair = effects.interaction[kit["technician"], kit["splicer"]]
            faults[:, COLUMN["splicer"]] += pair
        return faults, log_mean, bias

    def _fault_step(self, faults: Array, kind: Ints) -> Ints:
        """Step of each fault: a heater's effect shows at ``protect``, kit's at ``splice``."""
        cut = np.cumsum(step_weights(self.shares[kind], faults), axis=1)
        where = self.rng.random(len(kind))[:, None] * cut[:, -1:]
        return np.asarray((where >= cut).sum(axis=1) + 1)

    @staticmethod
    def _first_in_group(own: Ints, group: Ints, groups: int) -> Ints:
        """Earliest failed step of any fibre of the arc; 0 if none failed."""
        earliest = np.full(groups, 9)
        np.minimum.at(earliest, group, np.where(own > 0, own, 9))
        return np.where(earliest == 9, 0, earliest)[group]


def live(
    plan: CrewPlan, roster: Roster, work: Work, effects: Effects, rng: np.random.Generator
) -> Happened:
    """Walk through the period; see ``Happened``."""
    return _Days(plan, roster, work, effects, rng).run()
