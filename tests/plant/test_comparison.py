"""Two studies compared; every number from S n = q/p and series conductance."""

from __future__ import annotations

import json

import pytest

from chamberctl.plant.comparison import compare
from chamberctl.plant.field_names import field_words
from chamberctl.report import comparison_text
from chamberctl.study import Study, load, loads, preset_path

LINE = '[[system.line]]\nkind = "conductance"\nname = "line"\nconductance = "{}"\n\n'


def reference(**changes: str) -> Study:
    study = load("preset:reference-plant")
    return study.with_text({path.replace("__", "."): text for path, text in changes.items()})


def with_line(conductance: str) -> Study:
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    return loads(text.replace("[system.backing]", LINE.format(conductance) + "[system.backing]"))


def test_a_study_and_itself() -> None:
    found = compare(load("preset:reference-plant"), load("preset:reference-plant"))
    assert found.changes == ()
    assert found.titles == ("Reference plant (first)", "Reference plant (second)")
    assert found.text[0].startswith("The two studies describe the same")
    assert "The window is the same." in found.text
    assert sum("no change" in line for line in found.text) == 6


def test_a_larger_pump_halves_speed_and_window() -> None:
    found = compare(reference(), reference(system__backing__displacement="200 L/s"))
    assert [(c.path, c.first, c.second) for c in found.changes] == [
        ("system.backing.displacement", "100 L/s", "200 L/s")
    ]
    for pair in found.reach:
        assert pair.lowest_pa[1] == pytest.approx(pair.lowest_pa[0] / 2.0)
        assert pair.highest_pa[1] == pytest.approx(pair.highest_pa[0] / 2.0)
    assert [pair.label for pair in found.points if not pair.second.feasible] == [2, 4, 6]
    kept = [pair for pair in found.points if pair.second.feasible]
    assert all(p.second.speed == pytest.approx(p.first.speed / 2.0) for p in kept)
    text = "\n".join(found.text)
    assert "backing pump: displacement 100 L/s -> 200 L/s" in text
    assert "2.5 mbar -> 1.25 mbar (-50 %)" in text
    assert "only the first holds it" in text


def test_either_study_gets_its_verdict_on_speed() -> None:
    first, second = reference(), reference(system__backing__displacement="200 L/s")
    found = compare(first, second)
    assert [verdict.verdict for verdict in found.handles] == ["conditional", "wrong"]
    line = next(text for text in found.text if text.startswith("Is speed the right handle?"))
    assert "First: Speed is a fair handle here, with cautions: reserve for less gas, " in line
    assert "Second: Speed is the wrong handle for this duty" in line
    assert "smaller pumps" in line
    document = json.loads(json.dumps(comparison_text.as_json(found), default=str))
    assert [one["verdict"] for one in document["handles"]] == ["conditional", "wrong"]
    assert any("In both: Speed is a fair handle" in text for text in compare(first, first).text)


def test_a_wider_line_raises_authority_as_series_speeds_say() -> None:
    """Authority C/(C + S n) with C = 120 and 240 L/s; n from 1/(S n) = p/q - 1/C."""
    found = compare(with_line("120 L/s"), with_line("240 L/s"))
    for pair in found.points:
        for point, conductance in ((pair.first, 0.12), (pair.second, 0.24)):
            pumped = 1.0 / (point.indicated_pa / point.gas_load_pa_m3_s - 1.0 / conductance)
            if not 0.02 <= pumped <= 0.1:
                assert not point.feasible
                continue
            assert point.speed == pytest.approx(pumped / 0.1)
            assert point.authority_gauge == pytest.approx(conductance / (conductance + pumped))
    assert [pair.label for pair in found.points if not pair.first.feasible] == [1, 3]
    assert [pair.label for pair in found.points if not pair.second.feasible] == []
    assert sum("only the second holds it" in line for line in found.text) == 2


def test_a_constant_bleed_is_written_as_leak() -> None:
    found = compare(reference(), reference(system__gas_load__leak="20 mbar L/s"))
    assert found.reach[0].gas_load_pa_m3_s == pytest.approx((6.0, 8.0))
    assert found.reach[0].highest_pa == pytest.approx((300.0, 400.0))
    assert any("Window at 60 mbar L/s (second: 80 mbar L/s)" in line for line in found.text)


