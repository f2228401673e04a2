"""The command ``drift``: quiet is status 0, a signal is 3."""

import json
from types import SimpleNamespace

import pandas as pd
import pytest

from yieldkit import cli
from yieldkit.answers.drift import COLUMNS
from yieldkit.answers.result import Finding, Result
from yieldkit.crew import Crew

SIGNAL = {
    "unit_kind": "splicer",
    "unit": "SP-03",
    "quantity": "estimated loss",
    "since": pd.Timestamp("2026-10-20").date(),
    "since_low": pd.Timestamp("2026-10-15").date(),
    "since_high": pd.Timestamp("2026-10-24").date(),
    "size": 1.8,
    "low": 1.4,
    "high": 2.2,
    "chance_this_unit": 0.9,
    "not_separable_from": "",
    "suggested_step": "clean_groove",
}


@pytest.fixture
def records(monkeypatch):
    """Makes the command see an empty crew and one answer; returns what it was asked."""
    asked = {}

    def given(rows):
        def watch(*tables, **options):
            asked.update(options)
            found = [
                Finding("drift_signal", row | {"n": 9, "joints_since": 4}, step="clean_groove")
                for row in rows
            ]
            table = pd.DataFrame(rows, columns=COLUMNS)
            return Result(table=table, findings=tuple(found), settings={"streams": 7})

        crew = Crew(general={"watch_technicians": True})
        table = lambda **period: pd.DataFrame()  # noqa: E731
        opened = SimpleNamespace(
            settings=crew,
            as_of=pd.Timestamp("2026-11-20", tz="UTC"),
            **dict.fromkeys(("attempts", "positions", "measurements", "service", "checks"), table),
        )
        monkeypatch.setattr("yieldkit.records.opened.open_crew", lambda folder: opened)
        monkeypatch.setattr("yieldkit.answers.drift.drift_watch", watch)
        return asked

    return given


def test_a_signal_is_status_3_in_plain_words_with_its_caution(records, capsys):
    records([SIGNAL])
    assert cli.main(["drift"]) == cli.SIGNAL
    said = capsys.readouterr().out
    assert said.startswith("Splicer SP-03 has got worse")
    assert "Clean the V-groove" in said


def test_what_cannot_be_told_yet_is_shown_and_no_signal(records, capsys):
    records([SIGNAL | {"chance_this_unit": 0.4, "sure": False}])
    assert cli.main(["drift"]) == cli.DONE
    assert capsys.readouterr().out.startswith("Cannot tell yet: splicer SP-03 may have got worse")


def test_quiet_is_status_0(records, capsys):
    records([])
    assert cli.main(["drift"]) == cli.DONE
    assert capsys.readouterr().out.startswith("No unit stands out from its own past (7 series")


def test_persons_are_never_watched_by_the_command(records):
    asked = records([])
    cli.main(["drift"])
    assert asked["crew"].general.watch_technicians is False


def test_json_has_the_table(records, capsys):
    records([SIGNAL])
    assert cli.main(["drift", "--json"]) == cli.SIGNAL
    rows = json.loads(capsys.readouterr().out)
    assert rows[0]["since_low"] == "2026-10-15"
    assert set(rows[0]) == set(COLUMNS)


def test_a_day_that_is_none_is_said(capsys):
    assert cli.main(["drift", "--since", "spring"]) == cli.WRONG_USE
    assert "2026-09-01" in capsys.readouterr().err
