"""The words of the trade: a CSV that says what a word or phrase means, and a fast matcher made of it.

A row of a vocabulary is `language, pattern, field, value, weight, note`:

- `pattern`: words in plain text; case, accents, hyphens and spacing do not matter. A word may end in `*` (any ending).
- `field`: what kind of thing the words tell, see FIELDS; `value`: what they tell.
- `weight`: which words win inside one clause (actions), see `pipeline.intake.classify`; mostly 1.
- `language`: en, de, fr, it, es, any other two letters, or `any`. Short foreign words count only where longer words of
  the same language stand beside them, since "d", "der" or "sin" mean different things in different tongues.

A user's file of the same shape is read after the shipped one and adds to it. A user's row replaces a shipped row of the
same pattern and field (in any language); the field `ignore` takes a pattern out of every reading.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path

_VOWELS = frozenset("aeiouy")

# field -> (group, allowed values or None for any, what it is).
# Phrases compete (the longest wins) inside one group only.
FIELDS: dict[str, tuple[str, tuple[str, ...] | None, str]] = {
    "component": ("thing", None, "a part whose life is followed, told by these words alone"),
    "component_alone": (
        "thing",
        None,
        "a part, where the clause names no other (else it tells where the other sits)",
    ),
    "component_in_context": (
        "thing",
        None,
        "a part, where other words say that it is a headlamp matter; value@lighting holds for that lighting only",
    ),
    "piece": ("thing", None, "a piece of a part: renewing it repairs the part, and is no renewal of it"),
    "piece_in_context": ("thing", None, "the same, where other words say that it is a headlamp matter"),
    "lamp_generic": (
        "thing",
        ("lamp",),
        "'lamp': the light source, or the whole unit where damage or water is told",
    ),
    "category": ("thing", None, "a light source category of a headlamp lamp"),
    "other_part": ("thing", None, "a part that is none of ours"),
    "elsewhere": ("thing", None, "another lamp than the headlamp; weight 0 needs a lamp word close by"),
    "elsewhere_gated": ("thing", None, "the same, only beside other words of its language"),
    "context": ("context", ("headlamp",), "words that make the text a headlamp matter"),
    "context_gated": ("context", ("headlamp",), "the same, only beside other words of its language"),
    "lamp_word": ("context", ("light",), "some light, not told which"),
    "side": ("side", ("left", "right", "both", "near", "off", "driver", "passenger", "fr", "f_r", "other"), "a side"),
    "side_gated": ("side", ("left", "right", "both"), "a side, only beside other words of its language"),
    "side_letter": ("side", ("left", "right", "driver", "passenger"), "a side, only right beside a part or lamp word"),
    "two": ("side", ("2",), "two pieces"),
    "pair": (
        "side",
        ("pair",),
        "changed as a pair: both sides, or, where one side is named, because of the other one",
    ),
    "beam": ("beam", ("low", "high", "both"), "a beam"),
    "beam_gated": ("beam", ("low", "high", "both"), "a beam, only beside other words of its language"),
    "beam_hint": ("beam", ("low", "high", "both"), "a beam that a light source category implies"),
    "action": (
        "action",
        (
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
            "advised",
            "none",
        ),
        "what was done; advised ends as not_fitted",
    ),
    "removal_reason": ("reason", ("failed", "planned", "paired", "collision", "upgrade"), "why a part came off"),
    "symptom": (
        "symptom",
        ("low_beam_dark", "high_beam_dark", "flicker", "dim", "water_inside", "warning_shown", "other"),
        "what the driver sees",
    ),
    "symptom_in_complaint": (
        "symptom",
        ("low_beam_dark", "high_beam_dark", "flicker", "dim", "water_inside", "warning_shown", "other"),
        "the same, in a complaint only",
    ),
    "comeback": ("comeback", ("yes",), "the same fault is back"),
    "flag": ("flag", None, "kept as a flag of the line"),
    "with": ("join", None, "what follows comes with the part"),
    "without": ("join", None, "what follows does not come with it"),
    "of": ("join", None, "what follows tells where the part sits"),
    "and": ("join", None, "a list"),
    "then": ("join", None, "a new clause"),
    "not": ("not", None, "denies the word that follows"),
    "aside": ("join", None, "what follows was before, or is the occasion: not the work of this line"),
    "unit_hint": ("unit", ("unit",), "beside a bare 'headlamp': the whole unit is meant"),
    "swap": (
        "swap",
        ("verb", "mark"),
        "a verb and a mark in one clause: parts changed over between the sides for a test",
    ),
    "plural": ("plural", ("plural",), "several of a thing that a vehicle has one of a side"),
    "unsided": ("", None, "the value is a component that has no side; the pattern is *"),
    "short_for": ("", None, "the pattern is one word, an abbreviation; the value is the word or words it stands for, in texts and patterns"),
    "ignore": ("*", None, "means nothing here, and is no slip of another word"),
}
GROUPS = (
    "thing",
    "context",
    "side",
    "beam",
    "action",
    "reason",
    "symptom",
    "comeback",
    "flag",
    "join",
    "not",
    "unit",
    "swap",
    "plural",
)
_GROUP_INDEX = {g: i for i, g in enumerate(GROUPS)}
COLUMNS = ("language", "pattern", "field", "value", "weight", "note")

SHIPPED_NAME = "vocabulary.csv"


class VocabularyError(Exception):
    """A vocabulary file cannot be used: says file, row and what to write instead."""


@dataclass(frozen=True)
class Row:
    """One row of a vocabulary; `origin` is "file:row"."""

    language: str
    pattern: str
    field: str
    value: str
    weight: int
    origin: str


@dataclass(frozen=True, slots=True)
class Entry:
    """What a matched phrase tells."""

    field: str
    value: str
    weight: int
    language: str
    is_short: bool  # fewer than four letters: counts only beside other words of its language


@dataclass(frozen=True, slots=True)
class Hit:
    """A phrase found in a text: tokens [start, end)."""

    start: int
    end: int
    entries: tuple[Entry, ...]


class _Node:
    __slots__ = ("children", "ends")

    def __init__(self) -> None:
        self.children: dict[str, _Node] = {}
        self.ends: dict[int, list[Entry]] = {}


@dataclass
class Vocabulary:
    """A compiled vocabulary. Made by `compile_vocabulary` or `load_vocabulary`; do not change it."""

    rows: tuple[Row, ...]
    components: tuple[str, ...]
    unsided: frozenset[str]
    _root: _Node = field(repr=False, default_factory=_Node)
    _exact: frozenset[str] = field(repr=False, default=frozenset())
    _prefixes: frozenset[str] = field(repr=False, default=frozenset())
    _slips: dict[str, list[str]] = field(repr=False, default_factory=dict)
    _short: frozenset[str] = field(repr=False, default=frozenset())
    _skeletons: dict[str, tuple[str, ...]] = field(repr=False, default_factory=dict)
    _keys: dict[str, tuple[tuple[str, int], ...]] = field(repr=False, default_factory=dict)
    _mended: dict[str, tuple[str, ...]] = field(repr=False, default_factory=dict)
    short_forms: dict[str, tuple[str, ...]] = field(repr=False, default_factory=dict)

    def keys_of(self, token: str) -> tuple[tuple[str, int], ...]:
        """The pattern words that a token matches, with how many letters they spell out."""
        keys = self._keys.get(token)
        if keys is None:
            found = [(token, len(token) + 1)] if token in self._exact else []
            found += [(token[:n] + "*", n) for n in range(len(token), 1, -1) if token[:n] in self._prefixes]
            keys = self._keys[token] = tuple(found)
        return keys

    def mend(self, token: str) -> tuple[str, ...]:
        """The words meant by a token that matches nothing: run-together words split, a slip of the pen put right."""
        mended = self._mended.get(token)
        if mended is None:
            mended = self.short_forms.get(token)
            if mended is None:
                whole = self._mend(token)
                mended = tuple(w for part in whole for w in self.short_forms.get(part, (part,)))
            self._mended[token] = mended
        return mended

    def _mend(self, token: str) -> tuple[str, ...]:
        if not token.isalpha() or len(token) < 4 or token in self._exact:
            return (token,)
        whole = self._unvowelled(token)  # "swtch", "hldr", "plsh", "defctv": vowels left out
        if whole is not None:
            return (whole,)
        if len(token) < 6:  # "ligth": of short words only two letters changed over are put right
            swaps = {token[:i] + token[i + 1] + token[i] + token[i + 2 :] for i in range(len(token) - 1)} - {token}
            meant = sorted(w for w in swaps if w in self._short)
            return (meant[0],) if len(meant) == 1 and not self.keys_of(token) else (token,)
        if any(len(token) - letters <= 1 for _, letters in self.keys_of(token)):
            return (token,)
        known = [k for k in self.keys_of(token) if k[0] in self._root.children]
        if known and len(token) - known[0][1] < 4:
            return (token,)
        if not known:
            near = [
                w
                for w in self._slips.get(token[0], ())
                if abs(len(w) - len(token)) <= 1 and slips_between(token, w, 1) == 1
            ]
            if len({w.rstrip("s") for w in near}) == 1 or (len(token) >= 7 and len({self._meaning(w) for w in near}) == 1):
                return (min(near, key=lambda w: (abs(len(w) - len(token)), w)),)
        for n in range(len(token) - 3, 3, -1):  # the longest first word
            first, second = token[:n], token[n:]
            if not (first in self._exact or first in self._prefixes):
                continue
            if (second in self._exact or second in self._prefixes) and len(second) >= 4:
                return (first, second)
            if (
                second[:1] in "sn"
                and len(second) > 4
                and (second[1:] in self._exact or second[1:] in self._prefixes)
            ):
                return (first, second[1:])  # German joins words with an s or n
        if known:
            return (token,)
        reach = 1 if len(token) < 10 else 2
        best, ties = reach + 1, []
        for word in self._slips.get(token[0], ()):
            if abs(len(word) - len(token)) <= reach:
                d = slips_between(token, word, min(best, reach))
                if d < best:
                    best, ties = d, [word]
                elif d == best and d <= reach:
                    ties.append(word)
        if ties and (len(ties) == 1 or len({w.rstrip("s") for w in ties}) == 1):
            return (min(ties, key=lambda w: (len(w), w)),)
        return (token,)

    def _unvowelled(self, token: str) -> str | None:
        """The one known word that a token is, but for two or more vowels (or all of them) that were left out."""
        vowels = sum(c in _VOWELS for c in token[1:])
        if vowels > 1 or self.keys_of(token):
            return None
        whole = []
        for word in self._skeletons.get(_bones(token), ()):
            if (not vowels or len(token) >= 5 or len(word) - len(token) >= 2) and _is_inside(token, word):
                whole.append(word)
        if not whole or len({w[:3] for w in whole}) == 1 or len({self._meaning(w) for w in whole}) == 1:
            return whole[0] if whole else None
        return None

    def _meaning(self, word: str) -> frozenset[tuple[int, str]] | str:
        """What a word tells by itself; the word where it tells nothing."""
        node = self._root.children.get(word) or self._root.children.get(word + "*")
        told = {(g, e.value) for g, entries in node.ends.items() for e in entries} if node is not None else set()
        return frozenset(told) or word

    def is_known(self, token: str) -> bool:
        return bool(self.keys_of(token))

    def match(self, tokens: Sequence[str], accept: Callable[[Sequence[Entry]], Sequence[Entry]] | None = None) -> list[list[Hit]]:
        """Per group (in the order of GROUPS) the phrases found: from the left, the longest first, none overlapping."""
        n = len(tokens)
        keys = [self.keys_of(t) for t in tokens]
        root = self._root
        at: list[dict[int, list]] = []  # per token: group -> [end, letters, [(letters, entries), ...]]
        for i in range(n):
            best: dict[int, list] = {}
            stack = [(root, i, 0)]
            while stack:
                node, j, letters = stack.pop()
                if j > i and node.ends:
                    for group, entries in node.ends.items():
                        if accept is not None and group >= 0:
                            entries = list(accept(entries))
                            if not entries:
                                continue
                        old = best.get(group)
                        if old is None or j > old[0]:
                            best[group] = [j, letters, [(letters, entries)]]
                        elif j == old[0]:
                            old[1] = max(old[1], letters)
                            old[2].append((letters, entries))
                if j < n:
                    children = node.children
                    if children:
                        for key, spelled in keys[j]:
                            child = children.get(key)
                            if child is not None:
                                stack.append((child, j + 1, letters + spelled))
            at.append(best)
        present = set().union(*at) if at else set()
        skips = [b.get(-1) for b in at]
        hits: list[list[Hit]] = []
        for group in range(len(GROUPS)):
            found: list[Hit] = []
            hits.append(found)
            if group not in present:
                continue
            i = 0
            while i < n:
                own, skip = at[i].get(group), skips[i]
                if own is not None and (skip is None or own[0] >= skip[0]):
                    found.append(Hit(i, own[0], _most_specific(own[2])))
                    i = own[0]
                elif skip is not None and skip[0] > i + 1:
                    i = skip[0]
                else:
                    i += 1
        return hits


def _most_specific(found: list[tuple[int, list[Entry]]]) -> tuple[Entry, ...]:
    """Of the entries of equally long phrases those that spell out most letters, in each language."""
    if len(found) == 1:
        return tuple(found[0][1])
    most: dict[str, int] = {}
    for letters, entries in found:
        for e in entries:
            most[e.language] = max(most.get(e.language, 0), letters)
    return tuple(
        sorted(
            {e for letters, entries in found for e in entries if letters == most[e.language]},
            key=lambda e: (e.field, e.value, e.language, e.weight),
        )
    )


def _bones(word: str) -> str:
    """A word without the vowels after its first letter, double letters as one, "ck" as "k"."""
    out = word[:1]
    for c in word[1:]:
        if c in _VOWELS or c == out[-1]:
            continue
        out = out[:-1] + c if c == "k" and out[-1] == "c" else out + c
    return out


def _is_inside(short: str, word: str) -> bool:
    """Whether the letters of a short form stand in a word in the same order (of two equal ones beside each other, one will do)."""
    rest = iter(word)
    return all(c in rest for i, c in enumerate(short) if i == 0 or c != short[i - 1])


# ---------------------------------------------------------------------------------------------------------- tokens

_ELISION = re.compile(r"(?<![^\W_])(?:d|l|qu|j|m|c)'(?=[^\W_]{2})")
_DOTTED = re.compile(r"(?<![^\W_])((?:[a-z]\.){1,3}[a-z])\.?(?![^\W_])")
_DOTTED_RUN = re.compile(r"(?<![^\W_])((?:[a-z]\.){2,3})(?=[^\W_]{2})")
_LETTERS = re.compile(r"(?<![^\W_/])([a-z])(?:[ ]?[/\\][ ]?([a-z]))(?:[/\\]([a-z]))?(?![^\W_/])")
_LETTERS_DASH = re.compile(r"(?<![^\W_-])([a-z])-([a-z])(?:-([a-z]))?(?![^\W_-])")
_AMPERSAND = re.compile(r"(?<![^\W_])([a-z])[ ]?[&+][ ]?([a-z])(?![^\W_])")
_LISTED = re.compile(r"(?<![^\W_])([a-z]{1,5})\.(?=\s*[+/&]|\s+(?:u|und|e|et|y|and|or|bzw)(?![^\W_]))")
_SHORTENED = re.compile(r"(?<![^\W_])(inkl|incl|einschl|kpl|kompl|compl|scheinw|vord|vo|av|ant|izq|dcha|dcho|assy|assem|approx|ca|bzw)\.(?=\s*[^\W_])")
_LONG_DASH = re.compile(r"\s[-\u2010-\u2015]+(?=\s|$)|^[-\u2010-\u2015]+\s|--+|->|=>")
_TOKEN = re.compile(
    r"[a-z](?:/[a-z])+(?![^\W_])|[a-z]&[a-z](?![^\W_])|\d+[.,]\d+[^\W_]*|[^\W_]+|[;:,.|()\[\]\n/&+!?=]"
)
BREAKS = frozenset(";:,.|()[]\n!?=")


def plain(text: str) -> str:
    """Small letters without accents; dashes and quotes of one kind."""
    text = text.casefold()
    if not text.isascii():
        text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
        text = text.replace("\u2019", "'").replace("\u00b4", "'").replace("\u00a0", " ")
    return text


def tokens_of(text: str) -> list[str]:
    """Words and breaks of a text: "L.H. h/lamp - R & R" gives lh, h, /, lamp, ;, r&r."""
    text = plain(text)
    if "@" in text:
        text = text.replace("@", " at ")
    if "'" in text or "`" in text:
        text = _ELISION.sub("", text).replace("'", "").replace("`", "")
    if "." in text:
        text = _DOTTED.sub(lambda m: m.group(1).replace(".", ""), text)
        text = _DOTTED_RUN.sub(lambda m: m.group(1).replace(".", "") + " ", text)
        text = _LISTED.sub(r"\1 ", text)  # "li. + re." is one list
        text = _SHORTENED.sub(r"\1 ", text)  # "inkl. Leuchtmittel" is one clause
    if "-" in text or not text.isascii() or "=>" in text:
        text = _LONG_DASH.sub(" ; ", text)
        text = _LETTERS_DASH.sub(lambda m: "/".join(g for g in m.groups() if g), text)
    if "/" in text or "\\" in text:
        text = _LETTERS.sub(lambda m: "/".join(g for g in m.groups() if g), text)
    if "&" in text or "+" in text:
        text = _AMPERSAND.sub(r"\1&\2", text)
    return _TOKEN.findall(text)


def _pattern_tokens(pattern: str) -> list[str]:
    """Tokens of a pattern; a word's closing * stays on it."""
    pieces = plain(pattern).split("*")
    out: list[str] = []
    for i, piece in enumerate(pieces):
        out.extend(tokens_of(piece))
        if out and i < len(pieces) - 1 and not piece.endswith(" "):
            out[-1] += "*"
    return out


