"""What one text says by itself: part, side, beam, action, reason, symptom. Rules 5 to 10 of pipeline.intake.classify."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.intake.clauses import (
    Clause,
    drop_denied,
    find_clauses,
    is_list,
    names_unknown,
    only_noted,
    parts_of,
    purposes,
    settle_actions,
)
from pipeline.intake.phrases import (
    ACTION,
    BEAM,
    COMEBACK,
    CONTEXT,
    FLAG,
    JOIN,
    NOT,
    OTHER,
    PIECE,
    PLURAL,
    REASON,
    SIDE,
    SYMPTOM,
    SYMPTOMS,
    THING,
    UNIT,
    Text,
    Thing,
    find_things,
    is_denied,
    is_front,
    known_next,
)
from pipeline.intake.vocabulary import BREAKS, Hit, Vocabulary

_OF_LINE = {
    a: i
    for i, a in enumerate(
        (
            "replaced",
            "repaired",
            "refitted",
            "credited",
            "quoted",
            "not_fitted",
            "cleaned",
            "adjusted",
            "diagnosed",
            "advised",
            "inspected",
            "none",
        )
    )
}
_HANDS_ON_UNIT = ("replaced", "repaired", "refitted", "cleaned", "quoted", "credited", "not_fitted", "advised")
_REASONS = ("collision", "upgrade", "planned", "paired", "failed")
_ONE_SIDE = frozenset({"left", "right", "near", "off", "driver", "passenger"})
_TWO_SIDES = ({"left", "right"}, {"near", "off"}, {"driver", "passenger"})
_ALSO = frozenset("also too well auch ebenso ebenfalls gleich aussi egalement tambien anche pure".split())
_SIZE = {
    c: i for i, c in enumerate(("headlamp_assembly", "ballast", "igniter", "led_driver", "led_module", "lamp"))
}


@dataclass(frozen=True, slots=True)
class Reading:
    """What one text says, before other columns are looked at."""

    component: str | None = None  # told by the words themselves; may carry "value@lighting" choices joined by |
    weak_component: str | None = None  # told only if something else says that it is a headlamp matter
    about: str = "nothing"  # headlamp, elsewhere, nothing: what the text is about
    sides: str = ""  # symbols joined by +
    pair: bool = False
    two: bool = False
    plural: bool = False  # "headlamp bulbs"
    beam: str | None = None
    beam_hint: str | None = None
    category: str | None = None
    action: str | None = None
    has_own_thing: bool = False  # the action's clause names a headlamp part
    reason: str | None = None
    symptom: str | None = None
    complaint_symptom: str | None = None
    comeback: bool = False
    flags: tuple[str, ...] = ()
    renews: tuple[str, ...] = ()
    words: str = ""
    how: str = ""
    told_fault: bool = False  # a symptom or a reason is told
    unread: bool = False  # speaks of light, and no part or action could be made of it
    objectless: bool = False  # says that something was renewed, and names nothing at all
    bare_symptom: str | None = None  # a headlamp's symptom if the line is about one; nothing of light is said


_EMPTY = Reading()


def read_text(text: str | None, vocabulary: Vocabulary, languages: Sequence[str] = ()) -> Reading:
    """What one text says by itself: a description, a complaint, a part's name.

    languages: two-letter codes whose short words are read even where nothing else in the text is of that language.
    """
    if text is None or not text.strip():
        return _EMPTY
    t = Text(text, vocabulary, languages)
    if not any(t.groups):
        return _EMPTY
    drop_denied(t)
    things, head, elsewhere = find_things(t)
    negations = t.groups[NOT]
    reasons_at = [(h.start, e.value) for h in t.groups[REASON] if not is_denied(h, negations) for e in h.entries]
    symptoms = [
        h
        for h in t.groups[SYMPTOM]
        if not is_denied(h, negations)
        or t.tokens[h.start] in ("no", "not", "kein", "keine", "pas", "non", "sin", "ohne")
    ]
    has_damage = (
        any(v == "collision" for _, v in reasons_at)
        or any(e.value == "water_inside" for h in symptoms for e in h.entries)
        or any(t.phrase(h.start, h.end) not in ("removed", "remove", "removal") for h in t.groups[UNIT])
    )
    clauses = find_clauses(t, things)
    unit_told = bool(t.groups[UNIT]) or any(e.value == "aim" for h in t.groups[FLAG] for e in h.entries)

    def in_clause(c: Clause, start: int) -> bool:
        return c.start <= start < c.end

    quiet = [
        any(
            in_clause(c, h.start)
            for h in symptoms
            for e in h.entries
            if e.field == "symptom" and e.value != "other"
        )
        for c in clauses
    ]
    verbs_present = any(c.action for c in clauses)
    whole_line = settle_actions(clauses, quiet, t)

    # the clause that the line is about
    best: tuple[tuple[int, int, int, int, int], Clause, list[tuple[str, bool, str]], list[str], bool] | None = None
    resolved = []
    cured = any(c.action in ("replaced", "repaired") and any(x.note == "other work" for x in c.things) for c in clauses)
    for i, c in enumerate(clauses):
        if not c.things:
            continue
        found, renews, others, alone = parts_of(c, t, head, elsewhere, has_damage)
        ours = [f for f in found if f[0] != OTHER]
        resolved.append((c, found, renews))
        if ours:
            strength = 0 if any(f[1] for f in ours) else 1
        elif found:
            strength = 3
        elif alone:
            # "headlights dim, replaced alternator": the headlamp was the symptom
            strength = 4 if cured and c.action not in _HANDS_ON_UNIT and c.action != "adjusted" else 2
        else:
            strength = 3
        action_rank = _OF_LINE[c.action or "none"]
        if strength == 2 and c.action not in _HANDS_ON_UNIT:
            action_rank += 1  # bare "headlamp" with a check says less than a part does
        # "holder of headlamp renewed, bulb renewed": of the same work on several parts the largest tells the line
        size = min((_SIZE.get(f[0].split("|")[0], 9) for f in ours), default=9)
        shown = 0 if strength == 1 and head and not elsewhere else strength
        rank = (0 if strength < 3 else 1, action_rank, shown, size, i)
        if best is None or rank < best[0]:
            best = (rank, c, found, renews, alone)

    if best is not None and not any(v[2].weight for v in best[1].actions) and not best[4] and not any(f[0] != OTHER for f in best[2]) and not elsewhere:
        # "Test failed: low beam off, set": what was not touched is not what the line is about
        lit_at = [h.start for h in t.groups[CONTEXT] if any(e.field.startswith("context") for e in h.entries)]
        if lit_at and not any(in_clause(best[1], s) for s in lit_at):
            best = None
    if best is not None and best[4] and not any(f[0] != OTHER for f in best[2]) and best[1].action in ("diagnosed", "inspected"):
        # "Diag headlamp LH no light, power ok, ballast no output": the part that was found bad
        bad = [h.start for h in t.groups[REASON] if any(e.value == "failed" for e in h.entries)] + [h.start for h in symptoms]
        for c, found, renews in resolved:
            if c is best[1] or c.action not in (None, "none", "inspected", "diagnosed"):
                continue
            called = {t.phrase(x.start, x.end) for x in c.things if any(0 <= s - x.end <= 2 for s in bad) and not is_ok(t, x.end)}
            ours = [f for f in found if f[0] not in (OTHER, PIECE, "unknown") and f[1] and any(f[2].endswith(w) for w in called)]
            if len(ours) == 1:
                best = (best[0], Clause(c.start, c.end, c.things, c.actions, "diagnosed", 1), ours, renews, False)
                break
    component = weak = None
    flags: list[str] = []
    renews_out: list[str] = []
    used: list[str] = []
    main: Clause | None = None
    how = ""
    about = "nothing"
    if best is not None:
        _, main, found, renews, alone = best
        ours = [f for f in found if f[0] != OTHER]
        if ours:
            first = min(ours, key=lambda f: (f[0] in (PIECE, "unknown"), _SIZE.get(f[0].split("|")[0], 9)))
            if first[1] or head_elsewhere_free(head, elsewhere, main, clauses):
                component = first[0]
            else:
                weak = first[0]
            used.append(first[2])
            how = "named"
            if component is not None and component.startswith("unknown|"):
                # "Laser beam module dead, sourced module, fitted": the one that was spoken of
                words_here = set(first[2].split())
                meant = {f[0] for c, more, _ in resolved if c is not main for f in more
                         if f[1] and f[0] not in (OTHER, PIECE, "unknown") and words_here <= set(f[2].split())}
                if len(meant) == 1:
                    component, how = meant.pop(), "the one named before"
            if component == "unknown" and any(x.kind == "generic" for x in main.things):
                # "xenon lamp n/s no strike, replaced lamp": the one that was spoken of
                meant = {f[0] for c, more, _ in resolved if c is not main for f in more if f[0] in ("lamp", "headlamp_assembly")}
                if len(meant) == 1:
                    component, how = meant.pop(), "the lamp named before"
            if first[0] == PIECE and (_unit_renewed(t, things) or _whole_renewed(t, main, clauses)):
                component, weak = ("headlamp_assembly", weak) if component else (component, "headlamp_assembly")
            elif first[0] == PIECE:
                flags.append("piece")
                component = "headlamp_assembly" if component else None
                weak = "headlamp_assembly" if weak else None
            elif component is None and elsewhere and not head:
                weak = None  # "plate: bulb replaced"
                flags.append("not_headlamp")
                about = "elsewhere"
            elif (
                component is None
                and weak in ("control_module", "switch_or_fuse")
                and not elsewhere
                and any(e.field == "lamp_word" for h in t.groups[CONTEXT] for e in h.entries)
            ):
                component, weak = weak, None  # "body control module recoded, lights ok"
            renews_out = [f[0] for f in ours if f is not first] + renews
            for c, more, more_renews in resolved:
                if c is not main and c.action == main.action and main.action == "replaced":
                    renews_out += [f[0] for f in more if f[0] != OTHER] + more_renews
            if len(ours) > 1 or any(
                f[0] not in (first[0], OTHER)
                for c, more, _ in resolved
                if c is not main and c.action == main.action
                for f in more
            ):
                if any(r not in (first[0], PIECE, "unknown") for r in renews_out):
                    flags.append("kit")
        elif found:
            flags.append("not_headlamp")
            used.append(found[0][2])
            about = "elsewhere"
        elif alone:
            values = [x for x in main.things if x.kind == "alone"]
            elses = [x for x in main.things if x.kind == "elsewhere"]
            last = values[-1]
            units = [x for x in values if x.value == "headlamp_assembly"]
            lamps = [x for x in values if x.value == "lamp"]
            used.append(t.phrase(last.start, last.end))
            if all(x.value == "led_module" for x in values):
                if elses:
                    flags.append("not_headlamp")
                    about = "elsewhere"
                elif head:
                    component, how = "led_module", "LED alone"
                else:
                    weak = "led_module"
            elif elses and (
                (elses[-1].start > last.start and not units)
                or any(
                    elses[-1].end <= h.start < last.start and any(e.field == "of" for e in h.entries)
                    for h in t.groups[JOIN]
                )
            ):
                flags.append("not_headlamp")
                about = "elsewhere"
            elif any(x.kind == "category" for x in main.things):
                component, how = "unknown", "headlamp and a category"
            elif (
                units
                and not lamps
                and (
                    has_damage
                    or (unit_told and main.action != "replaced")
                    or bool(t.groups[UNIT])
                    # what is given back or taken back was bought, and a headlamp that is bought is the unit
                    or main.action in ("refitted", "repaired", "cleaned", "adjusted", "credited")
                    or any(e.value == "polish" for h in t.groups[FLAG] for e in h.entries)
                )
            ):
                component, how = "headlamp_assembly", "headlamp, and words of the whole unit"
            elif main.action in _HANDS_ON_UNIT or not verbs_present:
                if not all(known_next(t, x.end) for x in values):
                    component, how = "unknown", "headlamp and an unknown word"
                elif units and main.action == "not_fitted" and not _is_ordered(t) and any(e.value == "not_fitted" for h in t.groups[FLAG] for e in h.entries):
                    component, how = "unknown", "headlamp alone, and nothing done"
                elif units and (max(x.weight for x in units) >= 2 or not verbs_present or (main.action == "not_fitted" and _is_ordered(t))):
                    component, how = "headlamp_assembly", "the unit's name alone"
                elif units:
                    component, how = "unknown", "headlamp alone: lamp or unit"
                elif lamps:
                    component, how = "lamp", "xenon alone"
                else:
                    component, how = values[0].value, "alone"
                if not verbs_present:
                    # A line that only reports a defect names the place; one that reports nothing is a part's name.
                    weak, component = (None if symptoms else component), "unknown"
                    how = "headlamp without a verb"
            else:
                component, how = "unknown", "headlamp checked or aimed"
        elif elsewhere and any(x.kind == "elsewhere" for x in main.things):
            flags.append("not_headlamp")
            about = "elsewhere"
            used.append(t.phrase(main.things[0].start, main.things[0].end))
    if weak == "headlamp_assembly" and component is None and not elsewhere and main is not None:
        # "front n/s light unit"
        said = {w for x in main.things if x.value == "headlamp_assembly" for w in t.tokens[x.start : x.end]}
        if said & {"light", "lamp"} and is_front(t):
            component, weak, how = weak, None, "a lamp unit at the front"
    if weak == "headlamp_assembly" and component is None and not elsewhere:
        # "new o/s unit, aimed", "light full of water, needs new unit", "polished lens"
        told = {e.value for h in t.groups[FLAG] for e in h.entries}
        wet = any(e.value == "water_inside" for h in symptoms for e in h.entries)
        lit = any(e.field == "lamp_word" for h in t.groups[CONTEXT] for e in h.entries)
        if told & {"aim", "polish"} or (wet and lit):
            component, weak, how = weak, None, "unit, and words of a headlamp"
    if weak in ("lamp", "wiring", "igniter", "ballast") and component is None and not elsewhere and _sided_beam(t):
        component, weak, how = weak, None, "a beam of one side"
    if weak == "lamp" and component is None and not elsewhere and pairs_colour(t):
        component, weak, how = weak, None, "bulb, to match the other one"
    if (
        component is None
        and weak is None
        and about == "nothing"
        and any(e.field.startswith("context") for h in t.groups[CONTEXT] for e in h.entries)
    ):
        acted = min((c.action for c in clauses if c.action), key=lambda a: _OF_LINE[a], default=None)
        if acted is not None and not elsewhere:
            component, how = "unknown", "a headlamp matter, no part named"
            if acted == "replaced" and has_damage:
                component, how = "headlamp_assembly", "broken, and replaced"
            elif acted == "replaced" and any(e.weight > 1 for h in t.groups[REASON] for e in h.entries):
                component, how = "lamp", "a beam burnt out and replaced"
            elif acted == "adjusted":
                component, how = "headlamp_assembly", "a beam set"
    if component == "unknown" and not elsewhere and action_of(clauses) in ("repaired", "diagnosed") and how in (
        "headlamp checked or aimed", "a headlamp matter, no part named", "headlamp alone: lamp or unit"
    ) and _is_wire_fault(t):
        component, how = "wiring", "a short or open circuit"
    aimed = any(e.value == "aim" for h in t.groups[FLAG] for e in h.entries)
    if component is None and weak is None and about == "nothing" and aimed and not elsewhere and not things and any(
        c.action == "adjusted" for c in clauses
    ) and (t.groups[CONTEXT] or t.groups[BEAM] or any(w.startswith(("aim", "beam", "focus")) for w in t.tokens)):
        component, how = "headlamp_assembly", "beams set"
    if component is not None or head:
        only_else = about == "elsewhere"
        about = about if only_else else "headlamp"
    if about == "headlamp" and component is None and weak is None and elsewhere and not head:
        about = "elsewhere"
    if about == "nothing" and elsewhere:
        about = "elsewhere"
    if about == "nothing" and any(x.kind == "other" for x in things):
        about = "other"

    # action of the line
    action = None
    if main is not None:
        action = main.action
    elif clauses:
        action = min((c.action for c in clauses if c.action), key=lambda a: _OF_LINE[a], default=None)
    if whole_line is not None and (main is None or main.action not in ("credited",)):
        objectless = next(c for c in clauses if c.objectless and c.action == whole_line and c.weight >= 4)
        sides_there = side_symbols(t, things, [objectless])
        sides_main = side_symbols(t, things, [main]) if main is not None else set()
        if not sides_there or not sides_main or sides_there == sides_main:
            action = whole_line
    for c in clauses:
        for a, b, e in c.actions:
            if e.value == action or (action is None):
                used.append(t.phrase(a, b))
    if "piece" in flags and action == "replaced":
        action = "repaired"
    if action == "advised" and only_noted(t, clauses):
        action = "inspected"  # "advise headlamp lens hazed"
    elif action == "advised":
        action = "not_fitted"
        flags.append("advised")

    # sides
    own = [main] if main is not None else []
    sides = side_symbols(t, things, own, component or weak) if own else set()
    if not sides:
        if main is not None:
            # another clause's: one that found a side good last, those before first, the nearest first
            for c in sorted(
                (c for c in clauses if c is not main and all(x.value != OTHER or x.note == "accessory" for x in c.things)),
                key=lambda c: (
                    any(x.value == OTHER for x in c.things),
                    c.action == "inspected" and main.action != "inspected",
                    c.start > main.start,
                    abs(c.start - main.start),
                ),
            ):
                sides = side_symbols(t, things, [c])
                if sides:
                    break
        else:
            sides = side_symbols(t, things, clauses)
    if not sides and main is not None:
        # "bumper off to get at the right-hand headlamp; unit replaced"
        nearby = [Clause(a, b, [], []) for a, b in purposes(t, things)]
        nearby += [Clause(d.start, d.end, [], []) for c, d in zip(clauses, clauses[1:], strict=False) if c is main and main.things and is_list(c, d, t)]
        for c in nearby:
            sides = sides or side_symbols(t, things, [c])
        for h in t.groups[JOIN] if not sides else ():
            if any(e.field == "aside" for e in h.entries) and t.tokens[h.start] in ("to", "in", "so", "for", "um", "pour", "para", "per"):
                end = next((i for i in range(h.end, len(t.tokens)) if t.tokens[i] in BREAKS), len(t.tokens))
                reached = [x for x in things if h.end <= x.start < end]
                if reached and all(x.value != OTHER for x in reached):
                    sides = side_symbols(t, things, [Clause(h.end, end, reached, [])])
    if main is not None and len(sides) == 1 and sides & _ONE_SIDE:
        # "headlamp bulb left, headlamp bulb right"
        for c, more, _ in resolved:
            if c is not main and c.action == main.action and any(f[0] == component for f in more):
                union = sides | side_symbols(t, things, [c])
                if union in _TWO_SIDES:
                    sides = {"both"}
    if main is not None and len(sides) == 1 and sides & _ONE_SIDE and component is not None:
        # "RH bulb gone, did LH as well"
        for c in clauses:
            also = c is not main and c.objectless and c.action in ("replaced", None) and c.start > main.start
            near_also = _ALSO & set(t.tokens[c.start : c.end + 4])
            if also and near_also and main.action in ("replaced", None) and sides | side_symbols(t, things, [c]) in _TWO_SIDES:
                sides = {"both"}
    if main is not None and sides and len(sides) == 1:
        # "bulb LH faulty, replaced both"
        follow = [c for c in clauses if c.objectless and c.action == main.action and c is not main]
        # "bulb and holder, new both"
        several = any(len({f[0] for f in more} | set(came)) > 1 for _, more, came in resolved)
        if not several and "both" in side_symbols(t, things, follow):
            sides = {"both"}
    if (
        main is not None
        and (main.is_swap or any(c.is_swap and (c.objectless or c is main) for c in clauses))
        and (action == "diagnosed")
    ):
        sides = {"both"}
        if "swap_test" not in flags:
            flags.append("swap_test")
    pair = any(e.field == "pair" for h in t.groups[SIDE] for e in h.entries)
    two = any(e.field == "two" for h in t.groups[SIDE] for e in h.entries)
    pieces_only = main is not None and all(x.value == PIECE for x in main.things)
    plural = any(main is None or pieces_only or in_clause(main, h.start) for h in t.groups[PLURAL])
    for h in t.groups[SIDE]:
        used.append(t.phrase(h.start, h.end))

    # beam, category
    beams = {
        e.value
        for h in t.groups[BEAM]
        for e in h.entries
        if e.field.startswith("beam") and e.field != "beam_hint" and (main is None or in_clause(main, h.start)) and not _tells_aim(t, h)
    }
    if not beams:
        beams = {e.value for h in t.groups[BEAM] for e in h.entries if e.field != "beam_hint" and not _tells_aim(t, h)}
    hints = {e.value for h in t.groups[BEAM] for e in h.entries if e.field == "beam_hint"}
    beam = None
    if beams:
        beam = "both" if "both" in beams or len(beams) > 1 else next(iter(beams))
    hint = next(iter(hints)) if len(hints) == 1 else None
    categories = [e.value for h in t.groups[THING] for e in h.entries if e.field == "category"]

    # reason
    elsewhere_clauses = [
        c
        for c in clauses
        if c.things and c is not main and c.action is not None and main is not None and c.action != main.action
    ]
    told = {v for s, v in reasons_at if not any(in_clause(c, s) for c in elsewhere_clauses)}
    faint = {e.value for h in t.groups[REASON] for e in h.entries if e.weight == 0}
    if len(told) > 1 or any(e.field == "symptom" and e.value != "other" for h in symptoms for e in h.entries):
        told -= faint  # "at service, found blown": the occasion, and the fault
    reason = next((r for r in _REASONS if r in told), None)
    if reason == "paired" and sides == {"both"}:
        reason = "failed" if "failed" in told else None  # both of a pair: which one is the reason for the other is not told
    others_fault = reason in ("failed", "planned", "paired", None) and _other_side_failed(t, things, clauses, sides, reasons_at, symptoms)
    if others_fault:
        reason = "paired"
    if reason is None and action == "replaced" and component in _INNER and _BROKEN & set(t.tokens):
        reason = "failed"
    if pair and len(sides) == 1 and sides & (_ONE_SIDE | {"fr", "other"}):
        if reason in (None, "failed"):
            reason = "paired"
    for h in t.groups[REASON]:
        if any(e.value == reason for e in h.entries):
            used.append(t.phrase(h.start, h.end))
    for h in t.groups[FLAG]:
        for e in h.entries:
            if e.value not in flags:
                flags.append(e.value)
    flags = [f for f in flags if not _flag_moot(f, action)]

    symptom, complaint_symptom, lit, symptom_words = _read_symptom(
        t, things, head, elsewhere, symptoms, beam, clauses
    )
    if others_fault:
        symptom = None
    comeback = bool(t.groups[COMEBACK])
    if about in ("nothing", "headlamp") and lit:
        about = "light" if about == "nothing" else about
        # A warning lamp that is on for who knows what is no headlamp matter.
        vague = symptom == "warning_shown" and not any("bulb" in w or "headl" in w or "beam" in w or "fail" in w for w in symptom_words)
        if symptom is not None and component is None and weak is None and not flags and not vague:
            component, how = "unknown", "a light's symptom, no part named"
    words = " | ".join(dict.fromkeys(w for w in used + symptom_words if w))
    if t.mended:
        words += f" ({', '.join(dict.fromkeys(t.mended))})"
    unread = (
        component == "unknown" or (about in ("headlamp", "light") and component is None and weak is None)
    ) and (action in (None, "replaced"))
    light = "led" if "led" in t.tokens else None
    if any(x in ("xenon", "hid", "discharge", "bixenon", "gdl") for x in t.tokens) or any(
        c.startswith("D") for c in categories
    ):
        light = "discharge"
    if light is not None:
        component, weak = (resolve_component(c, light) if c and f"@{light}" in c else c for c in (component, weak))
    drop = {component, weak, None, "unknown", PIECE}
    return Reading(
        component,
        weak,
        about,
        "+".join(sorted(sides)),
        pair,
        two,
        plural,
        beam,
        hint,
        categories[0] if categories else None,
        action,
        main is not None and (component is not None or weak is not None),
        reason,
        symptom,
        complaint_symptom,
        comeback,
        tuple(dict.fromkeys(flags)),
        tuple(dict.fromkeys(r.split("|")[0] for r in renews_out if r.split("|")[0] not in drop)),
        words,
        how,
        symptom is not None
        if component not in (None, "unknown") and reason is None
        else component in (None, "unknown") and (symptom is not None or reason == "failed"),
        unread,
        action == "replaced" and not things and not any(names_unknown(t, c) for c in clauses),
        _bare_symptom(symptoms) if about == "nothing" else None,
    )


def _bare_symptom(symptoms: Sequence[Hit]) -> str | None:
    told = {e.value for h in symptoms for e in h.entries if e.field == "symptom"} - {"other", "warning_shown"}
    return next((s for s in ("flicker", *SYMPTOMS) if s in told), None)


def _flag_moot(flag: str, action: str | None) -> bool:
    """Flags of words that turned out not to be what the line is about."""
    if flag in ("refit_only",):
        return action != "refitted"
    if flag == "diagnosis":
        return action not in ("diagnosed", "inspected", "none")
    if flag in ("quote",):
        return action not in ("quoted", "not_fitted")
    if flag in ("credit",):
        return action != "credited"
    if flag in ("not_fitted", "advised"):
        return action not in ("not_fitted", "quoted")
    return False


def _unit_renewed(t: Text, things: Sequence[Thing]) -> bool:
    """ "Glass broken, new headlamp": the piece tells why, and the unit was renewed."""
    return any(
        (h.end == x.start or h.start == x.end) and any(e.value == "replaced" for e in h.entries)
        for x in things
        if x.kind == "alone" and x.value == "headlamp_assembly"
        for h in t.groups[ACTION]
    )


_WHOLE = frozenset(
    "complete compl cmpl cmplt completely whole entire assy assys assembly komplett kompl kpl komplette komplettes complet complets "
    "ensemble completo completa completi completos".split()
)


_INNER = ("lamp", "ballast", "igniter", "led_driver", "led_module", "control_module", "switch_or_fuse", "wiring")
_BROKEN = frozenset(
    "broken broke snapped shattered gebrochen abgebrochen casse cassee casses cassees roto rota rotos rotas rotto rotta rotti rotte".split()
)


def _other_side_failed(
    t: Text, things: Sequence[Thing], clauses: Sequence[Clause], sides: set[str], reasons_at: Sequence[tuple[int, str]], symptoms: Sequence[Hit]
) -> bool:
    """ "N/s bulb done as well, since o/s was the dead one": the fault is told of the other side alone."""
    if len(sides) != 1 or not sides & _ONE_SIDE:
        return False
    breaks = [0] + [i + 1 for i, x in enumerate(t.tokens) if x in BREAKS or x in _SINCE] + [len(t.tokens)]
    faults = {s for s, v in reasons_at if v == "failed"} | {
        h.start for h in symptoms if any(e.field == "symptom" and e.value in ("low_beam_dark", "high_beam_dark") for e in h.entries)
    }
    seen = False
    for a, b in zip(breaks, breaks[1:], strict=False):
        if not any(a <= s < b for s in faults):
            continue
        of = side_symbols(t, things, [Clause(a, b, [x for x in things if a <= x.start < b], [])])
        if len(of) != 1 or of == sides or sides | of not in _TWO_SIDES:
            return False
        if any(a <= v[0] < b and v[2].value == "replaced" for c in clauses for v in c.actions):
            return False
        seen = True
    return seen


_SINCE = frozenset("since as because weil da since car puisque porque ya perche poiche siccome".split())


def _whole_renewed(t: Text, main: Clause, clauses: Sequence[Clause]) -> bool:
    """ "Glass broken by stone, replaced complete": not the piece alone."""
    renewing = [c for c in clauses if c.action == "replaced" and (c is main or c.objectless)]
    return any(t.tokens[i] in _WHOLE and t.tokens[i - 1 : i] != ["not"] for c in renewing for i in range(c.start, c.end))


def is_ok(t: Text, end: int) -> bool:
    """Whether a part is called good right behind its name."""
    return t.tokens[end : end + 1] in (["ok"], ["good"], ["fine"], ["io"])


_ORDERED = ("order", "await", "waiting", "bestell", "wartet", "command", "attente", "pedid", "espera", "ordinat", "attesa", "b/o", "backorder", "pendient")


def _is_ordered(t: Text) -> bool:
    """Whether a part is waited for: a headlamp that is ordered is the unit."""
    return any(w.startswith(_ORDERED) for w in t.tokens)


def action_of(clauses: Sequence[Clause]) -> str | None:
    """The strongest action of a text's clauses."""
    return min((c.action for c in clauses if c.action), key=lambda a: _OF_LINE[a], default=None)


