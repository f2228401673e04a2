"""The long studies of the simulator, the records and the yields; and a smoke run of each."""

import claims
import numpy as np
import pandas as pd
import pytest
from harness import (
    alarm_rate,
    calibration,
    costs,
    coverage,
    crew_seeds,
    delays,
    ratio,
    run_study,
    write_table,
)

from yieldkit.simulate import Logging, Wear, fitting_crew, misspecified, typical_crew

COMMAND = "pytest -m long tests/long/test_harness.py"
FITTING = fitting_crew(technicians=6, weeks=13)
TYPICAL = typical_crew(technicians=6, weeks=13)
PLANS = {"fits": FITTING, "typical": TYPICAL, "misspecified": misspecified(TYPICAL)}
SMALL = {
    "fits": fitting_crew(technicians=2, weeks=3),
    "misspecified": misspecified(typical_crew(technicians=2, weeks=3)),
}

STEADY = Wear(fault=0.0, loss=0.0, refusal=0.0, angle=0.0, electrode_loss=0.0)


@pytest.mark.parametrize(
    "claim",
    [
        claims.stated_chances,
        claims.yields_cover,
        claims.last_week_covers,
        claims.records_tell,
    ],
)
def test_each_study_runs_on_a_handful_of_crews(claim, capsys):
    rows = run_study(claim, SMALL, crews=1, seed=1, processes=1)
    assert set(rows["crew"]) == set(SMALL)
    assert "2 of 2 crews" in capsys.readouterr().err


def _counted(plan, seed):
    with plan.open("a") as told:
        told.write("one\n")
    return [{"what": seed}]


def test_a_study_that_was_stopped_goes_on_where_it_was(tmp_path, monkeypatch):
    monkeypatch.setenv("STUDY_KEEP", str(tmp_path / "kept"))
    plan = tmp_path / "told"
    first = run_study(_counted, {"a": plan}, crews=3, seed=5, processes=1, progress=False)
    more = run_study(_counted, {"a": plan}, crews=5, seed=5, processes=1, progress=False)
    assert len(plan.read_text().split()) == 5
    pd.testing.assert_frame_equal(more.iloc[:3], first)


def test_smoke_fitting_crew_is_covered_and_files_account():
    one = {"misspecified": SMALL["misspecified"]}
    rows = run_study(claims.files_account, one, crews=1, seed=2, processes=1, progress=False)
    assert rows["covered"].all()
    told = run_study(claims.records_tell, SMALL, crews=1, seed=2, processes=1, progress=False)
    fits = told[(told["crew"] == "fits") & told["what"].str.startswith("called")]
    assert (fits["n"] == fits["right"]).all()


def test_smoke_watch_on_a_steady_and_a_changed_crew(monkeypatch):
    one_change = dict(list(claims.CHANGES.items())[:1])
    monkeypatch.setattr(claims, "CHANGES", one_change)
    one = {"fits": fitting_crew(2, 6, wear=STEADY)}
    steady = run_study(claims.watch_steady, one, crews=1, seed=2, processes=1, progress=False)
    assert steady["alarms"].item() <= 3
    changed = run_study(claims.watch_change, one, crews=1, seed=2, processes=1, progress=False)
    assert set(changed["what"]) == set(one_change)
    assert (changed["delay"].dropna() >= 0).all()


def coin(plan, seed):
    """A claim whose truth is known: a 90 % interval, a stated chance of 0.7, a cost of 2."""
    rng = np.random.default_rng(seed)
    return [
        {
            "what": "coin",
            "covered": bool(rng.random() < 0.9),
            "stated": 0.7,
            "happened": bool(rng.random() < 0.7),
            "alarms": int(rng.poisson(1.0)),
            "quarters": 1.0,
            "delay": float(rng.exponential(3.0)) if rng.random() < 0.8 else np.nan,
            "cost": float(rng.exponential(2.0)),
        }
        for _ in range(5)
    ]


@pytest.fixture(scope="module")
def coins():
    return run_study(coin, {"fair": FITTING}, crews=400, seed=5, processes=1, progress=False)


