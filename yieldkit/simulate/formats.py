"""Invented formats of splicer exports: how each writes a record, and the layout that reads it.

None is any machine's. They differ in what real files differ in: encoding, delimiter, decimal mark,
dates, headings and their language, where the machine is named, order, words for failures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Record:
    """One record as its splicer holds it; texts are final, numbers not yet marked."""

    number: int
    """Number among all records of the crew."""
    unit: str
    counter: int
    shown: datetime
    person: str
    job: str
    place: str
    angle_crew: float
    angle_other: float
    loss: str
    """Display: ``0.03``, ``<0.01``, ``>1.00`` or empty."""
    error: str
    remark: str
    losses: tuple[str, ...] = ()
    """Of a ribbon arc, a display a fibre."""


@dataclass(frozen=True)
class Format:
    """One invented format."""

    name: str
    pattern: str
    """File name with {unit}, {last} (date of download) and {n} (its number)."""
    toml: str
    row: Callable[[Record], list[str]]
    """Cells of a record."""
    headings: tuple[str, ...]
    encoding: str = "utf-8"
    delimiter: str = ","
    line_end: str = "\n"
    newest_first: bool = False
    preamble: Callable[[str, datetime, int], list[str]] = lambda unit, when, rows: []
    workbook: bool = False
    fixed: tuple[int, ...] = ()
    """Widths of the columns of a fixed-width file."""
    counted: bool = True
    """Whether it shows record numbers."""
    ribbon: bool = False


def _comma(value: float | str) -> str:
    return str(value).replace(".", ",")


SWEDISH = {
    "none": "bra",
    "loss over limit": "dämpning hög",
    "cleave angle": "fel: vinkel",
    "end face": "fel: ändyta",
    "dust": "fel: damm",
    "gap or offset": "fel: glipa",
    "arc": "fel: ljusbåge",
    "bubble or neck": "fel: bubbla",
    "proof test": "fel: dragprov",
}
FRENCH = {
    "none": "bon",
    "loss over limit": "perte élevée",
    "cleave angle": "refus: angle",
    "end face": "refus: face",
    "dust": "arrêt: poussière",
    "gap or offset": "arrêt: écart",
    "arc": "arrêt: arc",
    "bubble or neck": "arrêt: bulle",
    "proof test": "arrêt: traction",
}
POLISH = {
    "none": "dobrze",
    "loss over limit": "tłumienność za wysoka",
    "cleave angle": "błąd: kąt",
    "end face": "błąd: czoło",
    "dust": "błąd: kurz",
    "gap or offset": "błąd: szczelina",
    "arc": "błąd: łuk",
    "bubble or neck": "błąd: pęcherz",
    "proof test": "błąd: rozciąganie",
}
ENGLISH = {
    "cleave angle": "REFUSED ANGLE",
    "end face": "REFUSED FACE",
    "dust": "STOPPED DUST",
    "gap or offset": "STOPPED GAP",
    "arc": "STOPPED ARC",
    "bubble or neck": "STOPPED BUBBLE",
    "proof test": "BROKE IN PULL",
}
PLAIN = {
    "none": "done",
    "loss over limit": "loss high",
    "cleave angle": "bad angle",
    "end face": "bad face",
    "dust": "dirt seen",
    "gap or offset": "gap",
    "arc": "arc failed",
    "bubble or neck": "bubble",
    "proof test": "pull broke",
}


def _words(words: dict[str, str]) -> str:
    return "\n".join(f'"{kind}" = ["{word}"]' for kind, word in words.items())


SKARV = Format(
    name="skarvlista",
    pattern="skarvlista_{unit}_{last}.csv",
    encoding="windows-1252",
    delimiter=";",
    line_end="\r\n",
    headings=(
        "Löpnr", "Datum", "Klocka", "Utförare", "Uppdrag", "Plats", "Vinkel egen (°)",
        "Vinkel andra (°)", "Dämpning (dB)", "Utfall", "Anmärkning",
    ),
    preamble=lambda unit, when, rows: [
        f"Maskin: {unit}",
        f"Hämtad: {when:%d.%m.%Y %H:%M:%S}",
        f"Antal rader: {rows}",
        "",
    ],
    row=lambda r: [
        f"{r.counter:06d}", f"{r.shown:%d.%m.%Y}", f"{r.shown:%H:%M:%S}", r.person, r.job, r.place,
        _comma(r.angle_crew), _comma(r.angle_other), _comma(r.loss), SWEDISH[r.error], r.remark,
    ],
    toml=f"""about = "Splicer export with Swedish headings; names its machine above them."