_WIRE_FAULTS = (
    "short circuit", "short to", "shorting", "shorted", "open circuit", "dead short", "bad connection", "poor connection", "loose connection",
    "kurzschluss", "wackelkontakt", "unterbrechung", "kontaktproblem", "kabelbruch", "court circuit", "faux contact", "mauvais contact", "coupure",
    "cortocircuito", "falso contacto", "mal contacto", "falso contatto", "corto circuito", "in corto", "cattivo contatto",
)  # fmt: skip


def _is_wire_fault(t: Text) -> bool:
    text = " " + " ".join(t.tokens) + " "
    return any(f" {w} " in text for w in _WIRE_FAULTS)


def _tells_aim(t: Text, hit: Hit) -> bool:
    """ "Aim high", "too low": no beam."""
    return hit.start > 0 and t.tokens[hit.start] in ("high", "low", "hi", "lo") and t.tokens[hit.start - 1] in ("aim", "aims", "aiming", "too", "set", "pointing")


def _sided_beam(t: Text) -> bool:
    """ "RH low", "dip n/s": a beam right beside a side, which no other lamp has."""
    beams = [(h.start, h.end) for h in t.groups[BEAM] if t.phrase(h.start, h.end) in ("low", "high", "lo", "hi", "dip", "dipped", "main")]
    sided = [(h.start, h.end) for h in t.groups[SIDE] if any(e.field == "side" for e in h.entries)]
    return any(a == d or b == c for a, b in beams for c, d in sided)