@pytest.mark.parametrize(
    "summary, column, truth",
    [
        (coverage, "covered", 0.9),
        (calibration, "happened", 0.7),
        (alarm_rate, "alarms_per_quarter", 1.0),
        (costs, "cost", 2.0),
    ],
)
def test_summaries_give_the_truth_within_their_error(coins, summary, column, truth):
    row = summary(coins, by=["crew"]).iloc[0]
    assert 0 < row["mc_error"] < 0.1
    assert abs(row[column] - truth) < 4 * row["mc_error"]


def test_delays_count_what_was_not_seen(coins):
    row = delays(coins, by=["crew"]).iloc[0]
    # Of an exponential of mean 3 seen in 80 %, the median of all lies where 1 - e^(-x/3) = 5/8.
    assert abs(row["median_delay"] - 3 * np.log(8 / 3)) < 4 * row["median_mc_error"]
    assert abs(row["seen"] - 0.8) < 4 * row["seen_mc_error"]


def test_error_of_a_ratio_is_that_of_crews_not_of_outcomes():
    """100 outcomes of one crew that are all alike are one draw (ratio of means, linearised)."""
    rng = np.random.default_rng(1)
    hits = pd.Series(100.0 * (rng.random(200) < 0.5))
    share, error = ratio(hits, pd.Series(np.full(200, 100.0)))
    assert error == pytest.approx(np.sqrt(share * (1 - share) / 199), rel=1e-9)


def test_same_crews_whatever_the_processes():
    one, two = (
        run_study(
            claims.records_tell,
            {"fits": SMALL["fits"]},
            crews=2,
            seed=3,
            processes=p,
            progress=False,
        )
        for p in (1, 2)
    )
    pd.testing.assert_frame_equal(one, two)
    assert crew_seeds(3, 4)[:2] == crew_seeds(3, 2)


def test_a_table_takes_the_place_of_the_last_one(tmp_path):
    table = pd.DataFrame({"crew": ["fits"], "covered": [0.95], "mc_error": [np.nan]})
    words = {"about": "Once.", "command": "x", "folder": tmp_path}
    path = write_table("topic", "a study", table, **words)
    write_table("topic", "another", table, **words)
    write_table("topic", "a study", table.assign(covered=0.5), **words)
    text = path.read_text("utf-8")
    assert text.count("study: a study") == 2 and "| fits | 0.500 | - |" in text
    assert text.index("a study") < text.index("another")


@pytest.mark.long
def test_long_chances_are_calibrated():
    rows = run_study(claims.stated_chances, PLANS, crews=100, seed=41)
    cells = (0, 0.6, 0.8, 0.9, 0.95, 0.98, 1.0)
    table = calibration(rows, by=["crew"], cells=cells)
    write_table(
        "harness",
        "true chances of the simulator",
        table,
        about="Of joints whose first arc leads to an accepted joint with a stated true chance, the"
        " share that did; 100 crews a kind, 6 technicians, 13 weeks, 400 joints a crew.",
        command=COMMAND,
        decimals=4,
    )
    off = (table["happened"] - table["mean_stated"]) / table["mc_error"]
    assert (off.abs() < 4).all()


@pytest.mark.long
def test_long_yields_cover():
    rows = run_study(claims.yields_cover, PLANS, crews=40, seed=42)
    by = ["crew", "what"]
    table = coverage(rows, by=by).drop(columns="silent")
    more = coverage(rows, by=by, flag="covered_fresh")
    table["covered_fresh"], table["fresh_mc"] = more["covered_fresh"], more["mc_error"]
    write_table(
        "harness",
        "coverage of first-pass yields",
        table,
        about="Share of 95 % intervals of the first-pass yield that hold the true yield of the"
        " positions begun (`covered`) and the yield with other jobs of the same kind"
        " (`covered fresh`). 40 crews a kind, 6 technicians, 13 weeks. In the misspecified crew"
        " effects have heavy tails, persons and splicers interact, a fifth of the failures is not"
        " written down.",
        command=COMMAND,
    )
    fits = table[table["crew"] == "fits"]
    assert (fits["covered"] > 0.95 - 4 * fits["mc_error"]).all()


