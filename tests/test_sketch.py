"""The sketch of the system: what is described is on it, and what was computed at the point."""

from __future__ import annotations

import math
from functools import cache

import pytest

import chamberctl as cc
from chamberctl import figures
from chamberctl.display import Display
from chamberctl.figures.style import Picture
from chamberctl.plant.window import duty_points
from chamberctl.study import loads
from tests import studies


@cache
def study(name: str) -> cc.Study:
    return cc.load(f"preset:{name}")


@cache
def drawn(name: str) -> Picture:
    return figures.sketch(study(name), duty_points(study(name))[0])


def written(picture: Picture) -> list[str]:
    return [text.get_text() for axis in picture.axes for text in axis.texts]


@pytest.mark.parametrize("name", cc.presets())
def test_every_part_gauge_and_pressure_of_the_system_is_on_it(name: str) -> None:
    words = written(drawn(name))
    system = study(name).system
    point = duty_points(study(name))[0]
    for part in (*system.line_names, *(gauge.tag for gauge in system.gauges), "backing pump"):
        assert any(part in word.replace("\n", " ") for word in words), part
    unit = Display.of(study(name))
    for pressure in point.node_pressures_pa:
        assert unit.pressure_text(pressure) in words
    assert any("booster" in word for word in words) == (system.booster is not None)


@pytest.mark.parametrize("name", cc.presets())
def test_texts_lie_on_the_paper(name: str) -> None:
    picture = drawn(name)
    (axis,) = picture.axes
    left, right = axis.get_xlim()
    low, high = axis.get_ylim()
    for text in axis.texts:
        x, y = text.get_position()
        if text.get_text():
            assert left <= x <= right
            assert low <= y <= high


def test_what_is_computed_is_bold_and_sizes_stand_as_typed() -> None:
    (axis,) = drawn("crystal-furnace").axes
    bold = {text.get_text() for text in axis.texts if text.get_fontweight() == "bold"}
    plain = {text.get_text() for text in axis.texts if text.get_fontweight() != "bold"}
    assert "10 mbar" in bold
    assert "viscous" in bold
    assert "bore 100 mm\n12 m long" in plain
    assert "1000 L, 50 degC" in plain
    assert "purge 2 slm(0 degC)" in plain


def test_the_exhaust_carries_what_enters_and_the_purge() -> None:
    point = duty_points(study("crystal-furnace"))[0]
    unit = Display.of(study("crystal-furnace"))
    purge = study("crystal-furnace").system.purge.interstage_pa_m3_s
    leaves = unit.gas_load_text(point.gas_load_pa_m3_s + purge).replace(" ", "\n", 1)
    assert leaves in written(drawn("crystal-furnace"))


def test_a_point_that_cannot_be_held_is_said_and_gets_no_numbers() -> None:
    refused = loads(studies.reference_text([("5 mbar", ("60 mbar L/s",))]))
    (point,) = duty_points(refused)
    assert math.isnan(point.speed)
    picture = figures.sketch(refused, point)
    assert any(word.startswith("This point cannot be held") for word in written(picture))
    assert "cannot be held" in picture.alt
    assert "nan" not in f"{picture.alt} {written(picture)}"


def test_the_text_alternative_reads_the_system_in_flow_order() -> None:
    alt = drawn("crystal-furnace").alt
    assert "chamber, exhaust line, dust filter, booster, backing pump" in alt
    assert "interstage 27 mbar" in alt
