"""Arcs in order at their positions, against plain loops over the same records."""

from dataclasses import fields

import numpy as np
import pytest

from yieldkit.records import arcs, counters
from yieldkit.records.placed import Placed
from yieldkit.records.stacking import Words

UNKNOWN = 3


def records(seed, n=400):
    """Records of three machines and persons at few positions, times often alike or missing."""
    rng = np.random.default_rng(seed)
    minute = rng.integers(0, 60, n)
    utc = np.datetime64("2026-11-02T08:00", "us") + minute * np.timedelta64(1, "m")
    utc[rng.random(n) < 0.1] = np.datetime64("NaT")
    pos = np.where(rng.random(n) < 0.2, -1, rng.integers(0, 25, n))
    made = dict.fromkeys((one.name for one in fields(Placed)), np.zeros(n, dtype=np.int64))
    made |= {
        "words": Words(["S1", "S2", "S3", "unknown"], {}),
        "at": np.sort(rng.choice(10 * n, n, replace=False)),
        "splicer": rng.integers(0, 3, n),
        "serial": rng.integers(0, 3, n),
        "technician": rng.integers(0, 4, n),
        "job": rng.integers(-1, 2, n),
        "pos": pos,
        "link": np.where(pos < 0, 3, rng.integers(0, 2, n)),
        "epoch": rng.integers(0, 2, n),
        "counter": rng.integers(-1, 50, n),
        "utc": utc,
        "day": utc.astype("datetime64[D]"),
        "low": rng.random(n).round(2),
        "high": rng.random(n).round(2) + 0.3,
        "reached": rng.random(n) < 0.9,
        "failed": rng.random(n) < 0.1,
        "told": rng.random(n) < 0.1,
    }
    return Placed(**made)


def turn(placed, at):
    """What the records of one group are put in order by."""
    none = np.isnat(placed.utc[at])
    when = 0 if none else placed.utc[at].astype(np.int64)
    counter = placed.counter[at]
    return (none, when, placed.serial[at], placed.epoch[at], counter < 0, counter, at)


@pytest.mark.parametrize("seed", range(5))
def test_records_without_a_time_or_number_come_last(seed):
    placed = records(seed)
    assert placed.in_time.tolist() == sorted(range(len(placed.at)), key=lambda at: turn(placed, at))


@pytest.mark.parametrize("seed", range(5))
def test_each_position_has_its_arcs_in_turn(seed):
    placed = records(seed)
    found = arcs.at_positions(placed)
    number, following = np.zeros(len(placed.at), int), np.full(len(placed.at), -1)
    number[found.row], following[found.row] = found.number, found.following
    for place, pos in enumerate(found.pos):
        mine = sorted(
            np.flatnonzero((placed.pos == pos) & placed.reached), key=lambda at: turn(placed, at)
        )
        assert number[mine].tolist() == list(range(1, len(mine) + 1))
        assert following[mine].tolist() == [*mine[1:], -1]
        assert (found.count[place], found.last[place]) == (len(mine), mine[-1])
        assert found.link[place] == placed.link[mine].max()
        known = placed.utc[mine][~np.isnat(placed.utc[mine])]
        assert (
            found.last_utc[place] == known.max() if len(known) else np.isnat(found.last_utc[place])
        )
    assert set(found.pos) == set(placed.pos[placed.reached & (placed.pos >= 0)])
    assert (number > 0).sum() == (placed.reached & (placed.pos >= 0)).sum()


@pytest.mark.parametrize("seed", range(5))
def test_an_arc_without_place_may_redo_the_one_just_before_by_the_same_hands(seed):
    placed = records(seed)
    expected = np.zeros(len(placed.at), dtype=bool)
    for serial in range(3):
        mine = [at for at in placed.in_time if placed.serial[at] == serial and placed.reached[at]]
        for before, here in zip(mine, mine[1:], strict=False):
            soon = placed.utc[here] - placed.utc[before] <= np.timedelta64(2, "m")
            same = placed.technician[here] == placed.technician[before]
            expected[here] = bool(soon and same and placed.pos[here] < 0)
    assert arcs.chained(placed, 2.0).tolist() == expected.tolist()
    assert expected.any()


@pytest.mark.parametrize("seed", range(5))
def test_neighbours_are_the_makers_own_on_that_machine(seed):
    placed = records(seed)
    found = arcs.in_turn(placed, placed.told, UNKNOWN)
    shown = {name: column.to_pylist() for name, column in found.items()}
    expected = {}
    for serial in range(3):
        for person in range(3):
            mine = [
                at
                for at in placed.in_time
                if placed.serial[at] == serial
                and placed.technician[at] == person
                and placed.reached[at]
            ]
            for n, at in enumerate(mine):
                if placed.pos[at] < 0:
                    sides = (mine[n - 1] if n else None, (*mine[n + 1 : n + 2], None)[0])
                    expected[int(placed.at[at])] = [
                        None if one is None or placed.pos[one] < 0 else int(placed.pos[one])
                        for one in sides
                    ]
    pairs = zip(shown["pos_before"], shown["pos_after"], strict=True)
    assert dict(zip(shown["rn"], map(list, pairs), strict=True)) == expected
    assert any(None not in pair for pair in expected.values())


def test_a_verdict_needs_the_whole_interval_on_one_side_of_the_limit():
    placed = records(1)
    verdict = arcs.verdicts(placed, np.full(len(placed.at), 0.5))
    for at, found in enumerate(verdict):
        if not placed.reached[at] or placed.failed[at] or placed.low[at] > 0.5:
            assert found == arcs.FAIL
        elif placed.told[at] or placed.high[at] <= 0.5:
            assert found == arcs.GOOD
        else:
            assert found == arcs.UNSURE
    assert set(verdict) == {arcs.FAIL, arcs.GOOD, arcs.UNSURE}


def test_without_a_limit_only_an_error_or_a_word_decides():
    placed = records(2)
    verdict = arcs.verdicts(placed, np.full(len(placed.at), np.nan))
    plain = placed.reached & ~placed.failed & ~placed.told
    assert (verdict[plain] == arcs.UNSURE).all()


@pytest.mark.parametrize("seed", range(5))
def test_spans_of_a_counter_count_each_number_once(seed):
    placed = records(seed)
    in_turn = np.lexsort((placed.counter, placed.epoch, placed.serial))
    found = counters.spans(placed.splicer, placed.serial, placed.epoch, placed.counter, in_turn)
    rows = zip(*(found[name].tolist() for name in found), strict=True)
    expected = {}
    for key in zip(placed.splicer, placed.serial, placed.epoch, placed.counter, strict=True):
        *machine, number = map(int, key)
        if number >= 0:
            expected.setdefault(tuple(machine), set()).add(number)
    assert {row[:3]: row[3:] for row in rows} == {
        key: (min(numbers), max(numbers), len(numbers)) for key, numbers in expected.items()
    }


def test_no_records_give_no_arcs():
    placed = records(0, n=0)
    found = arcs.at_positions(placed)
    assert not len(found.row) and not len(found.pos)
    assert not arcs.chained(placed, 2.0).any()
    assert not len(arcs.in_turn(placed, placed.told, UNKNOWN)["rn"])
    assert not len(counters.spans(*(placed.splicer,) * 5)["held"])
