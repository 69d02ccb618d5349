"""How repairs become lives: each rule by the smallest history that needs it (lines in, lives out)."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from tests.lives.world import AS_OF, COMPLETE, FIRST_USE, build, line, lives, vehicle

D = dt.date


def place(con, component="lamp", side="left"):
    frame = lives(con, f"component = '{component}' and side = '{side}'")
    return [(r["generation"], r["ending"], r["exit_days"], r["in_curve"]) for r in frame.iter_rows(named=True)]


def days(on: dt.date, since: dt.date = FIRST_USE) -> float:
    return float((on - since).days)


def test_a_vehicle_without_repairs_has_one_running_life_a_place():
    con = build([vehicle()], [])
    frame = lives(con)
    assert sorted(set(frame["component"])) == sorted(
        ["lamp", "igniter", "ballast", "headlamp_assembly", "wiring", "control_module", "switch_or_fuse"])
    assert frame.height == 5 * 2 + 2
    assert set(frame["ending"]) == {"in_service"}
    assert set(frame["exit_days"]) == {days(AS_OF)}


@pytest.mark.parametrize(("lighting", "there", "absent"), [
    ("halogen", "lamp", "ballast"), ("led", "led_module", "lamp"), ("discharge", "igniter", "led_driver")])
def test_a_vehicle_has_the_parts_of_its_lighting(lighting, there, absent):
    frame = lives(build([vehicle(lighting=lighting)], []))
    assert there in set(frame["component"])
    assert absent not in set(frame["component"])


def test_light_sources_that_carry_their_igniter_leave_no_igniter_place():
    # UN R99 category sheets: D1 and D3 types come with the starter, D2 and D4 do not.
    parts = [{"part_number": "P1", "light_source_category": "D1S"}]
    con = build([vehicle()], [line(1, D(2018, 1, 1), part_number="P1")], parts=parts)
    assert "igniter" not in set(lives(con)["component"])
    parts = [{"part_number": "P1", "light_source_category": "D2S"}]
    con = build([vehicle()], [line(1, D(2018, 1, 1), part_number="P1")], parts=parts)
    assert "igniter" in set(lives(con)["component"])


def test_a_replacement_ends_one_life_and_begins_the_next():
    con = build([vehicle()], [line(1, D(2018, 1, 1))])
    assert place(con) == [(0, "failed", days(D(2018, 1, 1)), True), (1, "in_service", days(AS_OF, D(2018, 1, 1)), True)]
    frame = lives(con, "component = 'lamp' and side = 'left'")
    assert frame["entry_km"].to_list() == [0, 0]
    assert frame["exit_km"].to_list() == pytest.approx([50 * days(D(2018, 1, 1)), 50 * days(AS_OF, D(2018, 1, 1))])
    assert frame["origin"].to_list() == ["original", "replacement"]
    assert place(con, side="right") == [(0, "in_service", days(AS_OF), True)]


def test_a_life_begun_before_watching_enters_late():
    con = build([vehicle(in_service_from=D(2017, 1, 1), not_original="none")], [line(1, D(2018, 1, 1))])
    first = lives(con, "component = 'lamp' and side = 'left'").row(0, named=True)
    assert (first["entry_days"], first["exit_days"]) == (days(D(2017, 1, 1)), days(D(2018, 1, 1)))
    assert first["entry_km"] == pytest.approx(50 * days(D(2017, 1, 1)))


def test_a_failure_on_the_day_watching_began_is_counted_apart():
    con = build([vehicle(in_service_from=D(2018, 1, 1), not_original="none")], [line(1, D(2018, 1, 1))])
    first = lives(con, "component = 'lamp' and side = 'left'").row(0, named=True)
    assert first["ending"] == "failed"
    assert not first["in_curve"]
    assert first["left_out_reason"] == "failed on the day that watching began"


def test_original_parts_nobody_looked_at():
    # Watching began late: long-lived parts are assumed original and flagged, lamps count only from the first fitting seen.
    con = build([vehicle(in_service_from=D(2019, 1, 1))], [line(1, D(2020, 1, 1))])
    lamp = lives(con, "component = 'lamp' and side = 'left'")
    assert lamp["in_curve"].to_list() == [False, True]
    assert lamp["left_out_reason"][0] == "nobody looked whether it was the first one"
    ballast = lives(con, "component = 'ballast' and side = 'left'").row(0, named=True)
    assert ballast["in_curve"] and ballast["is_original_assumed"]


def test_parts_seen_not_to_be_the_first_ones_have_no_known_start():
    con = build([vehicle(in_service_from=D(2017, 1, 1), not_original="L:lamp;C:module")], [line(1, D(2018, 1, 1))])
    reason = "seen at the first visit not to be the first one"
    assert lives(con, "component = 'lamp' and side = 'left'")["left_out_reason"].to_list() == [reason, None]
    assert lives(con, "component = 'lamp' and side = 'right'")["left_out_reason"].to_list() == [None]
    assert lives(con, "component = 'control_module'")["left_out_reason"].to_list() == [reason]


@pytest.mark.parametrize(("more", "ending"), [
    ({"removal_reason": "planned"}, "planned"),
    ({"planned": True}, "planned"),
    ({"removal_reason": "paired"}, "paired"),
    ({"removal_reason": "collision"}, "collision"),
    ({"complaint_reason": "collision", "symptom": None}, "collision"),
    ({"removal_reason": "failed", "complaint_reason": "collision"}, "failed"),
    ({"outcome": "not_cured"}, "wrong_suspect"),
    ({}, "failed"),
])
def test_how_a_life_ends_is_decided_by_words_and_columns(more, ending):
    con = build([vehicle()], [line(1, D(2018, 1, 1), **more)])
    first = lives(con, "component = 'lamp' and side = 'left'").row(0, named=True)
    assert first["ending"] == ending
    assert first["rule"]


def test_both_sides_renewed_for_one_complaint_are_one_failure_and_one_partner():
    con = build([vehicle()], [line(1, D(2018, 1, 1), side="left", complaint_side="right"),
                              line(2, D(2018, 1, 1), side="right", complaint_side="right")])
    assert place(con, side="right")[0][1] == "failed"
    assert place(con, side="left")[0][1] == "paired"


def test_both_sides_called_a_pair_fail_where_the_complaint_points():
    con = build([vehicle()], [line(k, D(2018, 1, 1), side=s, complaint_side="left", removal_reason="paired")
                              for k, s in ((1, "left"), (2, "right"))])
    assert (place(con, side="left")[0][1], place(con, side="right")[0][1]) == ("failed", "paired")


def test_both_sides_renewed_at_a_service_without_a_word_are_planned():
    con = build([vehicle()], [line(k, D(2018, 1, 1), side=s, complaint="annual service", complaint_side=None, symptom=None)
                              for k, s in ((1, "left"), (2, "right"))])
    assert {place(con, side=s)[0][1] for s in ("left", "right")} == {"planned"}


def test_one_line_for_both_sides_makes_two_renewals():
    con = build([vehicle()], [line(1, D(2018, 1, 1), side="both", quantity=2.0, complaint_side="both")])
    assert [place(con, side=s)[0][1] for s in ("left", "right")] == ["failed", "failed"]


def test_a_line_without_a_side_takes_the_complaints():
    con = build([vehicle()], [line(1, D(2018, 1, 1), side="unknown", complaint_side="right")])
    assert place(con, side="right")[0][1] == "failed"
    assert len(place(con, side="left")) == 1


def test_a_renewal_on_an_unknown_side_ends_what_is_known_of_both():
    con = build([vehicle()], [line(1, D(2018, 1, 1), side="unknown", complaint_side="unknown"), line(2, D(2020, 1, 1))])
    left = lives(con, "component = 'lamp' and side = 'left'")
    assert left["ending"].to_list() == ["side_unknown", "failed", "in_service"]
    assert left["in_curve"].to_list() == [True, False, True]
    assert place(con, side="right") == [(0, "side_unknown", days(D(2018, 1, 1)), True), (1, "in_service", days(AS_OF, D(2018, 1, 1)), False)]


def test_the_same_work_written_twice_is_one_renewal():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 1))])
    assert [g for g, *_ in place(con)] == [0, 1]


def test_a_credit_takes_back_the_replacement():
    con = build([vehicle()], [line(1, D(2018, 1, 1), part_number="P1"),
                              line(2, D(2018, 1, 5), action="credited", quantity=-1.0, part_number="P1", order_id="o20180101")])
    assert place(con) == [(0, "in_service", days(AS_OF), True)]


def test_an_assembly_renews_what_its_words_say():
    con = build([vehicle()], [line(1, D(2018, 1, 1), "headlamp_assembly", renews="lamp,ballast")])
    assert place(con)[0][1] == "with_assembly"
    assert place(con, "ballast")[0][1] == "with_assembly"
    assert place(con, "igniter")[0][1] == "in_service"
    assert place(con, "headlamp_assembly")[0][1] == "failed"


def test_an_assembly_renews_what_the_catalogue_says():
    parts = [{"part_number": "A1", "renews": "lamp"}]
    con = build([vehicle()], [line(1, D(2018, 1, 1), "headlamp_assembly", part_number="A1")], parts=parts)
    assert place(con)[0][1] == "with_assembly"
    assert place(con, "ballast")[0][1] == "in_service"


def test_a_wrong_suspect_is_censored_and_the_cause_failed():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), "ballast", comeback=True)])
    first = lives(con, "component = 'lamp' and side = 'left'").row(0, named=True)
    assert first["ending"] == "wrong_suspect"
    assert "ballast cured it" in first["rule"]
    assert place(con, "ballast")[0][1] == "failed"
    episode = con.execute("select cause, first_replaced, visits, opened_on from lives.episodes").fetchall()
    assert episode == [("ballast", "lamp", 2, D(2018, 1, 1))]


def test_a_chain_of_two_wrong_suspects():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), "igniter", comeback=True),
                              line(3, D(2018, 1, 20), "wiring", comeback=True)])
    assert place(con)[0][1] == "wrong_suspect"
    assert place(con, "igniter")[0][1] == "wrong_suspect"
    assert place(con, "wiring")[0][1] == "failed"
    assert con.execute("select count(*) from lives.episodes").fetchall()[0][0] == 1


def test_the_same_part_again_is_an_early_failure_not_a_wrong_suspect():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), comeback=True)])
    assert place(con)[:2] == [(0, "failed", days(D(2018, 1, 1)), True), (1, "failed", 9.0, True)]


def test_a_complaint_of_the_other_side_is_no_return():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), "ballast", side="right")])
    assert place(con)[0][1] == "failed"


def test_a_complaint_after_the_window_is_no_return():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 3, 1), "ballast")])
    assert place(con)[0][1] == "failed"


def pairs(vehicles: range, first: dt.date, days: int, key: int) -> list[dict]:
    """For each vehicle a lamp and, so many days later, a ballast of the same side, for the same symptom."""
    out = []
    for i in vehicles:
        out += [line(key + 2 * i, first, vehicle=f"v{i}"),
                line(key + 2 * i + 1, first + dt.timedelta(days=days), "ballast", vehicle=f"v{i}")]
    return out


def test_returns_without_words_are_weighed_against_chance():
    # Twenty returns within days and none later: no chance explains them.
    con = build([vehicle(f"v{i}") for i in range(40)], pairs(range(20), D(2018, 1, 1), 8, 0))
    assert con.execute("select seen, expected, share_wrong from lives.return_rates").fetchall() == [(20, 0, 1)]
    assert con.execute("select count(*) from lives.lives where ending = 'wrong_suspect'").fetchall()[0][0] == 20
    # Two within days, and eighty of the same kind spread over the months after: 80 / 84 a day, about 2.9 expected in three days.
    later = [x for k in range(4) for x in pairs(range(20, 40), D(2019 + k, 1, 1), 68, 1000 * (k + 1))]
    con = build([vehicle(f"v{i}") for i in range(40)], pairs(range(2), D(2018, 1, 1), 8, 0) + later)
    seen, expected, share = con.execute("select seen, expected, share_wrong from lives.return_rates").fetchall()[0]
    assert (seen, expected, share) == (2, pytest.approx(3 * 80 / 84), 0)
    assert con.execute("select count(*) from lives.lives where ending = 'wrong_suspect'").fetchall()[0][0] == 0


def test_returns_with_another_symptom_need_more_than_a_chance_excess():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), "ballast", symptom="flicker")])
    assert place(con)[0][1] == "failed"


def test_walk_in_vehicles_are_watched_between_their_visits():
    visits = [("v1", D(2016, 1, 1)), ("v1", D(2019, 1, 1))]
    con = build([vehicle(in_service_from=None)], [line(1, D(2017, 1, 1))], settings="", visits=visits)
    frame = lives(con, "component = 'lamp' and side = 'left'")
    assert frame["end_on"].to_list() == [D(2017, 1, 1), D(2019, 1, 1)]
    assert frame["ending"].to_list() == ["failed", "vehicle_left"]
    ballast = lives(con, "component = 'ballast' and side = 'left'").row(0, named=True)
    assert (ballast["entry_days"], ballast["exit_days"]) == (days(D(2016, 1, 1)), days(D(2019, 1, 1)))


def test_grace_lengthens_the_watch_of_walk_in_vehicles():
    visits = [("v1", D(2016, 1, 1)), ("v1", D(2019, 1, 1))]
    con = build([vehicle(in_service_from=None)], [], settings="[observation]\ngrace_days = 30\n", visits=visits)
    assert lives(con)["end_on"].unique().to_list() == [D(2019, 1, 31)]


def test_vehicles_that_left_are_censored_then():
    con = build([vehicle(in_service_to=D(2020, 6, 1))], [])
    assert set(lives(con)["ending"]) == {"vehicle_left"}
    assert set(lives(con)["end_on"]) == {D(2020, 6, 1)}


def test_as_of_hides_what_came_later():
    con = build([vehicle()], [line(1, D(2018, 1, 1)), line(2, D(2020, 1, 1))], as_of=D(2019, 1, 1))
    assert place(con) == [(0, "failed", days(D(2018, 1, 1)), True), (1, "in_service", days(D(2019, 1, 1), D(2018, 1, 1)), True)]


def test_row_order_and_names_change_nothing():
    lines = [line(1, D(2018, 1, 1)), line(2, D(2018, 1, 10), "ballast", comeback=True), line(3, D(2020, 1, 1), side="right")]
    columns = ["component", "side", "generation", "ending", "entry_days", "exit_days", "entry_km", "exit_km"]
    one = lives(build([vehicle()], lines)).select(columns)
    two = lives(build([vehicle()], lines[::-1])).select(columns)
    other = lives(build([vehicle("w9")], [x | {"vehicle": "w9"} for x in lines])).select(columns)
    assert one.equals(two) and one.equals(other)


def test_components_of_the_users_own_belong_to_every_vehicle():
    con = build([vehicle("v1"), vehicle("v2")], [line(1, D(2018, 1, 1), "valve", side="none", complaint_side=None)])
    frame = lives(con, "component = 'valve'")
    assert frame.height == 3
    assert frame.filter(pl.col("vehicle") == "v2")["ending"].to_list() == ["in_service"]


def test_components_with_many_places_are_counted_line_by_line():
    settings = COMPLETE + '[rules]\nmany_places = ["valve"]\n'
    con = build([vehicle()], [line(k, D(2018, 1, 1), "valve", side="none") for k in (1, 2)], settings=settings)
    assert con.execute("select count(*) from lives.endings where component = 'valve'").fetchall()[0][0] == 2
    assert lives(con, "component = 'valve'").is_empty()
