"""Run lengths of charts: how many points until a false alarm, and until a true one.

- ``normal``: EWMA and CUSUM of independent normal values, by integral equation.
- ``lattice``: CUSUM and EWMA of counts, of pass or fail, and of scores on rounded losses, by exact
  Markov chains; Bernoulli scores that lie on no lattice, by following each excursion.
- ``rules``: what run rules cost in false alarms.
- ``fleet``: expected false alarms of many charts together, and the limit that keeps them.
- ``assured``: limits that keep the rate although the baseline is estimated.

All assume independent draws from a known distribution, unless said otherwise.
"""

from yieldkit.methods.runlength.normal import (
    cusum_limit,
    cusum_mean_run_length,
    cusum_run_length,
    ewma_limit,
    ewma_mean_run_length,
    ewma_run_length,
)

__all__ = [
    "cusum_limit",
    "cusum_mean_run_length",
    "cusum_run_length",
    "ewma_limit",
    "ewma_mean_run_length",
    "ewma_run_length",
]
