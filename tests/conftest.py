"""Reference cases for all tests."""

import json
from pathlib import Path

import pandas as pd
import pytest

REFERENCES = Path(__file__).parent / "references"


@pytest.fixture(scope="session")
def published():
    """Read one published case: ``published("nist_strd_anova_sirstv")``."""

    def read(name: str) -> dict:
        return json.loads((REFERENCES / "published" / f"{name}.json").read_text("utf-8"))

    return read


@pytest.fixture(scope="session")
def computed():
    """Read one computed case: ``computed("B01_lmm_500")`` or a table: ``computed("A.csv")``."""

    def read(name: str):
        if name.endswith(".csv"):
            return pd.read_csv(REFERENCES / "computed" / name)
        return json.loads((REFERENCES / "computed" / f"{name}.json").read_text("utf-8"))

    return read
