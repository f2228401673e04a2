"""The page says one thing about a unit, not two that speak against each other."""

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest

from tests.answers.loss_tables import NO_READINGS, readings_of
from tests.answers.test_loss_sources import made
from yieldkit.answers.result import Finding
from yieldkit.crew import Crew, General
from yieldkit.review.model import Section
from yieldkit.review.source_part import _pairs_at_once, decided_once, sources

DRIFT = Section("drift", findings=(Finding("drift_signal", {"unit": "SP-03"}, "decide"),))


def open_question(*candidates):
    values = {
        "all": 286,
        "candidates": list(candidates),
        "chances": [0.85, 0.10][: len(candidates)],
        "people": False,
        "none_stands_out": 0.01,
        "n_more": 50,
    }
    found = Finding("source_cannot_tell", values, "cannot tell", "mix_kit")
    return Section("yields", findings=(found,))


def test_what_points_the_same_way_as_the_drift_is_no_open_question():
    told = decided_once([open_question("SP-03", "C-02"), DRIFT])[0].findings[0]
    assert (told.severity, told.step) == ("note", "")
    assert "point the same way, less surely: chance of being behind the failures SP-03 85" in str(
        told
    )


def test_what_points_elsewhere_stays_an_open_question():
    told = decided_once([open_question("C-02", "SP-03"), DRIFT])[0].findings[0]
    assert told.severity == "cannot tell"


def test_several_pairs_used_together_are_one_finding():
    pairs = [
        Finding(
            "together_nearly",
            {"unit": unit, "partners": [partner], "share": 0.9, "n": 300, "kept": kept},
            "cannot tell",
            "mix_kit",
        )
        for unit, partner, kept in (("SP-02", "H-02", 0.16), ("C-01", "H-01", 0.11))
    ]
    other = Finding("source_could_hide", {})
    told = _pairs_at_once([pairs[0], other, pairs[1]])
    assert [one.code for one in told] == ["source_could_hide", "together_many"]
    assert "SP-02 with H-02 (16" in str(told[1]) and "C-01 with H-01 (11" in str(told[1])
    assert _pairs_at_once([pairs[0], other]) == (pairs[0], other)


def asked_of(attempts, measurements, positions, *, lead=False, watch=False):
    """What a section asks of a crew's records, from tables in memory."""
    records = SimpleNamespace(
        attempts=lambda **period: attempts, measurements=lambda **period: measurements
    )
    general = General(watch_technicians=watch)
    return SimpleNamespace(
        records=records,
        begun=lambda first, last: positions,
        crew=Crew(general=general),
        confidence=0.95,
        as_of=pd.Timestamp("2026-11-30", tz="UTC"),
        last=date(2026, 11, 29),
        lead=lead,
    )


@pytest.fixture
def high_losses():
    """SP-0 loses twice what other splicers do; nobody fails."""
    attempts, loss = made(1, worse=2.0)
    positions = pd.DataFrame(
        {
            "position_id": attempts["position_id"],
            "first_attempt_id": "x",
            "first_pass_termination": "yes",
            **{kind: attempts[kind] for kind in ("technician", "splicer", "cleaver", "job")},
        }
    )
    return attempts, readings_of(loss, attempts), positions


def test_losses_have_their_source_beside_that_of_failures(high_losses):
    findings, _, sheets = sources(asked_of(*high_losses))
    codes = [one.code for one in findings]
    assert codes.index("loss_source_named") < codes.index("source_could_hide")
    assert codes.count("source_could_hide") == 1
    named = findings[codes.index("loss_source_named")]
    assert (named.values["unit"], named.severity, named.step) == ("SP-0", "decide", "arc_check")
    luck = [str(one) for one in findings if one.code == "spread_largest"]
    assert [said.count("in loss between joints of a type") for said in luck] == [0, 1]
    table = sheets["loss_sources"]
    assert {"gap_percent", "gap_percent_low", "gap_percent_high", "n"} <= set(table)
    assert "technician" not in set(table["kind"])
    assert set(table["quantity"]) == {"insertion loss"}
    assert set(sheets["spread"]["of"]) == {"failures", "losses"}
    each = sheets["spread"].groupby("of")["share"].sum()
    assert each.between(0.9, 1.1).all()


def test_persons_losses_are_in_the_leads_view_only(high_losses):
    attempts, measurements, positions = high_losses
    attempts = attempts.rename(columns={"technician": "splicer", "splicer": "technician"})
    given = {"positions": positions, "attempts": attempts, "measurements": measurements}
    shared, _, sheets = sources(asked_of(**given, watch=True))
    assert "loss_source_named" not in [one.code for one in shared]
    assert "SP-0" not in set(sheets["loss_sources"]["unit"])
    own, _, sheets = sources(asked_of(**given, watch=True, lead=True))
    assert "SP-0" in str([str(one) for one in own if one.code == "loss_source_named"])
    assert "SP-0" in set(sheets["loss_sources"]["unit"])


def test_without_readings_nothing_is_said_of_losses(high_losses):
    attempts, _, positions = high_losses
    silent = attempts.assign(loss_low_db=None, loss_high_db=None)
    findings, _, sheets = sources(asked_of(silent, NO_READINGS, positions))
    assert not [one for one in findings if one.code.startswith("loss_source")]
    assert sheets["loss_sources"].empty
