"""Slope of the regularised incomplete gamma function in its shape, which scipy does not offer.

Below and around the mean the lower function's power series is differentiated term by term; above
it the upper function's continued fraction is, so that a tiny tail keeps its digits (R. J. Moore,
Appl. Stat. 31, 330-335, 1982, algorithm AS 187, does the same by other recurrences).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from yieldkit.methods.binned.counts import Floats

LARGE = 1000.0
"""Shape from which on the slope is a difference: both expansions grow long there."""
FRACTIONS = 60
"""Terms of the continued fraction; 1e-11 of the slope up to ``LARGE``, 1e-15 under 200."""


def slope_in_shape(shape: Floats, y: Floats) -> Floats:
    """Slope of the share below ``y`` of a gamma variable of scale one, in its shape.

    Parameters
    ----------
    shape, y : array of float, shape (m,)
        Shape and place, both above zero.
    """
    slope = np.empty_like(y)
    large = shape > LARGE
    near = (y < shape + 2 * np.sqrt(shape) + 3) & ~large
    far = ~(near | large)
    slope[near] = _series(shape[near], y[near])
    slope[far] = _fraction(shape[far], y[far])
    if large.any():
        slope[large] = _difference(shape[large], y[large])
    return slope


def _series(shape: Floats, y: Floats) -> Floats:
    """From P(a, y) = y^a exp(-y) sum of y^n / gamma(a + n + 1)."""
    front = np.exp(special.xlogy(shape, y) - y - special.gammaln(shape + 1))
    term, psi, place = np.ones_like(y), special.digamma(shape + 1), shape.copy()
    total, weighted = term.copy(), psi.copy()
    left = len(y) > 0
    while left:
        for _ in range(8):
            place = place + 1
            term = term * (y / place)
            psi = psi + 1 / place
            total += term
            weighted += term * psi
        left = bool((term * np.maximum(psi, 1) > 1e-17 * total).any())
    return front * (np.log(y) * total - weighted)


def _fraction(shape: Floats, y: Floats) -> Floats:
    """From Q(a, y) = y^a exp(-y) / gamma(a) / (y + 1 - a - 1 (1 - a) / (y + 3 - a - ...))."""
    value = y + 2 * FRACTIONS + 1 - shape
    slope = np.full_like(y, -1.0)
    for n in range(FRACTIONS, 0, -1):
        part = -n * (n - shape) / value
        slope = (n - part * slope) / value - 1
        value = y + 2 * n - 1 - shape + part
    front = np.exp(special.xlogy(shape, y) - y - special.gammaln(shape))
    return -front / value * (np.log(y) - special.digamma(shape) - slope / value)


def _difference(shape: Floats, y: Floats) -> Floats:
    step = 1e-3 * shape
    inner = special.gammainc(shape + step, y) - special.gammainc(shape - step, y)
    outer = special.gammainc(shape + 2 * step, y) - special.gammainc(shape - 2 * step, y)
    return (8 * inner - outer) / (12 * step)