def slips_between(a: str, b: str, limit: int) -> int:
    """Letters left out, added, changed or swapped with their neighbour between two words; limit + 1 when more.

    The restricted Damerau-Levenshtein distance (optimal string alignment).
    """
    if a == b:
        return 0
    before: list[int] = []
    last = list(range(len(b) + 1))
    for i, ca in enumerate(a, 1):
        row = [i]
        for j, cb in enumerate(b, 1):
            cost = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (ca != cb))
            if i > 1 and j > 1 and ca == b[j - 2] and a[i - 2] == cb:
                cost = min(cost, before[j - 2] + 1)
            row.append(cost)
        if min(row) > limit:
            return limit + 1
        before, last = last, row
    return last[-1] if last[-1] <= limit else limit + 1


# ---------------------------------------------------------------------------------------------------------- loading


def read_rows(text: str, name: str) -> tuple[Row, ...]:
    """Rows of one vocabulary file given as CSV text. Raises VocabularyError naming file and row."""
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")))
    try:
        lines = list(reader)
    except csv.Error as error:
        raise VocabularyError(
            f"{name}: row {reader.line_num} is not CSV ({error}). Put quotation marks around cells with commas."
        ) from None
    if not lines:
        raise VocabularyError(f"{name} is empty. Its first row must be: {','.join(COLUMNS)}.")
    header = [h.strip().lower() for h in lines[0]]
    missing = [c for c in COLUMNS[:4] if c not in header]
    if missing:
        raise VocabularyError(
            f"{name}: row 1 lacks the column {', '.join(missing)}. The first row must be: {','.join(COLUMNS)}."
        )
    place = {c: header.index(c) for c in COLUMNS if c in header}
    rows: list[Row] = []
    for number, cells in enumerate(lines[1:], 2):
        if not any(c.strip() for c in cells):
            continue

        def cell(column: str, cells: list[str] = cells) -> str:
            i = place.get(column, -1)
            return cells[i].strip() if 0 <= i < len(cells) else ""

        where = f"{name}: row {number}"
        language, pattern, kind, value = (cell(c) for c in COLUMNS[:4])
        if len(cells) > len(header) and any(c.strip() for c in cells[len(header) :]):
            raise VocabularyError(
                f"{where} has {len(cells)} cells, the header has {len(header)}. "
                f"Put quotation marks around cells with commas."
            )
        if not re.fullmatch(r"[a-z]{2}|any", language.lower()):
            raise VocabularyError(f"{where}: language is {language!r}; expected two letters such as en, or any.")
        if kind not in FIELDS:
            near = [f for f in FIELDS if kind and (f.startswith(kind) or slips_between(kind, f, 2) <= 2)]
            hint = f" Did you mean '{near[0]}'?" if near else f" One of: {', '.join(FIELDS)}."
            raise VocabularyError(f"{where}: field is {kind!r}.{hint}")
        allowed = FIELDS[kind][1]
        if allowed is not None and value not in allowed:
            raise VocabularyError(f"{where}: value is {value!r}; a '{kind}' is one of {', '.join(allowed)}.")
        if kind in (
            "component",
            "component_alone",
            "component_in_context",
            "piece",
            "piece_in_context",
            "unsided",
            "flag",
        ) and not re.fullmatch(r"[a-z][a-z0-9_]*(@[a-z]+)?", value):
            raise VocabularyError(f"{where}: value is {value!r}; expected a name of small letters, digits and _.")
        weight_text = cell("weight") or "1"
        if not re.fullmatch(r"\d", weight_text):
            raise VocabularyError(f"{where}: weight is {weight_text!r}; expected one digit, mostly 1.")
        if kind != "unsided":
            words = _pattern_tokens(pattern)
            if kind == "short_for" and (len(words) != 1 or words[0].endswith("*") or not tokens_of(value)):
                raise VocabularyError(f"{where}: a 'short_for' has one word as its pattern, and the word it stands for as its value.")
            if not words:
                raise VocabularyError(f"{where}: the pattern is blank. Write the words to look for.")
            short = [w for w in words if w.endswith("*") and len(w) < (4 if len(words) == 1 else 3)]
            if short:
                raise VocabularyError(
                    f"{where}: {short[0]!r} would match too much. Write at least three letters before *."
                )
        rows.append(Row(language.lower(), pattern, kind, value, int(weight_text), f"{name}:{number}"))
    return tuple(rows)


