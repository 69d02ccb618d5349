from __future__ import annotations

from pipeline.intake.names import (
    canonical_suppliers,
    normalise_part_number,
    part_number_catalogue,
    part_number_key,
)


def test_spellings_of_one_supplier_become_one() -> None:
    names = ["Supplier A", "SUPPLIER-A", "supplier a", "Suppl. A", "Supplier  A ", "supplier_a", "Suppl A"]
    assert set(canonical_suppliers(names, {}).values()) == {"Supplier A"}


def test_a_mixed_case_spelling_is_made_where_only_capitals_and_small_letters_occur() -> None:
    assert set(canonical_suppliers(["Suppl. A", "SUPPLIER-A", "supplier a"], {}).values()) == {"Supplier A"}
    assert canonical_suppliers(["ACME-X", None, " "], {}) == {"ACME-X": "ACME-X"}


def test_names_that_differ_in_a_word_stay_apart() -> None:
    names = [
        "Supplier A",
        "Supplier B",
        "Supplier AB",
        "North Lamps",
        "Northern Lamps",
        "Line 1 12",
        "Line 11 2",
        "Ray",
        "Rays",
    ]
    got = canonical_suppliers(names, {})
    assert len(set(got.values())) == len(names)


def test_an_abbreviation_needs_exactly_one_fuller_name() -> None:
    assert canonical_suppliers(["Suppl. A", "Supplier A", "Supplies A"], {})["Suppl. A"] == "Suppl. A"
    assert canonical_suppliers(["Suppl. A", "Supplier B"], {})["Suppl. A"] == "Suppl. A"
    # a letter is no abbreviation of a longer word
    assert canonical_suppliers(["Supplier A", "Supplier Alpha"], {})["Supplier A"] == "Supplier A"
    # a chain of ever shorter forms ends at the full name
    assert set(canonical_suppliers(["Sup. A", "Suppl. A", "Supplier A"], {}).values()) == {"Supplier A"}


def test_legal_forms_merge_only_where_one_is_known() -> None:
    assert canonical_suppliers(["Beam", "Beam Ltd"], {})["Beam Ltd"] == "Beam"
    got = canonical_suppliers(["Beam", "Beam Ltd", "Beam GmbH"], {})
    assert len(set(got.values())) == 3


def test_aliases_win_over_the_rules() -> None:
    got = canonical_suppliers(
        ["ray  ltd.", "Ray", "SUPPLIER-A", "Supplier A"], {"Our Ray": ("Ray Ltd",), "House": ("supplier a",)}
    )
    assert got["ray  ltd."] == "Our Ray"
    assert got["SUPPLIER-A"] == got["Supplier A"] == "House"
    assert got["Ray"] == "Ray"


def test_order_and_repeats_change_nothing_but_the_commonest_spelling() -> None:
    names = ["Beam & Co", "beam and co", "BEAM AND CO", "Suppl. C", "supplier c", "Supplier C"]
    assert canonical_suppliers(names, {}) == canonical_suppliers(list(reversed(names)), {})


def test_part_numbers() -> None:
    assert part_number_key("h1 1194") == part_number_key("H1-1194") == part_number_key(" H1.1194") == "H11194"
    assert part_number_key("1194.0") == "1194"
    assert part_number_key("  ") is None and part_number_key(None) is None
    catalogue = part_number_catalogue(["H1-1194", "h1 1194", "H1-1194", None, "X/9"])
    assert normalise_part_number("h1 1194", catalogue) == "H1-1194"
    assert normalise_part_number("x9", catalogue) == "X/9"
    assert normalise_part_number("q-7", catalogue) == "Q7"
    assert normalise_part_number("q-7") == "Q7"
