"""Random weeks of a crew: after every step the tables are those of a rebuild.

As many crews as ``CREWS`` says take ``STEPS`` steps each: files come, are replaced, spoilt, taken
away or withdrawn, the doubts list is filled in, settings and layouts change, rows are forgotten.
After each step the folder is copied and the copy rebuilt: every table must be the same, and a
second run must find nothing to do.
"""

import json
import os
import random
import shutil
import zlib

import openpyxl
import pyarrow as pa
import pytest

from tests.records.test_store import contents
from tests.records.test_whole_trip_spoilt import CREWS, spoilt
from yieldkit.errors import CrewError
from yieldkit.records.decisions import FIXED, WORDS
from yieldkit.records.disk import digest
from yieldkit.records.doubts_workbook import HEADINGS, SHEETS
from yieldkit.records.forgetting import forget
from yieldkit.records.ingest import ingest, withdraw
from yieldkit.records.store import Store

STEPS = int(os.environ.get("STEPS", "25"))
SEEDS = range(int(os.environ.get("CREWS", "12")))
SETTINGS = (
    ('zone = "Europe/Helsinki"', 'zone = "America/Lima"'),
    ("limit_db = 0.15", "limit_db = 0.05"),
    ("limit_db = 0.5", "limit_db = 0.2"),
    ('code = "T02"', 'code = "T32"'),
    ('unit = "SP-02"', 'unit = "SP-09"'),
    ('unit = "C-01"', 'unit = "C-41"'),
    ('model = "S1"', 'model = "S1"\ndisplay = "truncates"'),
    ('model = "core image"', 'model = "core image"\ndisplay_step_db = 0.05'),
    ("[[people]]", "pending_days = 5\n[[people]]"),
    ("[[people]]", "redo_minutes = 60.0\n[[people]]"),
    ('"insertion loss 1550", ', ""),
    ("insertion loss 1550; ", ""),
)
"""Lines of the settings and what may stand in their place, the first of each."""
ALIASES = (
    ("technician", "T03", "T04"),
    ("unit", "C-02", "C-03"),
    ("place", "P01/01", "P01/02"),
)


class Week:
    """A crew's folder, and what may happen to it."""

    def __init__(self, folder, home, draw):
        self.folder, self.home, self.draw = folder, home, draw
        self.files = sorted(p for p in (home / "inbox").iterdir() if p.stat().st_size < 150_000)
        self.settings = (home / "crew.toml").read_text("utf-8")
        self.changes, self.aliases = set(), set()
        (folder / "inbox").mkdir(parents=True)
        shutil.copytree(home / "layouts", folder / "layouts")
        shutil.copy(home / "crew.toml", folder)
        for _ in range(4):
            self.file_comes()
        ingest(folder)

    def file_comes(self):
        path = self.draw.choice(self.files)
        shutil.copy(path, self.folder / "inbox" / path.name)
        ingest(self.folder)

    def file_comes_in_part(self):
        """The beginning of a file under its own name, or all of it under another name."""
        path = self.draw.choice(self.files)
        data = path.read_bytes()
        if path.suffix == ".xlsx" or self.draw.random() < 0.3:
            (self.folder / "inbox" / f"copy {path.name}").write_bytes(data)
        else:
            lines = data.split(b"\n")
            data = b"\n".join(lines[: self.draw.randint(1, len(lines))])
            (self.folder / "inbox" / path.name).write_bytes(data)
        ingest(self.folder)

    def file_is_spoilt(self):
        path = self.draw.choice([p for p in self.files if p.suffix != ".xlsx"])
        edits = [
            (self.draw.choice(("cut", "double", "swap")), self.draw.randrange(10**6), 40, b"")
            for _ in range(3)
        ]
        name = f"{self.draw.choice('ab')} {path.name}"
        (self.folder / "inbox" / name).write_bytes(spoilt(path.read_bytes(), edits))
        ingest(self.folder)

    def file_leaves_the_inbox(self):
        there = sorted((self.folder / "inbox").iterdir())
        if there:
            self.draw.choice(there).unlink()
        ingest(self.folder)

    def file_is_withdrawn(self):
        known = [e["file"] for e in Store(self.folder).state()["files"] if e["key"]]
        known = [f for f in known if f.isprintable()]
        if len(known) > 3:
            name = self.draw.choice(sorted(known))
            withdraw_if_there(self.folder, name)
            (self.folder / "inbox" / name).unlink(missing_ok=True)

    def list_is_filled_in(self):
        """A few decisions; those that cannot be are told, and the list is written anew."""
        path = self.folder / "doubts.xlsx"
        book = openpyxl.load_workbook(path)
        rows = [
            (book[name], number)
            for name in SHEETS
            for number in range(2, book[name].max_row + 1)
            if book[name].cell(number, 1).value
        ]
        for sheet, number in self.draw.sample(rows, min(4, len(rows))):
            at = {name: sheet.cell(number, 1 + HEADINGS.index(name)) for name in HEADINGS}
            word = self._decision(str(at["kind"].value), str(at["suggested"].value or ""))
            at["decision"].value, at["remark"].value = word, self.draw.choice(("", "asked T01"))
        decisions = book["decisions"]
        for number in range(2, decisions.max_row + 1):
            if decisions.cell(number, 1).value and self.draw.random() < 0.15:
                decisions.cell(number, 6).value = "yes"
        book.save(path)
        try:
            ingest(self.folder)
        except CrewError:
            path.unlink()
            ingest(self.folder)

    def _decision(self, kind, suggested):
        if kind in FIXED:
            return self.draw.choice(FIXED[kind])
        if kind == "place" or kind not in WORDS:
            return self.draw.choice(("seen", "P01/03", "P02/05", suggested or "seen"))
        if kind == "technician":
            return self.draw.choice(("T01", "T04", suggested or "T05"))
        if kind == "unit":
            return self.draw.choice(("SP-01", "C-01", "H-02", suggested or "C-02"))
        return suggested.split(" or ")[0].split(", ")[0] or "unknown"

    def settings_change(self):
        which = self.draw.randrange(len(SETTINGS) + len(ALIASES))
        if which < len(SETTINGS):
            self.changes ^= {which}
        else:
            self.aliases ^= {which - len(SETTINGS)}
        self._write_settings()
        ingest(self.folder)

    def _write_settings(self):
        text = self.settings
        for which in sorted(self.changes):
            text = text.replace(*SETTINGS[which], 1)
        for which in sorted(self.aliases):
            kind, written, meaning = ALIASES[which]
            text += (
                f'\n[[aliases]]\nkind = "{kind}"\nwritten = "{written}"\nmeaning = "{meaning}"\n'
            )
        (self.folder / "crew.toml").write_text(text, "utf-8")

    def settings_change_while_a_file_is_withdrawn(self):
        """The settings are changed for one command, and stand as before at the next."""
        had = set(self.changes)
        self.changes ^= {self.draw.randrange(len(SETTINGS))}
        self._write_settings()
        self.file_is_withdrawn()
        self.changes = had
        self._write_settings()
        ingest(self.folder)

    def layouts_change(self):
        """A layout goes, comes back or is written in other words."""
        path = (
            self.folder
            / "layouts"
            / self.draw.choice(sorted(p.name for p in (self.home / "layouts").iterdir()))
        )
        if path.exists() and self.draw.random() < 0.5:
            path.unlink()
        else:
            text = (self.home / "layouts" / path.name).read_text("utf-8")
            path.write_text(f"# {self.draw.random()}\n{text}", "utf-8")
        ingest(self.folder)

    def rows_are_forgotten(self):
        tables = contents(self.folder)[1]
        days = [
            day
            for name, table in tables.items()
            if name.startswith("attempts")
            for day in table["date"].drop_null().unique().to_pylist()
        ]
        if days and self.draw.random() < 0.3:
            forget(self.folder, self.draw.choice(sorted(days)))

    def marks_are_lost(self):
        """As in a store that an earlier version made."""
        path = Store(self.folder).generation() / "state.json"
        state = json.loads(path.read_text("utf-8"))
        del state["marks"], state["made_of"]
        path.write_text(json.dumps(state), "utf-8")
        ingest(self.folder)

    def kept_files_are_lost(self):
        """Typed rows, or bytes that still lie in the inbox."""
        inbox = {digest(p.read_bytes()) for p in (self.folder / "inbox").iterdir()}
        raw = [p for p in (self.folder / "store" / "raw").iterdir() if p.name in inbox]
        parsed = [p for p in (self.folder / "store" / "parsed").iterdir() if "~" not in p.name]
        lost = self.draw.choice(sorted(raw) + sorted(parsed))
        shutil.rmtree(lost) if lost.is_dir() else lost.unlink()
        ingest(self.folder)

    def the_list_is_lost(self):
        (self.folder / "doubts.xlsx").unlink()
        ingest(self.folder)


