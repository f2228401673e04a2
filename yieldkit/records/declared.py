"""A declared layout: what one kind of file looks like and what each column means."""

from __future__ import annotations

import re
from functools import cached_property
from typing import Any, Literal

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from yieldkit.records.parsed import PARSED
from yieldkit.records.patterns import check
from yieldkit.records.tables import ERRORS, QUANTITIES
from yieldkit.records.words import plain

Heading = str | int
PARTS_OF = {
    "when": ("when_shown", "when_text"),
    "loss": ("loss_text", "loss_db", "loss_mark", "loss_step"),
    "value": ("value_text", "value", "value_mark", "value_step"),
    "outcome": ("outcome_text", "error", "reached_arc"),
    "step": ("step_text", "step"),
    "cause": ("cause_text", "cause"),
    "disposition": ("disposition_text", "disposition"),
}
"""Keys of a layout's ``[columns]`` that fill several columns of a parsed table."""
_NOT_SAID = {"sheet", "source_row", "fingerprint"}
UNITS = {
    "": 1.0,
    "dB": 1.0,
    "mdB": 0.001,
    "0.01 dB": 0.01,
    "deg": 1.0,
    "0.1 deg": 0.1,
    "0.01 deg": 0.01,
    "rad": 57.29577951308232,
    "mrad": 0.05729577951308232,
    "min": 1.0,
    "h": 60.0,
    "s": 1.0 / 60.0,
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": 0.3048,
    "in": 0.0254,
    "nm": 1.0,
    "um": 1000.0,
    "pieces": 1.0,
}
"""What one of a file's units is in the table's unit (dB, deg, min, m, nm, pieces)."""


def keys_of(table: str) -> tuple[str, ...]:
    """Keys that a layout's ``[columns]`` may use for a table, in the table's order."""
    of_part = {part: key for key, parts in PARTS_OF.items() for part in parts}
    keys = []
    for column in PARSED[table].columns:
        if column.name not in _NOT_SAID:
            keys.append(of_part.get(column.name, column.name.removesuffix("_text")))
    return tuple(dict.fromkeys(keys))


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Reading(_Strict):
    """One column of a wide test row: what it reads."""

    heading: Heading
    quantity: Literal[QUANTITIES]  # type: ignore[valid-type]
    wavelength_nm: float | None = None
    direction: str = ""
    unit: str = "dB"
    negate: bool = False


