"""Distributions fitted to counts per interval: rounded, censored, cut, many groups at once."""

from yieldkit.methods.binned.bootstrap import Redrawn, held_out, redraw
from yieldkit.methods.binned.choice import POSSIBLE, USUAL, Average, average_intervals, weigh
from yieldkit.methods.binned.counts import Counts, count_intervals
from yieldkit.methods.binned.families import (
    Exponential,
    Family,
    Gamma,
    Gumbel,
    Lognormal,
    Normal,
    Weibull,
)
from yieldkit.methods.binned.fitting import Fit, fit
from yieldkit.methods.binned.intervals import (
    Estimate,
    mean_interval,
    profile,
    quantile_interval,
    share_over_interval,
)
from yieldkit.methods.binned.physical import (
    Hypoexponential,
    Mixture,
    ShiftedExponential,
    SteadyOffset,
)
from yieldkit.methods.binned.telling import FEW_VALUES, cannot_tell

__all__ = [
    "FEW_VALUES",
    "POSSIBLE",
    "USUAL",
    "Average",
    "average_intervals",
    "weigh",
    "Counts",
    "Estimate",
    "Exponential",
    "Family",
    "Fit",
    "Gamma",
    "Gumbel",
    "Hypoexponential",
    "Lognormal",
    "Mixture",
    "Normal",
    "Redrawn",
    "ShiftedExponential",
    "SteadyOffset",
    "Weibull",
    "cannot_tell",
    "count_intervals",
    "fit",
    "held_out",
    "mean_interval",
    "profile",
    "quantile_interval",
    "redraw",
    "share_over_interval",
]
