"""Layouts proposed for files never seen: what is proven is decided, what is open is asked."""

import io
from pathlib import Path

import pytest
import xlsxwriter

from yieldkit.errors import CrewError
from yieldkit.records.layouts import choose_layout, load_layouts, read_layout
from yieldkit.records.orders import date_forms, marks_of
from yieldkit.records.parsing import parse
from yieldkit.records.proposing import propose, write_layout
from yieldkit.records.sniffing import encoding_of

ROOT = Path(__file__).parents[2]
CREW_A = ROOT / "tests" / "crew_a"
DEMO = ROOT / "data" / "demo"


def columns_of(layout):
    """What each column is, comparable whether headings are named by one row or two."""

    def tail(found):
        several = found if isinstance(found, tuple) else (found,)
        return tuple(str(one).split(" / ")[-1] for one in several)

    found = {key: tail(value) for key, value in layout.columns.items()}
    for one in layout.readings:
        found[f"reading {one.heading}"] = (one.quantity, one.wavelength_nm, one.direction)
    return found | {f"ribbon {key}": value for key, value in layout.ribbon.items()}


def share_right(inbox, layouts):
    """Columns right unaided, of all columns of the declared layouts, file by file."""
    right = total = 0
    for path in sorted(inbox.iterdir()):
        data = path.read_bytes()
        try:
            wanted = columns_of(choose_layout(data, path.name, layouts))
        except CrewError:
            continue
        total += len(wanted)
        try:
            found = columns_of(propose(data, path.name).layout)
        except CrewError:
            continue
        right += sum(found.get(key) == value for key, value in wanted.items())
    return right, total


def test_every_column_of_the_sample_is_right_unaided():
    assert share_right(CREW_A / "inbox", load_layouts(CREW_A / "layouts")) == (115, 115)


def test_most_columns_of_the_demo_crew_are_right_unaided():
    right, total = share_right(DEMO / "inbox", load_layouts(DEMO / "layouts"))
    assert total > 150
    assert right / total >= 0.95  # docs/methods/layouts.md tells which are not


@pytest.mark.parametrize("name", ["auszug_SP-01_2024-10-25.csv", "jatkot SP-03 01.xlsx"])
def test_a_written_proposal_reads_the_file_as_the_declared_layout_does(name, tmp_path):
    data = (CREW_A / "inbox" / name).read_bytes()
    path = write_layout(propose(data, name), tmp_path / "new.toml")
    layout = read_layout(path)
    declared = choose_layout(data, name, load_layouts(CREW_A / "layouts"))
    one, two = parse(data, name, layout), parse(data, name, declared)
    assert one.rows.equals(two.rows)
    assert one.furniture["unit"] == two.furniture["unit"]
    with pytest.raises(CrewError, match="there already"):
        write_layout(propose(data, name), path)


HEAD = "No,Date,Time,Operator,Order,Place,Angle left,Angle right,Loss (dB),Status"


def export(dates, head=HEAD, delimiter=",", decimal="."):
    rows = [head]
    for number, date in enumerate(dates, 1):
        cells = [f"{number}", date, f"{7 + number % 9:02d}:15:00", f"T0{number % 4}", "J1001"]
        cells += [f"P01/{number % 24 + 1:02d}", "0.40", "0.55", f"0.0{number % 10}", "OK"]
        cells[6:9] = [cell.replace(".", decimal) for cell in cells[6:9]]
        rows.append(delimiter.join(cells))
    return "\n".join(rows).encode()


def test_dates_that_fit_both_orders_are_asked_and_never_chosen():
    data = export([f"{day:02d}/03/2026" for day in range(1, 13) for _ in range(20)])
    found = propose(data, "x.csv")
    question = next(one for one in found.questions if one.code == "date order")
    assert question.answers == ("day first", "month first")
    assert "12 days" in question.hint
    assert found.layout.dates == ()
    assert found.refused == found.rows == 240  # left open: refused, not guessed
    day = propose(data, "x.csv", {"date order": "day first"})
    assert day.layout.dates == ("dd/mm/yyyy hh:mm:ss",)
    assert (day.refused, day.questions) == (0, ())
    month = propose(data, "x.csv", {"date order": "month first"})
    assert month.first_rows[0]["when_shown"].month == 1
    with pytest.raises(CrewError, match="no such answer"):
        propose(data, "x.csv", {"date order": "sideways"})


def test_one_late_row_proves_the_order():
    # the first 200 rows are all before the 13th of the month
    dates = [f"{day:02d}/03/2026" for day in range(1, 11) for _ in range(20)] + ["13/03/2026"]
    found = propose(export(dates), "x.csv")
    assert found.layout.dates == ("dd/mm/yyyy hh:mm:ss",)
    assert found.questions == ()
    proof = next(one for one in found.choices if one.what == "dates")
    assert "13/03/2026" in proof.reason