class Layout(_Strict):
    """How to read one kind of file; ``docs/layouts.md`` tells every key.

    Read from TOML by ``layouts.load_layouts``; keys that do not exist are refused.
    """

    name: str
    table: Literal[tuple(PARSED)]  # type: ignore[valid-type]
    about: str = ""
    format: Literal["text", "workbook", "fixed"] = "text"
    encoding: str = "utf-8"
    delimiter: str = ","
    quote: str = '"'
    sheets: tuple[str, ...] = ()
    header_rows: int = Field(1, ge=0, le=3)
    starts_after: str = ""
    columns: dict[str, Heading | tuple[Heading, ...]]
    optional: tuple[str, ...] = ()
    ignore: tuple[Heading, ...] = ()
    constants: dict[str, str] = {}
    units: dict[str, str] = {}
    negate: tuple[str, ...] = ()
    bounds: dict[str, tuple[float, float]] = {}
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    dates: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    fill_down: tuple[str, ...] = ()
    furniture: tuple[str, ...] = ()
    preamble: dict[str, str] = {}
    file_name: dict[str, str] = {}
    outcomes: dict[Literal[ERRORS], tuple[str, ...]] = {}  # type: ignore[valid-type]
    before_arc: tuple[Literal[ERRORS], ...] = ("cleave angle", "end face")  # type: ignore[valid-type]
    words: dict[str, dict[str, tuple[str, ...]]] = {}
    ribbon: dict[Literal["loss", "angle_crew_deg", "angle_other_deg"], tuple[Heading, ...]] = {}
    readings: tuple[Reading, ...] = ()
    built_in: bool = False

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            "".encode(value)
        except LookupError:
            raise ValueError("no such encoding; common ones: utf-8, windows-1252, utf-16") from None
        return value

    @field_validator("delimiter", mode="before")
    @classmethod
    def _named_delimiter(cls, value: Any) -> Any:
        named = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " ", "pipe": "|"}
        return named.get(value, value)

    @field_validator("ribbon", mode="before")
    @classmethod
    def _counted(cls, value: Any) -> Any:
        """``"Loss {n}"`` or ``"Loss {n:1-12}"`` stand for numbered headings."""
        if not isinstance(value, dict):
            return value
        return {key: _numbered(found) for key, found in value.items()}

    @field_validator("delimiter")
    @classmethod
    def _parts_cells(cls, value: str) -> str:
        if not value or "\n" in value or "\r" in value:
            raise ValueError("a mark that parts cells is wanted, for example ; or tab")
        return value

    @field_validator("quote")
    @classmethod
    def _one_sign(cls, value: str) -> str:
        if len(value) > 1 or value.isalnum() or value.isspace():
            raise ValueError("one quoting character is wanted, or an empty text for none")
        return value

    @field_validator("bounds")
    @classmethod
    def _least_first(cls, value: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
        for key, (low, high) in value.items():
            if not low <= high:
                raise ValueError(f'"{key}" has its least value above its greatest')
        return value

    @model_validator(mode="after")
    def _marks_differ(self) -> Layout:
        if self.thousands == self.decimal:
            raise ValueError(f'"{self.decimal}" cannot be the decimal and the thousands mark')
        if self.format == "text" and self.quote and self.quote in self.delimiter:
            raise ValueError("the quoting character cannot be the delimiter too")
        if not self.columns and not self.ribbon and not self.readings:
            raise ValueError("[columns] names no column")
        return self

    @model_validator(mode="after")
    def _known_names(self) -> Layout:
        known = keys_of(self.table)
        for part, keys in (
            ("columns", self.columns),
            ("constants", self.constants),
            ("units", self.units),
            ("bounds", self.bounds),
        ):
            for key in keys:
                if key not in known:
                    raise ValueError(
                        f'[{part}] has "{key}", which table {self.table} lacks; it takes '
                        + ", ".join(known)
                    )
        for key in (*self.optional, *self.fill_down, *self.negate):
            if key not in self.columns:
                raise ValueError(f'"{key}" is not among [columns]')
        for key, unit in self.units.items():
            if unit not in UNITS:
                raise ValueError(f'[units] {key} is "{unit}"; known units: {", ".join(UNITS)}')
        if (self.ribbon and self.table != "attempts") or (
            self.readings and self.table != "measurements"
        ):
            raise ValueError("[ribbon] goes with table attempts, [[readings]] with measurements")
        patterns = [*self.preamble.items(), *self.file_name.items(), ("starts_after",) * 2]
        patterns[-1] = ("starts_after", self.starts_after)
        for key, pattern in patterns:
            try:
                check(pattern)
            except ValueError as error:
                raise ValueError(f'pattern of "{key}" cannot be read: {error}') from None
        for pattern in self.furniture:
            try:
                pc.match_substring_regex(pa.array([""]), pattern)
            except pa.ArrowInvalid as error:
                raise ValueError(f'pattern "{pattern}" cannot be read: {error}') from None
        if self.format == "fixed" or not self.header_rows:
            self._placed()
        for key, several in self.headings.items():
            if any(isinstance(one, int) and one < 1 for one in several):
                raise ValueError(f'"{key}" is column {several[0]}; the first column is 1')
        return self

    def _placed(self) -> None:
        """Without headings, columns are places: 3, or "12-20" in fixed width."""
        for key, found in self.headings.items():
            for one in found:
                span = self.format == "fixed"
                if not re.fullmatch(r"\d+-\d*" if span else r"\d+", str(one)):
                    wanted = 'places such as "12-20"' if span else "numbers such as 3"
                    raise ValueError(f'"{key}" is {one!r}; without headings columns are {wanted}')
                first, _, last = str(one).partition("-")
                if not 1 <= int(first) <= int(last or first):
                    raise ValueError(f'"{key}" is {one!r}; places count from 1, the first first')

    @cached_property
    def headings(self) -> dict[str, tuple[Heading, ...]]:
        """Headings by key, those of ribbons and readings among them."""
        found = {k: v if isinstance(v, tuple) else (v,) for k, v in self.columns.items()}
        found |= {f"ribbon.{key}": several for key, several in self.ribbon.items()}
        return found | {
            f"readings.{number}": (reading.heading,) for number, reading in enumerate(self.readings)
        }

    @cached_property
    def needed(self) -> list[Heading]:
        """Headings without which a file does not fit."""
        found: list[Heading] = []
        for key, several in self.headings.items():
            if key not in self.optional and not key.startswith("ribbon."):
                found += several
            elif key == "ribbon.loss":
                found += several[:1]
        return list(dict.fromkeys(found))

    @cached_property
    def needed_words(self) -> frozenset[str]:
        """Last part of each needed heading, as ``plain`` makes it: what its cell must say."""
        named = [heading for heading in self.needed if isinstance(heading, str)]
        return frozenset(plain(re.sub(r"#\d$", "", name).rsplit(" / ", 1)[-1]) for name in named)


def _numbered(found: Any) -> Any:
    """Spell out ``{n}`` (1 to 24) or ``{n:1-12}`` in a heading."""
    if not isinstance(found, str):
        return found
    match = re.search(r"\{n(?::(\d{1,2})-(\d{1,2}))?\}", found)
    if not match:
        return (found,)
    first, last = (int(match[1]), int(match[2])) if match[1] else (1, 24)
    head, tail = found[: match.start()], found[match.end() :]
    return tuple(f"{head}{number}{tail}" for number in range(first, last + 1))
