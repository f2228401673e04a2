"""Words that cells hold, in several languages: months, outcomes, causes, verdicts, no value.

All are dictionary translations of trade terms (en, de, fr, es, pt, it, nl, sv, da/no, fi, pl, cs);
a layout's own words come first, the crew's aliases before everything.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache


class _Marks(dict[int, int | None]):
    """What becomes of a sign: nothing of an accent; kept once it was asked for."""

    def __missing__(self, sign: int) -> int | None:
        self[sign] = None if unicodedata.combining(chr(sign)) else sign
        return self[sign]


_MARKS = _Marks()
_LETTERS = str.maketrans({"ß": "ss", "ø": "o", "ł": "l", "æ": "ae", "đ": "d", "ı": "i"})


@lru_cache(maxsize=65536)
def plain(word: str) -> str:
    """A word without case, accents, end stops and double blanks, to compare by.

    Examples
    --------
    >>> plain("  Dämpfung  zu HOCH ")
    'dampfung zu hoch'
    """
    return folded(word).strip(" .:;!?")


def folded(text: str) -> str:
    """Text without case, accents and double blanks: holds each of its words as ``plain`` has it."""
    if text.isascii():
        low = text.lower()
    else:
        low = unicodedata.normalize("NFKD", text.casefold().translate(_LETTERS))
        low = low.translate(_MARKS)
    return " ".join(low.replace("_", " ").split())


_MONTH_WORDS = (
    "january jan januar janner jän janvier janv enero ene januari janeiro gennaio gen tammikuu "
    "tammikuuta tammi styczen stycznia sty leden ledna led",
    "february feb februar feber fevrier fevr fev febrero februari fevereiro febbraio helmikuu "
    "helmikuuta helmi luty lutego lut unor unora uno",
    "march mar marz maerz mrz mars marzo maart mrt marts marco maaliskuu maaliskuuta maalis "
    "marzec marca brezen brezna bre",
    "april apr avril avr abril abr aprile huhtikuu huhtikuuta huhti kwiecien kwietnia kwi duben "
    "dubna dub",
    "may mai mayo mei maj maio mag maggio toukokuu toukokuuta touko maja kveten kvetna kve",
    "june jun juni juin junio junho giugno giu kesakuu kesakuuta kesa czerwiec czerwca cze cerven "
    "cervna cvn",
    "july jul juli juillet juil julio julho luglio lug heinakuu heinakuuta heina lipiec lipca lip "
    "cervenec cervence cvc",
    "august aug aout agosto ago augustus augusti elokuu elokuuta elo sierpien sierpnia sie srpen "
    "srpna srp",
    "september sep sept septembre septiembre setembro set settembre syyskuu syyskuuta syys "
    "wrzesien wrzesnia wrz zari zar",
    "october oct oktober okt octobre octubre outubro out ottobre ott lokakuu lokakuuta loka "
    "pazdziernik pazdziernika paz rijen rijna rij",
    "november nov novembre noviembre novembro marraskuu marraskuuta marras listopad listopada lis",
    "december dec dezember dez decembre diciembre dic dezembro dicembre joulukuu joulukuuta joulu "
    "grudzien grudnia gru prosinec prosince pro",
)
MONTHS = {plain(w): n for n, words in enumerate(_MONTH_WORDS, 1) for w in words.split()}
MONTHS.pop("listopad", None)  # November in Polish and Czech alike
MONTHS["listopad"] = 11
_WEEKDAY_WORDS = (
    "monday mon tuesday tue tues wednesday wed thursday thu thur thurs friday fri saturday sat",
    "sunday sun montag mo dienstag di mittwoch mi donnerstag do freitag fr samstag sonnabend sa",
    "sonntag so lundi lun mardi mar mercredi mer jeudi jeu vendredi ven samedi sam dimanche dim",
    "lunes martes miércoles mié jueves jue viernes vie sábado sáb domingo dom lunedì martedì",
    "mercoledì giovedì gio venerdì sabato domenica maandag ma dinsdag woensdag wo donderdag",
    "vrijdag vr zaterdag za zondag zo måndag mån tisdag tis onsdag ons torsdag tor fredag fre",
    "lördag lör söndag sön mandag man tirsdag tir lørdag lør søndag søn maanantai tiistai ti",
    "keskiviikko ke torstai to perjantai pe lauantai la sunnuntai su poniedziałek pon wtorek wt",
    "środa śr czwartek czw piątek pt sobota sob niedziela niedz nd pondělí po úterý út středa",
    "st čtvrtek čt pátek pá neděle ne segunda terça quarta quinta sexta seg ter qua qui sex",
)
WEEKDAYS = frozenset(plain(word) for words in _WEEKDAY_WORDS for word in words.split())
"""Names of the days of a week in twelve languages, long and short."""
MORNING = frozenset(plain(w) for w in ("am", "a.m.", "a. m.", "vorm.", "fm", "f.m.", "ap.", "dop"))
AFTERNOON = frozenset(
    plain(w) for w in ("pm", "p.m.", "p. m.", "nachm.", "em", "e.m.", "ip.", "odp")
)

DASHES = frozenset(("-", "--", "---", "----", "–", "—", ".", "..", "?", "/", "n/a", "#n/a"))
"""Cells that mean: no text."""
MISSING = DASHES | frozenset(
    ("na", "n.a", "n. a", "n.v", "k.a", "k. a", "s.o", "s. o", "n.d", "nd", "nil", "null", "none")
    + ("nan", "nc", "-.--", "-.-", "--.--", "--,--", "-,--", "*", "**", "***", "x.xx")
)
"""Cells that mean: no number or time."""
TOTALS = re.compile(
    r"^(grand total|sub ?total|total(en?|e|es|s|t)?|totale?|sum|summe|gesamt|zwischensumme|somme|"
    r"suma|soma|somma|summa|totaal|som|yhteensa|razem|lacznie|celkem|i alt|sammanlagt|average|"
    r"mean|mittelwert|durchschnitt|moyenne|media|promedio|gemiddelde|medel|keskiarvo|srednia|"
    r"prumer|gennemsnit)\b"
)
"""First words of a totals row, plain."""
ENDS = re.compile(
    r"^(end of|end$|ende\b|listenende|fin (de|du)|fin$|fine\b|fim\b|einde\b|slut(et)?\b|loppu\b|"
    r"koniec\b|konec\b|page \d|seite \d|sivu \d|sida \d|printed|gedruckt|exported|"
    r"\d+ (rows|records|zeilen))"
)
"""First words of a line below the records, plain."""

_OUTCOMES = {
    "none": "ok okay good pass passed accepted accept done success fine gut in ordnung i.o io "
    "bestanden bon conforme reussi correcto bueno bien aprobado aceptado bom aprovado buono "
    "superato goed akkoord bra godkand godkant godkjent hyva hyvaksytty kunnossa dobry dobra "
    "dobrze poprawny pozytywny dobre v poradku",
}
GOOD = frozenset(
    {
        "in ordnung",
        "v poradku",
        "no error",
        "kein fehler",
        "ohne fehler",
        "sans erreur",
        "ei virhetta",
    }
    | {plain(w) for w in _OUTCOMES["none"].split() if plain(w) not in ("in", "v", "poradku")}
)
OUTCOMES: tuple[tuple[str, str], ...] = (
    (
        "proof test",
        r"proof|tension|\bpull\b|zugpruf|zugtest|zugversuch|traction|tracci|trazione|"
        r"trekproef|dragprov|strekkprov|vetokoe|vetotesti|rozciag|tahov",
    ),
    (
        "bubble or neck",
        r"bubble|neck|blase|einschnur|bulle|burbuja|bolha|bolla|bubbla|boble|kupla|pecherz|bublin|"
        r"\bfat\b|matchstick|taille|kaula",
    ),
    (
        "loss over limit",
        r"loss (too )?(high|over|above)|high loss|over(\s|-)?limit|too much (loss|db)|lossy|"
        r"dampfung (zu hoch|uber)|dampfung hoch|dampning (for )?hog|demping for hoy|"
        r"vaimennus (yli|liian|suuri)|perte (trop )?(elevee|haute)|attenuation trop|"
        r"perdida (muy )?(alta|excesiva)|atenuacion alta|perda (muito )?alta|perdita (troppo )?alta"
        r"|attenuazione (troppo )?alta|demping te hoog|verlies te hoog|forlust (for )?hog|"
        r"tlumiennosc (za|zbyt) (wysoka|duza)|strata (za|zbyt)|utlum prilis|over max",
    ),
    (
        "cleave angle",
        r"angle|winkel|schnittwinkel|kulma|vinkel|angolo|angulo|kat(u|a)?\b|uhel|hoek|"
        r"bad cleave|cleave (bad|fail|refus|reject)|trennfehler|schlechter schnitt|mauvais clivage|"
        r"corte malo|huono katkaisu",
    ),
    (
        "end face",
        r"end ?face|\bface\b|stirnflache|endflache|faserende|face d.extremite|face terminale|"
        r"cara final|extremo|faccia|eindvlak|andyta|endeflate|endeflade|\bpaa\b|"
        r"paatypinta|paapinta|czolo|"
        r"powierzchni|\bcelo\b|koncov|chip|\blip\b|hackle|extremite",
    ),
    (
        "dust",
        r"dust|dirt|contamin|staub|schmutz|verschmutz|poussiere|sale(te)?\b|polvo|sucio|poeira|"
        r"sujeira|polvere|sporc|stof\b|vuil|damm\b|smuts|stov|poly|lika|kurz\b|pyl|brud|prach",
    ),
    (
        "gap or offset",
        r"gap|offset|align|spalt|versatz|abstand|ausricht|ecart|decalage|alignement|hueco|"
        r"separacion|desplaz|alinea|espaco|desalinh|spazio|scart|disassam|spleet|afstand|uitlijn|"
        r"glipa|avstand|forskjut|rako|siirtyma|kohdist|szczelin|przesun|mezer|posun",
    ),
    (
        "arc",
        r"\barc\b|lichtbogen|\barco\b|boog|ljusbage|lysbue|valokaari|kaari\b|\bluk\b|oblouk|fuse|"
        r"splicer err|machine",
    ),
    (
        "other",
        r"err(or|eur|ore)?\b|\bng\b|fehler|fehlgeschlagen|abbruch|fail|abort|echec|fallo|falla|"
        r"falha|erro\b|"
        r"fout|mislukt|fel\b|feil|fejl|virhe|epaonn|hylatty|blad|niepowodz|chyba|selhal|"
        r"nok|n\.?i\.?o",
    ),
)
"""Class of an error by a pattern over the plain words; the first that fits counts."""


def outcome_class(word: str, own: Mapping[str, str] | None = None) -> str | None:
    """Class of an outcome's words; ``None`` if they are not known.

    Parameters
    ----------
    word : str
        As shown.
    own : mapping, optional
        The layout's words, plain, to classes.
    """
    low = plain(word)
    if own and low in own:
        return own[low]
    if low in GOOD:
        return "none"
    for name, pattern in OUTCOMES:
        if re.search(pattern, low):
            return name
    return None


_RESULTS = (
    (
        "fail",
        r"^(x|f|n|no|nein|non|nok|ng|0)$|fail|not ok|nicht|n\.?i\.?o|defekt|durchgefallen"
        r"|schlecht|"
        r"refuse|echec|non conforme|mauvais|rechaz|fall[oa]|reprov|respinto|fallito|fout|afgekeurd|"
        r"underkand|underkjent|ikke|inte|hylatty|ei ok|huono|negatyw|zly|neproslo|nevyhov"
        r"|reject|bad",
    ),
    (
        "pass",
        r"^(p|y|yes|ja|oui|si|j|o|1|io|v)$|pass|\bok\b|okay|good|gut|i\.? ?o\.?|bestanden"
        r"|in ordnung|conforme|reussi|bon|correct|aprob|aprov|buono|goed|akkoord|godk|bra\b|"
        r"superat|hyva|pozytyw|dobr|proslo|vyhov|accept",
    ),
)


def result_class(word: str) -> str | None:
    """``pass`` or ``fail`` of a verdict's word; ``None`` if it is neither."""
    low = plain(word)
    return next((name for name, pattern in _RESULTS if re.search(pattern, low)), None)