@pytest.mark.parametrize(
    "cells, forms",
    [
        (["2026-03-04 07:00", "2026-03-05 08:10"], ()),
        (["4.3.2026 7:05:10", "14.3.2026 17:05:10"], ("d.m.yyyy h:mm:ss",)),
        (["03/14/26 07:05 AM", "03/15/26 11:05 PM"], ("mm/dd/yy hh:mm am",)),
        (["14 Mar 2026", "15 Mär 2026"], ("dd mmm yyyy",)),
        (["March 4, 2026", "March 14, 2026"], ("mmm d, yyyy",)),
        (["20260304 07:00"], ("yyyymmdd hh:mm",)),
        (["2026/03/04 07:00:01"], ("yyyy/mm/dd hh:mm:ss",)),
        (["04-Mar-26"], ("dd-mmm-yy",)),
    ],
)
def test_forms_found(cells, forms):
    found = date_forms(cells)
    assert found.question is None
    assert set(found.forms[""]) == set(forms) or found.forms[""][0] == forms[0]


def test_real_dates_of_the_file_prove_the_order_of_written_ones():
    iso = [f"2026-03-{day:02d} 07:00:00" for day in range(1, 9)]
    found = date_forms([*iso, "03/04/2026 07:00:00", "03/05/2026 07:00:00"])
    assert found.forms == {"": ("mm/dd/yyyy hh:mm:ss",)}


def test_years_of_two_digits_that_fit_three_orders_are_asked():
    found = date_forms(["01/02/03", "02/02/03"])
    assert set(found.question.answers) == {"day first", "month first", "year first"}


@pytest.mark.parametrize(
    "cells, decimal, thousands, asked",
    [
        (["0,02", "0,10"], ",", "", False),
        (["0.02", "1.5"], ".", "", False),
        (["1.234,5", "0,1"], ",", "", False),
        (["0,02", "1.234", "2.345"], ",", ".", False),
        (["1,234", "2,345"], ".", "", True),
        (["1.234", "2.345"], ",", "", True),
        (["17", "18"], ".", "", False),
    ],
)
def test_decimal_marks(cells, decimal, thousands, asked):
    found = marks_of(cells)
    assert (found[0], found[1], found[3] is not None) == (decimal, thousands, asked)


@pytest.mark.parametrize("encoding", ["windows-1252", "windows-1250", "cp850", "utf-8", "utf-16"])
def test_encodings(encoding):
    words = (
        "błąd: łuk;Tłumienność;Zażółć;wartość"
        if encoding == "windows-1250"
        else ("Dämpfung (dB);Prüfer;Stirnfläche;Gerät;März;größer")
    )
    data = (words + "\n" + "0,02;T01;a;b;c;d\n" * 5).encode(encoding)
    assert data.decode(encoding_of(data).value) == data.decode(encoding)


# Headings by dictionary from TRADE words, one language each, none of the files above.
LANGUAGES = {
    "de": "Nummer;Datum;Zeit;Techniker;Auftrag;"
    "Ort;Winkel links;Winkel rechts;Spleißdämpfung [dB];Ergebnis",
    "fr": "Numéro;Date;Heure;Technicien;Chantier;"
    "Emplacement;Angle gauche;Angle droit;Perte (dB);Résultat",
    "es": "Número;Fecha;Hora;Técnico;Obra;"
    "Posición;Ángulo izquierdo;Ángulo derecho;Pérdida dB;Estado",
    "it": "Numero;Data;Ora;Tecnico;Commessa;"
    "Posizione;Angolo sinistro;Angolo destro;Perdita (dB);Esito",
    "sv": "Nr;Datum;Tid;Tekniker;Uppdrag;Plats;Vinkel vänster;Vinkel höger;Dämpning (dB);Resultat",
    "fi": "Nro;Päivä;Kello;Asentaja;Työ;Paikka;Kulma vasen;Kulma oikea;Vaimennus (dB);Tulos",
    "pl": "Numer;Data;Godzina;Technik;Zlecenie;Miejsce;Kąt lewy;Kąt prawy;Tłumienność (dB);Wynik",
    "cs": "Číslo;Datum;Čas;Technik;Zakázka;Místo;Úhel levý;Úhel pravý;Útlum (dB);Výsledek",
    "nl": "Nummer;Datum;Tijd;Technicus;Opdracht;"
    "Plaats;Hoek links;Hoek rechts;Demping (dB);Resultaat",
    "pt": "Número;Data;Hora;Técnico;Trabalho;"
    "Posição;Ângulo esquerdo;Ângulo direito;Perda (dB);Estado",
}
KEYS = [
    *("counter", "when", "when", "technician", "job", "place"),
    *("angle_crew_deg", "angle_other_deg", "loss", "outcome"),
]


@pytest.mark.parametrize("language", LANGUAGES)
def test_headings_of_many_languages(language):
    head = LANGUAGES[language]
    data = export(["21.03.2026"] * 40, head, ";", ",").decode().encode("utf-8")
    layout = propose(data, "x.csv").layout
    found = {}
    for key, value in layout.columns.items():
        for heading in value if isinstance(value, tuple) else (value,):
            found[heading] = key
    right = sum(
        found.get(heading) == key for heading, key in zip(head.split(";"), KEYS, strict=True)
    )
    assert right >= len(KEYS) - 1, found


