"""Nobody's name leaves the intake: vehicles become keyed hashes, and texts lose what points to a person.

A hash is HMAC-SHA256 (RFC 2104, FIPS 198-1) under the workspace's key: without the key it cannot be tried out against a
list of plates or VINs.
"""

from __future__ import annotations

import hmac
import re
import unicodedata
from collections.abc import Iterable

_SHORT, _LONG = 12, 16


def plain_id(text: str) -> str:
    """A vehicle identifier without what desks write differently: case and runs of spaces."""
    return " ".join(unicodedata.normalize("NFKC", text).split()).casefold()


class Hasher:
    """Keyed short ids of vehicles: 'v' and 12 hexadecimal digits; 16 for one whose first 12 are taken by another.

    Two identifiers that agree on 16 digits raise ValueError (for a million vehicles: less than one in ten million
    runs).
    """

    def __init__(self, key: bytes) -> None:
        if len(key) < 16:
            raise ValueError("the key must have at least 16 bytes")
        self._key = key
        self._known: dict[str, str] = {}
        self._owner: dict[str, str] = {}

    def one(self, text: str) -> str:
        """The id of a vehicle; the same for the same identifier, however often and wherever it is asked for."""
        found = self._known.get(text)
        if found is not None:
            return found
        plain = plain_id(text)
        digest = hmac.digest(self._key, plain.encode("utf-8", "surrogatepass"), "sha256").hex()
        for length in (_SHORT, _LONG):
            short = "v" + digest[:length]
            if self._owner.setdefault(short, plain) == plain:
                self._known[text] = short
                return short
        raise ValueError("two vehicle identifiers have the same hash; use another key")

    def other(self, text: str) -> str:
        """A keyed id in place of an order's, lot's or unit's that looks like a person's: 'x' and 12 hexadecimal digits."""
        return "x" + hmac.digest(self._key, ("other " + plain_id(text)).encode("utf-8", "surrogatepass"), "sha256").hex()[:_SHORT]

    def many(self, texts: Iterable[str]) -> list[str]:
        return [self.one(t) for t in texts]