CAUSES: tuple[tuple[str, str, str], ...] = (
    # step where such a failure is found, suspected cause, pattern over the plain words
    ("test", "test set-up", r"(ref(erence)?|launch|test) (cord|lead|jumper|set)|recert|messaufbau"),
    (
        UNK := "unknown",
        "cord too short",
        r"too short|zu kurz|trop court|corto|liian lyhyt|for kort",
    ),
    ("protect", UNK, r"broke?n? ?\(?mov|mov(ing|ed)|carry|handling"),
    ("inspect", "contamination", r"(dirt|dust|contam|lint).*(ferr?ule|end ?face|connector|tip)"),
    (
        "crimp",
        "crimp or mechanical",
        r"crimp|krimp|\bring\b|boot|pull(ed)? ?out|sertiss|puristus|zagniat|pistoning",
    ),
    (
        "protect",
        "protection or cure",
        r"cure|uncured|oven|heater|sleeve|shrink|epoxy|aushart|ofen|schrumpf|hulse|four\b|"
        r"manchon|polymer|soft|uuni|kutiste|krymp|harden",
    ),
    (
        "inspect",
        "end face",
        r"scratch|end ?face|ferr?ule|kratz|stirnfl|rayure|eraflure|aranazo|graffi|kras|repa\b|"
        r"naarmu|ryta|rysa|zarys|polish",
    ),
    ("test", UNK, r"reflect|ret(urn)?\.? ?loss|\brl\b|\borl\b|ruckfluss|heijastus|refleks"),
    ("test", UNK, r"insertion|\bil\b|test\b.*loss|certif|einfug|otdr|failed test|light source"),
    (
        "prepare",
        "strip or nick",
        r"strip|nick|coating|snapp?ed|broke?n? in hand|absetz|abmantel|denud|kuorint|stripp|"
        r"gefaltet|buffer|aramid",
    ),
    (
        "cleave",
        "cleave",
        r"cle+a?ve|clv|angle|\blip\b|chip|hackle|winkel|schnitt|clivage|katkais|kulma",
    ),
    ("crimp", "assembly", r"forgot|wrong (type|port|way)|revers|vergessen|oubli|unohd|upside"),
    ("splice", "contamination", r"dust|dirt|contam|staub|schmutz|poussi|poly|smuts|lika|lint"),
    (
        "splice",
        UNK,
        r"loss|lossy|too much db|\best|dampfung|perte|perdida|perdita|vaimen|tlumien|utlum"
        r"|dampning|high db",
    ),
    (
        "splice",
        "arc or splicer",
        r"\barc\b|splicer|machine|gap|offset|bubble|neck|electrode|spl\.? err",
    ),
    (UNK, "fibre or cable", r"fib(re|er)|cable|kabel|faser|kuitu|broke|bruch|casse|break"),
)
"""Free text of a rework log: step, cause, pattern; the first that fits counts. Step and cause are
``unknown`` where the words do not tell; a high loss has no cause of its own."""


