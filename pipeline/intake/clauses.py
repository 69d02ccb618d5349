"""A text falls into clauses: what was done in each, and to which parts. Rules 3 to 6 of pipeline.intake.classify."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.intake.phrases import (
    ACTION,
    HEAD_NOUNS,
    JOIN,
    NOT,
    NOUN_FIRST,
    OTHER,
    PIECE,
    SIDE,
    SWAP,
    THING,
    Text,
    Thing,
    is_denied,
    is_joined,
)
from pipeline.intake.vocabulary import BREAKS, Entry

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
_WHOLE_LINE = ("credited", "not_fitted", "quoted")
_PHYSICAL = ("replaced", "repaired", "refitted", "cleaned", "adjusted")
_FAULTS = frozenset("fault problem prob issue concern condition same stayed followed no".split())
_REMOVE_AND_REPLACE = ("r&r", "r/r", "r and r", "remove and replace", "removed and replaced", "remove & replace", "removed & replaced")
_BODYWORK = frozenset("paint painting respray resprayed refinish refinishing bodyshop bodywork panel".split())


_FOR = frozenset("for to during fur zum zur wegen wahrend pour pendant para por durante per due".split())


def purposes(text: Text, things: Sequence[Thing]) -> list[tuple[int, int]]:
    """ "Headlamp out for bumper repair, refitted": from the "for" to the next break, where another part follows it, and ours stands before."""
    out = []
    for i, w in enumerate(text.tokens):
        if w not in _FOR:
            continue
        meant = next((h for h in text.groups[THING] if h.start > i), None)
        if meant is None or meant.start - i > 4 or not all(e.field == "other_part" for e in meant.entries):
            continue
        if not any(x.value == "headlamp_assembly" and x.end <= i for x in things) or any(i < x.start < meant.start for x in things):
            continue
        if any(text.tokens[j] in BREAKS for j in range(i, meant.start)):
            continue
        again = {h.start for h in text.groups[ACTION] if any(e.value in ("refitted",) for e in h.entries)}
        end = next(
            (j for j in range(meant.end, len(text.tokens)) if text.tokens[j] in BREAKS or j in again or j + 1 in again), len(text.tokens)
        )
        out.append((i, end))
    return out


def _for_bodywork(text: Text, things: Sequence[Thing]) -> bool:
    """Whether a headlamp unit was in the way of other work: then "R&R" is remove and refit."""
    if any(t.value not in (OTHER, "headlamp_assembly") for t in things):
        return False
    in_the_way = bool(purposes(text, things)) or any(e.field == "other_part" and e.weight == 0 for h in text.groups[THING] for e in h.entries)
    return in_the_way or not _BODYWORK.isdisjoint(text.tokens)


@dataclass(slots=True)
class Clause:
    start: int
    end: int
    things: list[Thing]
    actions: list[tuple[int, int, Entry]]
    action: str | None = None
    weight: int = 0
    objectless: bool = False
    is_swap: bool = False


_PUT_IN = Entry("action", "replaced", 1, "en", False)
_LET_IN = ("splice", "solder", "crimp", "wired", "let in", "graft", "heat shrink", "heatshrink")


def _new_before(text: Text, things: Sequence[Thing], start: int, end: int) -> bool:
    """ "New holder spliced in": a part that was let in, and not a repair of the old one."""
    if text.phrase(start, end).startswith(_LET_IN) and text.tokens[end : end + 1] == ["new"]:
        return True
    if not text.phrase(start, end).startswith(_LET_IN):
        return any(text.tokens[start + i : start + i + 1] == [w] for i in range(end - start) for w in ("spliced", "soldered", "crimped"))\
            and "new" in text.tokens[max(0, start - 4) : end]
    first = max((i + 1 for i in range(start) if text.tokens[i] in BREAKS), default=0)
    return any(
        first <= t.start < start
        and t.value != OTHER
        and ((t.start > first and text.tokens[t.start - 1] == "new") or text.tokens[t.start].startswith("pigtail"))
        for t in things
    )


def _closes(text: Text, things: Sequence[Thing], start: int, end: int) -> bool:
    """ "Pair of H7s in", "unit new": a word right behind one of our parts, and nothing behind that."""
    n = len(text.tokens)
    follows = end == n or text.tokens[end] in BREAKS or text.tokens[end] in ("and", "&", "from", "ok", "now", "both", "today")
    return follows and any(t.end == start and t.value != OTHER and t.kind in ("component", "in_context", "generic", "category", "alone")
                           and (t.kind != "alone" or text.tokens[start] == "new") for t in things)


def find_clauses(text: Text, things: Sequence[Thing]) -> list[Clause]:
    tokens = text.tokens
    n = len(tokens)
    verbs = []  # (start, end, entry of the greatest weight)
    negations = text.groups[NOT]
    # "centralita regulacion altura": the middle word is no verb
    named = [t for t in things if t.value in ("control_module", "switch_or_fuse") or t.kind == "other"]
    for h in text.groups[ACTION]:
        entries = [e for e in h.entries if e.field == "action"]
        if not entries or any(t.start < h.start and h.end <= t.end for t in named):
            continue
        best = min(entries, key=lambda e: (-e.weight, _WITHIN_CLAUSE[e.value]))
        if text.phrase(h.start, h.end) in _REMOVE_AND_REPLACE and _for_bodywork(text, things):
            best = replace(best, value="refitted", weight=2)
        if is_denied(h, negations) and best.value == "refitted" and not text.tokens[h.start].startswith(("refit", "reinstall", "put")):
            continue  # "bulb not seated" is what was found
        if is_denied(h, negations) and best.value in ("replaced", "repaired", "refitted", "adjusted", "cleaned"):
            best = replace(best, value="not_fitted", weight=4)
        if best.value == "repaired" and _new_before(text, things, h.start, h.end):
            best = replace(best, value="replaced")
        if not best.weight and text.phrase(h.start, h.end) == "new" and _closes(text, things, h.start, h.end):
            best = replace(best, weight=1)  # "bulb ok, unit new"
        verbs.append((h.start, h.end, best))
    verbs += [(i, i + 1, _PUT_IN) for i in range(1, n) if tokens[i] == "in" and _closes(text, things, i, i + 1)]
    verbs.sort(key=lambda v: v[:2])
    starts = {v[0] for v in verbs if v[2].weight > 0}
    joins = {h.start: {e.field for e in h.entries} for h in text.groups[JOIN]}
    spans = [(t.start, t.end) for t in things]
    inside = {i for a, b in spans for i in range(a + 1, b)}
    inside |= {i for h in text.groups[ACTION] for i in range(h.start + 1, h.end)}
    inside |= {i for h in text.groups[SIDE] for i in range(h.start + 1, h.end)}
    withs = [i for i, fields in joins.items() if "with" in fields]
    cuts = {0}
    for i, t in enumerate(tokens):
        if i in inside:
            continue
        if t in BREAKS:
            # "headlamp c/w lamp, ballast, igniter": the list of what comes with it goes on
            end = next((j for j in range(i + 1, n) if tokens[j] in BREAKS), n)
            goes_on = (
                any(max(cuts) <= w < i for w in withs)
                and any(i < x.start < end for x in things)
                and not any(max(cuts) <= v[0] < end and v[2].weight > 0 for v in verbs)
            )
            if t != "," or not (goes_on or i + 1 in withs):
                cuts.add(i + 1)
        elif "then" in joins.get(i, ()) or "aside" in joins.get(i, ()):
            cuts.add(i)
            if "aside" in joins.get(i, ()):
                # "headlamp for painting out and refitted": the occasion ends where the work is told
                end = next((j for j in range(i + 1, n) if tokens[j] in BREAKS), n)
                cuts.update(v[0] for v in verbs if v[2].value == "refitted" and v[2].weight > 1 and i < v[0] < end)
        elif "and" in joins.get(i, ()) and i + 1 in starts:
            cuts.add(i + 1)
    occasions = purposes(text, things)
    for a, b in occasions:
        cuts = {c for c in cuts if not a < c < b} | {a} | ({b} if b < n else set())
    edges = sorted(cuts | {n})
    out: list[Clause] = []
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
                Clause(x, y, [t for t in own_things if x <= t.start < y], [v for v in own_verbs if x <= v[0] < y])
            )
    asides = {h.start for h in text.groups[JOIN] if any(e.field == "aside" for e in h.entries)} | {a for a, _ in occasions}
    kept = [c for c in out if c.start not in asides]
    # "Credit issued against previously invoiced bulb": what was before is all that the line speaks of.
    if any(c.things or any(v[2].value not in _WHOLE_LINE for v in c.actions) for c in kept):
        out = kept
    for c in out:
        swaps = {e.value for h in text.groups[SWAP] if c.start <= h.start < c.end for e in h.entries}
        c.is_swap = len(swaps) == 2
        if c.actions:
            best = min(c.actions, key=lambda v: (-v[2].weight, _WITHIN_CLAUSE[v[2].value]))
            c.action, c.weight = best[2].value, best[2].weight
        if swaps == {"verb"} and c is not out[-1]:
            # "ballast swapped to n/s, fault moved"
            after = out[out.index(c) + 1]
            c.is_swap = not after.things and any(
                t in _FAULTS and after.start <= h.start < after.end
                for h in text.groups[SWAP]
                for t in text.tokens[h.start : h.start + 1]
            )
        if c.is_swap and (c.action is None or c.weight < 4):
            c.action, c.weight = "diagnosed", 3
        c.objectless = not c.things and not names_unknown(text, c)
    return out


def names_unknown(text: Text, clause: Clause) -> bool:
    """Whether a verb stands right beside an unknown word: then it speaks of that, not of a neighbour's part."""
    for a, b, _ in clause.actions:
        for i in (a - 1, b):
            if clause.start <= i < clause.end:
                t = text.tokens[i]
                if len(t) >= 5 and t.isalpha() and not text.vocabulary.is_known(t):
                    return True
    return False


