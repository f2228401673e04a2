"""Crossed random effects on counts and cross-products: Gaussian, pass or fail, losses as intervals.

A crew's people, splicers, cleavers and lots are crossed factors: each joint has one level of each.
The fits cost one pass over the rows (Gaussian) or a few over the distinct cells (the others), then
dense algebra of the size of all levels together.
"""

from yieldkit.methods.crossed.design import Factors, factors, treatment
from yieldkit.methods.crossed.gaussian import GaussianFit, fit_gaussian
from yieldkit.methods.crossed.integrate import Integrated, Node, integrate
from yieldkit.methods.crossed.laplace import LaplaceFit, fit_laplace
from yieldkit.methods.crossed.mixture import Mixture
from yieldkit.methods.crossed.responses import Counts, Intervals

__all__ = [
    "Counts",
    "Factors",
    "GaussianFit",
    "Integrated",
    "Intervals",
    "LaplaceFit",
    "Mixture",
    "Node",
    "factors",
    "fit_gaussian",
    "fit_laplace",
    "integrate",
    "treatment",
]
