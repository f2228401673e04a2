"""Headings as people write them, in a dozen languages: trade terms and dictionary translations.

Nothing here is remembered of any machine. Words are plain (``words.plain``); phrases are parted by
``|``; a word that ends in ``*`` also fits as part of a longer one (``spleissdampfung``).
"""

from __future__ import annotations

import re
from functools import lru_cache

from yieldkit.records.words import plain

HEADINGS: dict[str, str] = {
    "when": (
        "date*|time*|when|begun|wann|cuando|quando|wanneer|milloin|kiedy|kdy|datetime|"
        "timestamp|day|started|start|finished|tested|measured|logged|made|done|date written|"
        "written|clock|datum*|zeit*|uhrzeit*|tag|zeitpunkt|zeitstempel|gepruft am|"
        "gemessen am|heure*|jour|horodatage|quand|fecha*|hora*|dia|data*|ora|orario|giorno|"
        "tijd*|tijdstip|tid*|dag|klockslag|tidpunkt|tidspunkt|dato|klokkeslett|aika*|paiva*|"
        "pvm|paivays|kello*|ajankohta|dzien|godzina*|czas*|cas*|den|datum a cas|momento|"
        "debut|beginn|inicio|inizio"
    ),
    "counter": (
        "no|nr|number|record|record no|record number|splice no|splice number|counter|count|"
        "seq|sequence|index|idx|id|entry|line|#|lfd nr|lfd. nr|laufende nummer|nummer|satz|"
        "satznummer|spleiss nr|zahler|numero|num|n|no|n°|enregistrement|epissure no|compteur|"
        "registro|contador|numero de registro|progressivo|contatore|volgnummer|teller|lopnr|"
        "lopnummer|raknare|nro|numero|jarjestysnumero|laskuri|juokseva numero|lp|licznik|"
        "numer|poradi|cislo|pocitadlo|lobenr|taeller|n.|num."
    ),
    "splicer": (
        "machine*|splicer*|fusion splicer|unit|device|spliced on|spliced with|instrument|"
        "apparatus|gerat*|spleissgerat*|maschine*|appareil*|soudeuse*|epissureuse|maquina*|"
        "fusionadora*|empalmadora|equipo|macchina*|giuntatrice*|apparecchio|machine|"
        "lasapparaat|toestel|maskin*|svets|apparat*|skarvmaskin|kone*|jatkoskone|hitsauskone|"
        "laite|maszyna*|spawarka*|urzadzenie|stroj*|svarecka*|pristroj*|spleiser|"
        "skjotemaskin|enhet"
    ),
    "serial": (
        "serial*|serial no|s/n|sn|seriennummer*|serien nr|no de serie|numero de serie|serie|"
        "numero di serie|matricola|serienummer*|sarjanumero*|numer seryjny|seryjny*|"
        "vyrobni cislo"
    ),
    "technician": (
        "technician*|tech|worker|operator*|who|user|name|person|made by|done by|crew member|"
        "initials|fitter|splicer name|by|tester|tested by|bearbeiter*|techniker*|monteur*|"
        "mitarbeiter*|bediener*|wer|kurzel|prufer|technicien*|operateur*|qui|monteur|"
        "initiales|tecnico*|operador*|operario*|quien|iniciales|operatore*|chi|sigla|"
        "medewerker|uitvoerder|wie|tekniker*|montor*|operator|vem|utfort av|utforare|"
        "signatur|tekija*|asentaja*|kuka|nimi|teknikko|nimikirjaimet|technik*|pracownik*|kto|"
        "monter*|wykonal|pracovnik|montazni*|kdo|provedl|hvem|montor|utfort av"
    ),
    "cleaver": (
        "cleaver*|cutter|trenngerat*|brechgerat|cleaver|schneidgerat*|schneider|cliveuse*|"
        "cortadora*|cortador|taglierina*|clivatrice|kliever|klyv*|fiberkap*|kap|"
        "kuitukatkaisin*|katkaisin*|leikkuri|gilotyna*|obcinarka*|przecinarka|lamacka*|"
        "klover|kutter*"
    ),
    "heater": (
        "heater*|oven*|curing oven|cure unit|ofen*|heizung|schrumpfofen|aushartegerat|four*|"
        "horno*|fornetto*|forno*|oventje|ugn*|krympugn|ovn*|uuni*|kutistusuuni|piec*|piecyk|"
        "pec|picka"
    ),
    "job": (
        "baustelle|job*|job no|order*|work order|project*|site code|contract|task|auftrag*|"
        "auftragsnummer|projekt*|auftrags nr|chantier|commande|affaire|projet*|ordre|trabajo|"
        "orden|obra|proyecto*|pedido|commessa|ordine|progetto*|lavoro|opdracht*|order|werk|"
        "uppdrag*|jobb*|arbete|ordernr|oppdrag|opgave|tyo|tyo nro|tyonumero|tilaus*|"
        "projekti*|zlecenie*|zadanie|praca|zakazka*|ukol|servico|tarefa"
    ),
    "panel": (
        "panel*|tray|frame|cabinet|box|closure|patch panel|rack|verteiler*|kassette|feld|"
        "schrank|muffe*|panneau*|tiroir|coffret|boitier|boite|bandeja|caja|armario|"
        "repartidor|pannello*|cassetto|muffa|paneel*|kast|las*|panel|lada|skap|kasett|"
        "paneeli*|paneli*|teline|kotelo|jatkos kotelo|przelacznica*|kaseta|mufa|szafa|vana|"
        "rozvadec|painel|gaveta"
    ),
    "port": (
        "port*|port no|slot|socket|position no|fach|anschluss|steckplatz|buchse|prise|porta*|"
        "puerto|toma|posizione|presa|poort*|aansluiting|uttag|portti*|liitanta|paikka nro|"
        "gniazdo|zasuvka"
    ),
    "place": (
        "place*|location*|position*|where|point|panel/port|panel and port|panel port|end|"
        "spot|platz*|ort|stelle|lage|panel/fach|emplacement*|lieu|endroit|repere|ubicacion*|"
        "posicion*|lugar|punto|sitio|posizione*|luogo|punto|plaats*|locatie|positie|plats*|"
        "placering|lage|plass|sted|placering|paikka*|sijainti*|kohta|piste|miejsce*|"
        "polozenie|pozycja|misto|umisteni|pozice|posicao|local"
    ),
    "fibre": (
        "fibre*|fiber*|fibre no|fibre number|core|strand|faser*|ader|fasernummer|brin|fibra*|"
        "vezel*|hilo|fibre|kuitu*|saie|wlokno*|vlakno*|fiber nr|nr wlokna"
    ),
    "ribbon": (
        "band|ribbon*|bundle|bandchen*|faserband*|ruban*|cinta*|nastro*|lint|nauha*|"
        "tasma*|pasek|band nr"
    ),
    "connector_type": (
        "type|connector*|connector type|kind|plug|end type|style|stecker*|steckertyp*|typ|"
        "art|bauart|connecteur*|type de connecteur|tipo*|conector*|connettore*|stekker*|"
        "kontakt*|liitin*|liitintyyppi|tyyppi*|zlacze*|rodzaj|konektor*|typ konektoru|"
        "kontaktdon|plugg"
    ),
    "fibre_lot": (
        "fibre lot|fiber lot|fibre batch|cable lot|reel|drum|cable|faserlos|fasercharge|"
        "kabelcharge|trommel|kabel*|lot fibre|touret|bobine|lote de fibra|bobina|lotto fibra|"
        "haspel|fiberlot|kabeltrumma|kuituera|kela|kaapeli*|partia wlokna|beben|sarze vlakna"
    ),
    "connector_lot": (
        "connector lot|connector batch|plug lot|lot|batch|steckerlos|steckercharge|charge*|"
        "los|lot connecteur|lot de connecteurs|lote*|lote de conectores|lotto*|"
        "lotto connettori|partij|stekkerpartij|kontaktlot|parti*|liitinera|era|partia*|"
        "partia zlaczy|sarze*"
    ),
    "program": (
        "program*|mode|splice mode|programm*|modus|programme*|programa*|modo|programma*|"
        "ohjelma*|tila|rezim"
    ),
    "loss": (
        "loss*|est loss|estimated loss|splice loss|estimate|loss db|attenuation*|dampfung*|"
        "spleissdampfung*|verlust*|geschatzte dampfung|attenuation|perte*|perte estimee|"
        "affaiblissement*|perdida*|atenuacion*|perdida estimada|perdita*|attenuazione*|"
        "perdita stimata|demping*|verlies*|dampning*|forlust*|skarvdampning|tap|demping|"
        "vaimennus*|havio*|jatkosvaimennus|tlumiennosc*|strata*|tlumienie|utlum*|ztrata*|"
        "perda*|atenuacao*"
    ),
    "angle_crew_deg": (
        "angle left|left angle|angle l|angle a|cleave angle|cleave angle left|angle 1|"
        "own angle|angle own|our angle|left cleave|cleave l|cleave 1|winkel a|winkel links|"
        "winkel l|winkel 1|linker winkel|angle gauche|angle g|angulo izquierdo|angulo izq|"
        "angulo a|angulo 1|angolo sinistro|angolo sx|angolo a|hoek links|hoek a|hoek l|"
        "vinkel a|vinkel vanster|vinkel v|vinkel venstre|kulma a|kulma vasen|vasen kulma|"
        "kulma v|kulma 1|kat a|kat lewy|kat l|kat 1|uhel a|uhel levy|uhel l|angulo esquerdo|"
        "angulo e"
    ),
    "angle_other_deg": (
        "angle right|right angle|angle r|angle b|cleave angle right|angle 2|other angle|"
        "angle other|right cleave|cleave r|cleave 2|winkel b|winkel rechts|winkel r|winkel 2|"
        "rechter winkel|angle droit|angle droite|angle d|angulo derecho|angulo der|angulo b|"
        "angulo 2|angolo destro|angolo dx|angolo b|hoek rechts|hoek b|hoek r|vinkel b|"
        "vinkel hoger|vinkel h|vinkel hoyre|kulma b|kulma oikea|oikea kulma|kulma o|kulma 2|"
        "kat b|kat prawy|kat p|kat 2|uhel b|uhel pravy|uhel p|angulo direito|angulo d"
    ),
    "arcs": (
        "arcs|arc count|re arcs|rearcs|number of arcs|lichtbogen|bogen|arcos|archi|valokaaret|luki"
    ),
    "outcome": (
        "outcome*|status*|state|message|error*|code|splice result|result|verdict|ergebnis*|"
        "meldung*|fehler*|zustand|resultat*|etat|erreur*|message|resultado*|estado*|mensaje|"
        "error|esito*|stato|risultato*|errore|uitslag|foutmelding|resultaat*|utfall|fel*|"
        "feil*|tulos*|tila|virhe*|viesti|wynik*|blad|stan|komunikat|vysledek*|stav|chyba|"
        "erro*|mensagem"
    ),
    "remark": (
        "remark*|note*|comment*|memo|text|info|bemerkung*|anmerkung*|kommentar*|notiz*|"
        "hinweis|remarque*|note*|commentaire*|observation*|observaciones*|comentario*|notas|"
        "nota*|osservazioni|commento|opmerking*|notitie|anmarkning*|kommentti|huom|"
        "huomautus*|huomio*|lisatieto|uwagi*|komentarz*|poznamka*|komentar*|merknad*|"
        "bemaerkning*|observacoes|obs"
    ),
    "cause": (
        "cause*|reason*|what went wrong|problem*|fault*|failure*|defect*|why|ursache*|grund|"
        "fehlerursache|was war|problem|mangel|cause|motif|raison|defaut*|panne|causa*|"
        "motivo*|fallo|problema*|defecto|guasto|difetto|oorzaak*|reden|probleem|gebrek|"
        "orsak*|fel|arsak*|syy*|vika*|ongelma*|przyczyna*|usterka|problem|pricina*|zavada|"
        "arsag"
    ),
    "step": (
        "step*|step where found|stage|found at|operation|process step|where found|schritt*|"
        "arbeitsschritt|stufe|etape*|phase|operation|paso|etapa|fase*|passo|stap|steg|trinn|"
        "trin|vaihe*|tyovaihe|etap|krok|operace"
    ),
    "disposition": (
        "disposition*|action*|action taken|what was done|what we did|done about it|fix|"
        "remedy|massnahme*|was getan|behebung|mesure prise|accion*|medida|azione*|rimedio|"
        "maatregel*|actie|atgard*|tiltak|tiltag|toimenpide*|korjaus|dzialanie|naprawa|"
        "opatreni|acao"
    ),
    "tries": (
        "tries|attempts*|number of tries|retries|versuche*|anzahl versuche|essais*|"
        "tentatives*|intentos*|tentativi*|pogingen*|forsok*|yritykset|yrityksia|proby|pokusy|"
        "tentativas"
    ),
    "bodies": (
        "bodies|connectors used|parts*|parts used|used|pieces|connector bodies|plugs used|"
        "material*|teile*|verbrauch*|stecker verbraucht|material|pieces utilisees|materiel|"
        "piezas*|piezas usadas|pezzi*|onderdelen|verbruik|delar|forbrukt|osat*|kaytetyt osat|"
        "czesci*|zuzyto|dily*|pecas"
    ),
    "sleeves": (
        "sleeves*|protectors|hulsen|manchons|manguitos|manicotti|hylsor|suojat|oslonki|ochrany"
    ),
    "rings": "rings*|crimp rings|ringe|bagues|anillos|anelli|ringar|renkaat|pierscienie|krouzky",
    "die": (
        "die|crimp die|hex die|die size|crimp size|crimp tool|hex size|crimpeinsatz*|"
        "crimpbacke*|presseinsatz*|gesenk*|matrice|matrice de sertissage|machoire|matriz|"
        "matriz de crimpado|matrice di crimpatura|stampo|krimpmatrijs|matrijs*|krimpbek*|"
        "pressback*|krympback*|krympebakke*|pressbakke*|puristusleuka*|puristusleuat|leuka|"
        "leuat|matryca*|szczeka|szczeki|lisovaci celist|celist*|krimpovaci celist|matriz de cravar"
    ),
    "cord_m": (
        "cord*|cord used|cable used|schnur|kabel m|cordon*|cordage|cordon usado|cavo|kaapelia|kabel"
    ),
    "rework_min": (
        "minutes*|min|time spent|time lost|duration|rework time|minuten*|dauer*|zeitaufwand|"
        "duree*|minutos*|duracion|tiempo|minuti*|durata|minuten|duur|minuter*|varaktighet|"
        "minutter*|minuutit*|kesto|aika min|minuty*|czas trwania|trvani"
    ),
    "result": (
        "result*|pass/fail|pass fail|verdict|passed|ok|judgement|ergebnis*|urteil|bestanden|"
        "bewertung|resultat*|verdict|conforme|resultado*|aprobado|esito*|risultato*|"
        "resultaat*|uitslag|tulos*|hyvaksytty|wynik*|ocena|vysledek*|bedomning|godkand"
    ),
    "value": (
        "value*|reading*|measured*|loss*|insertion loss|return loss|wert*|messwert*|ablesung|"
        "valeur*|mesure*|lecture|valor*|medida|lectura|valore*|misura|lettura|waarde*|meting|"
        "varde*|matvarde|verdi|vaerdi|arvo*|mittaus*|lukema|wartosc*|pomiar*|odczyt|hodnota*|"
        "mereni"
    ),
    "quantity": (
        "quantity|test type|test*|measurement*|what|kind of test|measure|messgrosse*|"
        "prufung*|messung*|grandeur|essai|magnitud|prueba*|ensayo|grandezza|prova|grootheid|"
        "storhet|matning|suure|mittaus|wielkosc|test|velicina"
    ),
    "wavelength_nm": (
        "wavelength*|nm|lambda|wl|wellenlange*|longueur d onde|longueur d'onde|"
        "longitud de onda|lunghezza d onda|lunghezza d'onda|golflengte*|vaglangd*|"
        "bolgelengde|bolgelaengde|aallonpituus*|dlugosc fali|vlnova delka|comprimento de onda"
    ),
    "direction": (
        "direction*|dir|way|richtung*|sens|direccion*|sentido|direzione*|verso|riktning*|"
        "retning|suunta*|kierunek*|smer"
    ),
    "after_cleaning": (
        "after cleaning|cleaned|retest after clean|gereinigt|nach reinigung|nettoye|limpiado|"
        "pulito|gereinigd|rengjord|puhdistettu|oczyszczony"
    ),
    "part_of_day": (
        "part of day|half day|am/pm|shift|tageshalfte|schicht|demi journee|turno|skift|vuoro|zmiana"
    ),
    "ports": (
        "ports|number of ports|port count|size|fibres|positions|anzahl ports|anzahl|platze|"
        "nombre de ports|nb ports|puertos|numero de puertos|porte|numero porte|poorten|"
        "aantal|portar|antal portar|portit|porttien maara|porttia|liczba portow|porty|"
        "pocet portu|portas"
    ),
    "site": (
        "baustelle|site*|where|wo|donde|dove|gdzie|kde|missa|building|address|"
        "customer site|standort*|"
        "gebaude|adresse|ort|objekt|site|batiment|lieu|sitio|edificio*|direccion|"
        "emplazamiento|sede|luogo|locatie|gebouw|plats|byggnad|kohde*|rakennus|osoite|obiekt|"
        "budynek|adres|misto|budova|edificio|bygning"
    ),
    "conditions": (
        "conditions*|weather|bedingungen|wetter|meteo|condiciones|condizioni|vader|"
        "olosuhteet|warunki"
    ),
    "planned": (
        "planned*|terminations|to do|scheduled|total|geplant*|soll|prevu*|previsto*|"
        "planificado*|previsti|gepland*|planerat*|planerade|planlagt|suunniteltu*|planowane*|"
        "plan|planovano|previsto"
    ),
    "opened": (
        "opened*|open|start*|started|from|begin*|eroffnet*|beginn|ouvert*|debut|abierto*|"
        "inicio|aperto*|inizio|geopend*|oppnad*|start|apnet|avattu*|alku|alkaa|otwarto|"
        "rozpoczecie|otevreno|zahajeno|aberto"
    ),
    "closed": (
        "closed*|end*|ended|to|finish*|completed|geschlossen*|ende|abgeschlossen|ferme*|clos|"
        "fin|cerrado*|chiuso*|fine|gesloten*|einde|stangd*|avslutad|slut|lukket|suljettu*|"
        "loppu|paattyy|zamknieto|zakonczenie|uzavreno|ukonceno|fechado"
    ),
    "unit": (
        "unit*|equipment*|tool|device|kit|machine|gerat*|werkzeug|betriebsmittel|appareil*|"
        "outil|materiel|equipo*|herramienta|maquina|apparecchio|attrezzo|unita|toestel|"
        "gereedschap|enhet*|utrustning|verktyg|utstyr|udstyr|laite*|vaihde|tyokalu|kone|"
        "urzadzenie*|narzedzie|sprzet|zarizeni*|nastroj"
    ),
    "event": (
        "event*|what|service*|work done|action|job done|maintenance*|wartung*|ereignis*|"
        "tatigkeit|was|arbeit|entretien*|evenement*|intervention|operation|evento*|"
        "mantenimiento*|servicio|intervento*|manutenzione|onderhoud*|gebeurtenis|handelse*|"
        "underhall|atgard|hendelse|vedlikehold|huolto*|tapahtuma*|toimenpide|zdarzenie|"
        "serwis|przeglad|czynnosc|udalost|udrzba|servis"
    ),
    "part": (
        "part*|item*|article*|material*|product|teil*|artikel*|bauteil|piece*|article|pieza*|"
        "articulo*|pezzo*|articolo*|onderdeel|del|artikkel|vare|osa*|tuote*|tarvike|czesc*|"
        "artykul|towar|dil*|polozka"
    ),
    "lot": "lot*|batch*|charge*|los|lote*|lotto*|partij|parti*|era*|partia*|sarze*",
    "move": (
        "move*|movement|transaction|in/out|in out|bewegung*|buchung|mouvement*|movimiento*|"
        "movimento*|mutatie|rorelse|bevegelse|tapahtuma|siirto|ruch|pohyb"
    ),
    "expires": (
        "expires*|expiry*|expiry date|use by|best before|verfall*|haltbar bis|ablauf*|"
        "peremption|expire*|caduca*|vencimiento|scadenza*|houdbaar tot|vervaldatum|utgar*|"
        "bast fore|utlop|vanhenee|viimeinen kayttopaiva|wazne do|termin waznosci|expirace"
    ),
    "quantity_pieces": (
        "quantity*|qty|pieces|number|amount|count|menge*|anzahl*|stuck*|quantite*|nombre|qte|"
        "cantidad*|quantita*|aantal*|hoeveelheid|antal*|antall|mangd*|mengde|maara*|kpl|"
        "lukumaara|ilosc*|sztuk|mnozstvi|pocet|kusy|quantidade*"
    ),
    "check": (
        "check*|morning check|kontrolle*|prufung|controle*|control*|verifica*|tarkastus*|"
        "kontroll*|kontrola*"
    ),
    "decision": (
        "decision*|entscheidung*|beschluss|decision|decisione*|beslissing|beslut*|paatos*|decyzja*"
    ),
    "by": "by|decided by|who|von|par|por|da|door|av|kuka|przez",
    "reason": "reason*|why|grund|begrundung|raison|motivo|razon|reden|skal|orsak|syy|powod|duvod",
}


