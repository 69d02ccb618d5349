"""`lowbeam map`: looks at headers and a sample of values, and proposes how the exports map to our tables.

A proposal is for a person to look over: each line carries its reason and how sure it is,
unsure ones are commented out, and
columns that look personal are left out.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake import contracts, mapping
from pipeline.intake.assign import matches
from pipeline.intake.discover import Found, Refused, discover
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import USUAL_LIMITS, Hints, Limits, batches, norm, open_table
from pipeline.settings import Settings, parse_settings
from pipeline.store import Workspace

if TYPE_CHECKING:
    import polars as pl

LEAST_LIKENESS = 0.82
SURE_ENOUGH = 0.6
_SAMPLE = 2_000

# Names that other desks give to our columns; English, German, French, Italian, Spanish (from memory; common practice,
# no source). Compared without case, accents, spaces and punctuation.
SYNONYMS: dict[str, str] = {
    "vehicle_id":
        "vehicle|vehicle id|vehicle no|vehicle number|veh id|vehid|vin|chassis|chassis no|chassis number"
        "|frame number|asset|asset id|car|car id|plate|reg no|registration|licence plate|license plate|vrm|rego|vehicle reg"
        "|equipment|equipment no|equipment id"
        "|fahrzeug|fahrzeug id|fahrzeugnr|fahrzeugnummer|fahrgestellnummer|fin|fgst nr|kennzeichen"
        "|kfz kennzeichen|amtl kennzeichen|vehicule|id vehicule|immatriculation|numero de chassis|veicolo|targa"
        "|telaio|numero telaio|vehiculo|matricula|bastidor|id vehiculo",
    "order_id":
        "order|order id|order no|order number|ro|ro no|ro number|ro num|repair order|repair order no|work order"
        "|work order no|wo|wo no|job|job no|job number|job card|jobcard|ticket|ticket no|visit|visit id|case"
        "|case no|invoice|invoice no|invoice number|auftrag|auftragsnr|auftragsnummer|auftrag nr|werkstattauftrag"
        "|rechnung|rechnungsnr|rechnungsnummer|ordre|ordre de reparation|numero ordre|or|no or|n or|facture"
        "|no facture|commessa|numero commessa|ordine|fattura|orden|orden de trabajo|num orden|n orden|no orden|numero de orden"
        "|ot|factura|bon de travail|wo #|ro #",
    "line_number":
        "line|line id|line no|line number|item|item no|pos|position|positionsnr|pos nr|seq|sequence|row no|zeile"
        "|zeilennr|ligne|no ligne|riga|numero riga|linea|num linea",
    "opened_on":
        "opened on|opened|open date|date opened|date in|in date|order date|ro date|date|visit date|job date"
        "|service date|invoice date|repair date|work date|booked in|arrival|received|datum|auftragsdatum"
        "|annahmedatum|annahme|eingang|rechnungsdatum|werkstattdatum|date ouverture|date entree|date reception"
        "|date intervention|data|data apertura|data ingresso|data intervento|fecha|fecha apertura|fecha entrada"
        "|fecha orden",
    "closed_on":
        "closed on|closed|close date|date closed|date out|out date|completed|completed on|completion date"
        "|finished|fertig|fertigstellung|abschluss|abschlussdatum|date cloture|date sortie|date fin|data chiusura"
        "|data uscita|fecha cierre|fecha salida",
    "odometer":
        "odometer|odo|odometer in|odo in|mileage|mileage in|km|kms|kilometers|kilometres|km stand|kmstand"
        "|kilometerstand|laufleistung|tacho|tachostand|miles|meter reading|odo reading|kilometrage|km compteur"
        "|compteur|chilometri|chilometraggio|km percorsi|kilometros|kilometraje|cuentakilometros",
    "odometer_unit":
        "odometer unit|odo unit|unit of odometer|distance unit|mileage unit|km or mi|einheit|km einheit"
        "|unite compteur|unita|unidad",
    "complaint":
        "complaint|concern|customer concern|customer complaint|symptom|reported|reported fault|fault reported"
        "|driver report|problem|issue|request|reason for visit|customer states|beanstandung|kundenbeanstandung"
        "|kundenangabe|reklamation|mangel|plainte|plainte client|reclamation|demande client|motif|reclamo"
        "|difetto segnalato|segnalazione|queja|motivo|averia|sintoma",
    "fault_code":
        "fault code|fault codes|dtc|dtcs|trouble code|error code|code|fehlercode|fehlerspeicher|code defaut"
        "|codice guasto|codice errore|codigo de averia|codigo fallo",
    "description":
        "description|line description|work|work done|work performed|work description|labour description"
        "|labor description|job description|operation|operation description|repair|repair description|task|text"
        "|line text|details|correction|action taken|work carried out|beschreibung|arbeit|arbeitstext|leistung"
        "|bezeichnung|positionstext|durchgefuhrte arbeit|travaux|libelle|designation|description travaux"
        "|intervention|descrizione|lavoro|lavori eseguiti|intervento|descripcion|trabajo|trabajo realizado"
        "|reparacion|concepto|durchgefuhrte arbeiten|arbeiten|travaux effectues|travail effectue|descrizione lavoro"
        "|descrizione lavori|lavorazione|trabajos|trabajos realizados",
    "component": "component|component code|assembly|bauteil|komponente|baugruppe|composant|organe|componente",
    "side": "side|l r|lr|seite|cote|lato|lado",
    "action": "action|activity|operation type|tatigkeit|accion|azione",
    "part_number":
        "part number|part no|partno|part num|part|part id|p n|pn|part #|item number|sku|article|article no|material|material no"
        "|teilenummer|teilenr|teile nr|ersatzteilnummer|artikelnummer|artikelnr|artikel nr|reference"
        "|reference piece|ref piece|no piece|codice ricambio|ricambio|codice articolo|referencia|ref|num pieza"
        "|pieza|codigo pieza",
    "part_name":
        "part name|part description|item name|item description|teilebezeichnung|artikelbezeichnung"
        "|designation piece|nome ricambio|descrizione ricambio|nombre pieza|descripcion pieza",
    "supplier":
        "supplier|supplier name|vendor|vendor name|brand|make of part|manufacturer|maker|part brand|source"
        "|lieferant|hersteller|marke|fournisseur|fabricant|marque|fornitore|produttore|marca|proveedor|fabricante",
    "lot":
        "lot|lot no|batch|batch no|batch number|serial|serial no|serial number|charge|chargennr|los|seriennummer"
        "|numero de lot|no lot|lotto|numero lotto|lote|num serie",
    "quantity":
        "quantity|qty|qnty|qte|count|pieces|pcs|units|menge|anzahl|stuck|stk|quantite|nombre|quantita|pezzi"
        "|cantidad|cant|unidades",
    "part_cost":
        "part cost|parts cost|parts amount|parts total|part price|material cost|line cost|amount|teilekosten"
        "|materialkosten|betrag|preis|cout pieces|montant pieces|montant|costo ricambi|importo|coste piezas"
        "|importe",
    "labour_hours":
        "labour hours|labor hours|labour hrs|labor hrs|lab hrs|hours|hrs"
        "|labour time|labor time|time|hours worked|arbeitszeit|stunden|std|zeit"
        "|aw|heures|temps|heures main d oeuvre|ore|ore lavoro|tempo|horas|tiempo|horas trabajo",
    "labour_cost":
        "labour cost|labor cost|labour amount|labor amount|labour|labor|lohn|lohnkosten|arbeitskosten"
        "|cout main d oeuvre|main d oeuvre|mo|manodopera|costo manodopera|mano de obra|coste mano de obra",
    "outcome":
        "outcome|failure reason|removal reason|cause|reason code|ausfallgrund|grund|cause depose"
        "|motivo smontaggio|causa",
    "planned":
        "planned|preventive|scheduled|pm|geplant|vorbeugend|preventif|planifie|preventivo|pianificato|planificado",
    "warranty_claim":
        "warranty|warranty claim|claim|garantie|gewahrleistung|garantieantrag|sous garantie|garanzia|in garanzia"
        "|garantia",
    "first_use_date":
        "first use date|first use|first registration|first registered|registration date"
        "|date of first registration|first reg|in use since|build date|delivery date|model year start"
        "|erstzulassung|ez|zulassungsdatum|inbetriebnahme|premiere immatriculation|date de mise en circulation"
        "|mise en circulation|date immatriculation|prima immatricolazione|immatricolazione|data immatricolazione"
        "|primera matriculacion|fecha matriculacion",
    "lighting":
        "lighting|headlamp type|headlight type|light type|light source|lamp type|beleuchtung|scheinwerfertyp"
        "|lichtart|lichtquelle|eclairage|type de phare|illuminazione|tipo fari|iluminacion|tipo de faro",
    "vehicle_class":
        "vehicle class|class|vehicle type|body|body type|segment|fahrzeugklasse|fahrzeugart|klasse|categorie"
        "|type de vehicule|classe|tipo veicolo|clase|tipo de vehiculo|tipo vehiculo",
    "drive_side":
        "drive side|steering|steering side|lhd rhd|hand drive|lenkung|lenkradseite|cote conduite|guida"
        "|lado volante",
    "customer_group":
        "customer group|fleet|fleet name|account type|customer type|kundengruppe|flotte|fuhrpark|groupe client"
        "|groupe|gruppo clienti|flotta|grupo cliente|flota",
    "unit_number":
        "unit number|unit no|unit|fleet number|fleet no|bus number|van number|wagennummer|wagen nr|interne nummer"
        "|numero de parc|no parc|numero interno|num interno",
    "in_service_from":
        "in service from|in service|in service date|contract start|start of contract|from|since|first visit date"
        "|vertragsbeginn|im bestand seit|debut contrat|inizio contratto|inicio contrato",
    "in_service_to":
        "in service to|contract end|end of contract|to|until|out of service|sold on|disposal date|retired on"
        "|vertragsende|abgang|fin contrat|fine contratto|fin de contrato|baja|fecha baja",
    "km_per_year":
        "km per year|annual km|annual mileage|yearly km|jahreslaufleistung|km pro jahr|km par an|km annui"
        "|km por ano|km anuales",
    "not_original": "not original|non original parts",
    "reading_date":
        "reading date|date|date of reading|read on|ablesedatum|datum|date releve|data lettura|fecha lectura|fecha",
    "reading":
        "reading|odometer|odo|value|km|mileage|kilometerstand|stand|km stand|releve|kilometrage|lettura"
        "|chilometri|lectura|kilometros",
    "unit": "unit|odometer unit|einheit|unite|unita|unidad",
    "grade": "grade|quality|part grade|qualitat|teileart|qualite|qualita|calidad",
    "light_source_category":
        "light source category|bulb type|lamp category|lampentyp|type ampoule|tipo lampada|tipo bombilla",
    "renews": "renews|comes with|includes|enthalt|inclut|include|incluye",
    "warranty_months":
        "warranty months|warranty period|garantiemonate|mois de garantie|mesi garanzia|meses garantia",
    "warranty_km": "warranty km|garantie km|km garantie|km garanzia|km garantia",
    "unit_cost":
        "unit cost|unit price|price|list price|cost|net price|einzelpreis|listenpreis|preis|prix|prix unitaire"
        "|prezzo|prezzo listino|precio|precio unitario",
    "check_minutes": "check minutes|minutes|check time|prufzeit|minuten|minutos|minuti",
    "opens": "opens|access|access step|zugang|acces|accesso|acceso",
    "opens_minutes": "opens minutes|access minutes|access time|zugangszeit",
    "interval_km": "interval km|service interval km|intervall km|intervalle km|intervallo km|intervalo km",
    "interval_days":
        "interval days|service interval days|intervall tage|intervalle jours|intervallo giorni|intervalo dias",
    "next_service_on":
        "next service on|next service|next due|due date|nachster service|prochain service|prossimo tagliando"
        "|proxima revision",
    "planned_cost": "planned cost|cost planned|preventive cost",
    "unplanned_cost": "unplanned cost|cost unplanned|breakdown cost",
}
# Names that often mean something else: taken where nothing better is there (common practice, no source).
LESS_USUAL: dict[str, str] = {
    "vehicle_id": "unit|unit id|unit no|truck|truck no|bus|bus no|tractor|reg|fleet no|wagen|camion|mezzo|equipo|unidad",
    "description": "remarks|comments|comment|notes|note|repair notes|bemerkung|bemerkungen|remarques|observations"
                   "|observaciones|osservazioni",
    "part_cost": "ext cost|extended cost|ext price|total cost|cost|price|prix|prezzo|precio|kosten|total",
    "opened_on": "datein|day|tag|jour|giorno|dia",
}
_BY_NAME = {ours: frozenset(norm(s) for s in [ours, *words.split("|")]) for ours, words in SYNONYMS.items()}
_LESS_USUAL = {ours: frozenset(norm(s) for s in words.split("|")) for ours, words in LESS_USUAL.items()}
_ALL_NAMES = frozenset().union(*_BY_NAME.values(), *_LESS_USUAL.values())
_PERSONAL = re.compile(
    r"\b(name|first name|last name|surname|customer|driver|owner|phone|tel|telephone|mobile|handy|mail|email|e "
    r"mail|address|street|zip|"
    r"postcode|birth|kunde|kundenname|fahrer|halter|adresse|strasse|plz|telefon|nom|prenom|client|telefono|cliente|nome|cognome|nombre|"
    r"apellido|direccion|technician|mechanic|monteur|advisor)\b"
)
_STEMS = {
    "vehicles": "vehicle vehicles fleet cars vans units fahrzeug fahrzeuge fuhrpark vehicules veicoli vehiculos stock",
    "orders": "order orders visit visits job jobs headers header ro auftrag auftraege auftrage ordres ordini "
              "ordenes workorders tickets",
    "repair_lines": "line lines repair repairs items positions positionen labour details lignes righe lineas jobs "
                    "history work",
    "parts": "part parts catalogue catalog teile artikel pieces ricambi piezas",
    "odometer": "odometer odo readings mileage km kilometer tacho meter",
    "access": "access checks check",
    "service_plan": "service plan plans",
    "costs": "costs cost",
    "flat": "export all history report full everything",
}


@dataclass(frozen=True)
class Match:
    """One proposed line: ours = theirs, how sure (0 to 1), why."""

    ours: str
    theirs: str
    confidence: float
    why: str


@dataclass(frozen=True)
class Proposal:
    """What is proposed for files of one header. unsure: matches too weak to use; personal
    and left: columns not taken."""

    name: str
    table: str
    files: tuple[str, ...]
    matches: tuple[Match, ...]
    unsure: tuple[Match, ...]
    lacking: tuple[str, ...]
    personal: tuple[str, ...]
    left: tuple[str, ...]
    options: tuple[tuple[str, str, str], ...]  # key, value, why
    values: tuple[tuple[str, tuple[tuple[str, str | None], ...]], ...] = ()


def likeness(ours: str, theirs: str) -> tuple[float, str]:
    """(0 to 1, why) how well a header name fits a column of ours, by name alone."""
    name = norm(theirs)
    known = _BY_NAME.get(ours, frozenset({norm(ours)}))
    if name == norm(ours):
        return 1.0, "the same name"
    if name in known:
        return 0.93, "a usual name for it"
    if name in _LESS_USUAL.get(ours, ()):
        return 0.72, "sometimes a name for it"
    # A unit or a word like "no" behind the name does not change what it is.
    bare = re.sub(r"\b(km|kms|mi|miles|eur|usd|gbp|chf|h|hrs|min|text|txt|nr|no|num|number|id|code)\b", " ", name)
    bare = " ".join(bare.split())
    if bare and bare in known:
        return 0.85, f"like '{bare}'"
    near = difflib.get_close_matches(name, sorted(known), n=1, cutoff=LEAST_LIKENESS)
    if near and len(name) >= 5:
        return 0.75 * difflib.SequenceMatcher(None, name, near[0]).ratio(), f"spelt nearly like '{near[0]}'"
    words = set(name.split())
    inside = [k for k in known if len(k) >= 5 and set(k.split()) <= words]
    if inside:
        best = max(inside, key=lambda k: (len(k.split()), len(k), k))
        return 0.55 + 0.1 * min(len(best.split()), 2), f"holds '{best}'"
    return 0.0, ""


def fits(column: contracts.Column, values: Sequence[str]) -> tuple[float, str]:
    """(-1 to 1, why): whether sample values can be this column. 0 where they say nothing."""
    some = [v for v in values if v.strip()][:400]
    if not some:
        return 0.0, "no values to look at"

    def share(ok) -> float:
        return sum(bool(ok(v)) for v in some) / len(some)

    if column.kind == "date":
        good = share(lambda v: any(mapping._in_range(mapping.parse_date(v, o)) for o in ("dmy", "mdy", "ymd")))
        return (0.05, f"{good:.0%} of values are dates") if good >= 0.8 else (-1.0, "values are no dates")
    if column.kind == "number":
        good = share(lambda v: any(mapping.parse_number(v, d) is not None for d in (".", ",")))
        if good < 0.8:
            return -1.0, "values are no numbers"
        # A reading such as 101.345 is a hundred thousand: of its two readings the larger one.
        figures = sorted(
            max(x) for v in some if (x := [n for d in (".", ",") if (n := mapping.parse_number(v, d)) is not None])
        )
        middle = figures[len(figures) // 2] if figures else 0.0
        if column.name in mapping.READINGS:
            return (
                (0.05, "values look like readings")
                if middle >= 500
                else (-0.4, f"values are small (middle {middle:g})")
            )
        if column.name in ("labour_hours", "quantity") and middle > 500:
            return -0.5, f"values are large (middle {middle:g})"
        return 0.03, f"{good:.0%} of values are numbers"
    if column.kind == "unit":
        good = share(lambda v: v.casefold().strip(". ") in contracts.UNITS)
        return (0.1, "values are km or mi") if good >= 0.8 else (-1.0, "values are no units")
    if column.kind == "flag":
        good = share(lambda v: mapping._flag(v) is not None)
        return (0.05, "values are yes or no") if good >= 0.9 else (-1.0, "values are not yes or no")
    if column.kind in ("choice", "component"):
        distinct = sorted(set(some))
        if column.kind == "component":
            good = share(lambda v: mapping._component(v, mapping.Words()) is not None)
        else:
            good = share(lambda v: mapping._choice(v, column) is not None)
        if good >= 0.5:
            return 0.05, f"{good:.0%} of values are words that we know"
        return (-0.2, "few values are words that we know") if len(distinct) <= 20 else (-1.0, "values are free text")
    if column.kind == "text":
        words = sum(len(v.split()) for v in some) / len(some)
        return (0.05, "values are sentences") if words >= 1.8 else (-0.35, "values are single words")
    if column.name == "fault_code":
        return 0.0, ""
    if column.name in ("order_id", "vehicle_id", "part_number"):
        long = sum(len(v.split()) for v in some) / len(some) > 3
        return (-0.6, "values are sentences") if long else (0.02, "values look like numbers of something")
    return 0.0, ""


def match_columns(table: str, header: Sequence[str], samples: dict[str, list[str]]) -> list[Match]:
    """The best one-to-one matches of a table's columns, strongest first; weak ones included, nonsense not."""
    found = []
    for c in contracts.TABLES[table]:
        for theirs in header:
            by_name, why = likeness(c.name, theirs)
            if by_name <= 0:
                continue
            by_value, also = fits(c, samples.get(theirs, []))
            sure = max(0.0, min(1.0, by_name + by_value)) if by_value > -1 else 0.0
            if sure >= 0.4:
                found.append(Match(c.name, theirs, round(sure, 2), f"{why}{'; ' + also if also else ''}"))
    order = {c.name: i for i, c in enumerate(contracts.TABLES[table])}
    found.sort(key=lambda m: (-m.confidence, order[m.ours], m.theirs))
    ours, theirs, out = set(), set(), []
    for m in found:
        if m.ours not in ours and m.theirs not in theirs:
            ours.add(m.ours)
            theirs.add(m.theirs)
            out.append(m)
    return sorted(out, key=lambda m: order[m.ours])