def pairs_colour(t: Text) -> bool:
    """Whether a part was changed for the other side's sake: of all bulbs only a headlamp's are."""
    return any(e.field == "pair" and "match" in t.phrase(h.start, h.end) for h in t.groups[SIDE] for e in h.entries)


def head_elsewhere_free(
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    main: Clause,
    clauses: Sequence[Clause],
) -> bool:
    """Whether other clauses of the text make it a headlamp matter and none makes it another lamp's."""
    return (
        bool(head)
        and not any(main.start <= e[0] < main.end for e in elsewhere)
        and not (
            elsewhere
            and min(abs(e[0] - main.start) for e in elsewhere) < min(abs(h[0] - main.start) for h in head)
        )
    )


def side_symbols(
    t: Text, things: Sequence[Thing], clauses: Sequence[Clause], component: str | None = None
) -> set[str]:
    out: set[str] = set()
    letters: set[str] = set()
    pair_in_clause = False
    pair_ends = [h.end for h in t.groups[SIDE] if any(e.field == "pair" for e in h.entries)]
    parts_named = [(x.start, x.end) for x in things if x.kind == "component" or "driver" in t.tokens[x.start : x.end]]
    all_sides = [h for h in t.groups[SIDE] if any(e.field.startswith("side") for e in h.entries)]
    for h in t.groups[SIDE]:
        clause = next((c for c in clauses if c.start <= h.start < c.end), None)
        if clause is None:
            continue
        if any(x.value == OTHER for x in clause.things) and any(x.value != OTHER for x in clause.things):
            # "left tail bulb": the bulb is another lamp's
            ends = {x.end for x in clause.things if x.kind == "elsewhere"}
            # "left tail bulb and right headlamp bulb": the side goes with the thing beside it
            nearest = min(clause.things, key=lambda x: (max(x.start - h.end, h.start - x.end), x.start < h.start))
            # "headlamp unit, bumper and wing replaced n/s": of all of them
            of_all = nearest.kind == "other" and len(all_sides) == 1 and all(x.end <= h.start for x in clause.things)
            if (nearest.value == OTHER or nearest.start in ends) and nearest.note != "accessory" and not of_all:
                continue
        if any(a <= h.start and h.end <= b for a, b in parts_named):
            continue  # "LED driver" is no side
        if len(all_sides) > 1 and h.start > 0 and t.tokens[h.start - 1] in ("from", "ex"):
            continue  # "ballast lh from rh"
        if any(0 <= h.start - e <= 2 for e in pair_ends) and any(x.start < h.start for x in all_sides):
            continue  # "to match n/s", "as pair with n/s": the other one
        by_field = {e.field: e.value for e in h.entries}
        if component is not None and by_field.get("side") == "both" and h.end - h.start == 1:
            # "replaced assy & both bulbs with it": both bulbs of one headlamp
            follows = next((x for x in clause.things if 0 <= x.start - h.end <= 1), None)
            if (
                follows is not None
                and follows.kind in ("component", "in_context")
                and component not in follows.value
                and any(component in x.value for x in clause.things)
            ):
                continue
        if "side" in by_field or "side_gated" in by_field:
            out.add(by_field.get("side") or by_field["side_gated"])
        elif "side_letter" in by_field:
            near = [x for x in things if x.end == h.start or x.start == h.end] or [
                x for g in (CONTEXT, BEAM) for x in t.groups[g] if x.end == h.start or x.start == h.end
            ]
            if (
                not near
                and h.start >= 1
                and t.tokens[h.start - 1] in BREAKS
                and (h.end == len(t.tokens) or t.tokens[h.end] in BREAKS)
            ):
                near = [x for x in things if x.end == h.start - 1]
            if near:
                letters.add(by_field["side_letter"])
        elif "pair" in by_field:
            pair_in_clause = True
    if not out:
        out = letters
    elif out == {"both"} and letters and any(len({x.value for x in c.things if x.kind in ("component", "in_context")}) > 1 for c in clauses):
        out = letters  # "driver headlight globe and plug both cooked"
    if len(out) > 1:
        out.discard("other")
    if out & {"left", "right", "near", "off"}:
        out -= {"fr", "f_r"}  # "FR headlamp LH": the front one
    single = out - {"both"}
    if "both" in out and len(single) == 1:
        out = single  # "both LH bulbs"
    elif {"left", "right"} <= out or {"near", "off"} <= out or {"driver", "passenger"} <= out:
        slash = any(t.tokens[i] == "/" for c in clauses for i in range(c.start, c.end))
        joined = (
            any(
                "and" in {e.field for e in h.entries} and t.tokens[h.start] != "/"
                for h in t.groups[JOIN]
                if any(c.start <= h.start < c.end for c in clauses)
            )
            or "both" in out
            or pair_in_clause
        )
        out = {"both"} if joined or not slash else {"unknown"}
    return out