@lru_cache(maxsize=1)
def _ready() -> dict[str, tuple[frozenset[str], tuple[frozenset[str], ...], tuple[str, ...]]]:
    """Phrases, the words of those with several, and word beginnings of each key."""
    found = {}
    for key, text in HEADINGS.items():
        phrases = [plain(p.rstrip("*")) for p in text.split("|")]
        parts = tuple({plain(p[:-1]) for p in text.split("|") if p.endswith("*") and len(p) > 4})
        several = tuple(frozenset(p.split()) for p in phrases if " " in p)
        found[key] = (frozenset(p for p in phrases if p), several, parts)
    return found


def bare(heading: str) -> str:
    """A heading without its unit: ``Loss (dB)`` is ``loss``.

    Examples
    --------
    >>> bare("Winkel A (°)"), bare("loss_db")
    ('winkel a', 'loss')
    """
    low = plain(re.sub(r"[(\[].{0,12}[)\]]", " ", heading))
    low = re.sub(r"\b(db|deg|nm|min|pcs|mm|cm|m)$", "", low).strip()
    return low or plain(heading)


def unit_in(heading: str) -> str:
    """The unit that a heading names, as it stands there; empty if none."""
    match = re.search(r"[(\[]\s*([^)\]]{1,10}?)\s*[)\]]", heading)
    if match:
        return match[1]
    match = re.search(r"(?:^|[\s_,/])(mdB|dB|deg|min|mm|cm|nm|mrad)$", heading, re.I)
    return match[1] if match else ""


@lru_cache(maxsize=65536)
def likeness(heading: str, key: str) -> float:
    """How much a heading reads like a key: 1 the words, 0.8 among others, 0.6 within a word."""
    phrases, several, parts = _ready()[key]
    whole, low = plain(heading), bare(heading)
    if low in phrases or whole in phrases:
        return 1.0
    pieces = [piece for piece in re.split(r"\s*/\s*", whole) if piece]
    if len(pieces) > 1 and bare(pieces[-1]) in phrases:
        return 0.9
    words = set(re.findall(r"[\w°#']+", low))
    if any(phrase <= words for phrase in several):
        return 0.9
    if any(len(word) > 2 and word in phrases for word in words):
        return 0.8
    if any(part in word for word in words for part in parts):
        return 0.6
    return 0.0