def choose_table(
    stem: str, header: Sequence[str], samples: dict[str, list[str]]
) -> tuple[str, list[Match], list[str]]:
    """(table, matches, needed columns that are lacking) of the table that a header fits best."""
    words = set(norm(re.sub(r"\d+", " ", stem)).split())
    best = None
    for table in contracts.TABLES:
        found = match_columns(table, header, samples)
        sure = {m.ours: m.confidence for m in found if m.confidence >= SURE_ENOUGH}
        needed = [c.name for c in contracts.TABLES[table] if c.needed]
        lacking = [n for n in needed if n not in sure]
        if table == "service_plan" and not ({"interval_km", "interval_days", "next_service_on"} & sure.keys()):
            lacking.append("interval_km")
        if table == "costs" and not ({"planned_cost", "unplanned_cost"} & sure.keys()):
            lacking.append("planned_cost")
        if table == "flat" and not (
            {"first_use_date", "lighting", "vehicle_class", "unit_number", "customer_group", "in_service_from"}
            & sure.keys()
        ):
            lacking.append("first_use_date")
        if table == "parts" and (
            {"order_id", "opened_on"} & {m.ours for m in match_columns("orders", header, samples)}
        ):
            lacking.append("part_number")
        soft = [n for n in lacking if table == "repair_lines" and n in ("vehicle_id", "opened_on")]
        hard = [n for n in lacking if n not in soft]
        stems = set(_STEMS[table].split())
        hint = 1.2 if words & stems or any(len(s) >= 5 and s in norm(stem) for s in stems) else 0.0
        score = sum(sure.values()) + hint - 2.5 * len(hard) - 0.7 * len(soft)
        if table == "repair_lines" and "description" in sure:
            score += 0.5
        if table == "flat":
            score += 0.3
        if best is None or score > best[0]:
            best = (score, table, found, lacking)
    return best[1], best[2], best[3]


