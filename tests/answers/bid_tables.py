"""Tables of past work for tests of bids: jobs with a chosen yield, one failure a line."""

from datetime import date, timedelta

import numpy as np
import pandas as pd

from yieldkit.crew import Crew

START = date(2026, 6, 1)


def past_jobs(jobs, *, job_sd=0.4, retry=0.9, seed=1, days=7):
    """Positions of past jobs.

    ``jobs`` holds, a job, a mapping of type to (positions, first-pass yield).
    """
    rng = np.random.default_rng(seed)
    rows = []
    for number, types in enumerate(jobs):
        effect = job_sd * rng.standard_normal()
        for name, (many, chance) in types.items():
            odds = chance / (1 - chance) * np.exp(effect)
            passed = rng.random(many) < odds / (1 + odds)
            tries = np.where(passed, 1, 1 + rng.geometric(retry, many))
            for at in range(many):
                rows.append(
                    {
                        "position_id": f"J{number}|{name}|{at}",
                        "job": f"J{number}",
                        "connector_type": name,
                        "first_date": START + timedelta(days=days * number),
                        "first_pass_termination": "yes" if passed[at] else "no",
                        "arcs": int(tries[at]),
                        "state": "accepted",
                        "failed_step": "none" if passed[at] else rng.choice(["splice", "test"]),
                    }
                )
    return pd.DataFrame(rows)


def no_rework():
    """An empty rework log."""
    return pd.DataFrame(
        {
            "tries": pd.Series(dtype="Int64"),
            "step": pd.Series(dtype=object),
            "rework_min": pd.Series(dtype=float),
        }
    )


def priced_crew(**changes):
    """A crew with LC and SC, prices and packs."""
    made = {
        "connector_types": [{"connector_type": "LC"}, {"connector_type": "SC"}],
        "parts": [
            {"part": "body", "connector_type": "LC", "price": 12, "pack": 12},
            {"part": "body", "connector_type": "SC", "price": 10, "pack": 12},
            {"part": "sleeve", "price": 0.6, "pack": 50},
            {"part": "ring", "price": 0.4, "pack": 50},
            {"part": "cord_m", "price": 0.4},
        ],
    }
    return Crew.model_validate(made | changes)
