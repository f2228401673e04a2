"""A small review, made of tiny frames, hostile words among them."""

from datetime import date, datetime

import pandas as pd
import pytest

from yieldkit.answers.result import Finding
from yieldkit.review import shown, tables
from yieldkit.review.model import Review, Section

HOSTILE = '=HYPERLINK("http://x")<script>alert(1)</script>'


def yields(rows):
    """A first-pass table of (by, group, first_pass, failed, pending, unknown)."""
    made = []
    for by, group, first_pass, failed, pending, unknown in rows:
        known = first_pass + failed
        total = known + pending + unknown
        share = first_pass / known if known else float("nan")
        made.append(
            {
                "by": by,
                "group": group,
                "stage": "termination",
                "positions": total,
                "first_pass": first_pass,
                "failed": failed,
                "pending": pending,
                "unknown": unknown,
                "yield": share,
                "low": share - 0.05,
                "high": share + 0.02,
                "bound_low": first_pass / total,
                "bound_high": 1 - failed / total,
                "as_of": pd.Timestamp("2026-11-23 05:40", tz="UTC"),
            }
        )
    return tables.stable("first_pass", pd.DataFrame(made))


@pytest.fixture
def first_pass():
    return yields(
        [
            ("all", "all", 114, 6, 12, 2),
            ("connector_type", "LC", 57, 3, 6, 1),
            ("connector_type", HOSTILE, 57, 3, 6, 1),
            ("technician", "T01", 100, 5, 0, 0),
            ("technician", "T02", 12, 1, 7, 0),
        ]
    )


@pytest.fixture
def review(first_pass):
    records = pd.DataFrame(
        {
            "file": [HOSTILE, "b.csv"],
            "layout": ["sp", None],
            "data_rows": [10, 0],
            "accepted": [7, 0],
            "duplicates": [2, 0],
            "held": [0, 0],
            "refused": [1, 0],
            "newest": pd.to_datetime(["2026-11-20", None], utc=True),
        }
    )
    decide = Finding(
        "page_not_worked_out", {"why": HOSTILE, "unit": "C-03"}, "decide", "rotate_blade", "blade"
    )
    return Review(
        crew="Crew <A>",
        week="2026-W47",
        first_day=date(2026, 11, 16),
        last_day=date(2026, 11, 22),
        as_of=datetime(2026, 11, 23, 7, 40),
        zone="Europe/Helsinki",
        overall=first_pass.iloc[0].to_dict(),
        sections=(
            Section("arrived", tables=(shown.records(records, "Files"),)),
            Section("yields", (decide,), tables=(shown.first_pass(first_pass, "All"),)),
            Section("decisions"),
        ),
        stable={"records": records, "first_pass": first_pass},
        further={"open": pd.DataFrame({"when": [pd.Timestamp("2026-11-20 06:00", tz="UTC")]})},
    )
