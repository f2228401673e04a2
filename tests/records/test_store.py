"""The store under faults: as before or as after, never between; the next run finishes the job."""

import errno
import json
import os
import shutil
import subprocess
import sys

import pyarrow.parquet as pq
import pytest

from tests.records.test_ingest import crew, export, put  # noqa: F401
from yieldkit.errors import CrewError
from yieldkit.records import deriving, disk, store
from yieldkit.records.ingest import ingest
from yieldkit.records.store import Store


class Killed(BaseException):
    """Stands for a kill: nothing in the program catches it."""


def contents(folder):
    """Every table of the present generation and the names of the files taken in."""
    present = Store(folder).generation()
    tables = {
        str(path.relative_to(present)): pq.read_table(path).drop_columns(
            [n for n in ("taken_in",) if n in pq.read_schema(path).names]
        )
        for path in sorted(present.rglob("*.parquet"))
    }
    names = sorted(entry["file"] for entry in Store(folder).state()["files"])
    return names, tables


def swept(folder):
    """Nothing is left of a killed run: one generation, no parts."""
    root = folder / "store"
    generations = [path.name for path in (root / "generations").iterdir()]
    return generations == [str(Store(folder).number())] and not list(folder.rglob(".part-*"))


@pytest.fixture(scope="module")
def derive_once():
    """Deriving, remembered by the files it is given: the store alone is under test here."""
    known, real = {}, deriving.derive

    def remembered(sources, settings, decided=None):
        key = tuple(sorted((s.file, s.sha256, s.status) for s in sources))
        if key not in known:
            known[key] = real(sources, settings, decided)
        return known[key]

    return remembered


@pytest.fixture
def two_weeks(crew, monkeypatch, derive_once):  # noqa: F811
    """A crew with one file taken in and one waiting in the inbox."""
    monkeypatch.setattr(deriving, "derive", derive_once)
    put(crew, "a.csv", export(range(1, 9), day="2026-10-12"))
    ingest(crew)
    before = contents(crew)
    put(crew, "b.csv", export(range(5, 13)))
    return crew, before


def points_of(folder, monkeypatch):
    """Names of all points that a run passes."""
    passed = []
    with monkeypatch.context() as patched:
        patched.setattr(disk, "reached", passed.append)
        ingest(folder)
    return passed


def test_a_kill_at_any_point_leaves_before_or_after_and_the_next_run_finishes(
    two_weeks, monkeypatch, tmp_path
):
    import shutil

    folder, before = two_weeks
    untouched = tmp_path / "untouched"
    shutil.copytree(folder, untouched)
    passed = points_of(folder, monkeypatch)
    after = contents(folder)
    assert after != before and len(passed) > 25
    seen = set()
    for number in range(len(passed)):
        shutil.rmtree(folder)
        shutil.copytree(untouched, folder)
        calls = iter(range(len(passed) + 1))

        def fault(point, number=number, calls=calls):
            if next(calls) == number:
                raise Killed(point)

        with monkeypatch.context() as patched:
            patched.setattr(disk, "reached", fault)
            with pytest.raises(Killed):
                ingest(folder)
        found = contents(folder)
        assert found in (before, after), passed[number]
        seen.add(found == after)
        ingest(folder)
        assert contents(folder) == after, passed[number]
        assert swept(folder), passed[number]
    assert seen == {True, False}


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO])
def test_a_full_or_read_only_disk_is_said_and_changes_nothing(two_weeks, monkeypatch, number):
    folder, before = two_weeks

    def full(point):
        if point.startswith("table attempts"):
            raise OSError(number, os.strerror(number), "attempts.parquet")

    with monkeypatch.context() as patched:
        patched.setattr(disk, "reached", full)
        with pytest.raises(CrewError, match="cannot be written to"):
            ingest(folder)
    assert contents(folder) == before
    ingest(folder)
    assert len(contents(folder)[0]) == 2


