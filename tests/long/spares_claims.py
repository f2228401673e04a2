"""Claims about bids: each job of a simulated crew forecast from the jobs before it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from yieldkit.answers.bid_backtest import LEVELS, RULES, backtest_bids
from yieldkit.simulate import CrewPlan, simulate


def bids_hold(plan: CrewPlan, seed: int) -> list[dict[str, Any]]:
    """Forecasts of a crew's jobs against the tries that truly failed, recorded or not."""
    crew = simulate(plan, seed=seed)
    truth = crew.truth.positions.set_index("position_id")
    failures = truth["tries"] - truth["accepted"].astype(int)
    scored = backtest_bids(
        crew.tables["positions"],
        crew=crew.crew,
        rng=np.random.default_rng(seed),
        failures=failures,
    )
    return [{str(k): v for k, v in row.items()} for row in scored.table.to_dict("records")]


def transform_points(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a job and level: whether the randomised transform lies under the level."""
    return pd.concat(
        [
            rows[["crew", "seed"]].assign(
                level=f"{100 * level:.0f} %", covered=rows["transform"] <= level
            )
            for level in LEVELS
        ]
    )


def losses_of(rows: pd.DataFrame, what: str) -> pd.DataFrame:
    """One row a job and way of buying, with its ``cost`` or ``pinball`` loss."""
    return pd.concat(
        [rows[["crew", "seed"]].assign(way=way, value=rows[f"{what}_{way}"]) for way in RULES]
    )
