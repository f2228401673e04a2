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
from contextlib import contextmanager, suppress

import pytest

from tests.records.test_ingest import crew, export, put  # noqa: F401
from tests.records.test_store import contents, swept
from yieldkit.records import deriving
from yieldkit.records.ingest import ingest

SERVER = """
import os, pickle, sys
import xlsxwriter
import yieldkit.records.doubts, yieldkit.records.layouts, yieldkit.records.settings
from yieldkit.records import deriving
from yieldkit.records.ingest import ingest
known = pickle.load(open(sys.argv[1], "rb"))
deriving.derive = lambda sources, crew, decided=None: known[len(list(sources))]
print("ready", flush=True)
for line in sys.stdin:
    child = os.fork()
    if not child:
        print(os.getpid(), flush=True)
        ingest(line.rstrip())
        os._exit(0)
    print("killed" if os.waitpid(child, 0)[1] else "done", flush=True)
"""
"""Starts a run in a process of its own for each folder named; nothing is loaded anew for it."""


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
    ingest(crew)
    after = contents(crew)
    kept = tmp_path / "derived.pickle"
    kept.write_bytes(pickle.dumps(known))
    return crew, untouched, kept, before, after


@contextmanager
def runs(kept):
    """A process that starts runs; killed runs leave it alive."""
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER, str(kept)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert server.stdout.readline() == "ready\n"
        yield server
    finally:
        server.communicate()


def begun(server, folder):
    """Start a run; its process."""
    server.stdin.write(f"{folder}\n")
    server.stdin.flush()
    return int(server.stdout.readline())


def seconds_of(server, folder):
    """How long a run takes that nobody kills."""
    begun(server, folder)
    began = time.perf_counter()
    assert server.stdout.readline() == "done\n"
    return time.perf_counter() - began


def killed_once(server, folder, delay):
    """Start a run, kill it ``delay`` seconds after it began; whether it was still at work."""
    run = begun(server, folder)
    time.sleep(delay)
    with suppress(ProcessLookupError):  # it was done already
        os.kill(run, signal.SIGKILL)
    return server.stdout.readline() == "killed\n"


def kill_many(prepared, times, seed):
    folder, untouched, kept, before, after = prepared
    draw = random.Random(seed)
    at_work = as_before = as_after = 0

    def anew():
        shutil.rmtree(folder)
        shutil.copytree(untouched, folder)

    with runs(kept) as server:
        anew()
        seconds = seconds_of(server, folder)
        for _ in range(times):
            anew()
            at_work += killed_once(server, folder, draw.uniform(0, seconds))
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
