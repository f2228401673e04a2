"""Distributions fitted to counts per interval: rounded, censored, cut, many groups at once."""

from yieldkit.methods.binned.choice import USUAL, Average, average_intervals, weigh
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
from yieldkit.methods.binned.telling import cannot_tell

__all__ = [
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
    "Lognormal",
    "Normal",
    "Weibull",
    "cannot_tell",
    "count_intervals",
    "fit",
    "mean_interval",
    "profile",
    "quantile_interval",
    "share_over_interval",
]
