"""Effects of persons, units, lots, jobs and days, and how they change in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldkit.simulate.plan import CrewPlan, EffectShape, Shift
from yieldkit.simulate.roster import Work

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Effects:
    """Effects by source, each an array over units; on the logit of a fault and on log mean loss."""

    names: dict[str, list[str]]
    faults: dict[str, Array]
    losses: dict[str, Array]
    shift_faults: dict[str, Array]
    """By kind of unit, shape (units, days): what shifts add that day."""
    shift_losses: dict[str, Array]
    shift_bias: dict[str, Array]
    interaction: Array
    """Technician by splicer, on the logit of a fault."""


def standard_draw(rng: np.random.Generator, size: int, shape: EffectShape) -> Array:
    """Draws of mean 0 and variance 1: normal, Student t with 3 d.f., or one in five far off."""
    if shape == "normal":
        return rng.standard_normal(size)
    if shape == "heavy":
        return rng.standard_t(3, size) / np.sqrt(3.0)
    if shape == "two-point":
        return np.where(rng.random(size) < 0.2, 2.0, -0.5)
    raise ValueError(f"shape {shape!r} is unknown; wanted normal, heavy or two-point")


def make_effects(plan: CrewPlan, work: Work, rng: np.random.Generator) -> Effects:
    """Draw every effect of the crew."""
    names = {
        "technician": list(plan.technicians),
        "splicer": [splicer.unit for splicer in plan.splicers],
        "cleaver": list(plan.cleavers),
        "heater": list(plan.heaters),
        "fibre_lot": work.fibre_lots,
        "connector_lot": work.connector_lots,
        "job": work.job_names,
        "day": [str(d) for d in range(plan.days)],
        "splicer_day": [str(d) for d in range(plan.days * len(plan.splicers))],
        "end": [str(p) for p in range(len(work.port))],
    }
    faults, losses = {}, {}
    for source, units in names.items():
        # Single ends, jobs and days keep normal effects: the shape is a statement about units.
        shape = plan.shape if source in ("technician", "splicer", "cleaver", "heater") else "normal"
        first = standard_draw(rng, len(units), shape)
        second = standard_draw(rng, len(units), shape)
        both = plan.together * first + np.sqrt(1 - plan.together**2) * second
        faults[source] = getattr(plan.faults, source) * first
        losses[source] = getattr(plan.losses, source) * both
    kinds = ("technician", "splicer", "cleaver", "heater", "fibre_lot", "connector_lot")
    shifts = {kind: _shifts(plan, kind, names[kind]) for kind in kinds}
    return Effects(
        names=names,
        faults=faults,
        losses=losses,
        shift_faults={kind: shifts[kind][0] for kind in kinds},
        shift_losses={kind: shifts[kind][1] for kind in kinds},
        shift_bias={kind: shifts[kind][2] for kind in kinds},
        interaction=plan.interaction
        * rng.standard_normal((len(names["technician"]), len(names["splicer"]))),
    )


def _shifts(plan: CrewPlan, kind: str, names: list[str]) -> tuple[Array, Array, Array]:
    """Fault, log loss and bias that the shifts of one kind add, each of shape (units, days)."""
    added = np.zeros((3, len(names), plan.days))
    for shift in plan.shifts:
        if shift.kind == kind and shift.unit in names:
            grown = growth(shift, plan.days)
            sizes = (shift.fault, np.log(shift.loss_factor), shift.bias)
            added[:, names.index(shift.unit)] += np.outer(sizes, grown)
    return added[0], added[1], added[2]


def growth(shift: Shift, days: int) -> Array:
    """Share of a shift that acts on each working day: 0 before, 1 once full, 0 after its end."""
    day = np.arange(days)
    grown = np.clip((day - shift.start_day + 1) / max(shift.ramp_days, 1), 0, 1)
    if shift.end_day is not None:
        grown = np.where(day > shift.end_day, 0.0, grown)
    return grown
