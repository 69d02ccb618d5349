"""Vehicles become keyed hashes; texts lose names, phones, plates, VINs, addresses, and nothing else."""

from __future__ import annotations

import hmac

import polars as pl
import pytest

from pipeline.intake import identity
from pipeline.intake.identity import SUSPICIOUS, Hasher, redact, without_id


def test_the_hash_is_hmac_sha256_of_the_plain_identifier():
    key = bytes(range(32))
    made = Hasher(key).one("  AB  123 ")
    assert made == "v" + hmac.new(key, b"ab 123", "sha256").hexdigest()[:12]
    assert Hasher(key).one("ab 123") == made
    assert Hasher(b"another key, 16+").one("ab 123") != made
    with pytest.raises(ValueError, match="16 bytes"):
        Hasher(b"short")


def test_a_collision_gets_a_longer_hash_and_a_full_one_is_an_error(monkeypatch):
    class Digest(bytes):
        pass

    answers = {b"a": "00" * 32, b"b": "00" * 6 + "11" * 26, b"c": "00" * 32}
    monkeypatch.setattr(identity.hmac, "digest", lambda key, message, kind: bytes.fromhex(answers[message]))
    hasher = Hasher(b"k" * 16)
    assert hasher.many(["a", "b", "a"]) == ["v" + "0" * 12, "v" + "0" * 12 + "1111", "v" + "0" * 12]
    hasher.one("c")  # its first 16 digits are still free
    with pytest.raises(ValueError, match="same hash"):
        monkeypatch.setattr(identity.hmac, "digest", lambda key, message, kind: bytes.fromhex("00" * 32))
        hasher.one("d")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("call 0171 2345678 when done", "call [phone] when done"),
        ("tel: +44 20 7946 0958", "tel: [phone]"),
        ("ring 555-123-4567 first", "ring [phone] first"),
        ("phone 12345678", "phone [phone]"),
        ("mail to a.b@c-d.org today", "mail to [e-mail] today"),
        ("VIN WAB12345678901234 left lamp", "VIN [vin] left lamp"),
        ("Mr Smith says the lamp is out", "[name] says the lamp is out"),
        ("Frau Müller-Lang: links dunkel", "[name]: links dunkel"),
        ("Customer name: John Smith lamp out", "Customer name: [name] lamp out"),
        ("reg AB12 CDE left lamp", "reg [plate] left lamp"),
        ("Kennzeichen: XY-AB 123 rechts", "Kennzeichen: [plate] rechts"),
    ],
)
def test_what_points_to_a_person_is_blanked(text, expected):
    assert redact(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "left lamp H7 12V 55W replaced at 123456 km",
        "2024-01-05 10:00 fitted, 05/03/2024 checked",
        "part 63117182520 and H1-1000",
        "regulator 12V replaced",
        "reg 5 faulty",
        "REG 5 FAULTY",
        "Customer: headlamp out",
        "driver side low beam",
        "DTC B1234-12, U0100",
        "odometer 120.345.678",
        "MRSCHALTER defekt",
        "batch 20240105-001",
        "dr side",
        "sr. note",
        "name plate missing",
        "price 1,234.50",
    ],
)
def test_the_rest_stays_as_it_is(text):
    assert redact(text) == text


def test_the_cheap_look_misses_nothing_that_is_blanked():
    texts = [
        "call 0171 2345678",
        "a@b.cd",
        "WAB12345678901234",
        "Mr Smith",
        "Sra. Gomez",
        "name: John",
        "reg AB12 CDE",
        "immat AB-123-CD",
        "kfz XY-AB 123",
        "(0171) 234 567 89",
        "Sig.ra Rossi",
        "mr jones",
        "number plate AB12 CDE",
        "registration AB12 CDE",
        "Herrn Otto",
    ]
    for text in texts:
        assert redact(text) != text, text
        assert pl.Series([text]).str.contains(SUSPICIOUS).all(), text


def test_a_rows_own_identifier_is_blanked():
    assert without_id("bus AB-12 and ab-12", "AB-12") == "bus [vehicle] and [vehicle]"
    assert without_id("a.c", "abc") == "a.c"
