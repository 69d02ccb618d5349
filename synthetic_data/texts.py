"""What desks type: seven hands, each with its own words, abbreviations and language; chosen by uniform numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from synthetic_data.scenario import COMPONENTS, LIGHTING, SYMPTOMS

HANDS = ("full", "short", "quick", "kerb", "german", "french", "italian")
FULL, SHORT, QUICK, KERB, GERMAN, FRENCH, ITALIAN = range(7)
LEFT, RIGHT, BOTH, NONE, UNTOLD = range(5)

# Words for the sides, by hand; {d} stands for the driver's and {p} for the passenger's side, filled in by the vehicle.
_SIDES = {
    FULL: (
        ("left", "left hand", "left-hand"),
        ("right", "right hand", "right-hand"),
        ("both sides", "left and right", "both"),
    ),
    SHORT: (("LH", "L/H", "LH"), ("RH", "R/H", "RH"), ("BOTH", "L+R", "LH & RH")),
    QUICK: (("left", "lh", "l/h"), ("right", "rh", "r/h"), ("both", "l + r", "both sides")),
    KERB: (("N/S", "nearside", "NS"), ("O/S", "offside", "OS"), ("both sides", "N/S & O/S", "both")),
    GERMAN: (("links", "li.", "VL"), ("rechts", "re.", "VR"), ("beidseitig", "li. + re.", "links und rechts")),
    FRENCH: (("gauche", "G", "gauche"), ("droite", "D", "droit"), ("G+D", "gauche et droite", "des deux côtés")),
    ITALIAN: (("sinistro", "sx", "SX"), ("destro", "dx", "DX"), ("dx e sx", "entrambi i lati", "dx+sx")),
}
_DRIVER = {
    FULL: ("driver's side", "passenger side"),
    QUICK: ("driver side", "pass side"),
    SHORT: ("DRIVER SIDE", "PASS SIDE"),
}

_NAMES = {
    FULL: {
        "lamp:halogen": ("headlamp bulb", "H7 headlamp bulb", "dipped beam bulb", "low beam bulb"),
        "lamp": ("xenon bulb", "headlamp xenon bulb", "discharge bulb"),
        "igniter": ("xenon igniter", "headlamp igniter", "igniter"),
        "ballast": ("xenon ballast", "headlamp ballast", "xenon control unit"),
        "headlamp_assembly": ("headlamp assembly", "complete headlamp", "headlamp unit"),
        "wiring": ("headlamp wiring loom", "headlamp connector and wiring", "headlamp bulb holder wiring"),
        "led_module": ("headlamp LED module", "LED module"),
        "led_driver": ("LED driver", "headlamp LED driver module"),
        "control_module": ("lighting control module", "light control module"),
        "switch_or_fuse": ("headlamp relay", "headlamp switch", "headlamp fuse"),
    },
    SHORT: {
        "lamp:halogen": ("H/L BULB", "HDLP BULB", "H/LAMP BULB"),
        "lamp": ("XENON BULB", "HID BULB", "D-BULB XENON"),
        "igniter": ("IGNITER", "HID IGNITER"),
        "ballast": ("BALLAST", "HID BALLAST", "XENON BALLAST"),
        "headlamp_assembly": ("H/L ASSY", "HDLP ASSY", "H/LAMP UNIT"),
        "wiring": ("H/L CONNECTOR", "H/L LOOM", "HDLP WIRING"),
        "led_module": ("LED MODULE", "H/L LED MODULE"),
        "led_driver": ("LED DRIVER", "LED DRIVER MOD"),
        "control_module": ("LIGHTING CONTROL MODULE", "LCM"),
        "switch_or_fuse": ("H/L RELAY", "H/L SWITCH", "H/L FUSE"),
    },
    QUICK: {
        "lamp:halogen": ("headlight bulb", "h7 bulb", "dip bulb"),
        "lamp": ("xenon bulb", "hid bulb", "xenon burner"),
        "igniter": ("igniter", "ignitor", "xenon starter"),
        "ballast": ("ballast", "balast", "xenon ballast"),
        "headlamp_assembly": ("headlight unit", "headlight assy", "complete headlight"),
        "wiring": ("headlight connector", "headlight wiring", "headlight loom"),
        "led_module": ("led module", "led unit"),
        "led_driver": ("led driver", "led control unit"),
        "control_module": ("light control module", "lighting module"),
        "switch_or_fuse": ("headlight relay", "headlight switch", "headlight fuse"),
    },
    KERB: {
        "lamp:halogen": ("dip beam bulb", "headlamp bulb", "h/lamp bulb"),
        "lamp": ("xenon bulb", "HID bulb", "xenon lamp"),
        "igniter": ("xenon igniter", "ignitor"),
        "ballast": ("xenon ballast", "HID ballast"),
        "headlamp_assembly": ("headlamp unit", "headlamp complete", "headlamp assy"),
        "wiring": ("headlamp loom", "headlamp multiplug", "headlamp wiring"),
        "led_module": ("LED module", "headlamp LED module"),
        "led_driver": ("LED driver", "LED driver unit"),
        "control_module": ("lighting control unit", "light control module"),
        "switch_or_fuse": ("headlamp relay", "headlamp fuse", "light switch headlamps"),
    },
    GERMAN: {
        "lamp:halogen": ("Abblendlichtbirne", "Glühlampe H7 Abblendlicht", "H7 Lampe"),
        "lamp": ("Xenonbrenner", "Xenonlampe", "Brenner Xenon"),
        "igniter": ("Zündgerät Xenon", "Xenon-Zündgerät"),
        "ballast": ("Vorschaltgerät Xenon", "Xenonsteuergerät", "Steuergerät Xenon"),
        "headlamp_assembly": ("Scheinwerfer komplett", "Hauptscheinwerfer", "Scheinwerfer kpl."),
        "wiring": ("Kabelbaum Scheinwerfer", "Stecker Scheinwerfer"),
        "led_module": ("LED-Modul", "LED Modul Scheinwerfer"),
        "led_driver": ("LED-Steuergerät", "LED Treiber"),
        "control_module": ("Lichtsteuergerät", "Lichtmodul"),
        "switch_or_fuse": ("Lichtschalter", "Lichtrelais"),
    },
    FRENCH: {
        "lamp:halogen": ("ampoule phare", "ampoule H7", "ampoule de croisement"),
        "lamp": ("ampoule xenon", "lampe à décharge"),
        "igniter": ("allumeur xenon", "amorceur"),
        "ballast": ("ballast xenon", "calculateur xenon"),
        "headlamp_assembly": ("phare complet", "bloc optique", "optique avant"),
        "wiring": ("faisceau phare", "connecteur phare"),
        "led_module": ("module LED",),
        "led_driver": ("driver LED", "pilote LED"),
        "control_module": ("calculateur éclairage",),
        "switch_or_fuse": ("relais phare", "commodo phare"),
    },
    ITALIAN: {
        "lamp:halogen": ("lampadina H7", "lampadina faro", "lampada anabbagliante"),
        "lamp": ("lampada xenon", "lampada a scarica"),
        "igniter": ("accenditore xenon",),
        "ballast": ("centralina xenon", "ballast xenon"),
        "headlamp_assembly": ("faro completo", "gruppo ottico", "proiettore"),
        "wiring": ("cablaggio faro", "connettore faro"),
        "led_module": ("modulo LED",),
        "led_driver": ("centralina LED", "driver LED"),
        "control_module": ("centralina luci",),
        "switch_or_fuse": ("relè fari", "devioluci"),
    },
}
_VERBS = {
    FULL: ("{n} {s} replaced", "Replaced {s} {n}", "{s} {n} renewed", "Removed and replaced {s} {n}"),
    SHORT: ("R&R {s} {n}", "{n} {s} REPL", "REPL {s} {n}", "{n} {s} CHGD"),
    QUICK: ("{s} {n} replaced", "fitted new {s} {n}", "changed {n} {s}", "repl {n} {s}"),
    KERB: ("{n} {s} renewed", "renew {s} {n}", "{s} {n} replaced", "fit new {n} {s}"),
    GERMAN: ("{n} {s} erneuert", "{n} {s} ersetzt", "{n} {s} ern.", "{n} {s} gewechselt"),
    FRENCH: ("remplacement {n} {s}", "{n} {s} remplacé", "rempl. {n} {s}"),
    ITALIAN: ("sostituito {n} {s}", "sost. {n} {s}", "{n} {s} sostituita"),
}
_REASON = {
    "failed": {
        FULL: ("", "", "", ", failed", ", defective"),
        SHORT: ("", "", "", " - FAULTY", " - DEFECTIVE"),
        QUICK: ("", "", "", ", faulty", " - dead"),
        KERB: ("", "", "", " - u/s", " - faulty"),
        GERMAN: ("", "", "", ", defekt"),
        FRENCH: ("", "", " - HS", " (défectueux)"),
        ITALIAN: ("", "", " - guasto", " (difettoso)"),
    },
    "blown": {
        FULL: ("", "", ", bulb blown"),
        SHORT: ("", "", " - BLOWN"),
        QUICK: ("", "", " - blown"),
        KERB: ("", "", " - blown"),
        GERMAN: ("", "", ", durchgebrannt"),
        FRENCH: ("", "", " - grillée"),
        ITALIAN: ("", "", " - bruciata"),
    },
    "planned": {
        FULL: (", preventive", ", as per plan", ", planned replacement"),
        SHORT: (" - PREVENTIVE", " - KM DUE", " - PER PLAN"),
        QUICK: (" - preventive", " (scheduled)", " - km due"),
        KERB: (" - planned", " - preventive"),
        GERMAN: (", vorsorglich", ", laut Plan"),
        FRENCH: (" - préventif", " (préventif)"),
        ITALIAN: (" - preventiva", " (a scadenza)"),
    },
    "paired": {
        FULL: (", replaced as a pair", ", other side done too"),
        SHORT: (" - AS PAIR", " - PAIR"),
        QUICK: (" - as a pair", " done as pair"),
        KERB: (" - as pair", " - replaced as a pair"),
        GERMAN: (", paarweise",),
        FRENCH: (" - par paire",),
        ITALIAN: (" - in coppia",),
    },
    "collision": {
        FULL: (", accident damage", ", collision damage", ""),
        SHORT: (" - ACCIDENT", " - COLLISION DAMAGE", ""),
        QUICK: (" - accident damage", " after crash", ""),
        KERB: (" - accident damage", " - RTC", ""),
        GERMAN: (", Unfallschaden", ""),
        FRENCH: (" - suite accident", ""),
        ITALIAN: (" - incidente", ""),
    },
}
_COMPLAINTS = {
    FULL: {
        "low_beam_dark": (
            "{s} headlamp not working",
            "Driver reports {s} dipped beam out",
            "{s} headlamp out",
            "no light from {s} headlamp",
        ),
        "high_beam_dark": ("main beam {s} not working", "no main beam {s}"),
        "flicker": ("{s} headlamp flickers", "{s} headlamp intermittent", "{s} headlamp flickering over bumps"),
        "dim": ("{s} headlamp dim", "{s} headlamp weak light", "{s} low beam very dim"),
        "water_inside": ("water in {s} headlamp", "condensation inside {s} headlamp"),
        "warning_shown": ("lamp failure warning on dash, {s}", "bulb failure message {s} headlamp"),
    },
    SHORT: {
        "low_beam_dark": ("{s} H/L INOP", "{s} HDLP OUT", "NO LOW BEAM {s}"),
        "high_beam_dark": ("{s} HIGH BEAM INOP",),
        "flicker": ("{s} H/L FLICKERS", "{s} H/L INTERMITTENT"),
        "dim": ("{s} H/L DIM", "{s} H/L WEAK"),
        "water_inside": ("WATER IN {s} H/L", "{s} H/L CONDENSATION"),
        "warning_shown": ("BULB WARNING ON DASH {s} H/L", "LAMP OUT MSG {s} H/L"),
    },
    QUICK: {
        "low_beam_dark": ("{s} headlight out", "{s} headlight not workin", "{s} dip beam dead"),
        "high_beam_dark": ("high beam {s} not working",),
        "flicker": ("{s} headlight flickering", "{s} headlight goes on and off"),
        "dim": ("{s} headlight dim", "{s} headlight pinkish and weak"),
        "water_inside": ("water in {s} headlight", "{s} headlight full of water"),
        "warning_shown": ("bulb warning light on {s} headlight",),
    },
    KERB: {
        "low_beam_dark": ("{s} headlamp inop", "{s} dip beam not working", "{s} headlamp out"),
        "high_beam_dark": ("{s} main beam inop",),
        "flicker": ("{s} headlamp flickering", "{s} headlamp intermittent"),
        "dim": ("{s} headlamp dim", "{s} headlamp poor light"),
        "water_inside": ("{s} headlamp water ingress", "{s} headlamp misted up, water inside"),
        "warning_shown": ("bulb out warning on dash, {s} headlamp",),
    },
    GERMAN: {
        "low_beam_dark": (
            "Abblendlicht {s} ohne Funktion",
            "Scheinwerfer {s} geht nicht",
            "Abblendlicht {s} ausgefallen",
        ),
        "high_beam_dark": ("Fernlicht {s} ohne Funktion",),
        "flicker": ("Scheinwerfer {s} flackert", "Scheinwerfer {s} geht zeitweise aus"),
        "dim": ("Scheinwerfer {s} leuchtet schwach", "Scheinwerfer {s} zu dunkel"),
        "water_inside": ("Wasser im Scheinwerfer {s}", "Scheinwerfer {s} beschlagen"),
        "warning_shown": ("Meldung Lampenausfall, Scheinwerfer {s}",),
    },
    FRENCH: {
        "low_beam_dark": ("phare {s} ne fonctionne pas", "plus de croisement {s}"),
        "high_beam_dark": ("plus de feu de route {s}",),
        "flicker": ("phare {s} clignote par moments", "phare {s} intermittent"),
        "dim": ("phare {s} éclaire faible",),
        "water_inside": ("eau dans phare {s}", "buée dans phare {s}"),
        "warning_shown": ("voyant ampoule, phare {s}",),
    },
    ITALIAN: {
        "low_beam_dark": ("faro {s} non funziona", "anabbagliante {s} spento"),
        "high_beam_dark": ("abbagliante {s} non funziona",),
        "flicker": ("faro {s} sfarfalla", "faro {s} a intermittenza"),
        "dim": ("faro {s} luce debole",),
        "water_inside": ("acqua nel faro {s}", "condensa nel faro {s}"),
        "warning_shown": ("spia lampada accesa, faro {s}",),
    },
}
_AGAIN = {
    FULL: ("Same fault again: ", "Still present after last repair: ", "", ""),
    SHORT: ("COMEBACK - ", "SAME FAULT - ", ""),
    QUICK: ("same again - ", "came back: ", ""),
    KERB: ("fault returned - ", "not cured, ", ""),
    GERMAN: ("Fehler wieder da: ", "erneut: ", ""),
    FRENCH: ("encore: ", "revient pour: ", ""),
    ITALIAN: ("di nuovo: ", ""),
}
_CRASH = {
    FULL: ("accident damage front {s}", "vehicle hit at the front {s}"),
    SHORT: ("ACCIDENT DAMAGE FRONT {s}", "COLLISION FRONT {s}"),
    QUICK: ("crash damage {s} front",),
    KERB: ("accident damage {s} front", "RTC damage {s} front"),
    GERMAN: ("Unfallschaden vorne {s}",),
    FRENCH: ("choc avant {s}",),
    ITALIAN: ("incidente, anteriore {s}",),
}
_SERVICE = {
    FULL: ("Service due", "Annual inspection", "Routine service"),
    SHORT: ("SERVICE", "INSP", "A SERVICE"),
    QUICK: ("service", "service + check"),
    KERB: ("service due", "safety inspection"),
    GERMAN: ("Inspektion", "Kundendienst fällig"),
    FRENCH: ("révision", "entretien"),
    ITALIAN: ("tagliando",),
}
_OTHER_COMPLAINT = {
    FULL: ("Various defects", "Wipers smear", "Rear light out"),
    SHORT: ("DEFECT LIST", "TAIL LIGHT OUT"),
    QUICK: ("brakes squeal", "rear light out"),
    KERB: ("driver defect card", "brake light out"),
    GERMAN: ("Rücklicht defekt", "Bremsen quietschen"),
    FRENCH: ("feu arrière HS", "freins"),
    ITALIAN: ("luce posteriore", "freni"),
}

# Lines that renew nothing at the headlamp, by what they are.
_EXTRA = {
    "oil": {
        FULL: ("Engine oil and filter changed",),
        SHORT: ("OIL + FILTER",),
        QUICK: ("oil and filter", "oil change"),
        KERB: ("engine oil & filter",),
        GERMAN: ("Ölwechsel mit Filter",),
        FRENCH: ("vidange et filtre à huile",),
        ITALIAN: ("cambio olio e filtro olio",),
    },
    "brakes": {
        FULL: ("Front brake pads replaced", "Brake discs and pads front"),
        SHORT: ("FRT PADS",),
        QUICK: ("front brake pads",),
        KERB: ("front pads & discs",),
        GERMAN: ("Bremsbeläge vorne erneuert",),
        FRENCH: ("plaquettes de frein avant",),
        ITALIAN: ("pastiglie freni anteriori",),
    },
    "tyres": {
        FULL: ("Two tyres fitted and balanced",),
        SHORT: ("2 TYRES FTD",),
        QUICK: ("tyres x2",),
        KERB: ("2 tyres & balance",),
        GERMAN: ("2 Reifen montiert",),
        FRENCH: ("2 pneus montés",),
        ITALIAN: ("2 gomme",),
    },
    "check": {
        FULL: ("Service inspection carried out",),
        SHORT: ("SERVICE INSP",),
        QUICK: ("general check",),
        KERB: ("safety inspection carried out",),
        GERMAN: ("Inspektion durchgeführt",),
        FRENCH: ("révision annuelle",),
        ITALIAN: ("tagliando completo",),
    },
    "wiper": {
        FULL: ("Wiper blades replaced",),
        SHORT: ("WIPER BLADES",),
        QUICK: ("wiper blades",),
        KERB: ("wiper blades renewed",),
        GERMAN: ("Scheibenwischer erneuert",),
        FRENCH: ("balais essuie-glace",),
        ITALIAN: ("spazzole tergicristallo",),
    },
    "tail": {
        FULL: ("Tail lamp bulb {s} replaced", "Stop lamp bulb {s} replaced", "Indicator bulb front {s} replaced"),
        SHORT: ("TAIL BULB {s}", "IND BULB {s} REPL"),
        QUICK: ("brake light bulb {s}", "number plate bulb"),
        KERB: ("{s} rear indicator bulb", "{s} stop & tail bulb"),
        GERMAN: ("Rücklichtlampe {s} erneuert", "Blinkerbirne {s}"),
        FRENCH: ("ampoule clignotant {s}", "ampoule feu arrière {s}"),
        ITALIAN: ("lampadina freccia {s}", "lampadina stop {s}"),
    },
    "aim": {
        FULL: ("Headlamp aim checked and adjusted",),
        SHORT: ("H/L AIM",),
        QUICK: ("headlights aimed",),
        KERB: ("headlamp alignment set",),
        GERMAN: ("Scheinwerfer eingestellt",),
        FRENCH: ("réglage des phares",),
        ITALIAN: ("orientamento fari",),
    },
    "diagnosis": {
        FULL: ("Diagnosis of {s} headlamp, fault codes read", "Fault finding headlamp {s}"),
        SHORT: ("DIAG H/L {s}",),
        QUICK: ("traced fault headlight {s}",),
        KERB: ("fault find headlamp {s}",),
        GERMAN: ("Fehlersuche Scheinwerfer {s}", "Fehlerspeicher ausgelesen"),
        FRENCH: ("recherche de panne phare {s}",),
        ITALIAN: ("ricerca guasto faro {s}",),
    },
    "polish": {
        FULL: ("Headlamp lenses polished",),
        SHORT: ("H/L LENS POLISH",),
        QUICK: ("polished headlights",),
        KERB: ("headlamp lenses polished",),
        GERMAN: ("Scheinwerfer poliert",),
        FRENCH: ("polissage des phares",),
        ITALIAN: ("lucidatura fari",),
    },
    "refit": {
        FULL: ("Headlamp {s} removed and refitted for access",),
        SHORT: ("R&I H/L {s}",),
        QUICK: ("headlight {s} off and back on for access",),
        KERB: ("remove & refit headlamp {s}",),
        GERMAN: ("Scheinwerfer {s} aus- und eingebaut",),
        FRENCH: ("dépose repose phare {s}",),
        ITALIAN: ("smontaggio rimontaggio faro {s}",),
    },
    "moved": {
        FULL: ("Bulb transferred to new unit",),
        SHORT: ("BULB TRANSFERRED",),
        QUICK: ("old bulb refitted in new unit",),
        KERB: ("bulb transferred from old unit",),
        GERMAN: ("Leuchtmittel wiederverwendet",),
        FRENCH: ("ampoule réutilisée, remontée",),
        ITALIAN: ("lampadina rimontata",),
    },
}
_QUOTE = {
    FULL: ("Quotation: {n} {s}, customer to decide", "Estimate for {n} {s}, not approved"),
    SHORT: ("QUOTE {n} {s}",),
    QUICK: ("quoted {n} {s}, declined",),
    KERB: ("quote {n} {s} - awaiting authority",),
    GERMAN: ("Kostenvoranschlag {n} {s}", "Angebot {n} {s}, Kunde lehnt ab"),
    FRENCH: ("devis {n} {s}, refusé",),
    ITALIAN: ("preventivo {n} {s}, non autorizzato",),
}
_CREDIT = {
    FULL: ("Credit: {n}", "Returned to supplier, credit {n}"),
    SHORT: ("CREDIT {n}",),
    QUICK: ("credit {n}",),
    KERB: ("credit note {n}",),
    GERMAN: ("Gutschrift {n}",),
    FRENCH: ("avoir {n}",),
    ITALIAN: ("nota credito {n}",),
}
EXTRAS = tuple(_EXTRA)


def _name(hand: int, comp: int, light: int) -> tuple[str, ...]:
    names = _NAMES[hand]
    c = COMPONENTS[comp]
    return names.get(f"{c}:{LIGHTING[light]}", names.get(c, ()))


def _sides(hand: int, side: int, rhd: int) -> tuple[str, ...]:
    if side in (NONE, UNTOLD):
        return ("",)
    words = _SIDES[hand][side]
    if side < 2 and hand in _DRIVER:
        is_driver = (side == RIGHT) == bool(rhd)
        words = (*words, *words, _DRIVER[hand][0 if is_driver else 1])
    return words


def _tidy(text: str, hand: int) -> str:
    text = " ".join(text.split()).replace(" ,", ",").rstrip(" ,-")
    return text.upper() if hand == SHORT else text


def fill(keys: np.ndarray, u: np.ndarray, pool: Callable[..., list[str]]) -> list[str]:
    """One text a row: rows with equal keys draw from the same pool by their uniform number."""
    out = np.empty(len(keys), dtype=object)
    distinct, which = np.unique(keys, axis=0, return_inverse=True)
    which = which.reshape(-1)
    order = np.argsort(which, kind="stable")
    ends = np.cumsum(np.bincount(which, minlength=len(distinct)))
    begin = 0
    for key, end in zip(distinct.tolist(), ends.tolist(), strict=False):
        rows = order[begin:end]
        begin = end
        texts = np.array(pool(*key), dtype=object)
        out[rows] = texts[np.minimum((u[rows] * len(texts)).astype(int), len(texts) - 1)]
    return out.tolist()


def renewal_pool(hand: int, comp: int, light: int, side: int, rhd: int, reason: int) -> list[str]:
    """reason: 0 failed (also what was taken for it), 1 planned, 2 paired, 3 collision, 4 nothing said."""
    key = ("failed", "planned", "paired", "collision", "")[reason]
    if key == "failed" and COMPONENTS[comp] == "lamp" and LIGHTING[light] == "halogen":
        key = "blown"
    ends = _REASON[key][hand] if key else ("",)
    return [
        _tidy(v.format(n=n, s=s) + e, hand)
        for v in _VERBS[hand]
        for n in _name(hand, comp, light)
        for s in _sides(hand, side, rhd)
        for e in ends
    ]


def complaint_pool(hand: int, symptom: int, side: int, rhd: int, kind: int) -> list[str]:
    """kind: 0 complaint, 1 back again, 2 collision, 3 service, 4 something else."""
    sides = _sides(hand, side, rhd)
    if kind == 3:
        return [_tidy(t, hand) for t in _SERVICE[hand]]
    if kind == 4:
        return [_tidy(t, hand) for t in _OTHER_COMPLAINT[hand]]
    if kind == 2:
        return [_tidy(t.format(s=s), hand) for t in _CRASH[hand] for s in sides]
    begins = _AGAIN[hand] if kind == 1 else ("",)
    return [
        _tidy(b + t.format(s=s), hand) for b in begins for t in _COMPLAINTS[hand][SYMPTOMS[symptom]] for s in sides
    ]


def extra_pool(hand: int, what: int, side: int, rhd: int) -> list[str]:
    return [_tidy(t.format(s=s), hand) for t in _EXTRA[EXTRAS[what]][hand] for s in _sides(hand, side, rhd)]


def offer_pool(hand: int, comp: int, light: int, side: int, rhd: int, is_credit: int) -> list[str]:
    """Quotes for work that was not done, credits for parts that came back."""
    return [
        _tidy(t.format(n=n, s=s), hand)
        for t in (_CREDIT if is_credit else _QUOTE)[hand]
        for n in _name(hand, comp, light)
        for s in _sides(hand, side, rhd)
    ]


def slip(text: str, u: float) -> str:
    """One typing slip in the middle of a text: two letters change places, or one is left out."""
    spots = [
        i for i in range(2, len(text) - 1) if text[i].isalpha() and text[i - 1].isalpha() and text[i] != text[i - 1]
    ]
    if not spots:
        return text
    k = int(u * 2 * len(spots))
    i = spots[k // 2]
    if k % 2:
        return text[:i] + text[i + 1 :]
    return text[: i - 1] + text[i] + text[i - 1] + text[i + 1 :]