STEPS_THERE_ARE = (
    *(Week.file_comes,) * 3,
    *(Week.file_comes_in_part,) * 3,
    Week.file_is_spoilt,
    Week.file_leaves_the_inbox,
    Week.file_is_withdrawn,
    *(Week.list_is_filled_in,) * 4,
    *(Week.settings_change,) * 4,
    Week.settings_change_while_a_file_is_withdrawn,
    *(Week.layouts_change,) * 2,
    Week.rows_are_forgotten,
    Week.the_list_is_lost,
    Week.marks_are_lost,
    Week.kept_files_are_lost,
)


def withdraw_if_there(folder, name):
    try:
        withdraw(folder, name)
    except CrewError as error:
        assert "no such file" in str(error)


def told(folder):
    """What the state keeps of the tables, but the marks, which a rebuild makes again."""
    state = Store(folder).state()
    kept = ("as_of", "first_passes", "accounts", "open_doubts", "marks")
    found = {name: state[name] for name in kept}
    found["marks"] = {
        table: {month: mark[0] for month, mark in months.items()}
        for table, months in found["marks"].items()
        if table != "stamp"
    }
    return found


def differences(folder, copy):
    """Tables, and cells of the state, in which a folder is not as its rebuilt copy."""
    (names, one), (other_names, other) = contents(folder), contents(copy)
    found = [name for name in sorted(one.keys() | other.keys()) if not same(one, other, name)]
    one, other = told(folder), told(copy)
    found += [name for name in one if one[name] != other[name]]
    return found + (["files"] if names != other_names else [])


def same(one, other, name):
    return name in one and name in other and bits(one[name]) == bits(other[name])


def bits(table):
    """A table's bytes: NaN is itself."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table.combine_chunks())
    return zlib.crc32(sink.getvalue())


@pytest.mark.long
@pytest.mark.parametrize("seed", SEEDS)
def test_after_every_step_the_tables_are_those_of_a_rebuild(seed, tmp_path):
    draw = random.Random(seed)
    week = Week(tmp_path / "crew", CREWS[seed % len(CREWS)], draw)
    done = []
    for _ in range(STEPS):
        step = draw.choice(STEPS_THERE_ARE)
        step(week)
        done.append(step.__name__)
        assert not ingest(week.folder).changed, done[::-1]
        shutil.rmtree(tmp_path / "copy", ignore_errors=True)
        shutil.copytree(week.folder, tmp_path / "copy")
        ingest(tmp_path / "copy", again=True)
        assert differences(week.folder, tmp_path / "copy") == [], done[::-1]