def merge_rows(parts: Iterable[Sequence[Row]]) -> tuple[Row, ...]:
    """Vocabularies laid over each other: a later file's pattern replaces an earlier file's of the same field.

    A later file's `ignore` takes a pattern out of the earlier files altogether.
    """
    merged: list[Row] = []
    for rows in parts:
        taken = {(tuple(_pattern_tokens(r.pattern)), r.field) for r in rows if r.field != "unsided"}
        ignored = {p for p, f in taken if f == "ignore"}
        if merged:
            merged = [
                r
                for r in merged
                if r.field == "unsided"
                or ((p := tuple(_pattern_tokens(r.pattern))), r.field) not in taken
                and p not in ignored
            ]
        merged.extend(rows)
    return tuple(merged)


def _spelled_out(words: Sequence[str], short_forms: dict[str, tuple[str, ...]]) -> list[str]:
    """Words of a pattern with its abbreviations spelled out; a closing * stays on the last one."""
    out: list[str] = []
    for w in words:
        whole = short_forms.get(w.rstrip("*"))
        out.extend((w,) if whole is None else (*whole[:-1], whole[-1] + "*" * w.endswith("*")))
    return out


def compile_vocabulary(rows: Sequence[Row]) -> Vocabulary:
    """A matcher of the rows."""
    root = _Node()
    exact: set[str] = set()
    prefixes: set[str] = set()
    short_forms = {tokens_of(r.pattern)[0]: tuple(tokens_of(r.value)) for r in rows if r.field == "short_for"}
    for row in rows:
        if row.field in ("unsided", "short_for"):
            continue
        words = _spelled_out(_pattern_tokens(row.pattern), short_forms)
        node = root
        for w in words:
            (prefixes if w.endswith("*") else exact).add(w.rstrip("*"))
            node = node.children.setdefault(w, _Node())
        letters = sum(len(w.rstrip("*")) for w in words)
        group = FIELDS[row.field][0]
        entry = Entry(row.field, row.value, row.weight, row.language, letters < 4)
        entries = node.ends.setdefault(-1 if group == "*" else _GROUP_INDEX[group], [])
        if entry not in entries:
            entries.append(entry)
    slips: dict[str, list[str]] = {}
    for word in sorted(exact):
        if len(word) >= 6 and word.isalpha():
            slips.setdefault(word[0], []).append(word)
    skeletons: dict[str, set[tuple[bool, str]]] = {}
    for row in rows:
        if row.field in ("unsided", "short_for"):
            continue
        for word in _spelled_out(_pattern_tokens(row.pattern), short_forms):
            word = word.rstrip("*")
            if len(word) >= 5 and word.isalpha() and any(c in _VOWELS for c in word[1:]):
                skeletons.setdefault(_bones(word), set()).add((row.language != "en", word))
    components = sorted(
        {
            r.value.split("@")[0]
            for r in rows
            if r.field in ("component", "component_alone", "component_in_context")
        }
        - {"unknown"}
        | {"lamp"}
    )
    return Vocabulary(
        tuple(rows),
        tuple(components),
        frozenset(r.value for r in rows if r.field == "unsided"),
        root,
        frozenset(exact),
        frozenset(prefixes),
        slips,
        frozenset(w for w in exact | prefixes if 4 <= len(w) <= 5 and w.isalpha()),
        {
            # English words before those of other languages
            bones: tuple(sorted((w for foreign, w in words if foreign == min(words)[0]), key=lambda w: (len(w), w)))
            for bones, words in skeletons.items()
        },
        short_forms=short_forms,
    )


@cache
def _shipped_rows() -> tuple[Row, ...]:
    text = resources.files("pipeline.intake").joinpath(SHIPPED_NAME).read_text(encoding="utf-8")
    return read_rows(text, SHIPPED_NAME)


@cache
def _compiled(rows: tuple[Row, ...]) -> Vocabulary:
    return compile_vocabulary(rows)


def load_vocabulary(extra: Iterable[Path] = ()) -> Vocabulary:
    """The shipped vocabulary with the user's files laid over it, in order.

    Raises VocabularyError, naming file and row, for anything that cannot be used.
    """
    parts: list[Sequence[Row]] = [_shipped_rows()]
    for path in extra:
        try:
            text = Path(path).read_text(encoding="utf-8-sig")
        except OSError as error:
            raise VocabularyError(f"{Path(path).name} cannot be read: {error.strerror or error}.") from None
        except UnicodeDecodeError:
            raise VocabularyError(f"{Path(path).name} is not UTF-8 text. Save it as CSV, UTF-8.") from None
        parts.append(read_rows(text, Path(path).name))
    return _compiled(merge_rows(parts))