def _only_coded(clause: Clause, text: Text) -> bool:
    verbs = [text.tokens[a] for a, _, e in clause.actions if e.value == "repaired"]
    return bool(verbs) and all(w.startswith(("program", "cod", "reprog", "update", "flash", "riprog", "anlern", "angelernt")) for w in verbs)


def is_list(first: Clause, second: Clause, text: Text) -> bool:
    """Whether a list of parts that begins in one clause goes on, after a comma, in the next one, with parts that are no lamps."""
    return (
        text.tokens[first.end - 1] == ","
        and not first.actions
        and first.things[-1].end == first.end - 1
        and bool(second.things)
        and all(x.kind == "other" for x in second.things)
    )


def settle_actions(clauses: list[Clause], quiet: Sequence[bool], text: Text) -> str | None:
    """Verbs without a part take their neighbour's; parts without a verb take theirs. Gives the line's own action."""
    whole_line = None
    for i, c in enumerate(clauses):
        if not (c.objectless and c.action):
            continue
        if c.action in _WHOLE_LINE and c.weight >= 4:
            if whole_line is None or c.action == "credited" or (whole_line == "quoted" and c.action == "not_fitted"):
                whole_line = c.action
            continue
        before = next((x for x in reversed(clauses[:i]) if x.things), None)
        after = next((x for x in clauses[i + 1 :] if x.things), None)
        if before is not None and (
            before.action is None
            or (before.action == "none" and c.weight > 0)
            or (
                (c.action in _PHYSICAL and before.action in ("inspected", "diagnosed", "advised") and c.weight > 0)
                or (c.action == "diagnosed" and before.action == "inspected")
                # "programmed and replaced": the order of the words is not that of the work
                or (c.action == "replaced" and before.action == "repaired" and _only_coded(before, text))
            )
        ):
            before.action, before.weight = c.action, c.weight
        elif after is not None and after.action is None and before is None:
            after.action, after.weight = c.action, c.weight
    for c, after in zip(clauses, clauses[1:], strict=False):
        # "headlamp unit, bumper and wing replaced n/s"
        if c.action is None and c.things and after.action == "replaced" and is_list(c, after, text):
            c.action, c.weight = after.action, after.weight
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


