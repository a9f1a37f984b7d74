"""Pictures: what is drawn, units, limits, text alternatives, and that all of it repeats."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from contextlib import nullcontext
from functools import cache
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

import chamberctl as cc
from chamberctl import figures
from chamberctl.control.trade_off import TradeOff
from chamberctl.display import Display
from chamberctl.figures import Picture, style, to_svg
from chamberctl.study import loads as loaded
from chamberctl.workbench.explanations import window_look
from tests import by_hand, studies

MS = "Ms [ratio]"


def margins_picture() -> Picture:
    rows = {MS: [1.3, 1.9, np.nan], "gain margin [ratio]": [3.0, np.inf, 2.2]}
    return figures.margins_over_duty(["1", "2", "3"], rows, {MS: 2.0}, rows)


def draws() -> figures.SpreadCurve:
    """A reading that falls from 10 to 5 mbar within a minute, then rests for five."""
    time = np.linspace(0.0, 360.0, 301)
    low, middle, high, worst = (5.0 + 5.0 * np.exp(-time / tau) for tau in (5.0, 8.0, 11.0, 15.0))
    return figures.SpreadCurve(
        "Setpoint step", time, low, middle, high, (0.05, 0.5, 0.95), worst, 7,
        np.full(301, 5.0), 0.02, "mbar",
    )  # fmt: skip


def trade_off() -> TradeOff:
    """A recovery that halves and a gain that doubles from calm to brisk; nothing holds at 1.2."""
    ms = np.array([1.2, 1.4, 1.6, 2.0])
    gain = np.array([np.nan, 1.0, 1.4, 2.0])
    return TradeOff(
        ms, gain / 10.0, gain, 10.0 / gain, 0.0 * gain, 2.0 * gain, 8.0 / gain, "log10", "PI", 1.6
    )


@cache
def furnace() -> cc.Study:
    """A valve, an elbow and a tube; curves of the backing pump at three speeds."""
    return cc.load("preset:heat-treatment-furnace")


PICTURES: dict[str, Callable[[], Picture]] = {
    "window": lambda: figures.operating_window(by_hand.ideal_window(), by_hand.ideal_study()),
    "window of two pressures": lambda: figures.operating_window(
        by_hand.ideal_window(1.7), by_hand.ideal_study()
    ),
    "authority": lambda: figures.authority(by_hand.ideal_window(1.0, 0.1), by_hand.ideal_study()),
    "bode": lambda: figures.bode(by_hand.delay_loops(), 2),
    "nyquist": lambda: figures.nyquist(by_hand.delay_loops(), 2, 2.0),
    "responses": lambda: figures.step_responses(
        by_hand.answers(10.0),
        by_hand.answers(0.5),
        2,
        setpoint_step_percent=10.0,
        gas_load_step_percent=20.0,
        band_percent=1.0,
    ),
    "margins": margins_picture,
    "influence": lambda: figures.influence(by_hand.hangs_on()),
    "influence without margins": lambda: figures.influence(by_hand.hangs_on(has_margins=False)),
    "pump curves": lambda: figures.pump_curves(furnace()),
    "line": lambda: figures.line_conductances(furnace()),
    "trade-off": lambda: figures.trade_off(trade_off()),
    "draws": lambda: figures.spread(draws()),
    "spread": lambda: figures.gain_spread(
        ["1", "2", "3"], [1.0, 1.1, 0.9], [1.0, 10.0, 0.1], "log10"
    ),
}


@cache
def drawn(name: str) -> Picture:
    return PICTURES[name]()


@cache
def svg(name: str) -> str:
    return to_svg(drawn(name), "here")


def texts(axis: Axes) -> str:
    return " | ".join(text.get_text() for text in axis.texts)


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_has_a_sentence_and_axes_with_units(name: str) -> None:
    picture = drawn(name)
    assert re.fullmatch(r"[A-Z].{30,}\.", picture.alt), picture.alt
    assert "nan" not in picture.alt
    labels = [label for axis in picture.axes for label in (axis.get_xlabel(), axis.get_ylabel())]
    labels += [axis.get_title("left") for axis in picture.axes]
    assert any(re.search(r"\[.+\]", label) for label in labels), labels


@pytest.mark.parametrize("name", PICTURES)
def test_the_same_picture_is_drawn_byte_for_byte_again(name: str) -> None:
    assert to_svg(PICTURES[name](), "here") == svg(name)


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_to_the_byte_what_matplotlib_draws_when_it_measures_every_time(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as without:
        without.setattr(Picture, "_get_renderer", Figure._get_renderer)
        without.setattr("chamberctl.figures.picture.measured_once", nullcontext)
        drawn_slowly = to_svg(PICTURES[name](), "here")
    assert drawn_slowly == svg(name)


def test_an_axis_is_measured_once_at_each_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the first place, at the two that the layout gives it, and never again."""
    measured: dict[Axis, int] = {}
    ask = Axis._update_ticks

    def counted(axis: Axis) -> Any:
        measured[axis] = measured.get(axis, 0) + 1
        return ask(axis)

    monkeypatch.setattr(Axis, "_update_ticks", counted)
    to_svg(PICTURES["responses"](), "here")
    assert set(measured.values()) <= {1, 2, 3}


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_stands_in_a_page_without_fetching_or_disturbing_anything(name: str) -> None:
    text = svg(name)
    root = ET.fromstring(text)
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert ids
    assert all(found.startswith("here-") for found in ids)
    assert len(set(ids)) == len(ids)
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', text))
    assert used <= set(ids)
    assert not re.search(r"(?:href|src)=\"(?!#)", text)
    assert "<metadata" not in text
    assert len(text) < 200_000


