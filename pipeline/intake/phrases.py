"""Phrases of the vocabulary found in a text: its languages, its things in order, the lamps that it speaks of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from pipeline.intake.vocabulary import BREAKS, GROUPS, Entry, Hit, Vocabulary, tokens_of

(
    THING,
    CONTEXT,
    SIDE,
    BEAM,
    ACTION,
    REASON,
    SYMPTOM,
    COMEBACK,
    FLAG,
    JOIN,
    NOT,
    UNIT,
    SWAP,
    PLURAL,
) = range(len(GROUPS))
SYMPTOMS = ("high_beam_dark", "low_beam_dark", "flicker", "water_inside", "dim", "warning_shown", "other")
HEAD_NOUNS = ("wiring", "switch_or_fuse", "-", "piece")  # the thing of a compound wherever they stand in it
NOUN_FIRST = frozenset({"fr", "es", "it"})  # languages in which a compound's first word is the thing
OTHER = "-"  # a thing that is none of ours
PIECE = "piece"  # a piece of the headlamp unit


@dataclass(frozen=True, slots=True)
class Thing:
    start: int
    end: int
    kind: str  # component, alone, in_context, generic, category, other
    value: str
    weight: int = 1
    note: str = ""  # of a part that is none of ours: access (in the way), accessory (beside a headlamp), other work


def _languages(groups: Sequence[Sequence[Hit]]) -> set[str]:
    """The languages of a text: those with at least half as many words of their own as the leading one."""
    spoken_at: dict[int, set[str]] = {}
    for group in (THING, CONTEXT, SIDE, ACTION, REASON, SYMPTOM):
        for hit in groups[group]:
            for i in range(hit.start, hit.end):
                spoken_at.setdefault(i, set()).update(e.language for e in hit.entries)
    votes: dict[str, int] = {}
    for group in (THING, CONTEXT, SIDE, ACTION, REASON, SYMPTOM):
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


class Text:
    """A text's tokens and hits."""

    def __init__(self, text: str, vocabulary: Vocabulary, languages: Sequence[str] = ()) -> None:
        raw = tokens_of(text)
        tokens: list[str] = []
        self.mended: list[str] = []
        for t in raw:
            m = vocabulary.mend(t) if len(t) >= 4 or t in vocabulary.short_forms else (t,)
            if m != (t,):
                self.mended.append(f"{t}={' '.join(m)}")
            tokens.extend(m)
        self.tokens = tokens
        groups = vocabulary.match(tokens)
        spoken = _languages(groups)
        exclusive = bool(spoken - {"en"}) and "en" not in spoken
        spoken |= set(languages)
        self.languages = spoken

        def accept(entries: Sequence[Entry]) -> tuple[Entry, ...]:
            return _accepted(entries, spoken, exclusive)

        if any(not accept(h.entries) for hits in groups for h in hits):
            # A longer phrase of a language that is not spoken here must not hide a shorter one ("Lampe H7" is French too).
            groups = vocabulary.match(tokens, accept)
        self.groups: list[list[Hit]] = []
        for hits in groups:
            kept = []
            for h in hits:
                entries = accept(h.entries)
                if entries:
                    kept.append(h if len(entries) == len(h.entries) else replace(h, entries=entries))
            self.groups.append(kept)
        self.vocabulary = vocabulary

    def phrase(self, start: int, end: int) -> str:
        return " ".join(self.tokens[start:end])


def is_denied(hit: Hit, negations: Sequence[Hit]) -> bool:
    return any(n.end == hit.start for n in negations)


def _is_fleet_number(text: Text, hit: Hit) -> bool:
    """ "Unit 4711" is a vehicle."""
    return (
        text.phrase(hit.start, hit.end) == "unit" and hit.end < len(text.tokens) and text.tokens[hit.end].isdigit()
    )