@pytest.mark.long
def test_long_last_week_reads_low():
    plans = {
        "fits": fitting_crew(weeks=5),
        "typical": typical_crew(weeks=5),
        "misspecified": misspecified(typical_crew(weeks=5)),
    }
    rows = run_study(claims.last_week_covers, plans, crews=30, seed=47)
    by = ["crew", "what"]
    table = coverage(rows, by=by).drop(columns=["silent", "outcomes"])
    bounds = coverage(rows, by=by, flag="within_bounds")
    error = costs(rows, by=by, cost="error_points")
    table["within_bounds"] = bounds["within_bounds"]
    table["pending"] = costs(rows, by=by, cost="pending")["pending"]
    table["error_points"], table["error_mc"] = error["error_points"], error["mc_error"]
    write_table(
        "harness",
        "the newest week while its tests are out",
        table,
        about="First-pass yield of a week as known at its end (tests two working days later on"
        " average), against the true yield of the positions begun: failures are mostly known at"
        " once, passes only after the test, so the share among those decided reads low until the"
        " tests are in (`error points`). `within bounds`: of the positions that the"
        " records show as begun, the share that truly passed lies between the bounds for those"
        " still open. 30 crews a kind.",
        command=COMMAND,
    )
    newest = table[table["what"] == "newest week"].set_index("crew")
    assert newest.loc["fits", "within_bounds"] == 1.0
    assert (newest["error_points"] < 0).all()


@pytest.mark.long
def test_long_records_tell_the_truth():
    plans = PLANS | {
        "one dishonest": typical_crew(weeks=13, logging=Logging(dishonest=("T01",))),
    }
    rows = run_study(claims.records_tell, plans, crews=15, seed=43)
    sums = rows.groupby(["crew", "what", "seed"], sort=False)[["right", "n"]].sum()
    table = []
    for key, group in sums.groupby(level=["crew", "what"], sort=False):
        share, error = ratio(group["right"].astype(float), group["n"])
        table.append({"crew": key[0], "what": key[1], "positions": int(group["n"].sum()),
                      "share": share, "mc_error": error})  # fmt: skip
    write_table(
        "harness",
        "what the records say of a position",
        pd.DataFrame(table),
        about="Of positions that the records call first pass or failed, the share that was; and the"
        " share left open (pending, unknown, no record). 15 crews a kind. One dishonest person of"
        " six deletes seven in ten failed records and writes nothing down: their positions are"
        " called first pass wrongly, and nothing but the counter's gaps and the stores tell.",
        command=COMMAND,
        decimals=4,
    )
    assert table[0]["share"] == 1.0


@pytest.mark.long
def test_long_files_are_accounted_for():
    plans = {
        "typical": typical_crew(weeks=6, splicers=5),
        "with ribbons": typical_crew(weeks=6, splicers=5, ribbons=0.4),
    }
    rows = run_study(claims.files_account, plans, crews=5, seed=44)
    table = coverage(rows, by=["crew", "what"]).rename(columns={"covered": "exact"})
    write_table(
        "harness",
        "files taken in",
        table,
        about="Share of files of which data rows, accepted, duplicates, held and refused are"
        " exactly those that the simulator wrote; 5 crews a kind, six formats, all defects.",
        command=COMMAND,
    )
    assert (table["exact"] == 1.0).all()


@pytest.mark.long
def test_long_watch_cries_no_wolf_and_sees():
    plans = {
        "fits": fitting_crew(wear=STEADY),
        "misspecified": misspecified(typical_crew(wear=STEADY)),
    }
    rows = run_study(claims.watch_steady, plans, crews=40, seed=45)
    table = alarm_rate(rows, by=["crew"])
    write_table(
        "harness",
        "false alarms of the watch",
        table,
        about="Signals of the drift watch in 13 weeks in which nothing changed, the whole crew of"
        " six together; the settings ask for one. 40 crews a kind.",
        command=COMMAND,
    )
    seen = delays(run_study(claims.watch_change, plans, crews=25, seed=46), by=["crew", "what"])
    write_table(
        "harness",
        "delays of the watch",
        seen,
        about="Weeks from a change in the middle of 13 weeks to the first signal of that unit, at"
        " one false alarm a quarter for the whole crew; 25 crews a kind.",
        command=COMMAND,
    )
    fits = table.set_index("crew").loc["fits"]
    assert fits["alarms_per_quarter"] < 1.0 + 4 * fits["mc_error"]