@pytest.mark.parametrize("name", PICTURES)
def test_curves_are_told_apart_without_color(name: str) -> None:
    """Lines in one panel that look alike in color and width differ in dash, or one is thick."""
    for axis in drawn(name).axes:
        inked = [
            line
            for line in axis.lines
            if line.get_color() == style.INK and len(line.get_xdata()) > 20
        ]
        looks = [(str(line.get_linestyle()), str(line._dash_pattern)) for line in inked]
        assert len(set(looks)) == len(looks)


def overlap(one: Bbox, other: Bbox) -> bool:
    return one.x0 < other.x1 and other.x0 < one.x1 and one.y0 < other.y1 and other.y0 < one.y1


@pytest.mark.parametrize("name", cc.presets())
def test_words_and_numbers_in_the_window_hide_no_others(name: str) -> None:
    """Neither on each other nor, for setpoints and points out of reach, on a curve."""
    study = cc.load(f"preset:{name}")
    window = cc.operating_window(study)
    for picture in (figures.operating_window(window, study), figures.authority(window, study)):
        picture.draw_without_rendering()
        for axis in picture.axes:
            boxes = {
                text: Text.get_window_extent(text) for text in axis.texts if not text.get_rotation()
            }
            for one, other in itertools.combinations(boxes, 2):
                assert not overlap(boxes[one], boxes[other]), (one, other)
            words = [t for t in boxes if t.get_text().startswith("set") or "not re" in t.get_text()]
            for text, line in itertools.product(words, axis.lines):
                if line.get_color() == style.INK:
                    way = line.get_path().transformed(line.get_transform())
                    assert not way.intersects_bbox(boxes[text], filled=False), (name, text)


def test_each_gas_load_of_a_duty_has_its_curve_and_points_on_one_spot_their_numbers() -> None:
    study = cc.load("preset:heat-treatment-furnace")
    window = cc.operating_window(study)
    axis = figures.operating_window(window, study).axes[0]
    for load in window.gas_loads_pa_m3_s:
        assert Display.of(study).gas_load_text(float(load)) in texts(axis)
    ideal = cc.load("preset:reference-plant")
    picture = figures.authority(cc.operating_window(ideal), ideal)
    picture.draw_without_rendering()
    axis = picture.axes[0]
    badges = [Text.get_window_extent(t) for t in axis.texts if t.get_text() in set("123456")]
    assert len(badges) == 6
    assert not any(overlap(one, other) for one, other in itertools.combinations(badges, 2))


def test_of_many_gas_loads_the_page_says_how_many_are_drawn() -> None:
    loads = tuple(f"{load} mbar L/s" for load in range(120, 240, 10))
    study = loaded(studies.reference_text([("5 mbar", loads)]))
    assert "8 of the 12 gas loads being drawn" in window_look(cc.operating_window(study))
    few = cc.operating_window(cc.load("preset:reference-plant"))
    assert "lies on a curve and how far" in window_look(few)


def test_the_window_shows_reachable_pressures_and_the_point_that_is_not() -> None:
    """At 60 mbar L/s the ideal plant reaches 0.6 to 3.0 mbar: 5 mbar is marked not reachable."""
    axis = drawn("window").axes[0]
    assert "1 not reachable" in texts(axis)
    assert {"60 mbar L/s", "120 mbar L/s", "250 mbar L/s"} <= {t.get_text() for t in axis.texts}
    assert "setpoint 5 mbar" in texts(axis)
    assert "below minimum speed" in texts(axis)
    assert "above the gauge's range" in texts(axis)
    curve = axis.lines[0]
    at = dict(zip(np.round(curve.get_xdata(), 6), curve.get_ydata(), strict=True))
    assert at[100.0] == pytest.approx(0.6)


def test_true_pressure_gets_a_panel_of_its_own_where_it_differs() -> None:
    assert len(drawn("window").axes) == 1
    indicated, true = drawn("window of two pressures").axes
    assert indicated.get_title("left") == "indicated pressure"
    assert true.get_title("left") == "true chamber pressure"
    ratio = true.lines[0].get_ydata() / indicated.lines[0].get_ydata()
    assert np.nanmin(ratio) == pytest.approx(1.7)


