"""Loss budget of a link: fibre, joints and connections added up, with the spread of the joints.

Use measured or calibrated losses; a splicer's estimate is computed from images and is no loss.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri


@dataclass(frozen=True)
class Joints:
    """Joints of one kind in a link.

    Parameters
    ----------
    count : int
        Number in the link.
    mean_db, sd_db : float
        Mean and standard deviation of the loss of one [dB].
    """

    count: int
    mean_db: float
    sd_db: float


@dataclass(frozen=True)
class Budget:
    """Loss of a link.

    Parameters
    ----------
    mean_db : float
        Expected loss [dB].
    sd_db : float
        Standard deviation between links [dB], joints independent of each other.
    worst_db : float
        Loss that the wanted share of links stays under [dB], by the normal law of sums.
    margin_db : float
        Allowed loss less ``worst_db`` [dB]; NaN without an allowed loss.
    """

    mean_db: float
    sd_db: float
    worst_db: float
    margin_db: float


def link_budget(
    joints: Sequence[Joints],
    *,
    fibre_km: float = 0.0,
    fibre_db_per_km: float = 0.0,
    allowed_db: float | None = None,
    share: float = 0.97,
) -> Budget:
    """Expected loss of a link and what a wanted share of such links stays under.

    Parameters
    ----------
    joints : sequence of Joints
        Splices and connections.
    fibre_km, fibre_db_per_km : float
        Length [km] and loss of the fibre [dB/km].
    allowed_db : float, optional
        Loss that the system allows [dB].
    share : float
        Share of links that should stay under ``worst_db``. With fewer than about ten joints the
        sum is still skewed and the true value lies somewhat higher.

    Raises
    ------
    ValueError
        If a count or a spread is negative, or ``share`` is not between 0 and 1.

    Examples
    --------
    >>> made = link_budget([Joints(12, 0.05, 0.04), Joints(2, 0.25, 0.10)], allowed_db=2.0)
    >>> round(made.mean_db, 2), round(made.worst_db, 2), round(made.margin_db, 2)
    (1.1, 1.47, 0.53)
    """
    if any(kind.count < 0 or kind.sd_db < 0 for kind in joints):
        raise ValueError("a count or a standard deviation is negative")
    if not 0 < share < 1:
        raise ValueError(f"share is {share}, wanted between 0 and 1; write 97 % as 0.97")
    mean = fibre_km * fibre_db_per_km + sum(kind.count * kind.mean_db for kind in joints)
    sd = float(np.sqrt(sum(kind.count * kind.sd_db**2 for kind in joints)))
    worst = mean + float(ndtri(share)) * sd
    return Budget(mean, sd, worst, float("nan") if allowed_db is None else allowed_db - worst)