def propose(units: Sequence[Found], limits: Limits = USUAL_LIMITS) -> tuple[list[Proposal], list[str]]:
    """A proposal for each header that occurs, and notes on files that could not be looked at."""
    groups: dict[tuple[str, ...], list[tuple[Found, object]]] = {}
    notes = []
    for unit in units:
        try:
            opened = open_table(unit, Hints(_ALL_NAMES), limits)
        except (DataProblem, Refused) as problem:
            notes.append(str(problem).splitlines()[0])
            continue
        if opened.shape.columns:
            groups.setdefault(tuple(norm(c) for c in opened.shape.columns), []).append((unit, opened))
        else:
            notes.append(f"{unit.name}: holds no rows")
    out: list[Proposal] = []
    taken: set[str] = set()
    for members in groups.values():
        unit, opened = members[0]
        frame = next((b.frame for b in batches(opened, limits)), None)
        samples = (
            {} if frame is None else {c: frame[c].head(_SAMPLE).drop_nulls().to_list() for c in opened.shape.columns}
        )
        stem = unit.sheet or unit.name.split("#")[0].split("!")[-1].rsplit("/", 1)[-1].split(".")[0]
        table, found, lacking = choose_table(stem, opened.shape.columns, samples)
        name = re.sub(r"\W+", "_", re.sub(r"[\d\W_]+$", "", stem.casefold())).strip("_") or table
        while name in taken:
            name += "_2"
        taken.add(name)
        out.append(_proposal(name, table, found, lacking, [u for u, _ in members], opened.shape, samples, frame))
    return out, notes


