"""Failures, parts and packs until N positions are accepted, exact given the chances.

A job's conditions are a mixture: nodes with weights (``Chances``). Given a node, positions are
independent; everything that varies from job to job lies in the nodes. Parts fail together because
failures are counted first and only then thinned by the step at which they happen.
"""

from yieldkit.methods.predictive.chances import Chances, node_step, normal_nodes
from yieldkit.methods.predictive.failures import (
    failures_in_attempts,
    given_up,
    mean_and_variance,
    mixed_pmf,
    node_enough,
    node_pmf,
    node_total_pmf,
    pieces_after,
    quantiles,
    total_pmf,
)
from yieldkit.methods.predictive.joint import Use, all_suffice
from yieldkit.methods.predictive.known import (
    backorders,
    beta_binomial,
    beta_negative_binomial,
    poisson_prediction_limit,
)
from yieldkit.methods.predictive.packs import (
    Costs,
    Item,
    Purchase,
    best_packs,
    cost_curve,
    search_all_packs,
)
from yieldkit.methods.predictive.spectrum import Work

__all__ = [
    "Chances",
    "Costs",
    "Item",
    "Purchase",
    "Use",
    "Work",
    "all_suffice",
    "backorders",
    "best_packs",
    "beta_binomial",
    "beta_negative_binomial",
    "cost_curve",
    "failures_in_attempts",
    "given_up",
    "mean_and_variance",
    "mixed_pmf",
    "node_enough",
    "node_pmf",
    "node_step",
    "node_total_pmf",
    "normal_nodes",
    "pieces_after",
    "poisson_prediction_limit",
    "quantiles",
    "search_all_packs",
    "total_pmf",
]
