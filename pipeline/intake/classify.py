"""Repair lines become component, side, beam, action, symptom and reason, each with the rule and words that decided.

Each text is read once, however many lines carry it; lines are then put together column by column.

**Which source wins** (from left to right)

| what | 1st | 2nd | 3rd | 4th |
|---|---|---|---|---|
| component | `component` column | catalogue entry of the part number | description | "bulb", "fuse" and complaint |
| side | `none` if it has none | `side` column | description | part's name; else two or plural: `both` |
| beam | description | its light source category | complaint | |
| action | quantity < 0: `credited` | `action` column | `outcome`: declined, quoted | description; see 11 |
| symptom | complaint | description | | |
| complaint_side | complaint | | | |
| removal_reason | `planned` column | `outcome` column | description | |

**How a text is read**

1. Small letters, no accents; "l.h.", "L/H", "R & R" become one word each; words run together are split; a
   long word that matches nothing is read as the one known word within one slip (two from ten letters on).
2. Phrases of the vocabulary are found from the left, the longest first, apart for things, sides, beams,
   actions, reasons, symptoms. A word of another language than the text's counts only where the text is in
   no known language; a short English word not in a text that is only foreign.
3. The text falls into clauses at punctuation, at "then", "but", "due to", at "and" before a verb, and
   before a further verb. A clause that begins with "after", "since", "before" tells the occasion, not the
   work. In a clause: of two parts joined by "and", both count; "with" names what comes along (`renews`);
   "without" and "old" drop what follows; after "in", "on", "of" stands only where it sits; of a bare
   compound ("ballast connector") the last word is the thing, and a connector, switch or accessory is the
   thing wherever it stands.
4. A lamp word belongs to the nearest word that tells which lamp, the one before it first: "tail lamp bulb"
   is none of ours (flag `not_headlamp`).
5. "Headlamp" alone is the unit where words of damage, water or removal stand beside it, where it was
   refitted, repaired, cleaned or aimed, and where a line without a verb is just a part's name; otherwise
   `unknown`: lamp or unit. "Scheinwerfer", "optique", "faro" mean the unit. "Lamp" alone is `unknown`, or
   the unit where damage is told. A word that is not known right behind it may be the thing itself:
   `unknown`. A piece of the unit (cap, bracket, lens, seal) is the unit, and renewing it a repair (flag
   `piece`).
6. Inside a clause the action of the greatest weight wins: credited 5; quoted, not fitted, advised 4; "to
   replace", swap test 3; refitted 2; the others 1 (replaced before repaired, refitted, cleaned, adjusted,
   diagnosed, inspected); "new" and "aim" 0. A verb without a part takes the part of its neighbour, unless a
   word that is not known stands beside it. Credited, quoted and not fitted without a part speak of the
   whole line; advised never does.
7. The line is about the clause that names a headlamp part and has the strongest action: replaced, repaired,
   refitted, credited, quoted, not fitted, cleaned, adjusted, diagnosed, advised, inspected. Of several
   parts there, the largest (unit, ballast, igniter, LED parts, lamp); the others renewed in the line go to
   `renews` (flag `kit`).
8. Sides: the clause's own, else the nearest other clause's, those before it first. Near, off, driver and
   passenger are turned by the vehicle's drive_side, and are `unknown` without it. "FR" is the front right
   only where the data also write "FL"; "F/R" never is. Of a swap test the side is `both`.
9. "As pair", "both sides": both sides, or, on a line that names one side, removal_reason `paired`. One
   piece of a numbered part that is called a pair is `paired`, on an unknown side.
10. removal_reason, where several are told: collision, upgrade, planned, paired, failed.
11. No verb at all: `replaced` where a part number, cost or quantity shows that a part was sold; not where
    the words only report a defect.
12. A bare "bulb", "fuse", "relay", "plug" is a headlamp's only where the line or the complaint says so. A
    bare bulb that nothing places is `unknown`; any other such part is no headlamp matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.intake.names import part_number_key
from pipeline.intake.vocabulary import BREAKS, GROUPS, Entry, Hit, Vocabulary, plain, tokens_of

LINE_COLUMNS: dict[str, pl.DataType] = {
    "line_key": pl.Int64(),
    "description": pl.String(),
    "complaint": pl.String(),
    "component": pl.String(),
    "side": pl.String(),
    "action": pl.String(),
    "part_number": pl.String(),
    "quantity": pl.Float64(),
    "part_cost": pl.Float64(),
    "labour_hours": pl.Float64(),
    "drive_side": pl.String(),
    "lighting": pl.String(),
    "planned": pl.Boolean(),
    "outcome": pl.String(),
}
CLASSIFIED_COLUMNS: dict[str, pl.DataType] = {
    "line_key": pl.Int64(),
    "component": pl.String(),
    "side": pl.String(),
    "beam": pl.String(),
    "action": pl.String(),
    "symptom": pl.String(),
    "complaint_side": pl.String(),
    "removal_reason": pl.String(),
    "complaint_reason": pl.String(),
    "flags": pl.String(),
    "pair": pl.Boolean(),
    "comeback": pl.Boolean(),
    "renews": pl.String(),
    "light_source_category": pl.String(),
    "rule": pl.String(),
    "words": pl.String(),
}
ACTIONS = (
    "replaced",
    "refitted",
    "repaired",
    "inspected",
    "adjusted",
    "cleaned",
    "diagnosed",
    "quoted",
    "credited",
    "not_fitted",
    "none",
)
SIDES = ("left", "right", "both", "none", "unknown")
ENDINGS_TOLD = {
    "failed": "failed",
    "planned": "planned",
    "paired": "paired",
    "collision": "collision",
    "upgrade": "upgrade",
}

(
    _THING,
    _CONTEXT,
    _SIDE,
    _BEAM,
    _ACTION,
    _REASON,
    _SYMPTOM,
    _COMEBACK,
    _FLAG,
    _JOIN,
    _NOT,
    _UNIT,
    _SWAP,
    _PLURAL,
) = range(len(GROUPS))
_WITHIN_CLAUSE = {
    a: i
    for i, a in enumerate(
        (
            "replaced",
            "repaired",
            "refitted",
            "cleaned",
            "adjusted",
            "diagnosed",
            "inspected",
            "quoted",
            "credited",
            "not_fitted",
            "advised",
            "none",
        )
    )
}
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
_WHOLE_LINE = ("credited", "not_fitted", "quoted")
_PHYSICAL = ("replaced", "repaired", "refitted", "cleaned", "adjusted")
_HANDS_ON_UNIT = ("replaced", "repaired", "refitted", "cleaned", "quoted", "credited", "not_fitted", "advised")
_REASONS = ("collision", "upgrade", "planned", "paired", "failed")
_SYMPTOMS = ("high_beam_dark", "low_beam_dark", "flicker", "water_inside", "dim", "warning_shown", "other")
_HEAD_NOUNS = ("wiring", "switch_or_fuse", "-", "piece")  # the thing of a compound wherever they stand in it
_SIDED_PAIRS = ("lamp", "igniter", "ballast", "headlamp_assembly", "led_module", "led_driver")
_OTHER = "-"  # a thing that is none of ours
_PIECE = "piece"  # a piece of the headlamp unit
_SIZE = {
    c: i for i, c in enumerate(("headlamp_assembly", "ballast", "igniter", "led_driver", "led_module", "lamp"))
}


# ---------------------------------------------------------------------------------------------------------- one text


@dataclass(frozen=True, slots=True)
class _Thing:
    start: int
    end: int
    kind: str  # component, alone, in_context, generic, category, other
    value: str
    weight: int = 1


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


_EMPTY = Reading()


def _languages(groups: Sequence[Sequence[Hit]]) -> set[str]:
    """The languages of a text: those with at least half as many words of their own as the leading one."""
    spoken_at: dict[int, set[str]] = {}
    for group in (_THING, _CONTEXT, _SIDE, _ACTION, _REASON, _SYMPTOM):
        for hit in groups[group]:
            for i in range(hit.start, hit.end):
                spoken_at.setdefault(i, set()).update(e.language for e in hit.entries)
    votes: dict[str, int] = {}
    for group in (_THING, _CONTEXT, _SIDE, _ACTION, _REASON, _SYMPTOM):
        for hit in groups[group]:
            languages = {e.language for e in hit.entries}
            if (
                len(languages) == 1
                and not any(e.is_short or e.field.endswith("_gated") for e in hit.entries)
                and all(spoken_at[i] == languages for i in range(hit.start, hit.end))
            ):
                language = next(iter(languages))
                votes[language] = votes.get(language, 0) + 1
    votes.pop("any", None)
    if not votes:
        # "preventivo faro dx": Italian or Spanish, and no other
        return set().union(*(langs for langs in spoken_at.values() if not langs & {"en", "any"}))
    most = max(votes.values(), default=0)
    return {v for v, n in votes.items() if 2 * n >= most}


def _accepted(entries: Iterable[Entry], languages: set[str], exclusive: bool) -> tuple[Entry, ...]:
    kept = []
    entries = tuple(entries)
    english = any(e.language in ("en", "any") for e in entries)
    for e in entries:
        if e.language == "any":
            kept.append(e)
        elif e.field.endswith("_gated"):
            if e.language in languages:
                kept.append(e)
        elif e.language == "en":
            # "lt" is left in English and "laut" in German.
            if not (e.is_short and exclusive):
                kept.append(e)
        elif e.language in languages or (not languages and not english):
            kept.append(e)
    return tuple(kept)


class _Text:
    """A text's tokens and hits."""

    def __init__(self, text: str, vocabulary: Vocabulary, languages: Sequence[str] = ()) -> None:
        raw = tokens_of(text)
        tokens: list[str] = []
        self.mended: list[str] = []
        for t in raw:
            m = vocabulary.mend(t) if len(t) >= 6 else (t,)
            if m != (t,):
                self.mended.append(f"{t}={' '.join(m)}")
            tokens.extend(m)
        self.tokens = tokens
        groups = vocabulary.match(tokens)
        spoken = _languages(groups)
        exclusive = bool(spoken - {"en"}) and "en" not in spoken
        spoken |= set(languages)
        self.groups: list[list[Hit]] = []
        for hits in groups:
            kept = []
            for h in hits:
                entries = _accepted(h.entries, spoken, exclusive)
                if entries:
                    kept.append(h if len(entries) == len(h.entries) else replace(h, entries=entries))
            self.groups.append(kept)
        self.vocabulary = vocabulary

    def phrase(self, start: int, end: int) -> str:
        return " ".join(self.tokens[start:end])