def _proposal(
    name: str, table: str, found: list[Match], lacking: list[str], units: list[Found], shape, samples, frame
) -> Proposal:
    sure = [m for m in found if m.confidence >= SURE_ENOUGH]
    unsure = [m for m in found if m.confidence < SURE_ENOUGH]
    used = {m.theirs for m in sure}
    rest = [c for c in shape.columns if c not in used]
    personal = [c for c in rest if _PERSONAL.search(norm(c)) or _looks_personal(samples.get(c, []))]
    left = [c for c in rest if c not in personal]
    return Proposal(
        name,
        table,
        _patterns(units),
        tuple(sure),
        tuple(unsure),
        tuple(n for n in lacking if n not in {m.ours for m in sure}),
        tuple(personal),
        tuple(left),
        tuple(_options(table, sure, frame)),
        tuple(_values(table, sure, samples)),
    )


def _looks_personal(values: Sequence[str]) -> bool:
    some = [v for v in values if v.strip()][:200]
    from pipeline.intake.identity import redact

    return bool(some) and sum(redact(v) != v for v in some) > 0.3 * len(some)


def _patterns(units: list[Found]) -> tuple[str, ...]:
    """File patterns that also take next month's file of the same name but for its figures."""
    out = []
    for u in units:
        file = u.name.split("#")[0].split("!")[0]
        pattern = re.sub(r"[-_. ]?\d[\d\-_. ]*(?=\.[A-Za-z]|$)", "*", file)
        pattern = pattern if pattern.strip("*./") else file
        inner = u.name.split("#")[0].partition("!")[2]
        if inner:
            pattern = re.sub(r"[-_. ]?\d[\d\-_. ]*(?=\.[A-Za-z]|$)", "*", inner.rsplit("/", 1)[-1])
        if u.sheet:
            pattern += f"#{u.sheet}"
        out.append(re.sub(r"\*+", "*", pattern))
    return tuple(dict.fromkeys(out))