def test_a_second_run_waits_for_the_first_and_then_says_so(two_weeks, monkeypatch):
    from filelock import FileLock

    folder, before = two_weeks
    monkeypatch.setattr(store, "LOCK_SECONDS", 0.1)
    other = (
        "import sys, time\nfrom filelock import FileLock\n"
        "with FileLock(sys.argv[1]):\n    print('held', flush=True)\n    sys.stdin.read()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", other, str(folder / "store" / "lock")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout.readline().strip() == "held"
        with pytest.raises(CrewError, match="another run is at work"):
            ingest(folder)
    finally:
        holder.communicate("")
    assert contents(folder) == before
    assert FileLock(folder / "store" / "lock").acquire(timeout=5)


def test_a_pointer_damaged_from_outside_loses_nothing(two_weeks):
    folder, before = two_weeks
    (folder / "store" / "current").write_text("seven", "ascii")
    assert contents(folder) == before
    ingest(folder)
    assert len(contents(folder)[0]) == 2


@pytest.mark.parametrize("how", ["gone", "changed"])
def test_kept_bytes_that_are_not_as_they_came_stop_a_rebuild(two_weeks, how):
    folder, _ = two_weeks
    ingest(folder)
    before = contents(folder)
    for path in (folder / "inbox").iterdir():
        path.unlink()
    kept = sorted((folder / "store" / "raw").iterdir())[0]
    data = kept.read_bytes()
    kept.unlink() if how == "gone" else kept.write_bytes(data.replace(b"0.03", b"0.01"))
    with pytest.raises(CrewError, match=rf"\.csv \(store/raw/.*{how}"):
        ingest(folder, again=True)
    assert contents(folder) == before
    kept.write_bytes(data)
    ingest(folder, again=True)
    assert contents(folder)[1] == before[1]


def test_a_state_damaged_from_outside_is_one_sentence(two_weeks):
    folder, _ = two_weeks
    ingest(folder)
    (Store(folder).generation() / "state.json").write_text("{", "utf-8")
    with pytest.raises(CrewError, match="list of files and decisions cannot be read"):
        ingest(folder)


@pytest.mark.parametrize("gone", ["generations", "state.json"])
def test_a_generation_removed_from_outside_is_said_and_takes_nothing_with_it(two_weeks, gone):
    folder, _ = two_weeks
    ingest(folder)
    for path in (folder / "inbox").iterdir():
        path.unlink()
    kept = sorted((folder / "store" / "raw").iterdir())
    if gone == "generations":
        shutil.rmtree(folder / "store" / "generations")
    else:
        (Store(folder).generation() / gone).unlink()
    with pytest.raises(CrewError, match="was removed from outside"):
        ingest(folder)
    assert sorted((folder / "store" / "raw").iterdir()) == kept


def test_without_the_number_the_generation_that_lies_there_is_the_present_one(two_weeks):
    folder, _ = two_weeks
    ingest(folder)
    before = contents(folder)
    for path in (*(folder / "inbox").iterdir(), folder / "store" / "current"):
        path.unlink()
    assert not ingest(folder).changed
    assert contents(folder) == before
    ingest(folder, again=True)
    assert contents(folder) == before


def test_names_with_dots_slashes_or_markup_stay_inside_the_store(two_weeks):
    folder, _ = two_weeks
    outside = sorted(path.name for path in folder.parent.iterdir())
    for name in ("..%2f..%2fx.csv", "<b>x<b>.csv", "a b'\".csv", "=cmd.csv"):
        put(folder, name, export(range(40, 43)))
    ingest(folder)
    names, _ = contents(folder)
    assert {"<b>x<b>.csv", "=cmd.csv"} <= set(names)
    assert sorted(path.name for path in folder.parent.iterdir()) == outside
    assert all(len(path.name) <= 80 for path in (folder / "store" / "parsed").iterdir())


def test_the_state_is_plain_text_that_tells_what_was_done(two_weeks):
    folder, _ = two_weeks
    ingest(folder)
    state = json.loads((Store(folder).generation() / "state.json").read_text("utf-8"))
    assert [line["what"] for line in state["history"]] == ["taken in", "taken in"]
    assert {"file", "sha256", "taken_in", "status"} <= set(state["files"][0])
