"""Control charts: single values, counts, running sums, scores, run rules.

Phase 1 (``phase_one``: what is usual, with the odd points named and left out) is apart from phase 2
(is a new value usual). Run lengths are in ``yieldkit.methods.runlength``.
"""

from yieldkit.methods.charts.counting import (
    CountLimits,
    between_failures_limits,
    dispersion,
    share_limits,
)
from yieldkit.methods.charts.scores import failure_scores, worse_chance
from yieldkit.methods.charts.sums import Sums, cusum, ewma
from yieldkit.methods.charts.values import (
    Baseline,
    Limits,
    chart_constants,
    individuals,
    mean_and_spread,
    phase_one,
    run_rule_signals,
    skewed_limits,
)

__all__ = [
    "Baseline",
    "CountLimits",
    "Limits",
    "Sums",
    "between_failures_limits",
    "chart_constants",
    "cusum",
    "dispersion",
    "ewma",
    "failure_scores",
    "individuals",
    "mean_and_spread",
    "phase_one",
    "run_rule_signals",
    "share_limits",
    "skewed_limits",
    "worse_chance",
]