def _options(table: str, sure: list[Match], frame: pl.DataFrame | None) -> list[tuple[str, str, str]]:
    out = []
    kinds = {c.name: c.kind for c in contracts.TABLES[table]}
    dates, numbers = {}, {}
    for m in sure:
        if frame is None or kinds[m.ours] not in ("date", "number"):
            continue
        texts = frame[m.theirs].drop_nulls().unique(maintain_order=True).head(50_000).to_list()
        e = mapping.DateEvidence() if kinds[m.ours] == "date" else mapping.NumberEvidence()
        e.add(texts)
        (dates if kinds[m.ours] == "date" else numbers)[m.ours] = e
    told = {e.decided() for e in dates.values() if e.values} - {None}
    if len(told) == 1:
        out.append(("date_order", told.pop(), "the values decide it"))
    elif any(e.open for e in dates.values()):
        example = min(e.example for e in dates.values() if e.example)
        out.append(
            (
                "# date_order",
                "dmy",
                f"NOT DECIDED by the values (for example {example}): write dmy or mdy and take the # away",
            )
        )
    marks = {k for e in numbers.values() for k in e.decimal}
    if len(marks) == 1:
        out.append(("decimal", marks.pop(), "the values decide it"))
    for m in sure:
        if m.ours in mapping.READINGS:
            words = set(norm(m.theirs).split())
            if words & {
                "km",
                "kms",
                "kilometer",
                "kilometers",
                "kilometres",
                "kilometerstand",
                "kmstand",
                "kilometrage",
                "chilometri",
                "kilometros",
            }:
                out.append(("odometer_unit", "km", f"'{m.theirs}' says so"))
            elif words & {"mi", "miles"}:
                out.append(("odometer_unit", "mi", f"'{m.theirs}' says so"))
    return out