def _denied(hit: Hit, negations: Sequence[Hit]) -> bool:
    return any(n.end == hit.start for n in negations)


def _is_fleet_number(text: _Text, hit: Hit) -> bool:
    """ "Unit 4711" is a vehicle."""
    return (
        text.phrase(hit.start, hit.end) == "unit" and hit.end < len(text.tokens) and text.tokens[hit.end].isdigit()
    )


def _things(text: _Text) -> tuple[list[_Thing], list[tuple[int, int]], list[tuple[int, int]]]:
    """Things in order, and the places of words that tell headlamp, and another lamp."""
    head = [
        (h.start, h.end) for h in text.groups[_CONTEXT] if any(e.field.startswith("context") for e in h.entries)
    ]
    lamp_words = [
        (h.start, h.end) for h in text.groups[_CONTEXT] if any(e.field == "lamp_word" for e in h.entries)
    ]
    things: list[_Thing] = []
    elsewhere: list[tuple[int, int]] = []
    for h in text.groups[_THING]:
        by_field = {}
        for e in h.entries:
            by_field.setdefault(e.field, []).append(e)
        for kind, field in (
            ("component", "component"),
            ("other", "other_part"),
            ("component", "piece"),
            ("in_context", "piece_in_context"),
            ("alone", "component_alone"),
            ("in_context", "component_in_context"),
            ("generic", "lamp_generic"),
            ("category", "category"),
        ):
            if field in by_field:
                if text.phrase(h.start, h.end) in ("unit", "units") and (
                    _is_fleet_number(text, h)
                    or (things and things[-1].end == h.start and things[-1].kind != "alone")
                ):
                    break  # "ignition unit" is one thing
                values = sorted({e.value for e in by_field[field]}, key=lambda v: ("@" in v, v))
                value = _OTHER if kind == "other" else _PIECE if field.startswith("piece") else "|".join(values)
                weight = max(e.weight for e in by_field[field])
                things.append(_Thing(h.start, h.end, kind, value, weight))
                break
        else:
            found = by_field.get("elsewhere", []) + by_field.get("elsewhere_gated", [])
            if found:
                near = any(abs(a - h.end) <= 1 or abs(h.start - b) <= 1 for a, b in lamp_words) or any(
                    "lamp" in e.value
                    for t in text.groups[_THING]
                    for e in t.entries
                    if e.field in ("component_in_context", "lamp_generic")
                    and (abs(t.start - h.end) <= 1 or abs(h.start - t.end) <= 1)
                )
                if any(e.weight > 0 for e in found) or near:
                    elsewhere.append((h.start, h.end))
                    things.append(_Thing(h.start, h.end, "elsewhere", _OTHER))
    # "Bumper off for xenon bulb": what was in the way
    if any(t.value != _OTHER for t in things):
        things = [t for t in things if not (t.kind == "other" and t.weight == 0)]
    # "Ballast wet, unit replaced": the unit is the ballast
    strong = min(
        (t.start for t in things if t.kind == "component" and t.value != "headlamp_assembly"), default=None
    )
    if strong is not None:
        things = [
            t for t in things if t.start < strong or text.phrase(t.start, t.end) not in ("unit", "units", "assy")
        ]
    head += [(t.start, t.end) for t in things if t.kind == "alone" and t.value != "led_module"]
    for t in things:
        if t.kind == "component":
            head.append((t.start, t.end))
        elif t.kind == "category":
            head.append((t.start, t.end))
    return things, sorted(head), sorted(elsewhere)


@dataclass(slots=True)
class _Clause:
    start: int
    end: int
    things: list[_Thing]
    actions: list[tuple[int, int, Entry]]
    action: str | None = None
    weight: int = 0
    objectless: bool = False
    is_swap: bool = False


def _clauses(text: _Text, things: Sequence[_Thing]) -> list[_Clause]:
    tokens = text.tokens
    n = len(tokens)
    verbs = []  # (start, end, entry of the greatest weight)
    negations = text.groups[_NOT]
    for h in text.groups[_ACTION]:
        entries = [e for e in h.entries if e.field == "action"]
        if not entries:
            continue
        best = min(entries, key=lambda e: (-e.weight, _WITHIN_CLAUSE[e.value]))
        if _denied(h, negations) and best.value in ("replaced", "repaired", "refitted", "adjusted", "cleaned"):
            best = replace(best, value="not_fitted", weight=4)
        verbs.append((h.start, h.end, best))
    starts = {v[0] for v in verbs if v[2].weight > 0}
    joins = {h.start: {e.field for e in h.entries} for h in text.groups[_JOIN]}
    spans = [(t.start, t.end) for t in things]
    inside = {i for a, b in spans for i in range(a + 1, b)}
    inside |= {i for h in text.groups[_ACTION] for i in range(h.start + 1, h.end)}
    inside |= {i for h in text.groups[_SIDE] for i in range(h.start + 1, h.end)}
    cuts = {0}
    for i, t in enumerate(tokens):
        if i in inside:
            continue
        if t in BREAKS:
            cuts.add(i + 1)
        elif "then" in joins.get(i, ()) or "aside" in joins.get(i, ()):
            cuts.add(i)
        elif "and" in joins.get(i, ()) and i + 1 in starts:
            cuts.add(i + 1)
    edges = sorted(cuts | {n})
    out: list[_Clause] = []
    for a, b in zip(edges, edges[1:], strict=False):
        if a >= b:
            continue
        own_things = [t for t in things if a <= t.start < b]
        own_verbs = [v for v in verbs if a <= v[0] < b]
        strong = [v for v in own_verbs if v[2].weight > 0]
        pieces = [a]
        if len({v[2].value for v in strong}) > 1:
            first_thing = own_things[0].start if own_things else n
            active = strong[0][0] < first_thing
            for before, v in zip(strong, strong[1:], strict=False):
                if v[2].value == before[2].value and v[2].weight == before[2].weight:
                    continue
                if v[2].value == "diagnosed" and v[2].weight == 3:
                    continue  # "swapped with the other one to test"
                if before[2].weight >= 4:
                    continue  # "advise replacement of"
                if v[2].weight >= 4 and not any(t.start > v[0] for t in own_things):
                    continue  # "replace bulb declined"
                if active:
                    if any(before[0] < t.start < v[0] for t in own_things) or v[2].value in (
                        "inspected",
                        "diagnosed",
                    ):
                        pieces.append(v[0])
                    elif before[2].weight < 4:
                        pieces.append(v[0])
                else:
                    pieces.append(before[1])
        pieces = sorted(set(pieces)) + [b]
        for x, y in zip(pieces, pieces[1:], strict=False):
            out.append(
                _Clause(x, y, [t for t in own_things if x <= t.start < y], [v for v in own_verbs if x <= v[0] < y])
            )
    asides = {h.start for h in text.groups[_JOIN] if any(e.field == "aside" for e in h.entries)}
    kept = [c for c in out if c.start not in asides]
    if any(c.actions or c.things for c in kept):
        out = kept
    for c in out:
        swaps = {e.value for h in text.groups[_SWAP] if c.start <= h.start < c.end for e in h.entries}
        c.is_swap = len(swaps) == 2
        if c.actions:
            best = min(c.actions, key=lambda v: (-v[2].weight, _WITHIN_CLAUSE[v[2].value]))
            c.action, c.weight = best[2].value, best[2].weight
        if c.is_swap and (c.action is None or c.weight < 4):
            c.action, c.weight = "diagnosed", 3
        c.objectless = not c.things and not _names_unknown(text, c)
    return out