def test_cells_decide_before_headings():
    # the heading says loss, the cells are dates: it cannot be the loss
    head = HEAD.replace("Date", "Loss").replace("Loss (dB)", "Date of it")
    layout = propose(export(["21.03.2026"] * 30, head), "x.csv").layout
    assert layout.columns["when"][0] == "Loss"
    assert layout.columns["loss"] == "Date of it" or "loss" not in layout.columns


def test_what_is_no_record_is_said_so():
    with pytest.raises(CrewError, match="does not look like records"):
        propose(b"key,borrowed by,back\n4,boat crew,yes\n7,,no\n", "keys.csv")
    with pytest.raises(CrewError, match="does not look like"):
        propose(b"Dear all,\nthe van is at the garage.\nRegards\n", "letter.txt")


def test_ribbons_and_a_printout_in_columns():
    head = "No|Time|Who|Order|Spot|" + "|".join(f"Loss {n}" for n in range(1, 13))
    rows = [
        f"{i}|2026-03-04 07:{i:02d}:00|T01|J1|P01/{i:02d}|" + "|".join(["0.03"] * 12)
        for i in range(1, 30)
    ]
    found = propose("\n".join([head, *rows]).encode(), "x.csv")
    assert len(found.layout.ribbon["loss"]) == 12
    assert found.first_rows[1]["fibre"] == 2
    lines = ["No    When               Who      Order  Place    Loss   State"]
    lines += [
        f"{i:<6}2026-03-04 07:{i:02d}:00 Tech {i % 4}   J1001  P01/{i:02d}   0.0{i % 10}   good"
        for i in range(1, 30)
    ]
    found = propose("\n".join(lines).encode(), "x.prn")
    assert found.layout.format == "fixed"
    assert found.refused == 0
    assert {"counter", "when", "technician", "place", "loss"} <= set(found.layout.columns)


def test_open_words_and_the_machine_that_nobody_names():
    data = export(["2026-03-04"] * 30).replace(b"OK", b"flurb")
    found = propose(data, "x.csv")
    assert [one.code for one in found.questions] == ["outcome flurb"]
    machine = next(one for one in found.choices if one.what.startswith("machine"))
    assert (machine.value, machine.confidence) == ("unknown", 0.0)
    told = propose(data, "x.csv", {"outcome flurb": "none"})
    assert told.layout.outcomes == {"none": ("flurb",)}
    named = propose(data, "week 12 SP-04.csv")
    assert named.layout.file_name == {"splicer": r"(SP[-_]?\d+)"}


def test_a_workbook_of_real_dates_and_groups_of_headings():
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("Joints")
        sheet.write(0, 0, "Machine: SP-02")
        sheet.merge_range(2, 5, 2, 6, "Cleave angle (deg)", None)
        heads = ["No", "When", "Who", "Order", "Place", "left", "right", "Loss (dB)", "Status"]
        for column, head in enumerate(heads):
            sheet.write(3, column, head)
        for i in range(1, 40):
            cells = [i, f"2026-03-04 07:{i:02d}", "T01", "J1", f"P1/{i}", 0.4, 0.5, 0.02, "ok"]
            for column, cell in enumerate(cells):
                sheet.write(3 + i, column, cell)
    found = propose(out.getvalue(), "x.xlsx")
    assert found.layout.header_rows == 2
    assert found.layout.columns["angle_crew_deg"] == "Cleave angle (deg) / left"
    assert (found.rows, found.refused) == (39, 0)


def test_without_headings_the_cells_tell():
    rows = [
        f"{n},20260302,{8 + n % 8:02d}{n % 60:02d}00,{'MK' if n % 3 else 'JH'},J20{n % 2:02d},"
        f"B{n % 3}-{n % 40:02d},0.{n % 9},0.{n % 7},0.0{n % 9},OK"
        for n in range(1, 90)
    ]
    found = propose("\n".join(rows).encode(), "x.csv")
    columns = found.layout.columns
    assert (columns["counter"], columns["when"], columns["place"]) == (1, (2, 3), 6)
    assert (columns["job"], columns["loss"], columns["outcome"]) == (5, 9, 10)
    assert found.layout.dates == ("yyyymmdd hhmmss",)
    assert (found.rows, found.refused) == (89, 0)


def test_one_reading_a_row_and_reflectances_below_zero():
    rows = ["Date;Job;Place;Mesure;Longueur d'onde;Sens;Valeur;Verdict"]
    for n in range(1, 30):
        rows.append(f"14.03.2026 07:{n};J1;P1/{n};Atténuation;1310 nm;A→B;0.{n + 10};OK")
        rows.append(f"14.03.2026 07:{n};J1;P1/{n};Réflectance;1550 nm;A→B;-5{n % 9}.5;OK")
    found = propose("\n".join(rows).encode(), "x.csv")
    assert (found.layout.table, found.refused) == ("measurements", 0)
    second = found.first_rows[1]
    assert (second["quantity"], second["value"], second["wavelength_nm"]) == (
        *("return loss", 51.5),
        1550,
    )