def _values(
    table: str, sure: list[Match], samples: dict[str, list[str]]
) -> list[tuple[str, tuple[tuple[str, str | None], ...]]]:
    out = []
    for m in sure:
        c = contracts.column(table, m.ours)
        if c is None or c.kind not in ("choice", "component"):
            continue
        distinct = sorted({v.strip() for v in samples.get(m.theirs, []) if v.strip()})[:30]
        known = {
            v: mapping._choice(v, c) if c.kind == "choice" else mapping._component(v, mapping.Words())
            for v in distinct
        }
        strange = tuple((v, None) for v in distinct if known[v] is None)
        if strange:
            out.append((m.ours, strange))
    return out


def toml(proposal: Proposal) -> str:
    """The proposal as TOML, each line with its reason; unsure lines commented out."""

    def q(text: str) -> str:
        out = "".join(
            c
            if c.isprintable() and c not in '"\\'
            else "\\" + c
            if c in '"\\'
            else f"\\u{ord(c):04x}"
            if ord(c) < 0x10000
            else f"\\U{ord(c):08x}"
            for c in text
        )
        return f'"{out}"'

    def remark(text: str) -> str:
        return "".join(c if c.isprintable() else " " for c in text)[:300]

    p = proposal
    out = [
        "",
        f"# Proposed by lowbeam map from {remark(', '.join(p.files))}. Look it over.",
        f"[sources.{p.name if re.fullmatch(r'[A-Za-z0-9_-]+', p.name) else q(p.name)}]",
        f"table = {q(p.table)}",
        f"files = [{', '.join(q(f) for f in p.files)}]",
    ]
    out += [f"{k} = {q(v)}  # {remark(why)}" for k, v, why in p.options]
    key = p.name if re.fullmatch(r"[A-Za-z0-9_-]+", p.name) else q(p.name)
    out.append(f"[sources.{key}.columns]")
    out += [f"{m.ours} = {q(m.theirs)}  # {m.confidence:.0%}: {remark(m.why)}" for m in p.matches]
    out += [
        f"# {m.ours} = {q(m.theirs)}  # only {m.confidence:.0%}: {remark(m.why)}; take the first # away if it is right"
        for m in p.unsure
    ]
    for n in p.lacking:
        out.append(
            f'# {n} = "?"  # needed, not found'
            + (
                "; comes from the orders by order_id, where there are orders"
                if p.table == "repair_lines" and n in ("vehicle_id", "opened_on")
                else ""
            )
        )
    if p.personal:
        out.append(f"# Not taken, looks personal: {remark(', '.join(p.personal))}")
    if p.left:
        out.append(f"# Not taken: {remark(', '.join(p.left))}")
    for ours, strange in p.values:
        allowed = contracts.column(p.table, ours).allowed
        out.append(f"[sources.{key}.values.{ours}]  # theirs = ours, one of: {', '.join(allowed)}")
        out += [f'# {q(theirs)} = "?"' for theirs, _ in strange]
    return "\n".join(out) + "\n"