def _names_unknown(text: _Text, clause: _Clause) -> bool:
    """Whether a verb stands right beside an unknown word: then it speaks of that, not of a neighbour's part."""
    for a, b, _ in clause.actions:
        for i in (a - 1, b):
            if clause.start <= i < clause.end:
                t = text.tokens[i]
                if len(t) >= 5 and t.isalpha() and not text.vocabulary.is_known(t):
                    return True
    return False


def _settle_actions(clauses: list[_Clause], quiet: Sequence[bool]) -> str | None:
    """Verbs without a part take their neighbour's; parts without a verb take theirs. Gives the line's own action."""
    whole_line = None
    for i, c in enumerate(clauses):
        if not (c.objectless and c.action):
            continue
        if c.action in _WHOLE_LINE and c.weight >= 4:
            if whole_line is None or c.action == "credited":
                whole_line = c.action
            continue
        before = next((x for x in reversed(clauses[:i]) if x.things), None)
        after = next((x for x in clauses[i + 1 :] if x.things), None)
        if before is not None and (
            before.action is None
            or (
                (c.action in _PHYSICAL and before.action in ("inspected", "diagnosed", "advised") and c.weight > 0)
                or (c.action == "diagnosed" and before.action == "inspected")
            )
        ):
            before.action, before.weight = c.action, c.weight
        elif after is not None and after.action is None and before is None:
            after.action, after.weight = c.action, c.weight
    for i, c in enumerate(clauses):
        if c.things and c.action is None and not quiet[i]:
            before = next((x for x in reversed(clauses[:i]) if x.action), None)
            if (
                before is not None
                and before.action not in ("diagnosed", "inspected")
                and any(t.kind not in ("alone", "elsewhere") for t in c.things)
            ):
                c.action, c.weight = before.action, before.weight
    return whole_line


def _resolve(
    clause: _Clause,
    text: _Text,
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    has_damage: bool,
) -> tuple[list[tuple[str, bool, str]], list[str], bool, bool]:
    """Parts of a clause as (component, told by itself, words), what comes with them, whether a part or another lamp
    than ours is named, whether only 'headlamp' is named."""
    joins = {h.start: {e.field for e in h.entries} for h in text.groups[_JOIN]}
    own_head = [h for h in head if clause.start <= h[0] < clause.end]
    own_else = [e for e in elsewhere if clause.start <= e[0] < clause.end]
    real = [t for t in clause.things if t.kind in ("component", "in_context", "generic", "other")]
    if not [t for t in real if t.kind != "other"]:
        real = [t for t in clause.things if t.kind in ("component", "in_context", "generic", "other", "category")]
    alone = [t for t in clause.things if t.kind == "alone"]
    others = any(t.value == _OTHER for t in clause.things)
    found: list[tuple[str, bool, str]] = []
    renews: list[str] = []
    if real and alone:
        # "headlamp c/w bulb", "headlamp + bulbs": here the headlamp is a thing of its own
        unit = next((x for x in alone if x.value == "headlamp_assembly" and x.end <= real[0].start), None)
        if unit is not None:
            links = set().union(*[joins.get(i, set()) for i in range(unit.end, real[0].start)], set())
            slash = "/" in text.tokens[unit.end : real[0].start]
            other_lamp = any(unit.end <= e[0] < real[0].start for e in own_else)
            if ("with" in links or ("and" in links and not slash)) and not other_lamp and real[0].value != _OTHER:
                real = [replace(unit, kind="component"), *real]
    if not real:
        if alone:
            # "headlamp, rear fog": the first one speaks
            return [], renews, others, True
        return [], renews, others or bool(own_else), False

    # join the things
    groups: list[list[_Thing]] = []
    role = "main"
    roles: list[str] = []
    previous: _Thing | None = None
    for t in real:
        between = set()
        if previous is not None:
            for i in range(previous.end, t.start):
                between |= joins.get(i, set())
            if any(v[0] >= previous.end and v[1] <= t.start for v in clause.actions):
                between.add("and")
            if text.tokens[previous.end : t.start].count("/"):
                between.add("and")
        else:
            for i in range(clause.start, t.start):
                between |= joins.get(i, set()) & {"without"}
        if "without" in between:
            role = "without"
        elif "with" in between:
            role = "with"
        elif "and" in between:
            pass
        elif "of" in between and role != "with":
            role_now = "place"
            groups.append([t])
            roles.append(role_now)
            previous = t
            continue
        elif previous is not None and groups and roles[-1] == role:
            groups[-1].append(t)
            previous = t
            continue
        groups.append([t])
        roles.append(role)
        previous = t

    for things, r in zip(groups, roles, strict=False):
        if r in ("without", "place"):
            continue
        thing = next((t for t in reversed(things) if any(n in t.value.split("|") for n in _HEAD_NOUNS)), None)
        if thing is None:  # "ballast headlamp assembly" is the ballast
            thing = next((t for t in reversed(things) if t.value != "headlamp_assembly"), things[-1])
        values = thing.value
        where = (
            text.phrase(things[0].start, things[-1].end)
            if len(things) > 1
            else text.phrase(thing.start, thing.end)
        )
        if thing.kind == "other":
            if r == "main":
                found.append((_OTHER, True, where))
            continue
        value = "lamp" if thing.kind == "category" else values
        if thing.kind == "generic":
            value = "headlamp_assembly" if has_damage else "lamp" if r == "with" else "unknown"
            if any(x.kind == "category" for x in clause.things):
                value = "lamp"
        # which lamp is it of
        span = (things[0].start, things[-1].end)
        covers_head = any(h[0] < span[1] and span[0] < h[1] for h in own_head if h not in own_else)
        before = max((h for h in own_head + own_else if h[1] <= span[0]), default=None)
        after = min((h for h in own_head + own_else if h[0] >= span[1]), default=None)
        is_else = False
        if before is not None:
            is_else = before in own_else
        elif after is not None and not covers_head:
            is_else = after in own_else
        if before is not None and is_else and covers_head and "headl" in where:
            is_else = False
        if is_else:
            if r == "main":
                found.append((_OTHER, True, where))
            continue
        strong = thing.kind in ("component", "category") or bool(own_head) and not is_else
        if r == "with":
            renews.append(value)
        else:
            found.append((value, strong, where))
    return found, renews, others, bool(alone)


def _known_next(text: _Text, end: int) -> bool:
    """Whether the word after a bare 'headlamp' is known, or there is none: an unknown one may be the thing itself."""
    if end >= len(text.tokens):
        return True
    t = text.tokens[end]
    return not t.isalpha() or len(t) < 3 or text.vocabulary.is_known(t)


