"""Chances: at which step a fault shows, and that an arc leads to an accepted joint."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from yieldkit.simulate import losses
from yieldkit.simulate.plan import SOURCES, CrewPlan
from yieldkit.simulate.roster import Ints

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
COLUMN = {source: i for i, source in enumerate(SOURCES)}
_SHARES = {
    "connector": np.array([0.45, 0.12, 0.13, 0.15, 0.15]),
    "splice": np.array([0.75, 0.15, 0.0, 0.0, 0.10]),
}
"""Shares of the steps among faults [assumed, in line with common practice]."""


def type_shares(plan: CrewPlan) -> Array:
    """Shares of the steps among the faults of each type, shape (types, steps)."""
    return np.array(
        [_SHARES["splice" if kind.design == "D" else "connector"] for kind in plan.types]
    )


def step_weights(shares: Array, fault_parts: Array) -> Array:
    """Weights of the steps, shape (attempts, steps), given what each source adds to the fault."""
    weight = shares.copy()
    weight[:, 0] *= np.exp(fault_parts[:, COLUMN["splicer"]] + fault_parts[:, COLUMN["cleaver"]])
    weight[:, 1] *= np.exp(2 * fault_parts[:, COLUMN["heater"]])
    weight[:, 3] *= np.exp(fault_parts[:, COLUMN["connector_lot"]])
    return weight


def true_chance(
    plan: CrewPlan, kind: Ints, eta: Array, mean_db: Array, bias: Array, arc: Ints
) -> tuple[Array, Array]:
    """Chance that each arc is within its limit, and that it leads to an accepted joint.

    Exact up to the cells of ``losses.pass_both``. The fibres of one ribbon arc share one chance.

    Parameters
    ----------
    kind, eta, mean_db, bias : arrays of shape (fibres,)
        Connector type, logit of a fault, mean loss [dB] and noncentrality.
    arc : array
        Number of the arc of each fibre.
    """
    kinds, testing = plan.types, plan.testing
    test_limit = np.array([np.inf if k.test_limit_db is None else k.test_limit_db for k in kinds])
    limit = np.inf if testing.estimate_limit_db is None else testing.estimate_limit_db
    within, passed = losses.pass_both(
        mean_db,
        bias,
        family=plan.family,
        shape=plan.family_shape,
        estimate_limit_db=np.full(len(kind), limit),
        test_limit_db=test_limit[kind],
        mating_db=np.array([k.mating_db for k in kinds])[kind],
        zero_db=np.array([k.zero_db for k in kinds])[kind],
    )
    if testing.return_loss_limit_db is not None:
        far = (testing.return_loss_mean_db - testing.return_loss_limit_db) / (
            testing.return_loss_sd_db
        )
        reflects = np.array([k.return_loss for k in kinds])[kind]
        passed = np.where(reflects, passed * ndtr(far), passed)
    _, group = np.unique(arc, return_inverse=True)
    all_within = np.exp(np.bincount(group, np.log(np.maximum(within, 1e-300))))[group]
    all_passed = np.exp(np.bincount(group, np.log(np.maximum(passed, 1e-300))))[group]
    return all_within, all_within * all_passed * (1 - expit(eta))