_AND = re.compile(r"\s*[/+&;]\s*|\s+(?:and|or|und|oder|et|ou|y|och)\s+")


def cause_class(word: str) -> tuple[str, str] | None:
    """Step where it is found and suspected cause of a rework entry's free text.

    A cell that names two causes ("dust / bad cleave") does not say which it was: ``None``, so
    that it is asked rather than guessed.
    """
    found = _first_cause(plain(word))
    parts = _AND.split(word.lower())
    if found is None or len(parts) == 1:
        return found
    told = {one[1] for part in parts if (one := _first_cause(plain(part)))} - {"unknown"}
    return None if len(told) > 1 else found


def _first_cause(low: str) -> tuple[str, str] | None:
    return next(((s, c) for s, c, pattern in CAUSES if re.search(pattern, low)), None)


STEPS = (
    ("prepare", r"prep|strip|clean|absetz|abmantel|vorbereit|denud|kuori|avskal"),
    ("cleave", r"cleav|cut|brech|trenn|schneid|clivage|corte|taglio|katkais|kap|klyv"),
    ("protect", r"protect|sleeve|cure|oven|heat|shrink|schutz|schrumpf|manchon|suoja|krymp|uuni"),
    ("crimp", r"crimp|krimp|boot|sertiss|purist"),
    ("inspect", r"inspect|end ?face|visual|micro|sicht|inspek|tarkast"),
    ("test", r"test|measur|otdr|mess|mesure|prueba|misura|mitta|prov\b|certif|pomiar"),
    ("splice", r"splic|fus|arc|spleiss|epissur|empalme|giunzione|jatko|skarv|spaw|svar"),
)
DISPOSITIONS = (
    ("re-cleave", r"re-?cleav|recut|neu.*(brech|schnitt)|nachschnitt"),
    (
        "new connector",
        r"new (conn|plug|body|ferrule)|re-?termin|replac|neuer? stecker|nouveau conn",
    ),
    ("re-splice", r"re-?spli|re-?done|redo|again|neu.*spleiss|reprise|uusi"),
    ("accepted as is", r"as is|accept|left as|belassen|akzept|accepte"),
    ("given up", r"giv\w+ up|gave up|scrap|abandon|dead|aufgegeb|abandonn"),
    ("cleaned", r"clean|wip|gereinigt|reinig|nettoy|limpi|puhdist|rengj"),
    ("left open", r"left open|open|later|pending|offen|spater|ouvert|auki"),
)
PARTS_OF_DAY = (
    ("am", r"^(a\.?m\.?|morning|vormittag|vm|matin|manana|mattina|ochtend|fm|aamu\w*|rano)$"),
    ("pm", r"^(p\.?m\.?|afternoon|nachmittag|nm|apres.midi|tarde|pomeriggio|middag|em|iltap\w*)$"),
    ("all", r"^(all|all day|day|whole day|ganztag\w*|tag|jour\w*|dia|giorno|dag|paiva|full)$"),
)
QUANTITIES = (
    ("end face", r"end ?face|stirnfl|zone|inspection|\bface\b|paatypinta"),
    ("return loss", r"return|\brl\b|\borl\b|reflect|ruckfl|reflex|retour|retorno|ritorno|heijast"),
    ("two-way loss", r"two.?way|bi.?dir|both ways|beidseit|bidirec|kaksisuunt"),
    ("one-way loss", r"one.?way|otdr|uni.?dir|einseit|yksisuunt"),
    ("estimated loss", r"estim|geschatzt|schatz|arvio"),
    (
        "insertion loss",
        r"insertion|\bil\b|einfug|attenuation|loss|dampf|perte|perdida|perdita|vaimen|dampning",
    ),
)
_TABLES: dict[str, Iterable[tuple[str, str]]] = {
    "step": STEPS,
    "disposition": DISPOSITIONS,
    "part_of_day": PARTS_OF_DAY,
    "quantity": QUANTITIES,
}