def find_things(text: Text) -> tuple[list[Thing], list[tuple[int, int]], list[tuple[int, int]]]:
    """Things in order, and the places of words that tell headlamp, and another lamp."""
    head = [
        (h.start, h.end) for h in text.groups[CONTEXT] if any(e.field.startswith("context") for e in h.entries)
    ]
    lamp_words = [
        (h.start, h.end) for h in text.groups[CONTEXT] if any(e.field == "lamp_word" for e in h.entries)
    ]
    # "o/s/f light": a front light
    fronts = {h.end: h.start for h in text.groups[SIDE] if not _FRONT.isdisjoint(text.tokens[h.start : h.end])}
    head += [(fronts[a], b) for a, b in lamp_words if a in fronts and text.phrase(a, b) in ("light", "lights", "lite", "lt", "lts")]
    things: list[Thing] = []
    elsewhere: list[tuple[int, int]] = []
    for h in text.groups[THING]:
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
                value = OTHER if kind == "other" else PIECE if field.startswith("piece") else "|".join(values)
                weight = max(e.weight for e in by_field[field])
                note = min(e.value for e in by_field[field]) if kind == "other" else ""
                things.append(Thing(h.start, h.end, kind, value, weight, note))
                break
        else:
            found = by_field.get("elsewhere", []) + by_field.get("elsewhere_gated", [])
            if found:
                near = any(abs(a - h.end) <= 1 or abs(h.start - b) <= 1 for a, b in lamp_words) or any(
                    "lamp" in e.value
                    for t in text.groups[THING]
                    for e in t.entries
                    if e.field in ("component_in_context", "lamp_generic")
                    and (abs(t.start - h.end) <= 1 or abs(h.start - t.end) <= 1)
                )
                if any(e.weight > 0 for e in found) or near:
                    elsewhere.append((h.start, h.end))
                    things.append(Thing(h.start, h.end, "elsewhere", OTHER))
    # "Headlamp ECU n/s (xenon)": in brackets stands of which kind
    if sum(t.value != OTHER for t in things) > 1:
        things = [
            t
            for t in things
            if not (t.kind == "alone" and t.value in ("lamp", "led_module") and text.tokens[t.start - 1 : t.start] == ["("]
                    and text.tokens[t.end : t.end + 1] == [")"])
        ]
    # "Bumper off for xenon bulb": what was in the way. "Headlights left on, battery replaced": other work.
    if any(t.value != OTHER for t in things):
        things = [
            replace(t, note="other work") if t.note == "access" else t
            for t in things
            if not (t.kind == "other" and t.weight == 0) or _renewed_by_itself(text, t, things)
        ]
    # "Ballast wet, unit replaced": the unit is the ballast
    strong = min(
        (t.start for t in things if t.kind == "component" and t.value not in ("headlamp_assembly", PIECE)), default=None
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


def _renewed_by_itself(text: Text, thing: Thing, things: Sequence[Thing]) -> bool:
    """Whether a verb of renewal stands beside a part, and no part of ours between the same two breaks."""
    first = max((i + 1 for i, t in enumerate(text.tokens[: thing.start]) if t in BREAKS), default=0)
    last = next((i for i in range(thing.end, len(text.tokens)) if text.tokens[i] in BREAKS), len(text.tokens))
    if any(t.value != OTHER and first <= t.start < last for t in things):
        return False
    return any(
        (h.end == thing.start or h.start == thing.end) and any(e.value == "replaced" and e.weight > 0 for e in h.entries)
        for h in text.groups[ACTION]
    )


def is_joined(text: Text, start: int, end: int) -> bool:
    """Whether an "and" stands between two places of a text."""
    return any(start <= h.start < end and any(e.field == "and" for e in h.entries) for h in text.groups[JOIN])


def known_next(text: Text, end: int) -> bool:
    """Whether the word after a bare 'headlamp' is known, or there is none: an unknown one may be the thing itself."""
    if end >= len(text.tokens):
        return True
    t = text.tokens[end]
    return not t.isalpha() or len(t) < 3 or text.vocabulary.is_known(t)


_FRONT = frozenset(
    "front frt nsf osf n/s/f o/s/f lhf rhf l/h/f r/h/f lf rf l/f r/f fl f/l flh frh dsf psf d/s/f p/s/f "
    "vl vr vorn vorne avant avd avg".split()
)


def is_front(t: Text) -> bool:
    """Whether a text tells the front of the vehicle."""
    return not _FRONT.isdisjoint(t.tokens)