def _read_symptom(
    t: Text,
    things: Sequence[Thing],
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    symptoms: Sequence[Hit],
    beam: str | None,
    clauses: Sequence[Clause],
) -> tuple[str | None, str | None, bool, list[str]]:
    """Symptom as told in a description, in a complaint, whether any light is spoken of, and the words."""
    light = [(h.start, h.end) for h in t.groups[CONTEXT]]
    light += [
        (x.start, x.end)
        for x in things
        if x.kind in ("generic", "alone", "component", "category")
        or (x.kind == "in_context" and x.value.startswith("lamp"))
    ]
    weak_light = [(x.start, x.end) for x in things if x.kind == "in_context"]
    segments = _segments(t)
    other_parts = [
        (x.start, x.end)
        for x in things
        if x.kind in ("component", "in_context")
        and not any(v in ("lamp", "headlamp_assembly", PIECE) for v in x.value.split("|"))
    ]
    inner = ("ballast", "led_driver", "igniter", "control_module", "wiring")
    wet_parts = [
        (x.start, x.end)
        for x in things
        if x.kind in ("component", "in_context") and any(v.split("@")[0] in inner for v in x.value.split("|"))
    ]
    units = [
        x.start
        for x in things
        if (x.kind in ("alone", "generic") or x.value in ("headlamp_assembly", PIECE))
        and not any(0 <= x.start - b <= 1 or 0 <= a - x.end <= 1 for a, b in wet_parts)  # "h/lamp ecu", "driver led faro"
    ]
    described: set[str] = set()
    complained: set[str] = set()
    words: list[str] = []
    spoken = False
    carried = "nothing"
    for a, b in segments:
        has_head = any(a <= h[0] < b for h in head) or any(
            a <= h.start < b and any(e.field.startswith("context") for e in h.entries) for h in t.groups[CONTEXT]
        )
        has_else = any(a <= e[0] < b for e in elsewhere)
        has_light = any(a <= x[0] < b for x in light)
        has_other = any(x.kind == "other" and a <= x.start < b for x in things)
        own = [h for h in symptoms if a <= h.start < b]
        if has_head:
            state = "head"
        elif has_else:
            state = "else"
        elif has_light:
            state = "light"
        elif has_other:
            state = "other"
        else:
            state = carried
            if state == "nothing" and any(a <= x[0] < b for x in weak_light):
                state = "weak"
        carried = state if state != "weak" else carried
        if state in ("head", "light"):
            spoken = True
        for h in own:
            for e in h.entries:
                generic = (
                    "light" in t.phrase(h.start, h.end)
                    or "lamp" in t.phrase(h.start, h.end)
                    or ("bulb" in t.phrase(h.start, h.end))
                    or "beam" in t.phrase(h.start, h.end)
                )
                if state in ("else", "other") and not (generic and not has_else and not has_other):
                    continue
                if state in ("nothing", "weak") and not generic:
                    continue
                if (
                    e.field == "symptom_in_complaint"
                    and t.phrase(h.start, h.end) == "no"
                    and not any(h.end <= x[0] <= h.end + 3 for x in light)
                ):
                    continue
                if t.tokens[h.end - 1] == "out" and h.end - h.start > 1 and (
                    t.tokens[h.end : h.end + 1] in (["and"], ["&"], ["for"]) or t.tokens[max(0, h.start - 1)] in _PULLS
                ):
                    continue  # "headlamp out and refit", "cannot get bulb out"
                if e.value == "other" and t.tokens[h.start].startswith(_LOOSE) and any(a <= x[0] < b for x in other_parts):
                    continue  # "loose connector"
                complained.add(e.value)
                if e.value == "water_inside" and wet_parts and (not units or any(a <= x[0] < b for x in wet_parts) and not any(a <= x < b for x in units)):
                    continue  # "ballast wet inside": no water in the lamp
                # "light switch u/s" tells of the switch
                about_part = (
                    e.value == "low_beam_dark"
                    and any(a <= x[0] < b for x in other_parts)
                    and not (t.tokens[h.start] in ("inop", "dead", "out") and any(a <= x.start < b and "led_module" in x.value for x in things))
                    and not (t.tokens[h.start].startswith(_BLOWN) and any(a <= x.start < b and "switch_or_fuse" in x.value for x in things))
                    and (
                        "light" not in t.phrase(h.start, h.end)
                        and "beam" not in t.phrase(h.start, h.end)
                        and "working" not in t.phrase(h.start, h.end)
                    )
                )
                if e.field == "symptom" and not about_part and (e.value != "other" or e.weight >= 2):
                    described.add(e.value)
                words.append(t.phrase(h.start, h.end))
                spoken = True

    if not described and any(e.value == "aim" for h in t.groups[FLAG] for e in h.entries) and not _AIM_OFF.isdisjoint(t.tokens):
        described.add("other")  # "assetto faro dx basso, regolato"
    if not described and _light_called_bad(t, things, segments, elsewhere):
        described.add("low_beam_dark")
        complained.add("low_beam_dark")
        spoken = True

    def choose(found: set[str]) -> str | None:
        if not found:
            return None
        if found & {"low_beam_dark"} and beam == "high":
            found = found - {"low_beam_dark"} | {"high_beam_dark"}
        if "high_beam_dark" in found and "low_beam_dark" in found:
            found = found - {"high_beam_dark"}
        if "flicker" in found:
            return "flicker"
        return next(s for s in SYMPTOMS if s in found)

    return choose(described), choose(complained), spoken, words


