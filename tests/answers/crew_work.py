"""Work of a crew on named kit, with units that fail more."""

import numpy as np
import pandas as pd
from scipy.special import expit


def work(assignments, each, rng, bad=None, logit=3.0, shift=-1.5):
    """Positions of (technician, splicer, cleaver) assignments; units in ``bad`` are worse."""
    parts = []
    for person, splicer, cleaver in assignments:
        hit = len({person, splicer, cleaver} & set(bad or ()))
        passed = rng.random(each) < expit(logit + shift * hit)
        parts.append(
            pd.DataFrame(
                {
                    "technician": person,
                    "splicer": splicer,
                    "cleaver": cleaver,
                    "first_pass_termination": np.where(passed, "yes", "no"),
                }
            )
        )
    made = pd.concat(parts, ignore_index=True)
    return made.assign(
        position_id=np.arange(len(made)),
        first_attempt_id="x",
        heater="H-01",
        connector_lot="L1",
        fibre_lot="F1",
        connector_type="LC",
        job=[f"J{at}" for at in rng.integers(0, 8, len(made))],
    )


MIXED = [
    (f"T{person}", f"S{splicer}", f"C{cleaver}")
    for person in range(4)
    for splicer in range(3)
    for cleaver in range(3)
]
