"""Real kills: a process that takes files in is killed at a random moment, again and again.

Deriving is remembered from one run, so that most of a run's time is writing, which is under test.
"""

import os
import pickle
import random
import shutil
import signal
import subprocess
import sys
import time

import pytest

from tests.records.test_ingest import crew, export, put  # noqa: F401
from tests.records.test_store import contents, swept
from yieldkit.records import deriving
from yieldkit.records.ingest import ingest

CHILD = """
import pickle, sys
from yieldkit.records import deriving
known = pickle.load(open(sys.argv[2], "rb"))
deriving.derive = lambda sources, crew, decided=None: known[len(list(sources))]
from yieldkit.records.ingest import ingest
print("ready", flush=True)
sys.stdin.readline()
print("begun", flush=True)
ingest(sys.argv[1])
print("done", flush=True)
"""


@pytest.fixture
def prepared(crew, tmp_path, monkeypatch):  # noqa: F811
    """A crew with one file in and one waiting, and what deriving gives for one and for two."""
    known, real = {}, deriving.derive

    def remembered(sources, settings, decided=None):
        sources = list(sources)
        number = len(sources)
        if number not in known:
            known[number] = real(sources, settings, decided)
        return known[number]

    monkeypatch.setattr(deriving, "derive", remembered)
    put(crew, "a.csv", export(range(1, 9), day="2026-10-12"))
    ingest(crew)
    before = contents(crew)
    put(crew, "b.csv", export(range(5, 13)))
    untouched = tmp_path / "untouched"
    shutil.copytree(crew, untouched)
    began = time.perf_counter()
    ingest(crew)
    seconds = time.perf_counter() - began
    after = contents(crew)
    kept = tmp_path / "derived.pickle"
    kept.write_bytes(pickle.dumps(known))
    return crew, untouched, kept, before, after, seconds


def killed_once(folder, kept, delay):
    """Start a run, kill it ``delay`` seconds after it began; whether it was still at work."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), str(kept)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert child.stdout.readline() == "ready\n"
    child.stdin.write("go\n")
    child.stdin.flush()
    assert child.stdout.readline() == "begun\n"
    time.sleep(delay)
    child.send_signal(signal.SIGKILL)
    said, _ = child.communicate()
    return "done" not in said


def kill_many(prepared, times, seed):
    folder, untouched, kept, before, after, seconds = prepared
    draw = random.Random(seed)
    at_work = as_before = as_after = 0
    for _ in range(times):
        shutil.rmtree(folder)
        shutil.copytree(untouched, folder)
        at_work += killed_once(folder, kept, draw.uniform(0, seconds))
        found = contents(folder)
        assert found in (before, after)
        as_before += found == before
        as_after += found == after
        ingest(folder)
        assert contents(folder) == after
        assert swept(folder)
    print(f"{times} kills, {at_work} at work: {as_before} as before, {as_after} as after, 0 mixed")
    return at_work


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_twenty_real_kills_leave_before_or_after(prepared):
    assert kill_many(prepared, 20, seed=20261116) > 0


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_thousand_real_kills_leave_before_or_after(prepared):
    assert kill_many(prepared, int(os.environ.get("KILLS", "1000")), seed=1) > 0