def read_text(text: str | None, vocabulary: Vocabulary, languages: Sequence[str] = ()) -> Reading:
    """What one text says by itself: a description, a complaint, a part's name.

    languages: two-letter codes whose short words are read even where nothing else in the text is of that language.
    """
    if text is None or not text.strip():
        return _EMPTY
    t = _Text(text, vocabulary, languages)
    if not any(t.groups):
        return _EMPTY
    things, head, elsewhere = _things(t)
    negations = t.groups[_NOT]
    reasons_at = [(h.start, e.value) for h in t.groups[_REASON] if not _denied(h, negations) for e in h.entries]
    symptoms = [
        h
        for h in t.groups[_SYMPTOM]
        if not _denied(h, negations)
        or t.tokens[h.start] in ("no", "not", "kein", "keine", "pas", "non", "sin", "ohne")
    ]
    has_damage = (
        any(v == "collision" for _, v in reasons_at)
        or any(e.value == "water_inside" for h in symptoms for e in h.entries)
        or any(t.phrase(h.start, h.end) not in ("removed", "remove", "removal") for h in t.groups[_UNIT])
    )
    clauses = _clauses(t, things)
    unit_told = bool(t.groups[_UNIT]) or any(e.value == "aim" for h in t.groups[_FLAG] for e in h.entries)

    def in_clause(c: _Clause, start: int) -> bool:
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
    whole_line = _settle_actions(clauses, quiet)

    # the clause that the line is about
    best: tuple[tuple[int, int, int, int], _Clause, list[tuple[str, bool, str]], list[str], bool] | None = None
    resolved = []
    for i, c in enumerate(clauses):
        if not c.things:
            continue
        found, renews, others, alone = _resolve(c, t, head, elsewhere, has_damage)
        ours = [f for f in found if f[0] != _OTHER]
        resolved.append((c, found, renews))
        if ours:
            strength = 0 if any(f[1] for f in ours) else 1
        elif found:
            strength = 3
        elif alone:
            strength = 2
        else:
            strength = 3
        action_rank = _OF_LINE[c.action or "none"]
        if strength == 2 and c.action not in _HANDS_ON_UNIT:
            action_rank += 1  # bare "headlamp" with a check says less than a part does
        rank = (0 if strength < 3 else 1, action_rank, strength, i)
        if best is None or rank < best[0]:
            best = (rank, c, found, renews, alone)

    component = weak = None
    flags: list[str] = []
    renews_out: list[str] = []
    used: list[str] = []
    main: _Clause | None = None
    how = ""
    about = "nothing"
    if best is not None:
        _, main, found, renews, alone = best
        ours = [f for f in found if f[0] != _OTHER]
        if ours:
            first = min(ours, key=lambda f: (f[0] in (_PIECE, "unknown"), _SIZE.get(f[0].split("|")[0], 9)))
            if first[1] or head_elsewhere_free(head, elsewhere, main, clauses):
                component = first[0]
            else:
                weak = first[0]
            used.append(first[2])
            how = "named"
            if first[0] == _PIECE:
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
                and any(e.field == "lamp_word" for h in t.groups[_CONTEXT] for e in h.entries)
            ):
                component, weak = weak, None  # "body control module recoded, lights ok"
            renews_out = [f[0] for f in ours if f is not first] + renews
            for c, more, more_renews in resolved:
                if c is not main and c.action == main.action and main.action == "replaced":
                    renews_out += [f[0] for f in more if f[0] != _OTHER] + more_renews
            if len(ours) > 1 or any(
                f[0] not in (first[0], _OTHER)
                for c, more, _ in resolved
                if c is not main and c.action == main.action
                for f in more
            ):
                if any(r not in (first[0], _PIECE, "unknown") for r in renews_out):
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
            elif elses and elses[-1].start > last.start and not units:
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
                    or bool(t.groups[_UNIT])
                    or main.action in ("refitted", "repaired", "cleaned", "adjusted")
                )
            ):
                component, how = "headlamp_assembly", "headlamp, and words of the whole unit"
            elif main.action in _HANDS_ON_UNIT or not verbs_present:
                if not all(_known_next(t, x.end) for x in values):
                    component, how = "unknown", "headlamp and an unknown word"
                elif units and (max(x.weight for x in units) >= 2 or not verbs_present):
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
    if (
        component is None
        and weak is None
        and about == "nothing"
        and any(e.field.startswith("context") for h in t.groups[_CONTEXT] for e in h.entries)
    ):
        acted = min((c.action for c in clauses if c.action), key=lambda a: _OF_LINE[a], default=None)
        if acted is not None and not elsewhere:
            component, how = "unknown", "a headlamp matter, no part named"
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
        sides_there = _side_symbols(t, things, [objectless])
        sides_main = _side_symbols(t, things, [main]) if main is not None else set()
        if not sides_there or not sides_main or sides_there == sides_main:
            action = whole_line
    for c in clauses:
        for a, b, e in c.actions:
            if e.value == action or (action is None):
                used.append(t.phrase(a, b))
    if "piece" in flags and action == "replaced":
        action = "repaired"
    if action == "advised":
        action = "not_fitted"
        flags.append("advised")

    # sides
    own = [main] if main is not None else []
    sides = _side_symbols(t, things, own) if own else set()
    if not sides:
        if main is not None:
            # another clause's: one that found a side good last, those before first, the nearest first
            for c in sorted(
                (c for c in clauses if c is not main and not any(x.value == _OTHER for x in c.things)),
                key=lambda c: (
                    c.action == "inspected" and main.action != "inspected",
                    c.start > main.start,
                    abs(c.start - main.start),
                ),
            ):
                sides = _side_symbols(t, things, [c])
                if sides:
                    break
        else:
            sides = _side_symbols(t, things, clauses)
    elif main is not None and sides == {"both"}:
        pass
    if main is not None and len(sides) == 1 and sides & {"left", "right", "near", "off", "driver", "passenger"}:
        # "headlamp bulb left, headlamp bulb right"
        for c, more, _ in resolved:
            if c is not main and c.action == main.action and any(f[0] == component for f in more):
                union = sides | _side_symbols(t, things, [c])
                if union in ({"left", "right"}, {"near", "off"}, {"driver", "passenger"}):
                    sides = {"both"}
    if main is not None and sides and len(sides) == 1:
        # "bulb LH faulty, replaced both"
        follow = [c for c in clauses if c.objectless and c.action == main.action and c is not main]
        if "both" in _side_symbols(t, things, follow):
            sides = {"both"}
    if (
        main is not None
        and (main.is_swap or any(c.is_swap and (c.objectless or c is main) for c in clauses))
        and (action == "diagnosed")
    ):
        sides = {"both"}
        if "swap_test" not in flags:
            flags.append("swap_test")
    pair = any(e.field == "pair" for h in t.groups[_SIDE] for e in h.entries)
    two = any(e.field == "two" for h in t.groups[_SIDE] for e in h.entries)
    plural = any(main is None or in_clause(main, h.start) for h in t.groups[_PLURAL])
    for h in t.groups[_SIDE]:
        used.append(t.phrase(h.start, h.end))

    # beam, category
    beams = {
        e.value
        for h in t.groups[_BEAM]
        for e in h.entries
        if e.field.startswith("beam") and e.field != "beam_hint" and (main is None or in_clause(main, h.start))
    }
    if not beams:
        beams = {e.value for h in t.groups[_BEAM] for e in h.entries if e.field != "beam_hint"}
    hints = {e.value for h in t.groups[_BEAM] for e in h.entries if e.field == "beam_hint"}
    beam = None
    if beams:
        beam = "both" if "both" in beams or len(beams) > 1 else next(iter(beams))
    hint = next(iter(hints)) if len(hints) == 1 else None
    categories = [e.value for h in t.groups[_THING] for e in h.entries if e.field == "category"]

    # reason
    elsewhere_clauses = [
        c
        for c in clauses
        if c.things and c is not main and c.action is not None and main is not None and c.action != main.action
    ]
    told = {v for s, v in reasons_at if not any(in_clause(c, s) for c in elsewhere_clauses)}
    reason = next((r for r in _REASONS if r in told), None)
    if pair and len(sides) == 1 and sides & {"left", "right", "near", "off", "driver", "passenger", "fr"}:
        if reason in (None, "failed"):
            reason = "paired"
    for h in t.groups[_REASON]:
        if any(e.value == reason for e in h.entries):
            used.append(t.phrase(h.start, h.end))
    for h in t.groups[_FLAG]:
        for e in h.entries:
            if e.value not in flags:
                flags.append(e.value)
    flags = [f for f in flags if not _flag_moot(f, action)]

    symptom, complaint_symptom, lit, symptom_words = _read_symptom(
        t, things, head, elsewhere, symptoms, beam, clauses
    )
    comeback = bool(t.groups[_COMEBACK])
    if about == "nothing" and lit:
        about = "light"
        if symptom is not None and component is None and weak is None and not flags:
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
    drop = {component, weak, None, "unknown", _PIECE}
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
    )


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


