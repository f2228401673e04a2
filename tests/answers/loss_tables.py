"""Small tables of attempts and readings for the tests on losses."""

import numpy as np
import pandas as pd

from yieldkit.records.tables import ATTEMPTS, MEASUREMENTS


def attempts_of(loss_db, *, step=0.01, **columns):
    """Attempts in the schema: one arc a position, shown by a display that rounds to ``step``."""
    shown = np.round(np.asarray(loss_db, float) / step) * step
    size = len(shown)
    ids = [f"a{number}" for number in range(size)]
    plain = {
        "attempt_id": ids,
        "position_id": [f"J1|P1|{number}" for number in range(size)],
        "when": pd.date_range("2026-11-02", periods=size, freq="5min", tz="UTC").as_unit("ms"),
        "date": pd.Timestamp("2026-11-02"),
        "technician": "T01",
        "splicer": "SP-01",
        "cleaver": "CL-01",
        "heater": "HT-01",
        "job": "J1",
        "connector_type": "LC",
        "fibre_lot": "F1",
        "connector_lot": "C1",
        "program": "SM",
        "loss_low_db": np.maximum(shown - step / 2, 0),
        "loss_high_db": shown + step / 2,
        "reached_arc": True,
        "error": "none",
        "attempt_no": 1,
    }
    return pd.DataFrame(plain | columns).reindex(columns=ATTEMPTS.names)


def readings_of(value_db, attempts, *, step=0.01, **columns):
    """Readings in the schema: one a position of ``attempts``, an hour after the last of them."""
    shown = np.round(np.asarray(value_db, float) / step) * step
    size = len(shown)
    plain = {
        "measurement_id": [f"m{number}" for number in range(size)],
        "position_id": attempts["position_id"].to_numpy()[:size],
        "job": attempts["job"].to_numpy()[:size],
        "when": attempts["when"].max() + pd.Timedelta(hours=1),
        "date": attempts["date"].to_numpy()[:size],
        "technician": "T90",
        "quantity": "insertion loss",
        "wavelength_nm": 1310.0,
        "direction": "",
        "value_low": shown - step / 2,
        "value_high": shown + step / 2,
        "result": "pass",
        "repeat": 1,
    }
    return pd.DataFrame(plain | columns).reindex(columns=MEASUREMENTS.names)


NO_READINGS = pd.DataFrame(columns=MEASUREMENTS.names)