def propose_mapping(workspace: Workspace, settings: Settings, write: bool) -> list[str]:
    """Propose for every export in incoming/ that no source names yet; add it to settings.toml where `write`. Lines
    to print."""
    limits = Limits(settings.intake.max_field_chars, settings.intake.max_unpacked_mb)
    found = discover(workspace.incoming, limits.max_unpacked_mb)
    units = [u for u in found.units if not any(matches(s, u) for s in settings.sources.values())]
    if not found.units:
        raise DataProblem(
            "There is no export in incoming/ that can be read.",
            remedy="Copy your exports (CSV, XLSX, Parquet; packed as .zip or .gz if you like) into incoming/.",
        )
    if not units:
        return ["Every file in incoming/ is named by a source in settings.toml already; nothing to propose."]
    made, notes = propose(units, limits)
    names = set(settings.sources)
    final = []
    for p in made:
        name = p.name
        while name in names:
            name += "_new"
        names.add(name)
        final.append(Proposal(**{**p.__dict__, "name": name}))
    text = "".join(toml(p) for p in final)
    out = []
    for p in final:
        out.append(f"{', '.join(p.files)} -> {p.table}")
        out += [f"  {m.ours:16} <- {m.theirs:24} {m.confidence:4.0%}  {m.why}" for m in p.matches]
        out += [f"  {m.ours:16} ?? {m.theirs:24} {m.confidence:4.0%}  {m.why} (left out)" for m in p.unsure]
        out += [f"  {n:16}    not found, and needed" for n in p.lacking]
        out += [f"  {k.lstrip('# '):16}  = {v:24}       {why}" for k, v, why in p.options]
        if p.personal:
            out.append(f"  not taken, looks personal: {', '.join(p.personal)}")
        if p.left:
            out.append(f"  not taken: {', '.join(p.left)}")
    out += [f"Not looked at: {n}" for n in notes]
    if not write:
        return [*out, "", *text.splitlines()]
    path = workspace.settings_file
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    after = before.rstrip("\n") + "\n" + text
    parse_settings(after)  # never leave a settings file that cannot be read
    scratch = path.with_name("settings.toml.new")
    scratch.write_text(after, encoding="utf-8")
    os.replace(scratch, path)
    return [*out, "", "Added to settings.toml: look it over, then run lowbeam check."]