table = "attempts"
encoding = "windows-1252"
delimiter = ";"
decimal = ","
dates = ["dd.mm.yyyy hh:mm:ss"]

[preamble]
splicer = 'Maskin: (\\S+)'
downloaded = 'Hämtad: (.+)'
rows = 'Antal rader: (\\d+)'

[columns]
counter = "Löpnr"
when = ["Datum", "Klocka"]
technician = "Utförare"
job = "Uppdrag"
place = "Plats"
angle_crew_deg = "Vinkel egen (°)"
angle_other_deg = "Vinkel andra (°)"
loss = "Dämpning (dB)"
outcome = "Utfall"
remark = "Anmärkning"

[outcomes]
{_words(SWEDISH)}
""",
)  # fmt: skip

JOINTS = Format(
    name="joint_list",
    pattern="joints-{unit}-{last}.csv",
    encoding="utf-8-sig",
    newest_first=True,
    counted=False,
    headings=(
        "unit", "begun", "by", "work order", "spot", "near deg", "far deg", "came to", "notes",
    ),
    row=lambda r: [
        r.unit, f"{r.shown:%Y-%m-%dT%H:%M:%S}", r.person, r.job, r.place,
        str(r.angle_crew), str(r.angle_other),
        f"{r.loss} dB" if r.loss else ENGLISH[r.error], r.remark,
    ],
    toml=f"""about = "Newest record first, no record numbers; a word stands for a loss."
table = "attempts"

[columns]
splicer = "unit"
when = "begun"
technician = "by"
job = "work order"
place = "spot"
angle_crew_deg = "near deg"
angle_other_deg = "far deg"
loss = "came to"
remark = "notes"

[outcomes]
{_words(ENGLISH)}
""",
)  # fmt: skip

CAHIER = Format(
    name="cahier",
    pattern="cahier {unit} {n}.xlsx",
    workbook=True,
    headings=(
        "N°", "Moment", "Opérateur", "Chantier", "Repère", "proche", "lointain", "Perte (dB)",
        "Verdict", "Note",
    ),
    row=lambda r: [
        str(r.counter), f"{r.shown:%d/%m/%Y %H:%M:%S}", r.person, r.job, r.place,
        _comma(r.angle_crew), _comma(r.angle_other), _comma(r.loss), FRENCH[r.error], r.remark,
    ],
    toml=f"""about = "Records copied into a workbook, French headings, a sheet a month."
table = "attempts"
format = "workbook"
decimal = ","
dates = ["dd/mm/yyyy hh:mm:ss"]

[preamble]
splicer = 'Appareil (\\S+)'

[columns]
counter = "N°"
when = "Moment"
technician = "Opérateur"
job = "Chantier"
place = "Repère"
angle_crew_deg = "proche"
angle_other_deg = "lointain"
loss = "Perte (dB)"
outcome = "Verdict"
remark = "Note"

[outcomes]
{_words(FRENCH)}
""",
)  # fmt: skip

ZAPIS = Format(
    name="zapis",
    pattern="zapis_{unit}_{n}.txt",
    encoding="utf-16",
    delimiter="\t",
    line_end="\r\n",
    headings=(
        "Urządzenie", "Lp", "Kiedy", "Kto", "Zlecenie", "Port", "Kąt 1", "Kąt 2", "Tłumienność",
        "Wynik", "Uwagi",
    ),
    row=lambda r: [
        r.unit, str(r.counter), f"{r.shown:%d-%m-%Y %H:%M:%S}", r.person, r.job, r.place,
        _comma(r.angle_crew), _comma(r.angle_other), _comma(r.loss), POLISH[r.error], r.remark,
    ],
    toml=f"""about = "Polish headings, tabs between columns, two bytes a letter."
