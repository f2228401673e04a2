"""Loss of a splice of two single-mode fibres in the Gaussian-mode approximation.

Mode fields are taken as Gaussian with 1/e amplitude radius w, half the mode-field diameter. After
D. Marcuse, Loss analysis of single-mode fiber splices, Bell Syst. Tech. J. 56, 703-718, 1977,
doi:10.1002/j.1538-7305.1977.tb00534.x. All functions take arrays and broadcast.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

DB_PER_NEPER = 10 / np.log(10)
GLASS_INDEX = 1.4677
"""Group index of the usual single-mode fibre at 1310 nm [common practice]."""


def mismatch_loss_db(mfd1_um: ArrayLike, mfd2_um: ArrayLike) -> Floats:
    """Loss of two mode fields of unlike size [dB]; the same in both directions.

    Parameters
    ----------
    mfd1_um, mfd2_um : array_like
        Mode-field diameters [um].
    """
    w1, w2 = np.asarray(mfd1_um, float) / 2, np.asarray(mfd2_um, float) / 2
    return np.asarray(-20 * np.log10(2 * w1 * w2 / (w1**2 + w2**2)))


def offset_loss_db(offset_um: ArrayLike, mfd1_um: ArrayLike, mfd2_um: ArrayLike) -> Floats:
    """Loss of a sideways offset of the cores [dB]; it adds to that of the mismatch.

    Parameters
    ----------
    offset_um : array_like
        Offset of the cores [um].
    mfd1_um, mfd2_um : array_like
        Mode-field diameters [um].
    """
    w1, w2 = np.asarray(mfd1_um, float) / 2, np.asarray(mfd2_um, float) / 2
    return np.asarray(DB_PER_NEPER * 2 * np.asarray(offset_um, float) ** 2 / (w1**2 + w2**2))


def tilt_loss_db(
    tilt_deg: ArrayLike,
    mfd1_um: ArrayLike,
    mfd2_um: ArrayLike,
    wavelength_nm: ArrayLike,
    index: float = GLASS_INDEX,
) -> Floats:
    """Loss of an angle between the two fibres at the joint [dB].

    Parameters
    ----------
    tilt_deg : array_like
        Angle between the fibre axes [deg]; a cleave angle is not that, since the arc melts it.
    mfd1_um, mfd2_um : array_like
        Mode-field diameters [um].
    wavelength_nm : array_like
        Vacuum wavelength [nm].
    index : float
        Index of the glass.
    """
    w1, w2 = np.asarray(mfd1_um, float) / 2, np.asarray(mfd2_um, float) / 2
    wave = 2 * np.pi * index / (np.asarray(wavelength_nm, float) / 1000)
    turn = wave * w1 * w2 * np.sin(np.radians(np.asarray(tilt_deg, float)))
    return np.asarray(DB_PER_NEPER * turn**2 / (2 * (w1**2 + w2**2)))


def splice_loss_db(
    mfd1_um: ArrayLike,
    mfd2_um: ArrayLike,
    *,
    offset_um: ArrayLike = 0.0,
    tilt_deg: ArrayLike = 0.0,
    wavelength_nm: ArrayLike = 1310.0,
    index: float = GLASS_INDEX,
) -> Floats:
    """Loss of mismatch, offset and tilt together [dB].

    The three add where offset and tilt lie in planes at right angles, or one of them is nought;
    Marcuse's formula adds them.

    Examples
    --------
    >>> round(float(splice_loss_db(9.2, 9.2, offset_um=1.0)), 3)
    0.205
    """
    return np.asarray(
        mismatch_loss_db(mfd1_um, mfd2_um)
        + offset_loss_db(offset_um, mfd1_um, mfd2_um)
        + tilt_loss_db(tilt_deg, mfd1_um, mfd2_um, wavelength_nm, index)
    )


def mean_offset_loss_db(sd_um: ArrayLike, mfd_um: ArrayLike) -> Floats:
    """Mean loss [dB] of cores that miss each other by a normal error in each of two directions.

    The offset is then a Rayleigh distance and its loss exponential with this mean.

    Parameters
    ----------
    sd_um : array_like
        Standard deviation of the error in one direction [um].
    mfd_um : array_like
        Mode-field diameter of both fibres [um].
    """
    return np.asarray(2 * offset_loss_db(sd_um, mfd_um, mfd_um))