_EMAIL = re.compile(r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+")
# ISO 3779: 17 characters without I, O and Q. Letters and digits both, so that no word and no plain number is one.
_VIN = re.compile(
    r"(?<![A-Za-z0-9])(?=[A-Za-z0-9]*\d[A-Za-z0-9]*\d[A-Za-z0-9]*\d)(?=[A-Za-z0-9]*[A-Za-z])"
    r"[A-HJ-NPR-Za-hj-npr-z0-9]{17}(?![A-Za-z0-9])"
)
_PHONE = re.compile(r"(?<![\w.\-/])(?:\+\s?)?\(?\d[\d ()/.\-]{6,}\d(?![\w])")
_PHONE_WORD = re.compile(
    r"(?:\b(?:tel|phone|fon|telefon|telephone|téléphone|telefono|teléfono|mob|mobile|mobil|handy|cell|"
    r"call|ring|ph|fax|sms|whatsapp)\b\W{0,3}(?:(?:no|nr|number|on|at|to|is)\b\W{0,3})?)$",
    re.I,
)
_DATE = re.compile(r"^\(?(?:\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./](?:\d{4}|\d{2}))(?:\D|$)")
_US_PHONE = re.compile(r"^\(?\d{3}\)?[ .\-]\d{3}[ .\-]\d{4}$")
_NAME = re.compile(
    r"\b(?:Mr|Mrs|Ms|Miss|Herr|Herrn|Frau|Monsieur|Madame|Mme|Mlle|Signor|Signora|Sig|Sig\.ra|Señor|Señora|"
    r"Sr|Sra)\.?\s+(?:[A-Z]\.\s*)*(?:(?:van|von|de|di|del|der|la|le|Mc|O['’])\s*)*[A-ZÀ-ÖØ-Þ][\w'’\-]+"
    r"|\b(?:MR|MRS|MS|MISS|HERR|FRAU|MME)\.?\s+[A-ZÀ-ÖØ-Þ]{2,}[\w'’\-]*"
    r"|(?<=\b[Mm]r )[a-z]{2,}\b|(?<=\b[Mm]rs )[a-z]{2,}\b"
)
_LABELLED = re.compile(
    r"\b((?i:(?:(?:customer|driver|owner|client|contact|technician|kunden?|fahrer|cliente|conductor)"
    r"(?:'s)?[ _-]?)?(?:name|nom|nome|nombre)\s*[:=]\s*))((?:[A-ZÀ-ÖØ-Þ][\w'’\-]*\.?[ ]?){1,3})"
)
_PLATE = re.compile(
    r"\b((?i:number[ -]?plate|licen[cs]e[ -]?plate|plate|reg|registration|reg(?:istration)? no|vrm|kennzeichen|kfz|"
    r"immat|immatriculation|plaque|targa|matr[ií]cula)\b\.?\s*(?:(?i:is|no|nr|number)\b)?\s*[:=]?\s*)"
    r"((?=[A-ZÄÖÜ0-9 \-]*[A-Z])(?=[A-ZÄÖÜ \-]*\d[A-ZÄÖÜ \-]*\d)[A-ZÄÖÜ0-9]{1,4}(?:[ \-]?[A-Z0-9]{1,4}){1,3}"
    r"|[a-z]{1,3}[ \-]?\d{2,4}[ \-]?[a-z]{0,3})\b"
)

# A cheap look that tells which texts can hold anything to blank at all.
SUSPICIOUS = (
    r"(?i)@|\d[\d ()/.\-]{6,}\d|[a-hj-npr-z0-9]{17}|\b(?:mr|mrs|ms|miss|herrn?|frau|monsieur|madame|mme|mlle|signora?|"
    r"sig|señora?|sra?)\b|\b(?:name|nom|nome|nombre)\s*[:=]|plate|\breg|\bvrm\b|kennzeichen|\bkfz|immat|plaque|targa|matr[ií]cula"
)


def redact(text: str) -> str:
    """The text with e-mail addresses, VINs, phone numbers, names behind a title or a label,
    and labelled plates blanked.

    A plate without a word beside it cannot be told from a part number; mapping the plate as vehicle_id blanks it too.
    """
    out = _EMAIL.sub("[e-mail]", text)
    out = _VIN.sub("[vin]", out)
    out = _PLATE.sub(lambda m: m.group(1) + "[plate]", out)
    out = _PHONE.sub(lambda m: _phone(m, out), out)
    out = _LABELLED.sub(lambda m: m.group(1) + "[name] ", out).rstrip() if _LABELLED.search(out) else out
    return _NAME.sub("[name]", out)


# A cheap look that tells which ids can be a person's at all.
SUSPICIOUS_ID = (
    SUSPICIOUS.replace(r"\d[\d ()/.\-]{6,}\d", r"\+\s?\(?\d")
    + r"|(?:tel|fon|phone|fono|mob|handy|cell|call|ring|ph|fax|sms|whatsapp|on|at|to|is|no|nr|number)\b\W{0,3}\d"
)


def names_somebody(identifier: str) -> bool:
    """Whether a number of an order, lot or unit is a person's e-mail address, VIN, name, labelled plate or told phone number.

    Digits alone never are: desks number their orders with leading noughts, as phones do.
    """
    if any(p.search(identifier) for p in (_EMAIL, _VIN, _PLATE, _LABELLED, _NAME)):
        return True
    return any(m.group().startswith("+") or _PHONE_WORD.search(identifier[max(0, m.start() - 30) : m.start()])
               for m in _PHONE.finditer(identifier) if _phone(m, identifier) != m.group())


def _phone(match: re.Match, text: str) -> str:
    found = match.group()
    digits = sum(c.isdigit() for c in found)
    if not 8 <= digits <= 15 or _DATE.match(found):
        return found
    told = bool(_PHONE_WORD.search(text[max(0, match.start() - 30) : match.start()]))
    starts = found.startswith(("+", "00", "0", "(0"))
    return "[phone]" if told or (starts and digits >= 9) or _US_PHONE.match(found) else found


def without_id(text: str, identifier: str) -> str:
    """The text without the row's own vehicle identifier, which a desk may have typed into it."""
    return re.sub(re.escape(identifier), "[vehicle]", text, flags=re.I)