table = "attempts"
encoding = "utf-16"
delimiter = "tab"
decimal = ","
dates = ["dd-mm-yyyy hh:mm:ss"]

[columns]
splicer = "Urządzenie"
counter = "Lp"
when = "Kiedy"
technician = "Kto"
job = "Zlecenie"
place = "Port"
angle_crew_deg = "Kąt 1"
angle_other_deg = "Kąt 2"
loss = "Tłumienność"
outcome = "Wynik"
remark = "Uwagi"

[outcomes]
{_words(POLISH)}
""",
)  # fmt: skip

COLUMNS = Format(
    name="columns",
    pattern="{unit} printout {n}.prn",
    encoding="ascii",
    fixed=(8, 22, 10, 8, 12, 7, 7, 8, 14, 12),
    headings=("NO", "WHEN", "WHO", "ORDER", "SPOT", "NEAR", "FAR", "LOSS", "STATE", "NOTE"),
    preamble=lambda unit, when, rows: [f"MACHINE {unit}  PRINTED {when:%Y-%m-%d %H:%M}", ""],
    row=lambda r: [
        str(r.counter), f"{r.shown:%m/%d/%y} {_hour(r.shown)}", r.person, r.job, r.place,
        str(r.angle_crew), str(r.angle_other), r.loss, PLAIN[r.error], r.remark,
    ],
    toml=f"""about = "Printout in columns of fixed width, month first, 12-hour clock."
table = "attempts"
format = "fixed"
encoding = "ascii"
starts_after = '^NO +WHEN'
dates = ["mm/dd/yy hh:mm:ss am"]

[preamble]
splicer = 'MACHINE (\\S+)'

[columns]
counter = "1-8"
when = "9-30"
technician = "31-40"
job = "41-48"
place = "49-60"
angle_crew_deg = "61-67"
angle_other_deg = "68-74"
loss = "75-82"
outcome = "83-96"
remark = "97-"

[outcomes]
{_words(PLAIN)}
""",
)  # fmt: skip

TAPE = Format(
    name="tape",
    pattern="tape {unit} {n}.csv",
    delimiter="|",
    ribbon=True,
    headings=(
        "rec", "time", "who", "order", "spot", "angle",
        *(f"fibre {i}" for i in range(1, 13)), "state",
    ),
    preamble=lambda unit, when, rows: [f"# ribbons of {unit}"],
    row=lambda r: [
        str(r.counter), f"{r.shown:%Y-%m-%d %H:%M:%S}", r.person, r.job, r.place,
        str(r.angle_crew), *(r.losses or ("",) * 12), PLAIN[r.error],
    ],
    toml=f"""about = "Ribbon arcs, one row an arc with the losses of its twelve fibres."
table = "attempts"
delimiter = "pipe"

[preamble]
splicer = 'ribbons of (\\S+)'

[columns]
counter = "rec"
when = "time"
technician = "who"
job = "order"
place = "spot"
angle_crew_deg = "angle"
outcome = "state"

[ribbon]
loss = "fibre {{n:1-12}}"

[outcomes]
{_words(PLAIN)}
""",
)  # fmt: skip

FORMATS = {f.name: f for f in (SKARV, JOINTS, CAHIER, ZAPIS, COLUMNS, TAPE)}
"""All formats by name."""


def _hour(when: datetime) -> str:
    """12-hour clock without the locale's words."""
    half = "AM" if when.hour < 12 else "PM"
    return f"{(when.hour - 1) % 12 + 1:02d}:{when:%M:%S} {half}"
