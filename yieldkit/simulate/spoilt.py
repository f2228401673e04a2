"""What goes wrong between a crew and its files: spellings, slips, cut lines, zero bytes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from yieldkit.simulate.chances import Bools


@dataclass(frozen=True)
class Defects:
    """How much of a real inbox's disorder is in the files; ``Defects.none()`` has none of it."""

    operator_variants: float = 0.15
    """Share of records whose person is written in another way."""
    place_variants: float = 0.04
    place_mistyped: float = 0.004
    formulas: int = 3
    """Remarks that begin like a formula."""
    hostile: int = 2
    """Remarks with a path or a script tag in them."""
    zero_in_remark: int = 2
    long_remarks: int = 1
    impossible_losses: int = 2
    impossible_angles: int = 2
    cut_last_lines: int = 2
    """Text files whose last line is cut off."""
    zeroed_rows: int = 1
    """Rows of text files overwritten by zero bytes."""
    overlap_days: int = 2
    """Days by which a download reaches back before the one before it."""
    saved_twice: bool = True
    """One download is there again under another name."""
    retyped: int = 40
    """Records that somebody typed again into a workbook."""
    tests_missing_words: int = 4
    """Test readings written ``n/a``."""
    tests_twice: int = 5
    strays: bool = True
    """An empty file, one with headings only, one that is about something else."""
    merged_jobs: int = 8
    """Runs of job cells merged downwards in workbooks."""

    @classmethod
    def none(cls) -> Defects:
        """Clean files that do not overlap."""
        return cls(
            operator_variants=0.0,
            place_variants=0.0,
            place_mistyped=0.0,
            formulas=0,
            hostile=0,
            zero_in_remark=0,
            long_remarks=0,
            impossible_losses=0,
            impossible_angles=0,
            cut_last_lines=0,
            zeroed_rows=0,
            overlap_days=0,
            saved_twice=False,
            retyped=0,
            tests_missing_words=0,
            tests_twice=0,
            strays=False,
            merged_jobs=0,
        )


@dataclass(frozen=True, eq=False)
class Spoiler:
    """Draws defects; ``flags`` counts what it did to each record, by record number."""

    defects: Defects
    rng: np.random.Generator
    flags: dict[int, set[str]] = field(default_factory=dict)

    def flag(self, record: int, name: str) -> None:
        """Note that a record has something to notice."""
        self.flags.setdefault(record, set()).add(name)

    def persons(self, codes: pd.Series) -> list[str]:
        """Codes of persons as people write them; records are numbered as in ``codes``."""
        odd = self.rng.random(len(codes)) < self.defects.operator_variants
        form = self.rng.integers(5, size=len(codes))
        written = []
        for i, code in enumerate(codes.fillna("")):
            if code and odd[i]:
                self.flag(i, "tech_variant")
                code = person_variant(code, int(form[i]))
            elif not code:
                self.flag(i, "tech_blank")
            written.append(code)
        return written

    def places(self, panel: pd.Series, port: pd.Series, known: Bools) -> list[str]:
        """Places as people write them: mostly ``P03/07``."""
        size = len(panel)
        odd = self.rng.random(size) < self.defects.place_variants
        wrong = self.rng.random(size) < self.defects.place_mistyped
        form = self.rng.integers(4, size=size)
        written = []
        for i in range(size):
            if not known[i]:
                self.flag(i, "place_blank")
                written.append("")
            elif wrong[i]:
                self.flag(i, "place_mistyped")
                written.append(f"{panel.iloc[i]}/{int(port.iloc[i]) + 70:02d}")
            elif odd[i]:
                self.flag(i, "place_variant")
                written.append(place_variant(panel.iloc[i], int(port.iloc[i]), int(form[i])))
            else:
                written.append(f"{panel.iloc[i]}/{int(port.iloc[i]):02d}")
        return written

    def remarks(self, size: int) -> list[str]:
        """Remarks of records: mostly empty, some plain, a few hostile."""
        plain = ("", "", "", "", "", "", "", "", "rain", "again", "tray 2", "lift shaft", "windy")
        words = [plain[i] for i in self.rng.integers(len(plain), size=size)]
        defects = self.defects
        kinds = (
            (defects.formulas, "formula_text", ("=1+1", "@home", "=SUM(A1:A9)")),
            (defects.hostile, "hostile_id", ("../../etc", "<script>alert(1)</script>")),
            (defects.zero_in_remark, "nul_in_remark", ("wet\x00end",)),
            (defects.long_remarks, "long_field", ("very long " * 400,)),
        )
        for count, name, texts in kinds:
            for k, record in enumerate(self.some(size, count)):
                words[record] = texts[k % len(texts)]
                self.flag(record, name)
        return words

    def some(self, size: int, count: int) -> list[int]:
        """Up to ``count`` different numbers below ``size``."""
        return sorted(int(i) for i in self.rng.choice(size, min(count, size), replace=False))


def person_variant(code: str, form: int) -> str:
    """Another way to write ``T07``."""
    letters, number = code[:1], code[1:]
    forms = (code.lower(), f"{letters}-{number}", f" {code}", f"{letters} {int(number)}")
    return (*forms, f"Tech {int(number)}")[form]


def place_variant(panel: str, port: int, form: int) -> str:
    """Another way to write ``P03/07``."""
    number = int(panel[1:])
    return (
        f"P{number}-{port:02d}",
        f"{panel.lower()}/{port:02d}",
        f"{panel} {port:02d}",
        f"{panel.lower()} {port}",
    )[form]