def class_of(kind: str, word: str) -> str | None:
    """Class of a step, disposition, part of a day or quantity; ``None`` if not known."""
    low = plain(word)
    return next((name for name, pattern in _TABLES[kind] if re.search(pattern, low)), None)


def near_classes(kind: str, word: str) -> tuple[str, ...]:
    """Classes that a word of a log may mean, to suggest and never to apply.

    Those of each part where the cell names several causes, else those of words that are spelt
    nearly so.

    Parameters
    ----------
    kind : str
        ``cause``, ``step`` or ``outcome``.
    word : str
        As written.

    Examples
    --------
    >>> near_classes("cause", "dust / bad cleave"), near_classes("cause", "contaminashun")
    (('contamination', 'cleave'), ('contamination',))
    """
    patterns = {
        "cause": [(name, pattern) for _, name, pattern in CAUSES if name != UNK],
        "step": list(STEPS),
        "outcome": list(OUTCOMES),
    }[kind]
    found = []
    for part in _AND.split(word.lower()):
        low = plain(part)
        exact = [name for name, pattern in patterns if re.search(pattern, low)][:1]
        if not exact:
            letters = {
                w: name
                for name, pattern in patterns
                for w in re.findall(r"[a-z]{4,}", f"{name} {pattern}")
            }
            for token in re.findall(r"[a-z]{4,}", low):
                near = difflib.get_close_matches(token, letters, 1, 0.8)
                near = near or [w for w in letters if len(w) > 5 and w[:6] == token[:6]][:1]
                exact += [letters[one] for one in near]
        found += exact
    return tuple(dict.fromkeys(found))