def test_the_authority_limit_is_written_into_the_picture() -> None:
    for axis in drawn("authority").axes:
        assert "speed is the wrong handle here" in texts(axis)


def test_bode_marks_the_phase_margin_of_the_worst_point() -> None:
    """Lags 20 s and 2 s, dead time 3 s, PI 2.5 and 20 s; the phase margin by a fine search."""
    loop = by_hand.delay_loops()[2]
    omega = np.geomspace(1e-3, 3.0, 2_000_001)
    s = 1j * omega
    exact = 2.5 * (1 + 1 / (20 * s)) * np.exp(-3 * s) / ((20 * s + 1) * (2 * s + 1))
    at = np.argmin(np.abs(np.abs(exact) - 1))
    expected = 180 + np.degrees(np.angle(exact[at]))
    assert loop.label == "3"
    found = re.search(r"([\d.]+) deg above -180", texts(drawn("bode").axes[1]))
    assert found
    assert float(found[1]) == pytest.approx(expected, abs=0.1)


def test_nyquist_names_the_nearest_approach_and_the_circle_to_keep_out_of() -> None:
    picture = drawn("nyquist")
    assert "keep out: Ms 2" in texts(picture.axes[0])
    nearest = np.min(np.abs(1 + by_hand.delay_loops()[2].response))
    assert f"{nearest:.3g}" in picture.alt


def test_margins_that_do_not_exist_are_named_not_drawn() -> None:
    ms, gain = margins_picture().axes
    assert "none" in texts(ms)
    assert "unlimited" in texts(gain)
    assert "limit 2" in ms.get_title("left")


def test_what_the_answer_hangs_on_cuts_a_bar_that_would_hide_the_others() -> None:
    """Of +210 %, 10 % and 5 % the first is cut at 15 % and its number written."""
    lowest, highest, authority, ms = drawn("influence").axes
    assert "210" in texts(highest)
    assert highest.get_xlim() == pytest.approx((-16.8, 16.8))
    assert "no limit" in texts(ms)  # unstable
    assert ms.get_title("left").startswith("worst Ms")
    assert lowest.get_xlim() == pytest.approx((-11.2, 11.2))
    labels = [text.get_text().replace("\n", " ") for text in lowest.get_yticklabels()]
    assert labels[0] == "pump: displacement ±50 %, loses 1, 3"
    assert lowest.get_yticklabels()[0].get_color() == style.ALARM
    assert len(drawn("influence without margins").axes) == 3
    assert authority.get_title("left").startswith("lowest authority")


def test_draws_are_shown_until_nothing_moves_any_more() -> None:
    """The worst draw comes within 0.3 hold bands of its end after 15 ln(5/0.03) = 77 s."""
    axis = drawn("draws").axes[0]
    assert axis.get_xlim()[1] == pytest.approx(77.0 * 7.0 / 6.0, abs=4.0)
    assert "draw 7" in axis.get_title("left")
    assert "draw 7 moves between 5 and 10 mbar" in drawn("draws").alt


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_a_picture_in_a_file_of_its_own_carries_its_words(kind: str) -> None:
    data = figures.to_file(figures.spread(draws()), "Not a safety function <here>.", kind)
    assert data == figures.to_file(figures.spread(draws()), "Not a safety function <here>.", kind)
    if kind == "png":
        assert data.startswith(b"\x89PNG")
        assert b"Not a safety function" in data
        return
    root = ET.fromstring(data)
    said = [node.text for node in root if node.tag.endswith(("title", "desc"))]
    assert said == [drawn("draws").alt, "Not a safety function <here>."]


@pytest.mark.parametrize(
    "value, shown",
    [(0.005, "0.005"), (2e-6, "2e−6"), (1000.0, "1000"), (0.0, "0"), (-180.0, "−180")],
)
def test_tick_labels_never_turn_small_numbers_into_zero(value: float, shown: str) -> None:
    assert style.plain(value) == shown


def test_labels_that_would_collide_are_moved_apart() -> None:
    placed = style.spread_apart([1.0, 1.01, 1.02, 5.0], 0.5, 0.0, 6.0)
    assert placed == sorted(placed)
    assert min(np.diff(placed)) >= 0.5 - 1e-12
    assert style.spread_apart([5.9, 5.95, 6.0], 1.0, 0.0, 6.0) == [4.0, 5.0, 6.0]


def test_the_trade_off_marks_the_ready_choices_by_name_and_the_settings_by_a_ring() -> None:
    picture = drawn("trade-off")
    first = picture.axes[0]
    assert [text.get_text() for text in first.texts] == ["calm", "balanced", "brisk"]
    *dots, ring = (line for line in first.lines if line.get_marker() == "o")
    assert [float(dot.get_ydata()[0]) for dot in dots] == pytest.approx([8.0, 8.0 / 1.4, 4.0])
    assert (float(ring.get_xdata()[0]), ring.get_markerfacecolor()) == (1.6, "none")
    assert "calm (Ms 1.4): 8 s, gain 1, integral time 10 s" in picture.alt
