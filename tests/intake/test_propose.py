"""`lowbeam map` finds the way from other desks' headers to our columns, says why, and does not invent."""

from __future__ import annotations

import random

import pytest

from pipeline.intake.discover import discover
from pipeline.intake.load import load
from pipeline.intake.problems import DataProblem
from pipeline.intake.propose import likeness, propose, propose_mapping, toml
from pipeline.settings import Settings, load_settings, parse_settings
from pipeline.store import Workspace, connect
from tests.intake.desk import KEY, settle


def rows(header: str, make, n: int = 30, sep: str = ";") -> str:
    draw = random.Random(3)
    return header + "\n" + "".join(sep.join(str(c) for c in make(i, draw)) + "\n" for i in range(1, n))


GERMAN = rows(
    "Auftragsnr;Pos;Fahrgestellnummer;Annahmedatum;KM-Stand;Beanstandung;Arbeitstext;Teilenr;Menge;Preis;Kundenname;Telefon",
    lambda i, r: (
        f"A{i}",
        1,
        f"FG{i % 9}",
        f"{i:02d}.03.2024",
        f"{100 + i}.345",
        "Licht links geht nicht",
        "Lampe links ersetzt",
        f"H1-{i}",
        1,
        f"{i},50",
        "Erika Beispiel",
        "0171 2345678",
    ),
)
FRENCH = rows(
    "N° OR;Immatriculation;Date entrée;Kilométrage;Travaux;Réf. pièce;Qté;Fournisseur",
    lambda i, r: (
        f"O{i}",
        f"AB-{i}",
        f"{i:02d}/03/2024",
        90_000 + i,
        "ampoule gauche remplacée hier",
        f"R{i}",
        1,
        "Nord",
    ),
)
ENGLISH = rows(
    "RO Number,Line,Unit No,Fleet,VIN,In Service Date,Date In,Mileage In,Customer Concern,Work Performed,Part "
    "No,Qty,Parts Amount",
    lambda i, r: (
        i,
        1,
        f"U{i % 5}",
        "North",
        f"VV{i % 5}",
        "2019-01-01",
        f"2024-03-{i:02d}",
        50_000 + i,
        "no low beam left",
        "replaced left bulb",
        f"P{i}",
        1,
        f"{i}.25",
    ),
    sep=",",
)
CASES = {
    "auftraege.csv": (
        GERMAN,
        "repair_lines",
        {
            "order_id": "Auftragsnr",
            "line_number": "Pos",
            "vehicle_id": "Fahrgestellnummer",
            "opened_on": "Annahmedatum",
            "odometer": "KM-Stand",
            "complaint": "Beanstandung",
            "description": "Arbeitstext",
            "part_number": "Teilenr",
            "quantity": "Menge",
        },
    ),
    "export.csv": (
        FRENCH,
        "repair_lines",
        {
            "order_id": "N° OR",
            "vehicle_id": "Immatriculation",
            "opened_on": "Date entrée",
            "odometer": "Kilométrage",
            "description": "Travaux",
            "part_number": "Réf. pièce",
            "quantity": "Qté",
            "supplier": "Fournisseur",
        },
    ),
    "history.csv": (
        ENGLISH,
        "flat",
        {
            "order_id": "RO Number",
            "line_number": "Line",
            "vehicle_id": "VIN",
            "unit_number": "Unit No",
            "customer_group": "Fleet",
            "opened_on": "Date In",
            "odometer": "Mileage In",
            "complaint": "Customer Concern",
            "description": "Work Performed",
            "part_number": "Part No",
            "part_cost": "Parts Amount",
        },
    ),
    "ordenes.csv": (
        rows(
            "Nº orden;Línea;Bastidor;Fecha entrada;Kilómetros;Avería;Trabajo realizado;Referencia;Cantidad;Importe;Horas",
            lambda i, r: (
                *(f"O{i}", 1, f"B{i % 7}", f"{i:02d}/03/2024", f"{90 + i}.{i:03d}", "faro izquierdo no enciende"),
                *("sustituir bombilla izq", f"R{i}", 1, f"{i},50", "0,5"),
            ),
        ),
        "repair_lines",
        {
            "order_id": "Nº orden",
            "line_number": "Línea",
            "vehicle_id": "Bastidor",
            "opened_on": "Fecha entrada",
            "odometer": "Kilómetros",
            "complaint": "Avería",
            "description": "Trabajo realizado",
            "part_number": "Referencia",
            "quantity": "Cantidad",
            "part_cost": "Importe",
            "labour_hours": "Horas",
        },
    ),
    "commesse.csv": (
        rows(
            "Commessa;Riga;Telaio;Data ingresso;Chilometri;Difetto segnalato;Descrizione lavoro;Codice ricambio;Fornitore",
            lambda i, r: (
                *(f"C{i}", 1, f"T{i % 7}", f"{i:02d}.03.2024", 90_000 + i, "faro sinistro spento"),
                *("sostituita lampada sx", f"R{i}", "Nord"),
            ),
        ),
        "repair_lines",
        {
            "order_id": "Commessa",
            "line_number": "Riga",
            "vehicle_id": "Telaio",
            "opened_on": "Data ingresso",
            "odometer": "Chilometri",
            "complaint": "Difetto segnalato",
            "description": "Descrizione lavoro",
            "part_number": "Codice ricambio",
            "supplier": "Fornitore",
        },
    ),
    "wo.csv": (
        rows(
            "WO,Unit,DateIn,Odo(mi),Remarks,Labor Hrs,P/N,Ext Cost",
            lambda i, r: (
                *(i, f"U{i % 7}", f"{i % 12 + 1}/{i}/2024", 90_000 + i, "LH headlamp bulb replaced", "0.3", f"R{i}", f"{i}.20"),
            ),
            sep=",",
        ),
        "repair_lines",
        {
            "order_id": "WO",
            "vehicle_id": "Unit",
            "opened_on": "DateIn",
            "odometer": "Odo(mi)",
            "description": "Remarks",
            "labour_hours": "Labor Hrs",
            "part_number": "P/N",
            "part_cost": "Ext Cost",
        },
    ),
    "fahrzeuge.csv": (
        rows(
            "FIN;Erstzulassung;Scheinwerfertyp;Halter",
            lambda i, r: (f"F{i}", f"2015-01-{i:02d}", "Xenon", "Erika Beispiel"),
        ),
        "vehicles",
        {"vehicle_id": "FIN", "first_use_date": "Erstzulassung", "lighting": "Scheinwerfertyp"},
    ),
    "catalogue.csv": (
        rows("Artikelnummer;Bezeichnung;Hersteller;Listenpreis", lambda i, r: (f"P{i}", "Lampe", "Nord", f"{i},99")),
        "parts",
        {"part_number": "Artikelnummer", "supplier": "Hersteller", "unit_cost": "Listenpreis"},
    ),
    "km_readings.csv": (
        rows("vehicle;reading date;km", lambda i, r: (f"V{i}", f"2024-01-{i:02d}", 10_000 * i)),
        "odometer",
        {"vehicle_id": "vehicle", "reading_date": "reading date", "reading": "km"},
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_usual_headers_are_recognised(tmp_path, name):
    text, table, expected = CASES[name]
    made, _ = propose(discover(settle(tmp_path, {name: text})).units)
    (p,) = made
    found = {m.ours: m.theirs for m in p.matches}
    assert p.table == table
    assert {k: found.get(k) for k in expected} == expected
    assert all(m.confidence >= 0.6 and m.why for m in p.matches)


def test_personal_columns_are_left_out_and_named(tmp_path):
    (p,), _ = propose(discover(settle(tmp_path, {"auftraege.csv": GERMAN})).units)
    assert set(p.personal) == {"Kundenname", "Telefon"}
    assert "Not taken, looks personal: Kundenname, Telefon" in toml(p)
    assert "Erika" not in toml(p) and "0171" not in toml(p)


def test_what_the_values_decide_is_proposed_and_what_they_do_not_is_asked(tmp_path):
    (p,), _ = propose(discover(settle(tmp_path / "a", {"auftraege.csv": GERMAN})).units)
    assert {k: v for k, v, _ in p.options} == {"date_order": "dmy", "decimal": ",", "odometer_unit": "km"}
    open_dates = rows(
        "order;vehicle;date;work", lambda i, r: (i, f"V{i}", f"0{i % 9 + 1}/04/2024", "left lamp replaced")
    )
    (p,), _ = propose(discover(settle(tmp_path / "b", {"jobs.csv": open_dates})).units)
    assert "# date_order" in {k for k, _, _ in p.options}
    assert "date_order" not in toml(p).replace("# date_order", "")


def test_nonsense_names_get_no_match(tmp_path):
    assert likeness("odometer", "colour")[0] == 0
    assert likeness("order_id", "zzz")[0] == 0
    (p,), _ = propose(discover(settle(tmp_path, {"x.csv": "foo;bar;baz\n1;2;3\n"})).units)
    assert p.matches == () and p.lacking


def test_values_overrule_names(tmp_path):
    text = rows(
        "order;vehicle;date;work;mileage",
        lambda i, r: (i, f"V{i}", f"2024-01-{i:02d}", "left lamp replaced", "see notes"),
    )
    (p,), _ = propose(discover(settle(tmp_path, {"jobs.csv": text})).units)
    assert "odometer" not in {m.ours for m in p.matches}


def test_strange_words_of_a_choice_are_listed_to_fill_in(tmp_path):
    text = rows(
        "FIN;Erstzulassung;Scheinwerfertyp", lambda i, r: (f"F{i}", f"2015-01-{i:02d}", "Xenon" if i % 2 else "Typ 4")
    )
    (p,), _ = propose(discover(settle(tmp_path, {"fahrzeuge.csv": text})).units)
    assert '# "Typ 4" = "?"' in toml(p)


def test_the_proposal_is_written_loads_and_is_not_made_twice(tmp_path):
    settle(tmp_path / "incoming", {"auftraege_2024-03.csv": GERMAN, "fahrzeuge.csv": CASES["fahrzeuge.csv"][0]})
    (tmp_path / "settings.toml").write_text('[workspace]\nname = "Mine"\n')
    workspace = Workspace(tmp_path)
    shown = propose_mapping(workspace, load_settings(workspace.settings_file), write=False)
    assert (tmp_path / "settings.toml").read_text() == '[workspace]\nname = "Mine"\n'
    assert any("Auftragsnr" in line for line in shown)
    propose_mapping(workspace, load_settings(workspace.settings_file), write=True)
    settings = load_settings(workspace.settings_file)
    assert settings.workspace.name == "Mine" and set(settings.sources) == {"auftraege", "fahrzeuge"}
    assert settings.sources["auftraege"].files == ("auftraege*.csv",)
    report = load(connect(":memory:"), workspace.incoming, settings, KEY)
    assert sum(f.rows_used for f in report.files) == 58
    assert "nothing to propose" in propose_mapping(workspace, settings, write=True)[0]
    with pytest.raises(DataProblem, match="incoming/"):
        propose_mapping(Workspace(settle(tmp_path / "e", {"incoming/x.pdf": "x"})), Settings(), write=True)


def test_hostile_names_cannot_leave_their_string(tmp_path):
    name = 'order "]\\n[workspace]\\nname = "x'
    text = f'"{name.replace(chr(34), chr(34) * 2)}",vehicle,date,work\n' + "".join(
        f"{i},v{i},2024-01-{i:02d},left lamp out\n" for i in range(1, 20)
    )
    made, _ = propose(discover(settle(tmp_path, {'jobs "].csv': text})).units)
    settings = parse_settings("".join(toml(p) for p in made))
    assert settings.workspace.name == Settings().workspace.name
    assert len(settings.sources) == 1
