"""What a backscatter test shows of a splice from one end, and what both ends together tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def apparent_step_db(mfd_first_um: ArrayLike, mfd_second_um: ArrayLike) -> Floats:
    """Part of a one-way reading that is no loss [dB], seen from the first fibre.

    The captured share of backscatter goes as one over the mode-field diameter squared, and the
    trace halves the round trip: below zero (a gain) where the second fibre captures more, that is,
    where its mode field is the smaller one. The other way round it has the other sign.

    Parameters
    ----------
    mfd_first_um, mfd_second_um : array_like
        Mode-field diameters in the direction of the test [um].
    """
    first, second = np.asarray(mfd_first_um, float), np.asarray(mfd_second_um, float)
    return np.asarray(10 * np.log10(second / first))


def one_way_loss_db(
    loss_db: ArrayLike, mfd_first_um: ArrayLike, mfd_second_um: ArrayLike
) -> Floats:
    """Reading from one end [dB]: true loss and apparent step; below zero it is called a gainer."""
    return np.asarray(loss_db, float) + apparent_step_db(mfd_first_um, mfd_second_um)


def two_way_loss_db(a_to_b_db: ArrayLike, b_to_a_db: ArrayLike) -> Floats:
    """Loss of the splice [dB]: mean of the readings from both ends."""
    return (np.asarray(a_to_b_db, float) + np.asarray(b_to_a_db, float)) / 2


def fibre_difference_db(a_to_b_db: ArrayLike, b_to_a_db: ArrayLike) -> Floats:
    """Half the difference of both readings [dB]: it tells of the pair of fibres, not of the work.

    Examples
    --------
    >>> round(float(fibre_difference_db(0.20, 0.10)), 3)
    0.05
    """
    return (np.asarray(a_to_b_db, float) - np.asarray(b_to_a_db, float)) / 2


def bends(
    at_1310_high_db: ArrayLike, at_1550_low_db: ArrayLike, allowance_db: float = 0.05
) -> NDArray[np.bool_]:
    """Joints whose loss at 1550 nm is surely the greater one: a bend, not an alignment fault.

    Offset loss falls with wavelength (a wider mode field forgives it), bend loss rises steeply.

    Parameters
    ----------
    at_1310_high_db : array_like
        Greatest loss at 1310 nm that the reading can mean [dB].
    at_1550_low_db : array_like
        Least loss at 1550 nm that the reading can mean [dB].
    allowance_db : float
        What two readings of one joint may differ by without a bend [dB; common practice].
    """
    more = np.asarray(at_1550_low_db, float) - np.asarray(at_1310_high_db, float)
    return np.asarray(more > allowance_db)