_BAD = frozenset(
    "gone ng n/g u/s us faulty failed defective dead inop kaput defekt def kaputt ausgefallen ausfall hs h/s defectueux "
    "panne averiado averiada estropeado guasto guasta avaria ko".split()
)


_LOOSE = ("loose", "lose", "locker", "desserr", "suelt", "floj", "allentat", "lent")
_PULLS = ("get", "getting", "take", "took", "taking", "pull", "pulled", "pulling", "had", "lift", "drop", "remove")
_AIM_OFF = frozenset("out off wrong poor fail failed fails faild low high hoch tief haut bas basso bassi alto alti bajo bajos altos".split())
_BLOWN = ("blown", "blew", "popped", "fondu", "grille", "claque", "durchgebrannt", "fundid", "quemad", "bruciat", "fulminat", "saltat", "fus")


def _light_called_bad(t: Text, things: Sequence[Thing], segments: Sequence[tuple[int, int]], elsewhere: Sequence[tuple[int, int]]) -> bool:
    """ "Both dips gone, new H7s", "Abblendlicht links defekt": a beam called bad gives no light; a part called bad may."""
    for a, b in segments:
        bad = [i for i in range(a, b) if t.tokens[i] in _BAD]
        if not bad or any(a <= x.start < b for x in things) or any(a <= e[0] < b for e in elsewhere):
            continue
        if any(a <= h.start < b and any(e.field.startswith("context") for e in h.entries) for h in t.groups[CONTEXT]) and not any(
            n.end in bad for n in t.groups[NOT]
        ):
            return True
    return False


def _segments(t: Text) -> list[tuple[int, int]]:
    """Spans between breaks and joining words."""
    joins = {h.start for h in t.groups[JOIN] if any(e.field == "then" for e in h.entries)}
    edges = [0] + [i + 1 for i, x in enumerate(t.tokens) if x in BREAKS or i in joins] + [len(t.tokens)]
    return [(a, b) for a, b in zip(edges, edges[1:], strict=False) if a < b]


def resolve_component(code: str | None, lighting: str | None) -> str | None:
    """A component among "value@lighting" choices: the one of the vehicle's lighting, else the one without condition.

    Without either, `unknown`.
    """
    if code is None:
        return None
    plain_value, chosen = None, None
    for choice in code.split("|"):
        value, _, condition = choice.partition("@")
        if not condition:
            plain_value = plain_value or value
        elif condition == lighting:
            chosen = value
    return chosen or plain_value or "unknown"