def test_another_gauge_moves_the_true_pressure_and_may_not_read_the_setpoint() -> None:
    path = "system.gauge[0]."
    second = reference().with_text(
        {f"{path}gas_factor": "2", f"{path}range_high": "5 mbar", "duty.hold[3].setpoint": "5 mbar"}
    )
    found = compare(reference(), second)
    text = "\n".join(found.text)
    assert "The duties differ" in text
    assert "cannot show the setpoint 10 mbar" in text
    point = found.points[4]
    assert point.second.pressure_pa == pytest.approx(2.0 * point.first.pressure_pa)
    assert "true chamber pressure 5 mbar -> 10 mbar" in text


def thermal(gas: str) -> Study:
    """The reference plant on a thermal gauge whose gas factor nobody gave."""
    return reference(system__gas__name=gas, **{"system__gauge[0]__kind": "thermal"})


def test_a_caution_on_the_gas_factor_that_appears_or_vanishes_is_repeated() -> None:
    """Steady numbers of an ideal pump do not change with the gas; what a gauge shows does."""
    found = compare(reference(), thermal("Ar"))
    assert sum("no change" in line for line in found.text) == 6
    new = [line for line in found.text if line.startswith("New in the second: caution: ")]
    assert len(new) == 1
    assert "PT-101 is a thermal gauge with a gas factor of 1" in new[0]
    assert "typically 1.7 times such a reading" in new[0]
    back = compare(thermal("Ar"), thermal("N2")).text
    assert "No longer in the second: gas factor." in back
    other = [line for line in compare(thermal("Ar"), thermal("He")).text if "gas factor" in line]
    assert "In He the true pressure is typically 0.8 times" in other[0]
    assert other[1] == "No longer in the second: gas factor."
    same = compare(thermal("Ar"), thermal("Ar")).text
    assert not [line for line in same if "in the second" in line]


def test_findings_of_points_are_told_by_subject_and_point() -> None:
    """A limit of 20 mbar, which some points exceed, against one that none does."""
    furnace = load("preset:crystal-furnace")
    tight = furnace.with_text({"system.booster.difference_limit": "20 mbar"})
    text = compare(furnace, tight).text
    new = [line for line in text if line.startswith("New in the second at points ")]
    differences = [p.first.booster_difference_pa for p in compare(furnace, tight).points]
    above = [str(k) for k, value in enumerate(differences, start=1) if value > 2000.0]
    assert len(above) > 1
    assert len(new) == 1
    assert new[0].startswith(f"New in the second at points {', '.join(above)}: no: The booster's")
    back = compare(tight, furnace).text
    assert f"No longer in the second at points {', '.join(above)}: booster difference." in back


def test_parts_that_only_one_study_has_and_numbers_for_machines() -> None:
    found = compare(reference(), with_line("100 L/s"))
    assert [tuple(vars(change).values()) for change in found.changes] == [
        ("system.line[0]", "line", "none", "present")
    ]
    records = comparison_text.as_json(found)
    assert json.dumps(records["changes"])
    assert len(records["points"]) == 6


def test_a_booster_and_a_second_gauge_are_one_change_each() -> None:
    found = compare(reference(), load("preset:crystal-furnace"))
    names = {change.path: (change.name, change.first, change.second) for change in found.changes}
    assert names["system.booster"] == ("booster", "none", "present")
    assert names["system.gauge[1]"] == ("gauge PT-202", "none", "present")
    assert names["system.line[1]"] == ("dust filter", "none", "present")
    assert not [path for path in names if path.startswith(("system.booster.", "system.gauge[1]."))]
    assert names["system.chamber.volume"] == ("chamber: volume", "500 L", "1000 L")
    tables = [comparison_text.reach(reference(), found), comparison_text.points(reference(), found)]
    assert [len(table.rows) for table in tables] == [3, 6]
    assert len(comparison_text.changes(found).rows) == len(found.changes)


def test_fields_in_plain_words() -> None:
    study = load("preset:crystal-furnace")
    for path, words in {
        "system.chamber.volume": "chamber: volume",
        "system.chamber.hot_zone[0].temperature": "hot zone 1: temperature",
        "system.line[1].conductance": "dust filter: conductance",
        "system.gauge[0].noise": "gauge PT-201: noise",
        "system.backing.slip_exponent": "backing pump: slip exponent",
        "duty.hold[1].gas_loads": "hold 2: gas loads",
        "duty.limits.ms": "duty: limits ms",
        "system.speed_map.output": "output to pumps: output",
        "title": "title",
    }.items():
        assert field_words(study, path) == words