def head_elsewhere_free(
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    main: _Clause,
    clauses: Sequence[_Clause],
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


def _side_symbols(t: _Text, things: Sequence[_Thing], clauses: Sequence[_Clause]) -> set[str]:
    out: set[str] = set()
    letters: set[str] = set()
    pair_in_clause = False
    pair_ends = [h.end for h in t.groups[_SIDE] if any(e.field == "pair" for e in h.entries)]
    parts_named = [(x.start, x.end) for x in things if x.kind == "component"]
    all_sides = [h for h in t.groups[_SIDE] if any(e.field.startswith("side") for e in h.entries)]
    for h in t.groups[_SIDE]:
        clause = next((c for c in clauses if c.start <= h.start < c.end), None)
        if clause is None:
            continue
        if any(x.value == _OTHER for x in clause.things) and any(x.value != _OTHER for x in clause.things):
            # "left tail bulb and right headlamp bulb": the side goes with the thing beside it
            nearest = min(clause.things, key=lambda x: (max(x.start - h.end, h.start - x.end), x.start < h.start))
            if nearest.value == _OTHER:
                continue
        if any(a <= h.start and h.end <= b for a, b in parts_named):
            continue  # "LED driver" is no side
        if any(0 <= h.start - e <= 2 for e in pair_ends) and any(x.start < h.start for x in all_sides):
            continue  # "to match n/s", "as pair with n/s": the other one
        by_field = {e.field: e.value for e in h.entries}
        if "side" in by_field or "side_gated" in by_field:
            out.add(by_field.get("side") or by_field["side_gated"])
        elif "side_letter" in by_field:
            near = [x for x in things if x.end == h.start or x.start == h.end] or [
                x for g in (_CONTEXT, _BEAM) for x in t.groups[g] if x.end == h.start or x.start == h.end
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
    single = out - {"both"}
    if "both" in out and len(single) == 1:
        out = single  # "both LH bulbs"
    elif {"left", "right"} <= out or {"near", "off"} <= out or {"driver", "passenger"} <= out:
        slash = any(t.tokens[i] == "/" for c in clauses for i in range(c.start, c.end))
        joined = (
            any(
                "and" in {e.field for e in h.entries} and t.tokens[h.start] != "/"
                for h in t.groups[_JOIN]
                if any(c.start <= h.start < c.end for c in clauses)
            )
            or "both" in out
            or pair_in_clause
        )
        out = {"both"} if joined or not slash else {"unknown"}
    return out


def _read_symptom(
    t: _Text,
    things: Sequence[_Thing],
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    symptoms: Sequence[Hit],
    beam: str | None,
    clauses: Sequence[_Clause],
) -> tuple[str | None, str | None, bool, list[str]]:
    """Symptom as told in a description, in a complaint, whether any light is spoken of, and the words."""
    light = [(h.start, h.end) for h in t.groups[_CONTEXT]]
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
        and not any(v in ("lamp", "headlamp_assembly", _PIECE) for v in x.value.split("|"))
    ]
    described: set[str] = set()
    complained: set[str] = set()
    words: list[str] = []
    spoken = False
    carried = "nothing"
    for a, b in segments:
        has_head = any(a <= h[0] < b for h in head) or any(
            a <= h.start < b and any(e.field.startswith("context") for e in h.entries) for h in t.groups[_CONTEXT]
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
                complained.add(e.value)
                # "light switch u/s" tells of the switch
                about_part = (
                    e.value == "low_beam_dark"
                    and any(a <= x[0] < b for x in other_parts)
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

    def choose(found: set[str]) -> str | None:
        if not found:
            return None
        if found & {"low_beam_dark"} and beam == "high":
            found = found - {"low_beam_dark"} | {"high_beam_dark"}
        if "high_beam_dark" in found and "low_beam_dark" in found:
            found = found - {"high_beam_dark"}
        if "flicker" in found:
            return "flicker"
        return next(s for s in _SYMPTOMS if s in found)

    return choose(described), choose(complained), spoken, words


def _segments(t: _Text) -> list[tuple[int, int]]:
    """Spans between breaks and joining words."""
    joins = {h.start for h in t.groups[_JOIN] if any(e.field == "then" for e in h.entries)}
    edges = [0] + [i + 1 for i, x in enumerate(t.tokens) if x in BREAKS or i in joins] + [len(t.tokens)]
    return [(a, b) for a, b in zip(edges, edges[1:], strict=False) if a < b]


# ---------------------------------------------------------------------------------------------------------- helpers


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


def resolve_side(symbols: str, drive_side: str | None, front_right: bool = False) -> str:
    """One side of left, right, both, unknown from the symbols of a text and the side of the driver's seat.

    The passenger's side is the near (kerb) side in the country that a vehicle is built for. Symbols that contradict
    each other give unknown.
    """
    if not symbols:
        return "unknown"
    out = set()
    for s in symbols.split("+"):
        if s in ("left", "right", "both"):
            out.add(s)
        elif s == "fr":
            out.add("right" if front_right else "unknown")
        elif s in ("driver", "off") and drive_side in ("left", "right"):
            out.add(drive_side)
        elif s in ("passenger", "near") and drive_side in ("left", "right"):
            out.add("right" if drive_side == "left" else "left")
        else:
            out.add("unknown")
    if "both" in out and len(out) == 2:
        out.discard("both")
    return out.pop() if len(out) == 1 else "unknown"


def read_side(text: str | None, vocabulary: Vocabulary) -> str:
    """Side symbols of a cell that holds nothing but a side; single letters count (L, R, B)."""
    if text is None or not text.strip():
        return ""
    value = " ".join(plain(text).split())
    direct = {
        "l": "left",
        "r": "right",
        "b": "both",
        "n": "near",
        "o": "off",
        "none": "none",
        "unknown": "unknown",
        "n/a": "none",
        "-": "none",
        "lr": "both",
        "l/r": "both",
        "rl": "both",
        "2": "both",
    }
    if value in direct:
        return direct[value]
    t = _Text(text, vocabulary, ("de", "fr", "it", "es"))
    everything = [_Clause(0, len(t.tokens), [], [])]
    return "+".join(sorted(_side_symbols(t, [], everything)))


def read_component(text: str | None, vocabulary: Vocabulary) -> str | None:
    """Component (or choices, see resolve_component) of a cell that names nothing but a headlamp part.

    None where it cannot be read; "-" where it names another part than ours.
    """
    if text is None or not text.strip():
        return None
    key = "_".join(plain(text).replace("-", " ").replace("_", " ").split())
    if key in vocabulary.components or key == "unknown":
        return key
    told, weak = _read_part(text, vocabulary)
    return told if told not in (None, "unknown") or weak is None else weak


def _read_part(text: str | None, vocabulary: Vocabulary) -> tuple[str | None, str | None]:
    """Component that a part's name tells by itself ("-" for another part than ours), and the one that it may be."""
    if text is None or not text.strip():
        return None, None
    r = read_text(text, vocabulary)
    if "," in text or " - " in text:
        # Catalogues write "DRIVER, LED HEADLAMP": the noun first, what qualifies it after.
        turned = read_text(" ".join(reversed(text.replace(" - ", ",").split(","))), vocabulary)
        if turned.component not in (None, "unknown") or r.component in (None, "unknown"):
            r = turned
    if "piece" in r.flags:
        return _OTHER, None
    if r.component == "unknown" and r.weak_component is not None:
        return r.weak_component, None  # a bare "headlamp" in a catalogue is the unit
    if r.component not in (None, "unknown"):
        return r.component, None
    if r.weak_component is not None:
        return None, r.weak_component
    if r.about in ("elsewhere", "other") or "not_headlamp" in r.flags:
        return _OTHER, None
    return r.component, None


def read_place(text: str, vocabulary: Vocabulary, drive_side: str | None = None) -> tuple[str, str] | None:
    """One place such as "L:lamp", "R: headlight unit", "C:module" as (side, component); None where it cannot be read.

    Side `none` is the centre (C) and every component that has no side.
    """
    first, mark, rest = text.partition(":")
    if not mark:
        return None
    centre = plain(first).strip() in ("c", "centre", "center", "m", "mid", "middle", "none", "-")
    side = "none" if centre else resolve_side(read_side(first, vocabulary), drive_side)
    code = read_component(rest, vocabulary)
    if code is None or code == _OTHER:
        return None
    component = resolve_component(code, None)
    if component == "unknown" and centre:
        component = "control_module"
    if component in vocabulary.unsided:
        side = "none"
    if component in (None, "unknown") or side == "unknown":
        return None
    return side, component


def read_not_original(
    text: str | None, vocabulary: Vocabulary, drive_side: str | None = None
) -> tuple[list[tuple[str, str]] | None, list[str]]:
    """Places of parts that were seen not to be the first ones, and the pieces that could not be read.

    "L:lamp;R:ballast;C:module" gives ([("left", "lamp"), ("right", "ballast"), ("none", "control_module")], []);
    "none" gives ([], []) (looked at, all original); blank gives (None, []) (not looked at).
    """
    if text is None or not text.strip():
        return None, []
    if plain(text).strip() in ("none", "-", "no", "nil", "all original", "original"):
        return [], []
    places, unread = [], []
    for piece in text.replace("|", ";").replace(",", ";").split(";"):
        if not piece.strip():
            continue
        place = read_place(piece, vocabulary, drive_side)
        if place is None:
            unread.append(piece.strip())
        else:
            for side in ("left", "right") if place[0] == "both" else (place[0],):
                places.append((side, place[1]))
    return places, unread


def classify_part_names(parts: pl.DataFrame, vocabulary: Vocabulary) -> pl.DataFrame:
    """Component and light source category of catalogue parts.

    parts: part_number, part_name, and optionally component, light_source_category, renews (explicit ones win).
    Returns one row a row: part_number, component (null: not told, or none of ours), choices (the same
    with what depends on the vehicle's lighting, see resolve_component), is_other (the name is of another
    part or lamp), weak_component (a "fuse" or "bulb": a headlamp's only where the line says so),
    light_source_category, renews (","-joined), component_rule ("column", "name" or null), sides
    (symbols for resolve_side, "" where the name has none).
    """
    n = parts.height

    def column(name: str) -> list:
        return parts[name].cast(pl.String).to_list() if name in parts.columns else [None] * n

    rows = []
    cache: dict[tuple, tuple] = {}
    for number, name, given, category, renews in zip(
        column("part_number"),
        column("part_name"),
        column("component"),
        column("light_source_category"),
        column("renews"),
        strict=False,
    ):
        key = (name, given, category, renews)
        if key not in cache:
            r = read_text(name, vocabulary)
            own, rule, weak = None, None, None
            if given is not None and given.strip():
                own, rule = read_component(given, vocabulary), "column"
            if own is None:
                own, weak = _read_part(name, vocabulary)
                rule = "name" if own is not None or weak is not None else None
            other = own == _OTHER
            if other:
                own = None
            mix = dict.fromkeys([x.strip() for x in (renews or "").replace(";", ",").split(",") if x.strip()])
            came = [resolve_component(read_component(x, vocabulary), None) or x for x in mix] or list(r.renews)
            sides = r.sides if r.sides in ("left", "right", "near", "off", "driver", "passenger") else ""
            cat = category.strip().upper() if category and category.strip() else r.category
            cache[key] = (own, other, weak, cat, ",".join(came) or None, rule, sides)
        own = cache[key][0]
        told = resolve_component(own, None)
        rows.append((number, None if told == "unknown" else told, own, *cache[key][1:]))
    return pl.DataFrame(
        rows,
        orient="row",
        schema={
            "part_number": pl.String,
            "component": pl.String,
            "choices": pl.String,
            "is_other": pl.Boolean,
            "weak_component": pl.String,
            "light_source_category": pl.String,
            "renews": pl.String,
            "component_rule": pl.String,
            "sides": pl.String,
        },
    )


# ---------------------------------------------------------------------------------------------------------- lines

_READING_FIELDS = {
    "component": pl.String,
    "weak": pl.String,
    "about": pl.String,
    "sides": pl.String,
    "pair": pl.Boolean,
    "two": pl.Boolean,
    "plural": pl.Boolean,
    "beam": pl.String,
    "hint": pl.String,
    "category": pl.String,
    "action": pl.String,
    "own": pl.Boolean,
    "reason": pl.String,
    "symptom": pl.String,
    "complaint_symptom": pl.String,
    "comeback": pl.Boolean,
    "flags": pl.String,
    "renews": pl.String,
    "words": pl.String,
    "how": pl.String,
    "fault": pl.Boolean,
    "unread": pl.Boolean,
}


def _readings(
    texts: pl.Series, prefix: str, key: str, vocabulary: Vocabulary, languages: Sequence[str]
) -> pl.DataFrame:
    unique = texts.drop_nulls().unique().sort().to_list()
    memory: dict[str, Reading] = {}
    rows = []
    for text in unique:
        folded = " ".join(text.split()).casefold()
        r = memory.get(folded)
        if r is None:
            r = memory[folded] = read_text(folded, vocabulary, languages)
        rows.append(
            (
                text,
                r.component,
                r.weak_component,
                r.about,
                r.sides,
                r.pair,
                r.two,
                r.plural,
                r.beam,
                r.beam_hint,
                r.category,
                r.action,
                r.has_own_thing,
                r.reason,
                r.symptom,
                r.complaint_symptom,
                r.comeback,
                ",".join(r.flags),
                ",".join(r.renews),
                r.words,
                r.how,
                r.told_fault,
                r.unread,
            )
        )
    return pl.DataFrame(
        rows, orient="row", schema={key: pl.String} | {f"{prefix}{k}": v for k, v in _READING_FIELDS.items()}
    )


def _fill(frame: pl.DataFrame) -> pl.DataFrame:
    """The input with every expected column, in its type."""
    columns = []
    for name, dtype in LINE_COLUMNS.items():
        if name in frame.columns:
            columns.append(pl.col(name).cast(dtype, strict=False))
        else:
            columns.append(pl.lit(None, dtype=dtype).alias(name))
    out = frame.select(columns)
    texts = [n for n, d in LINE_COLUMNS.items() if d == pl.String()]
    return out.with_columns(
        pl.when(pl.col(n).str.strip_chars() == "").then(None).otherwise(pl.col(n)).alias(n) for n in texts
    )


def _mapped(frame: pl.DataFrame, keys: Sequence[str], name: str, dtype: type, function) -> pl.DataFrame:
    """A column made by calling a function once per combination of other columns."""
    unique = frame.select(keys).unique(maintain_order=True)
    values = pl.Series(name, [function(*row) for row in unique.iter_rows()], dtype=dtype)
    return frame.join(
        unique.with_columns(values), on=list(keys), how="left", nulls_equal=True, maintain_order="left"
    )


def writes_front_left(lines: pl.DataFrame) -> bool:
    """Whether any text writes FL for front left: then FR is the front right, and not just the front."""
    for name in ("description", "complaint", "side"):
        if name in lines.columns:
            unique = lines[name].cast(pl.String).drop_nulls().unique()
            if unique.str.contains(r"(?i)(^|[^\w/.])F\.?L([^\w/]|$)").any():
                return True
    return False


def classify_lines(
    lines: pl.DataFrame,
    vocabulary: Vocabulary,
    parts: pl.DataFrame | None = None,
    *,
    default_drive_side: str | None = None,
    default_lighting: str | None = None,
    catalogue_wins: bool = True,
    languages: Sequence[str] = (),
) -> pl.DataFrame:
    """Repair lines read.

    lines: line_key and any of LINE_COLUMNS (quantity in pieces, part_cost in currency, labour_hours in hours,
    drive_side left or right: side of the driver's seat, lighting halogen, discharge or led). Missing columns count as
    blank. parts: as for classify_part_names; part numbers are compared by names.part_number_key.
    default_drive_side, default_lighting: for lines whose own is blank. catalogue_wins: the catalogue before the words.
    languages: two-letter codes whose short words are always read.

    Returns one row a row, in the same order, with CLASSIFIED_COLUMNS. component is null where the line is no headlamp
    matter (flag `not_headlamp` where the words say so) and `unknown` where it is one and the part is not told. Nothing
    depends on the order of the rows.
    """
    front_right = writes_front_left(lines)
    f = _fill(lines).with_row_index("_order")
    f = f.with_columns(
        pl.when(pl.col("drive_side").str.to_lowercase().is_in(["left", "right"]))
        .then(pl.col("drive_side").str.to_lowercase())
        .otherwise(pl.lit(default_drive_side))
        .alias("drive_side"),
        pl.coalesce(pl.col("lighting").str.to_lowercase(), pl.lit(default_lighting, dtype=pl.String)).alias(
            "lighting"
        ),
    )
    f = f.join(
        _readings(f["description"], "d_", "description", vocabulary, languages),
        on="description",
        how="left",
        maintain_order="left",
    )
    f = f.join(
        _readings(f["complaint"], "c_", "complaint", vocabulary, languages),
        on="complaint",
        how="left",
        maintain_order="left",
    )
    f = f.join(
        _readings(f["outcome"], "o_", "outcome", vocabulary, languages).select("outcome", "o_action", "o_reason"),
        on="outcome",
        how="left",
        maintain_order="left",
    )

    # catalogue
    if parts is not None and parts.height and "part_number" in parts.columns:
        catalogue = (
            classify_part_names(parts, vocabulary)
            .with_columns(
                pl.col("part_number")
                .map_elements(part_number_key, return_dtype=pl.String, skip_nulls=True)
                .alias("_pn")
            )
            .filter(pl.col("_pn").is_not_null())
            .sort("_pn", "choices", nulls_last=True)
            .unique("_pn", keep="first", maintain_order=True)
        )
        catalogue = catalogue.select(
            "_pn",
            k_component="choices",
            k_other="is_other",
            k_weak="weak_component",
            k_category="light_source_category",
            k_renews="renews",
            k_rule="component_rule",
            k_sides="sides",
        )
    else:
        catalogue = pl.DataFrame(
            schema={
                "_pn": pl.String,
                "k_component": pl.String,
                "k_other": pl.Boolean,
                "k_weak": pl.String,
                "k_category": pl.String,
                "k_renews": pl.String,
                "k_rule": pl.String,
                "k_sides": pl.String,
            }
        )
    f = _mapped(f, ["part_number"], "_pn", pl.String, part_number_key)
    f = f.join(catalogue, on="_pn", how="left", maintain_order="left").with_columns(
        pl.col("k_other").fill_null(False)
    )

    # explicit columns
    f = _mapped(f, ["component"], "x_component", pl.String, lambda t: read_component(t, vocabulary))
    f = _mapped(f, ["side"], "x_sides", pl.String, lambda t: read_side(t, vocabulary))
    f = _mapped(f, ["action"], "x_action", pl.String, lambda t: _read_action(t, vocabulary))

    # component
    complaint_head = (pl.col("c_about") == "headlamp") | (
        (pl.col("c_about") == "light") & pl.col("c_complaint_symptom").is_not_null()
    )
    complaint_else = pl.col("c_about") == "elsewhere"
    words_component = (
        pl.when(pl.col("d_component").is_not_null())
        .then(
            pl.when(
                (pl.col("d_component") == "unknown")
                & pl.col("d_weak").is_not_null()
                & (pl.col("part_number").is_not_null() | (pl.col("part_cost") > 0) | (pl.col("quantity") > 0))
            )
            .then(pl.col("d_weak"))
            .otherwise(pl.col("d_component"))
        )
        .when(pl.col("d_weak").is_null())
        .then(
            pl.when(
                complaint_head
                & pl.col("d_about").is_in(["nothing", "light"])
                & ((pl.col("d_action") == "diagnosed") | pl.col("d_symptom").is_not_null())
            ).then(pl.lit("unknown"))
        )
        .when(complaint_head)
        .then(pl.col("d_weak"))
        .when(complaint_else.fill_null(False))
        .then(None)
        .when(pl.col("d_weak").is_in(["lamp", "led_module"]))
        .then(pl.lit("unknown"))
        .otherwise(None)
    )
    words_rule = (
        pl.when(pl.col("d_component").is_not_null())
        .then(pl.concat_str(pl.lit("description: "), pl.col("d_how")))
        .when(pl.col("d_weak").is_null())
        .then(pl.when(words_component.is_not_null()).then(pl.lit("complaint")))
        .when(complaint_head)
        .then(pl.lit("description, headlamp by the complaint"))
        .when(complaint_else.fill_null(False))
        .then(pl.lit("description, another lamp by the complaint"))
        .otherwise(pl.lit("description, which lamp is not told"))
    )
    f = f.with_columns(words_component.alias("w_component"), words_rule.alias("w_rule"))
    # A part named just "fuse" or "bulb" is a headlamp's where the line or the complaint is about one.
    about_head = (pl.col("d_about") == "headlamp").fill_null(False) | (
        complaint_head.fill_null(False) & ~pl.col("d_about").is_in(["elsewhere", "other"]).fill_null(False)
    )
    about_nothing = ~pl.col("d_about").is_in(["elsewhere", "other"]).fill_null(False) & ~(
        complaint_else.fill_null(False)
    )
    f = f.with_columns(
        pl.when(pl.col("k_component").is_not_null() | pl.col("k_weak").is_null())
        .then(pl.col("k_component"))
        .when(about_head)
        .then(pl.col("k_weak"))
        .when((pl.col("k_weak") == "lamp") & about_nothing)
        .then(pl.lit("unknown"))
        .alias("k_component")
    )
    f = f.with_columns(
        pl.when((pl.col("k_component") == "unknown") & pl.col("w_component").is_null())
        .then(pl.lit("unknown"))
        .otherwise(pl.col("w_component"))
        .alias("w_component"),
        pl.when((pl.col("k_component") == "unknown") & pl.col("w_component").is_null())
        .then(pl.lit("part number's name, which lamp is not told"))
        .otherwise(pl.col("w_rule"))
        .alias("w_rule"),
    )
    # A consumable booked on a line about a headlamp that was only looked at or set does not make it another matter.
    only_handled = pl.col("w_component").is_not_null() & pl.col("d_action").is_in(
        ["inspected", "adjusted", "diagnosed", "cleaned", "refitted", "repaired"]
    )
    has_catalogue = (pl.col("k_component").is_not_null() & (pl.col("k_component") != "unknown")) | (
        pl.col("k_other") & ~only_handled.fill_null(False)
    )
    catalogue_first = has_catalogue if catalogue_wins else (has_catalogue & pl.col("w_component").is_null())
    f = f.with_columns(
        pl.when(pl.col("x_component").is_not_null())
        .then(pl.when(pl.col("x_component") == _OTHER).then(None).otherwise(pl.col("x_component")))
        .when(catalogue_first)
        .then(pl.col("k_component"))
        .otherwise(pl.col("w_component"))
        .alias("code"),
        pl.when(pl.col("x_component").is_not_null())
        .then(pl.lit("component column"))
        .when(catalogue_first)
        .then(
            pl.when(pl.col("k_rule") == "column")
            .then(pl.lit("part number"))
            .otherwise(pl.lit("part number's name"))
        )
        .otherwise(pl.col("w_rule"))
        .alias("component_rule"),
    )
    # A headlamp's control unit is one side's ballast where the vehicle has discharge lamps and the line names a side.
    no_side = pl.col("d_sides").fill_null("").is_in(["", "both"])
    f = f.with_columns(
        pl.when(no_side)
        .then(pl.col("code").str.replace(r"\|?ballast@discharge\|?", "").replace("", "unknown"))
        .otherwise(pl.col("code"))
        .alias("code")
    )
    f = _mapped(f, ["code", "lighting"], "out_component", pl.String, resolve_component)
    f = _mapped(f, ["w_component", "lighting"], "said_component", pl.String, resolve_component)

    # action
    booked = pl.col("part_number").is_not_null() | (pl.col("part_cost") > 0) | (pl.col("quantity") > 0)
    by_part = pl.col("component_rule").is_in(["component column", "part number", "part number's name"])
    # The words speak of another job than the part that was booked ("annual service" with a headlamp bulb on it).
    beside = (
        by_part
        & booked
        & ~pl.col("d_own").fill_null(False)
        & pl.col("d_action").is_in(["inspected", "adjusted", "diagnosed", "cleaned"])
        & (pl.col("d_about") != "headlamp")
        & (pl.col("out_component").is_not_null())
    )
    # A report of a defect ("n/s headlamp not working") with the usual quantity 1 is no part sold.
    sold = pl.col("out_component").is_not_null() & pl.when(pl.col("d_fault").fill_null(False)).then(
        pl.col("part_number").is_not_null() | (pl.col("part_cost") > 0)
    ).otherwise(booked).fill_null(False)
    told_action = (
        pl.when(pl.col("quantity") < 0)
        .then(pl.lit("credited"))
        .when(pl.col("x_action").is_not_null())
        .then(pl.col("x_action"))
        .when(pl.col("o_action").is_in(["quoted", "not_fitted", "credited"]))
        .then(pl.col("o_action"))
        .when(beside)
        .then(pl.lit("replaced"))
        .when(pl.col("d_action").is_not_null())
        .then(pl.col("d_action"))
        .when(sold)
        .then(pl.lit("replaced"))
        .otherwise(pl.lit("none"))
    )
    action_rule = (
        pl.when(pl.col("quantity") < 0)
        .then(pl.lit("negative quantity"))
        .when(pl.col("x_action").is_not_null())
        .then(pl.lit("action column"))
        .when(pl.col("o_action").is_in(["quoted", "not_fitted", "credited"]))
        .then(pl.lit("outcome column"))
        .when(beside)
        .then(pl.lit("part booked beside another job"))
        .when(pl.col("d_action").is_not_null())
        .then(pl.lit("description"))
        .when(sold)
        .then(pl.lit("part booked, no verb"))
        .otherwise(pl.lit("nothing told"))
    )
    f = f.with_columns(told_action.alias("out_action"), action_rule.alias("action_rule"))

    # sides
    f = _mapped(
        f, ["d_sides", "drive_side"], "d_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    f = _mapped(
        f, ["c_sides", "drive_side"], "c_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    f = _mapped(
        f,
        ["x_sides", "drive_side"],
        "x_side",
        pl.String,
        lambda s, d: "none" if s == "none" else resolve_side(s or "", d, front_right),
    )
    f = _mapped(
        f, ["k_sides", "drive_side"], "k_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    pairable = pl.col("out_component").is_in(_SIDED_PAIRS)
    unsided = pl.col("out_component").is_in(sorted(vocabulary.unsided))
    two = ((pl.col("quantity").abs() == 2) | pl.col("d_two").fill_null(False)) & pairable
    paired_words = pl.col("d_pair").fill_null(False)
    names_no_side = pl.col("d_sides").fill_null("") == ""
    # One piece of a numbered part that is called a pair: one side of it, and which one is not told.
    one_of_pair = (
        paired_words
        & names_no_side
        & (pl.col("quantity").abs() == 1).fill_null(False)
        & (pl.col("part_number").is_not_null())
        & ~pl.col("d_two").fill_null(False)
    )
    # "Headlamp bulbs replaced": both, unless one piece of a numbered part was booked or the complaint names one side.
    many = (
        pl.col("d_plural").fill_null(False)
        & ~pl.col("c_side").is_in(["left", "right"]).fill_null(False)
        & ~((pl.col("quantity").abs() == 1) & pl.col("part_number").is_not_null()).fill_null(False)
    )
    side = (
        pl.when(pl.col("out_component").is_null())
        .then(None)
        .when(unsided)
        .then(pl.lit("none"))
        .when(pl.col("x_side") != "unknown")
        .then(pl.col("x_side"))
        .when(pl.col("d_side") != "unknown")
        .then(pl.col("d_side"))
        .when(names_no_side & pl.col("k_side").is_in(["left", "right"]))
        .then(pl.col("k_side"))
        .when(names_no_side & ~one_of_pair & (paired_words | two))
        .then(pl.lit("both"))
        .when(names_no_side & many)
        .then(pl.lit("both"))
        .otherwise(pl.lit("unknown"))
    )
    side_rule = (
        pl.when(pl.col("out_component").is_null())
        .then(None)
        .when(unsided)
        .then(pl.lit("has none"))
        .when(pl.col("x_side") != "unknown")
        .then(pl.lit("side column"))
        .when(pl.col("d_side") != "unknown")
        .then(pl.lit("description"))
        .when(names_no_side & pl.col("k_side").is_in(["left", "right"]))
        .then(pl.lit("part number's name"))
        .when(one_of_pair)
        .then(pl.lit("one of a pair"))
        .when(names_no_side & paired_words)
        .then(pl.lit("called a pair"))
        .when(names_no_side & two)
        .then(pl.lit("two of it"))
        .when(names_no_side & many)
        .then(pl.lit("named in the plural"))
        .when(names_no_side)
        .then(pl.lit("not told"))
        .when(pl.col("d_sides").str.contains("near|off|driver|passenger"))
        .then(pl.lit("needs the drive side"))
        .when(pl.col("d_sides").str.contains("fr"))
        .then(pl.lit("FR without any FL"))
        .otherwise(pl.lit("contradicting words"))
    )
    f = f.with_columns(side.alias("out_side"), side_rule.alias("side_rule"))

    # reason
    one_side = pl.col("out_side").is_in(["left", "right"])
    outcome_reason = pl.coalesce(
        pl.col("outcome")
        .str.strip_chars()
        .str.to_lowercase()
        .replace_strict(ENDINGS_TOLD, default=None, return_dtype=pl.String),
        pl.col("o_reason"),
    )
    reason = (
        pl.when(pl.col("planned").fill_null(False))
        .then(pl.lit("planned"))
        .when(outcome_reason.is_not_null())
        .then(outcome_reason)
        .when(
            (one_of_pair | (paired_words & one_side & pl.col("x_side").is_in(["left", "right"])))
            & (pl.col("d_reason").is_null() | (pl.col("d_reason") == "failed"))
        )
        .then(pl.lit("paired"))
        .otherwise(pl.col("d_reason"))
    )
    reason_rule = (
        pl.when(pl.col("planned").fill_null(False))
        .then(pl.lit("planned column"))
        .when(outcome_reason.is_not_null())
        .then(pl.lit("outcome column"))
        .when(pl.col("d_reason").is_not_null() | (paired_words & one_side) | one_of_pair)
        .then(pl.lit("description"))
        .otherwise(None)
    )

    complaint_lit = (pl.col("c_about").is_in(["headlamp", "light"])).fill_null(False)
    # "accident damage front right" speaks of no lamp, and yet tells why a lamp of that side went.
    complaint_tells = complaint_lit | (pl.col("c_reason") == "collision").fill_null(False)
    symptom = pl.coalesce(
        pl.when(pl.col("c_complaint_symptom").is_not_null()).then(pl.col("c_complaint_symptom")),
        pl.when(pl.col("d_about") != "elsewhere").then(pl.col("d_symptom")),
    )
    comeback = (pl.col("c_comeback").fill_null(False) & (pl.col("c_about") != "elsewhere").fill_null(True)) | (
        pl.col("d_comeback").fill_null(False) & (pl.col("d_about") != "elsewhere").fill_null(True)
    )
    differs = (
        pl.col("said_component").is_not_null()
        & (pl.col("said_component") != "unknown")
        & by_part
        & (pl.col("said_component") != pl.col("out_component").fill_null("-"))
    )
    not_ours = pl.col("out_component").is_null() & (
        pl.col("k_other")
        | (pl.col("d_about").is_in(["elsewhere"])).fill_null(False)
        | (pl.col("d_weak").is_not_null() & complaint_else).fill_null(False)
    )
    flags = pl.concat_str(
        pl.col("d_flags").replace("", None),
        pl.when(not_ours & ~pl.col("d_flags").fill_null("").str.contains("not_headlamp")).then(
            pl.lit("not_headlamp")
        ),
        pl.when(differs).then(pl.lit("words_differ")),
        pl.when((pl.col("quantity") < 0) & ~pl.col("d_flags").fill_null("").str.contains("credit")).then(
            pl.lit("credit")
        ),
        separator=",",
        ignore_nulls=True,
    )
    renews = pl.concat_str(
        pl.when(pl.col("k_renews").is_not_null() & by_part).then(pl.col("k_renews")),
        pl.col("d_renews").replace("", None),
        separator=",",
        ignore_nulls=True,
    ).replace("", None)
    pair = ((pl.col("out_side") == "both") | (two & ~one_side)).fill_null(False)
    rule = pl.concat_str(
        pl.when(pl.col("component_rule").is_not_null()).then(
            pl.concat_str(pl.lit("part: "), pl.col("component_rule"))
        ),
        pl.when(pl.col("side_rule").is_not_null()).then(pl.concat_str(pl.lit("side: "), pl.col("side_rule"))),
        pl.concat_str(pl.lit("action: "), pl.col("action_rule")),
        pl.when(pl.col("_reason_rule").is_not_null()).then(
            pl.concat_str(pl.lit("reason: "), pl.col("_reason_rule"))
        ),
        separator="; ",
        ignore_nulls=True,
    )
    words = pl.concat_str(
        pl.col("d_words").replace("", None),
        pl.when(pl.col("c_words").fill_null("") != "").then(
            pl.concat_str(pl.lit("complaint: "), pl.col("c_words"))
        ),
        separator="; ",
        ignore_nulls=True,
    )
    f = f.with_columns(reason.alias("_reason"), reason_rule.alias("_reason_rule"))
    out = f.select(
        "line_key",
        component=pl.col("out_component"),
        side=pl.col("out_side"),
        beam=pl.coalesce("d_beam", "d_hint", pl.when(complaint_lit).then(pl.col("c_beam")), pl.lit("unknown")),
        action=pl.col("out_action"),
        symptom=symptom,
        complaint_side=pl.when(complaint_tells & pl.col("c_side").is_in(["left", "right", "both"]))
        .then(pl.col("c_side"))
        .otherwise(None),
        removal_reason=pl.col("_reason"),
        complaint_reason=pl.when(complaint_tells).then(pl.col("c_reason")).otherwise(None),
        flags=flags.fill_null(""),
        pair=pair,
        comeback=comeback,
        renews=renews,
        light_source_category=pl.coalesce("k_category", "d_category"),
        rule=rule,
        words=words.fill_null(""),
    )
    return out.cast(CLASSIFIED_COLUMNS)


def _read_action(text: str | None, vocabulary: Vocabulary) -> str | None:
    if text is None or not text.strip():
        return None
    key = "_".join(plain(text).replace("-", " ").replace("_", " ").split())
    if key in ACTIONS:
        return key
    return read_text(text, vocabulary).action


def unread_texts(
    lines: pl.DataFrame, classified: pl.DataFrame, vocabulary: Vocabulary, limit: int = 50
) -> pl.DataFrame:
    """The commonest texts that speak of light and could not be read to the end, so that a user can add words.

    lines and classified: as given to and by classify_lines. Returns text, lines (how many), missing (what could not be
    told: component, action, or side), commonest first, at most `limit` rows.
    """
    joined = lines.select("line_key", pl.col("description").cast(pl.String)).join(
        classified.select("line_key", "component", "action", "side", "flags"), on="line_key"
    )
    joined = joined.filter(pl.col("description").is_not_null() & (pl.col("description").str.strip_chars() != ""))
    texts = _readings(joined["description"], "d_", "description", vocabulary, ())
    joined = joined.join(texts.select("description", "d_unread", "d_about"), on="description", how="left")
    lit = pl.col("d_about").is_in(["headlamp", "light"])
    missing = (
        pl.when((pl.col("component") == "unknown") & (pl.col("action").is_in(["replaced", "none"])))
        .then(pl.lit("component"))
        .when(pl.col("component").is_null() & lit & ~pl.col("flags").str.contains("not_headlamp"))
        .then(pl.lit("component"))
        .when(pl.col("component").is_not_null() & (pl.col("action") == "none"))
        .then(pl.lit("action"))
        .when((pl.col("action") == "replaced") & (pl.col("side") == "unknown"))
        .then(pl.lit("side"))
    )
    joined = joined.with_columns(
        missing.alias("missing"),
        pl.col("description").str.strip_chars().str.to_lowercase().str.replace_all(r"\s+", " ").alias("text"),
    )
    return (
        joined.filter(pl.col("missing").is_not_null())
        .group_by("text", "missing")
        .agg(lines=pl.len())
        .sort(["lines", "text", "missing"], descending=[True, False, False])
        .head(limit)
        .select("text", pl.col("lines").cast(pl.Int64), "missing")
    )
