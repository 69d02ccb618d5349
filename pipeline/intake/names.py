"""One supplier under one name, one part number under one spelling.

Nothing here guesses: two supplier names become one only when they are the same words written differently, when one
of them abbreviates a word of exactly one other known name, or when the settings say so.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

# Undotted short forms that are no words of their own (from memory; common practice, no source). They merge only with
# a known fuller name of which they are a prefix, so "Elec Lamps" never becomes "Elan Lamps".
_SHORT_FORMS = frozenset(
    "suppl supp mfg mfr intl dist distr elec electr ind indust tech techn equip assoc bros comp corp eng engin"
    " light autom accs acc mot prod whse wholes".split()
)

# Legal forms that are dropped at the end of a name, provided that no namesake of another legal form is known.
_LEGAL_FORMS = frozenset("ltd limited gmbh inc incorporated llc srl sarl plc corp corporation".split())

_DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d"


def _plain(text: str) -> str:
    text = unicodedata.normalize("NFKD", text)
    return "".join(c for c in text if not unicodedata.combining(c)).casefold()


def _tokens(name: str) -> tuple[tuple[str, bool], ...]:
    """Words of a name and whether each was written with a full stop behind it (an abbreviation)."""
    text = _plain(name).replace("&", " and ").replace("+", " and ")
    text = re.sub(r"['`\u2019]", "", text)
    text = re.sub(r"\b((?:[a-z]\.){2,})", lambda m: m.group(1).replace(".", "") + " ", text)  # a.b.c. -> abc
    return tuple((m.group(1), bool(m.group(2))) for m in re.finditer(r"([^\W_]+)(\.)?", text))


def _key(words: Sequence[str]) -> str:
    """Words run together, so that spacing does not matter; two numbers side by side stay apart."""
    return re.sub(r"(?<!\d) | (?!\d)", "", " ".join(words))


def canonical_suppliers(
    names: Iterable[str | None], aliases: Mapping[str, Sequence[str]] | None = None
) -> dict[str, str]:
    """The best spelling of each supplier name.

    names: as they stand in the data, repeats welcome (the commoner spelling is preferred). Blank ones are skipped.
    aliases: from the settings, {"Our Name": ("other spelling", ...)}; these win over every rule here.

    Rules, in order: (1) an alias, whatever its case, spacing and punctuation; (2) the same words but for case,
    accents, punctuation, spacing and "&" for "and"; (3) one legal form more or less at the end ("Ltd"), where no
    namesake of another form is known; (4) a word written short ("Suppl." or a usual short form without its stop) that
    is a prefix of exactly one known fuller name whose other words are the same. Names that differ in any other word
    stay apart. The spelling kept is the alias, or one that occurs: unabbreviated, mixed case before capitals before
    small letters, without punctuation, the commonest, then alphabetical. Where a name occurs in capitals here and in
    small letters there, and never mixed, its words get a capital each.

    Returns {name as given: name to use} for every name that is not blank.
    """
    counts = Counter(n for n in names if n is not None and n.strip())
    aliases = aliases or {}
    target: dict[str, str] = {}  # key -> alias target
    for ours, others in aliases.items():
        for spelling in (ours, *others):
            target[_key([w for w, _ in _tokens(spelling)])] = ours

    words: dict[str, tuple[str, ...]] = {}
    dotted: dict[str, tuple[bool, ...]] = {}
    for name in counts:
        tokens = _tokens(name)
        words[name] = tuple(w for w, _ in tokens) or (_plain(name).strip(),)
        dotted[name] = tuple(d for _, d in tokens) or (False,)

    group: dict[str, str] = {name: _key(words[name]) for name in counts}
    words_of: dict[str, tuple[str, ...]] = {}  # group -> its words, the most finely split spelling
    for name in sorted(counts):
        key = group[name]
        if key not in words_of or len(words[name]) > len(words_of[key]):
            words_of[key] = words[name]
    for ours in aliases:
        alias_words = tuple(w for w, _ in _tokens(ours))
        words_of.setdefault(_key(alias_words), alias_words)

    # (3) legal forms
    merged: dict[str, str] = {}
    by_stem: dict[str, set[str]] = defaultdict(set)
    for key, ws in words_of.items():
        stem = ws[:-1] if len(ws) > 1 and ws[-1] in _LEGAL_FORMS else ws
        by_stem[_key(stem)].add(key)
    for stem, keys in by_stem.items():
        formed = keys - {stem}
        if len(formed) == 1 and stem in keys and not (keys & target.keys()):
            merged[formed.pop()] = stem

    # (4) abbreviations
    # A word that somewhere carries the stop is a short form wherever else it stands without.
    known_short = set(_SHORT_FORMS)
    for name in counts:
        ws, ds = words[name], dotted[name]
        known_short.update(
            w for i, (w, d) in enumerate(zip(ws, ds, strict=False)) if d and len(w) >= 3 and i < len(ws) - 1
        )
    by_length: dict[int, list[tuple[str, tuple[str, ...]]]] = defaultdict(list)
    for key, ws in sorted(words_of.items()):
        by_length[len(ws)].append((key, ws))
    short_in: dict[str, set[int]] = defaultdict(set)  # group -> positions that are short forms in some spelling
    for name in counts:
        if words[name] == words_of[group[name]]:
            short_in[group[name]].update(
                i
                for i, (w, d) in enumerate(zip(words[name], dotted[name], strict=False))
                if (d and i < len(words[name]) - 1) or (d and len(w) > 1) or w in known_short
            )
    for key, positions in sorted(short_in.items()):
        if key in target or not positions:
            continue
        ws = words_of[key]
        fuller = [
            other
            for other, ows in by_length[len(ws)]
            if other != key
            and any(len(o) > len(w) for o, w in zip(ows, ws, strict=False))
            and all(
                o == w or (i in positions and len(o) > len(w) and o.startswith(w) and not w.isdigit())
                for i, (o, w) in enumerate(zip(ows, ws, strict=False))
            )
        ]
        # Of a chain Sup. -> Suppl. -> Supplier the longest counts once.
        fuller = [
            f
            for f in fuller
            if not any(
                g != f
                and all(a.startswith(b) for a, b in zip(words_of[g], words_of[f], strict=False))
                and short_in.get(f)
                for g in fuller
            )
        ]
        if len(fuller) == 1:
            merged[key] = fuller[0]

    def end(key: str) -> str:
        seen = {key}
        while key in merged and merged[key] not in seen:
            key = merged[key]
            seen.add(key)
        return key

    spellings: dict[str, list[str]] = defaultdict(list)
    for name in counts:
        if group[name] not in target:
            spellings[end(group[name])].append(name)
    best: dict[str, str] = {}
    for key, found in spellings.items():
        if key in target:
            best[key] = target[key]
            continue
        own = [n for n in found if group[n] == key] or found
        best[key] = _best_spelling(own, counts)
    return {name: target.get(group[name]) or best[end(group[name])] for name in sorted(counts)}


def _best_spelling(names: Sequence[str], counts: Mapping[str, int]) -> str:
    best = min(names, key=lambda n: (-_case(n), _marks(n), -counts[n], n))
    if _case(best) == 2 or len({_case(n) for n in names}) == 1:
        return _tidy(best)
    # Capitals in one place and small letters in another: neither desk meant its case, so words get a capital each.
    plainest = min(names, key=lambda n: (_marks(n), -counts[n], n))
    capitals = {w for n in names if _case(n) == 1 for w in re.findall(r"[^\W_]+", n)}
    return _tidy(
        re.sub(
            r"[^\W_]+",
            lambda m: (
                m.group().upper()
                if len(m.group()) <= 3 and m.group().upper() in capitals
                else m.group()[:1].upper() + m.group()[1:].lower()
            ),
            plainest,
        )
    )


def _tidy(name: str) -> str:
    return " ".join(name.split())


def _case(name: str) -> int:
    """2 for mixed case, 1 for capitals, 0 for small letters."""
    if any(c.islower() for c in name) and any(c.isupper() for c in name):
        return 2
    return 1 if any(c.isupper() for c in name) else 0


def _marks(name: str) -> int:
    return sum(not (c.isalnum() or c == " ") for c in name) + len(name) - len(_tidy(name))


def part_number_key(text: str | None) -> str | None:
    """A part number without what desks write differently: case, spaces, dashes, points, underscores, slashes.

    "h1 1194", "H1-1194" and "H1.1194" give "H11194". A whole number that a spreadsheet turned into a decimal
    ("1194.0") loses the decimal. Blank gives None.
    """
    if text is None:
        return None
    plain = unicodedata.normalize("NFKC", str(text)).strip().upper()
    if re.fullmatch(r"\d+\.0", plain):
        plain = plain[:-2]
    for dash in _DASHES:
        plain = plain.replace(dash, "-")
    key = re.sub(r"[\s\-._/\\\u200b\u00ad]+", "", plain)
    return key or None


def part_number_catalogue(numbers: Iterable[str | None]) -> dict[str, str]:
    """{key: spelling} of a catalogue's part numbers; of several spellings the commonest, then the first in order."""
    counts = Counter(" ".join(n.split()) for n in numbers if n is not None and n.strip())
    catalogue: dict[str, str] = {}
    for spelling in sorted(counts, key=lambda n: (-counts[n], n)):
        key = part_number_key(spelling)
        if key is not None:
            catalogue.setdefault(key, spelling)
    return catalogue


def normalise_part_number(text: str | None, catalogue: Mapping[str, str] | None = None) -> str | None:
    """A part number in the catalogue's spelling, or its key (see part_number_key) where the catalogue lacks it.

    catalogue: from part_number_catalogue. Without one the key itself is returned. Blank gives None.
    """
    key = part_number_key(text)
    if key is None or not catalogue:
        return key
    return catalogue.get(key, key)
