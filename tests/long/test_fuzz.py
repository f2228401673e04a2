"""Inboxes of spoilt files taken in whole: as many as ``FUZZ`` says.

Each run takes one to six files of the sample or the demo crew, spoils most of them, puts spoilt
copies of some beside them, and takes the folder in. Wanted: no error but a sentence about a file,
and rows of every file that add up.
"""

import os
import random
import shutil

import pytest

from tests.records.test_whole_trip_spoilt import COUNTED, CREWS, FILES, spoilt
from yieldkit.records.ingest import ingest

RUNS = int(os.environ.get("FUZZ", "200"))
BITS = [b'"', b";", b",", b"\n", b"\0", b"\xff", b"\xef\xbb\xbf", b"=1+1", b"../", b"\t", b"9" * 30,
        b"-", b"1e999", b"NaN"]  # fmt: skip
HOW = ("cut", "double", "put", "turn", "swap")


def edits(rng):
    return [
        (rng.choice(HOW), rng.randrange(10**6), rng.randint(1, 400), rng.choice(BITS))
        for _ in range(rng.randint(1, 12))
    ]


@pytest.mark.long
@pytest.mark.parametrize("seed", range(RUNS))
def test_an_inbox_of_spoilt_files(seed, tmp_path):
    rng = random.Random(seed)
    home = rng.choice(CREWS)
    shutil.copytree(home / "layouts", tmp_path / "layouts")
    shutil.copy(home / "crew.toml", tmp_path)
    (tmp_path / "inbox").mkdir()
    mine = [path for path in FILES if home in path.parents]
    for path in rng.sample(mine, rng.randint(1, 6)):
        for name, share in ((path.name, 0.8), (f"copy {path.name}", 1.0)):
            if name == path.name or rng.random() < 0.3:
                data = path.read_bytes()
                data = spoilt(data, edits(rng)) if rng.random() < share else data
                (tmp_path / "inbox" / name).write_bytes(data)
    report = ingest(tmp_path)
    assert not any("Error)" in reason for _, reason in report.unreadable)
    for row in report.files:
        assert row["data_rows"] == sum(row[name] for name in COUNTED), row["file"]