def parts_of(
    clause: Clause,
    text: Text,
    head: Sequence[tuple[int, int]],
    elsewhere: Sequence[tuple[int, int]],
    has_damage: bool,
) -> tuple[list[tuple[str, bool, str]], list[str], bool, bool]:
    """Parts of a clause as (component, told by itself, words), what comes with them, whether a part or another lamp
    than ours is named, whether only 'headlamp' is named."""
    joins = {h.start: {e.field for e in h.entries} for h in text.groups[JOIN]}
    own_head = [h for h in head if clause.start <= h[0] < clause.end]
    own_else = [e for e in elsewhere if clause.start <= e[0] < clause.end]
    categories = {(x.start, x.end) for x in clause.things if x.kind == "category"}
    named = [h for h in own_head if h not in categories and h not in own_else]
    real = [t for t in clause.things if t.kind in ("component", "in_context", "generic", "other")]
    if not [t for t in real if t.kind != "other"]:
        real = [t for t in clause.things if t.kind in ("component", "in_context", "generic", "other", "category")]
    alone = [t for t in clause.things if t.kind == "alone"]
    others = any(t.value == OTHER for t in clause.things)
    found: list[tuple[str, bool, str]] = []
    renews: list[str] = []
    if real and alone:
        # "headlamp c/w bulb", "headlamp + bulbs": here the headlamp is a thing of its own
        unit = next((x for x in alone if x.value == "headlamp_assembly" and x.end <= real[0].start), None)
        if unit is not None:
            links = set().union(*[joins.get(i, set()) for i in range(unit.end, real[0].start)], set())
            slash = "/" in text.tokens[unit.end : real[0].start]
            other_lamp = any(unit.end <= e[0] < real[0].start for e in own_else)
            if ("with" in links or ("and" in links and not slash)) and not other_lamp and real[0].value != OTHER:
                real = [replace(unit, kind="component"), *real]
    if not real:
        if alone:
            # "headlamp, rear fog": the first one speaks
            return [], renews, others, True
        return [], renews, others or bool(own_else), False

    # join the things
    groups: list[list[Thing]] = []
    role = "main"
    roles: list[str] = []
    previous: Thing | None = None
    for t in real:
        between = set()
        if previous is not None:
            for i in range(previous.start + 1, t.start):
                if i >= previous.end or "with" in joins.get(i, ()):  # "headlamp complete with ballast"
                    between |= joins.get(i, set())
            if any(v[0] >= previous.end and v[1] <= t.start for v in clause.actions):
                between.add("and")
            if {"/", ","} & set(text.tokens[previous.end : t.start]):
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
        thing = next((t for t in reversed(things) if any(n in t.value.split("|") for n in HEAD_NOUNS)), None)
        if thing is None:  # "ballast headlamp assembly" is the ballast; "amorceur lampe" is the igniter
            named_first = bool(text.languages) and text.languages <= NOUN_FIRST
            order = list(things) if named_first else list(reversed(things))
            thing = next((t for t in order if t.value != "headlamp_assembly"), things[-1])
            if not named_first and all(v == "unknown" or "@" in v for v in thing.value.split("|")):
                # "power supply module", "driver ECU": the word before tells what kind
                kind = next((t for t in order if t.end == thing.start and t.kind == "in_context" and "@" in t.value), None)
                whole = next((t for t in order if t.end == thing.start and t.kind == "component"), None)
                if whole is not None and whole.value not in ("headlamp_assembly", "lamp", PIECE):
                    thing = replace(whole, end=thing.end)  # "headlamp LED driver module"
                elif kind is not None:
                    thing = replace(thing, start=kind.start, value="|".join(dict.fromkeys(f"{thing.value}|{kind.value}".split("|"))))
        if thing.value == PIECE and any(t.kind == "other" and t.note != "accessory" and t.end == thing.start for t in things):
            thing = next(t for t in things if t.kind == "other" and t.end == thing.start)  # "windscreen glass"
        values = thing.value
        where = (
            text.phrase(things[0].start, things[-1].end)
            if len(things) > 1
            else text.phrase(thing.start, thing.end)
        )
        if thing.kind == "other":
            if r == "main":
                found.append((OTHER, True, where))
            continue
        value = "lamp" if thing.kind == "category" else values
        if thing.kind == "generic":
            # The German "Lampe" is what others call a bulb.
            value = "headlamp_assembly" if has_damage else "lamp" if r == "with" or thing.weight > 1 else "unknown"
            if any(x.kind == "category" for x in clause.things):
                value = "lamp"
        # which lamp is it of
        span = (things[0].start, things[-1].end)
        covers_head = any(h[0] < span[1] and span[0] < h[1] for h in own_head if h not in own_else)
        before = max((h for h in own_head + own_else if h[1] <= span[0]), default=None)
        after = min((h for h in own_head + own_else if h[0] >= span[1]), default=None)
        is_else = False
        if before is not None:
            # "headlamp & indicator bulbs": both qualify what follows
            shared = before in own_else and any(
                h[1] <= before[0] and is_joined(text, h[1], before[0]) and not any(h[1] <= x.start < before[0] for x in real)
                for h in own_head
                if h not in own_else
            )
            is_else = before in own_else and not shared
        elif after is not None and not covers_head:
            # "globe and parker": a bulb and another lamp
            is_else = after in own_else and not is_joined(text, span[1], after[0])
        if is_else and any(v in ("control_module", "switch_or_fuse") for v in value.split("|")) and any(
            h[1] <= span[0] or h[0] >= span[1] for h in named
        ):
            is_else = False  # "BCM coded for indicator and headlamp fault": of all lamps
        if not is_else and not named:
            # "bulb H8 fog": the category alone does not make it a headlamp's
            near = [span, *(h for h in own_head if h not in own_else)]
            is_else = any(e[0] == s[1] or e[1] == s[0] for e in own_else for s in near)
        told_whole = (thing.kind == "component" and before is not None and before[1] < span[0]) or "headl" in where
        if before is not None and is_else and covers_head and (told_whole or "switch_or_fuse" in value):
            is_else = False
        if is_else:
            if r == "main":
                found.append((OTHER, True, where))
            continue
        strong = thing.kind in ("component", "category") or bool(own_head) and not is_else
        if r == "with":
            renews.append(value)
        else:
            found.append((value, strong, where))
    return found, renews, others, bool(alone)


def only_noted(t: Text, clauses: Sequence[Clause]) -> bool:
    """Whether a state was only pointed out: advised, and no word of renewing anything."""
    told = [(t.tokens[a], e) for c in clauses for a, _, e in c.actions]
    return all(w.startswith(("adv", "monitor", "watch", "report")) for w, e in told if e.value == "advised") and not any(
        e.value in ("replaced", "not_fitted", "quoted") for _, e in told
    )


def drop_denied(t: Text) -> None:
    """ "No bulb fitted": neither the part nor the verb is told of."""
    for no in t.groups[NOT]:
        thing = next((h for h in t.groups[THING] if h.start == no.end), None)
        if thing is None:
            continue
        verb = next(
            (h for h in t.groups[ACTION] if h.start == thing.end and any(e.value == "replaced" for e in h.entries)), None
        )
        if verb is not None:
            t.groups[THING] = [h for h in t.groups[THING] if h is not thing]
            t.groups[ACTION] = [h for h in t.groups[ACTION] if h is not verb]
