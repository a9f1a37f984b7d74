"""Studies that are wrong: each message names the file, the field, what was given and the remedy."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chamberctl.errors import InputError, StudyError
from chamberctl.study import load, loads

GOOD = """format = "chamberctl-study/1"
title = "Small plant"

[system.gas]
name = "N2"

[system.chamber]
volume = "500 L"

[[system.line]]
kind = "tube"
diameter = "160 mm"
length = "12 m"

[system.backing]
displacement = "100 L/s"

[system.drive]
rated = "50 Hz"
minimum_speed = "20 %"
rise_time = "30 s"
fall_time = "30 s"

[[system.gauge]]
tag = "PT-1"
kind = "capacitance"
position = "chamber"
range_low = "0.01 mbar"
range_high = "100 mbar"
signal = "linear"

[duty]
hold_band = "2 %"

[[duty.hold]]
setpoint = "5 mbar"
gas_loads = ["250 mbar L/s"]

[controller]
gauge = "PT-1"
reading = "log10"
form = "ideal"
reading_low = "0.1 mbar"
reading_high = "100 mbar"
scan_time = "0.1 s"
"""
VOLUME = 'volume = "500 L"'
SETPOINT = 'setpoint = "5 mbar"'
LOADS = 'gas_loads = ["250 mbar L/s"]'
CHAMBER = "system.chamber.volume"
HOLD = "duty.hold[0].setpoint"
LOAD = "duty.hold[0].gas_loads"
DISPLACEMENT = 'displacement = "100 L/s"'
CURVE = "curve = [[{}]]"
MINIMUM = 'minimum_speed = "20 %"'
GAUGE = 'tag = "PT-1"\n'


def volume(text: str) -> tuple[str, str]:
    return VOLUME, f"volume = {text}"


def setpoint(text: str) -> tuple[str, str]:
    return SETPOINT, f"setpoint = {text}"


def loads_as(text: str) -> tuple[str, str]:
    return LOADS, f"gas_loads = {text}"


# what is changed (old, new), the field, what the message shows as given, words of the remedy
CASES = {
    "missing field": ((VOLUME, ""), CHAMBER, "nothing", 'missing: add volume = "500 L"'),
    "missing table": (("[system.backing]\n" + DISPLACEMENT, ""), "system.backing", "nothing",
                      r"missing: describe .* \[system.backing\]"),
    "negative volume": (volume('"-500 L"'), CHAMBER, "'-500 L'", "between 1 mL and 10000 m3"),
    "negative pressure": (setpoint('"-0.5 bar"'), HOLD, "'-0.5 bar'", "counts from perfect vacuum"),
    "zero volume": (volume('"0 L"'), CHAMBER, "'0 L'", "between 1 mL"),
    "wrong dimension": (volume('"500 mbar"'), CHAMBER, "'500 mbar'",
        "unit of an absolute pressure"),
    "wrong unit": (volume('"500 furlongs"'), CHAMBER, "'500 furlongs'", "unknown unit"),
    "misspelled unit": (setpoint('"5 mabr"'), HOLD, "'5 mabr'", "did you mean 'mbar'"),
    "no unit": (setpoint('"5"'), HOLD, "'5'", "unit is missing"),
    "bare whole number": (volume("500"), CHAMBER, "500", r'in quotes, such as "500 L"'),
    "bare number": (volume("500.5"), CHAMBER, "500.5", "unit is missing"),
    "not a number": (setpoint('"nan mbar"'), HOLD, "'nan mbar'", "finite"),
    "bare not a number": (setpoint("nan"), HOLD, "nan", "finite"),
    "infinite": (volume('"inf L"'), CHAMBER, "'inf L'", "finite"),
    "too large": (setpoint('"1e400 mbar"'), HOLD, "'1e400 mbar'", "too large"),
    "bare too large": (setpoint("1e400"), HOLD, "1e400", "too large"),
    "too small": (setpoint('"1e-400 mbar"'), HOLD, "'1e-400 mbar'", "too small"),
    "ambiguous comma": (volume('"1,000 L"'), CHAMBER, "'1,000 L'", r"ambiguous.*'1\.000'"),
    "ambiguous separators": (volume('"1.000,5 L"'), CHAMBER, "'1.000,5 L'", "ambiguous"),
    "grouped digits": (volume('"1 000 L"'), CHAMBER, "'1 000 L'", "two numbers"),
    "arithmetic": (volume('"9**9**2 L"'), CHAMBER, r"'9\*\*9\*\*2 L'", "one number"),
    "words": (volume('"large"'), CHAMBER, "'large'", "one number"),
    "empty text": (volume('""'), CHAMBER, "''", "one number"),
    "truth value": (volume("true"), CHAMBER, "true", "as a text in quotes"),
    "date": (volume("2025-06-30"), CHAMBER, "2025-06-30", "as a text in quotes"),
    "list for a number": (volume('["500 L"]'), CHAMBER, r"\['500 L'\]", "one number"),
    "relative pressure": (setpoint('"5 mbar(g)"'), HOLD, "mbar.g",
        "relative pressures are refused"),
    "vacuum below air": (setpoint('"20 inHg vacuum"'), HOLD, "20 inHg", "relative pressures"),
    "flow without reference": (loads_as('["40 slm"]'), LOAD, "'40 slm'", "reference temperature"),
    "mass flow": (loads_as('["2 kg/h"]'), LOAD, "'2 kg/h'", "mass flow"),
    "negative flow": (loads_as('["-5 mbar L/s"]'), LOAD, "'-5 mbar L/s'", "between 0 mbar L/s"),
    "no gas at all": (loads_as('["0 mbar L/s"]'), LOAD, "'0 mbar L/s'",
        "nothing lifts the pressure"),
    "hold without loads": (loads_as("[]"), LOAD, "''", "at least 1 needed"),
    "hold lacks loads": ((LOADS, ""), LOAD, "nothing", "missing: add gas_loads"),
    "flow not in a list": (loads_as('"250 mbar L/s"'), LOAD, "'250 mbar L/s'", "a list is needed"),
    "no hold": (("[[duty.hold]]\n" + SETPOINT + "\n" + LOADS, ""), "duty.hold", "nothing",
                r"missing: describe .*\[\[duty.hold\]\]"),
    "empty holds": (('hold_band = "2 %"\n\n[[duty.hold]]\n' + SETPOINT + "\n" + LOADS,
                     'hold_band = "2 %"\nhold = []'), "duty.hold", "nothing", "at least 1 needed"),
    "holds not an array": (("[[duty.hold]]", "[duty.hold]"), "duty.hold", "a table",
                           r"array of tables is needed: \[\[duty.hold\]\]"),
    "gauge as one table": (("[[system.gauge]]", "[system.gauge]"), "system.gauge", "a table",
                           r"\[\[system.gauge\]\]"),
    "table is a text": (("[system.gas]\nname =", "[system]\ngas ="), "system.gas", "'N2'",
                        r"a table is needed: \[system.gas\]"),
    "unknown field": ((VOLUME, VOLUME + '\nvolum = "1 L"'), "system.chamber.volum", "'1 L'",
                      "unknown field 'volum'; did you mean 'volume'"),
    "unknown table": (("[duty]", "[plant]\n[duty]"), "plant", "a table", "unknown table 'plant'"),
    "misspelled table": (("[system.drive]", "[system.drvie]"), "system.drvie", "a table",
                         "did you mean 'drive'"),
    "nameless field": ((VOLUME, VOLUME + '\n"" = 1'), 'system.chamber.""', "1", "unknown field"),
    "unknown gas": (('"N2"', '"SF6"'), "system.gas.name", "'SF6'", "must be one of 'N2', 'air'"),
    "gas in small letters": (('"N2"', '"n2"'), "system.gas.name", "'n2'", "did you mean 'N2'"),
    "unknown form": (('"ideal"', '"idael"'), "controller.form", "'idael'", "did you mean 'ideal'"),
    "basis word": (volume('{ is = "500 L", basis = "guess" }'), CHAMBER + ".basis", "'guess'",
                   "unknown basis.*measured, data sheet, assumed"),
    "basis misspelled": (volume('{ is = "500 L", basis = "mesured" }'), CHAMBER + ".basis",
                         "'mesured'", "did you mean 'measured'"),
    "value without is": (volume('{ basis = "measured" }'), CHAMBER, 'without "is"', "is = "),
    "unknown detail": (volume('{ is = "500 L", tol = "5 %" }'), CHAMBER + ".tol", "'5 %'",
                       "unknown detail 'tol'"),
    "tolerance in liters": (volume('{ is = "500 L", tolerance = "5 L" }'), CHAMBER + ".tolerance",
                            "'5 L'", "fraction is wanted"),
    "tolerance too wide": (volume('{ is = "500 L", tolerance = "300 %" }'), CHAMBER + ".tolerance",
                           "'300 %'", "between 0 % and 100 %"),
    "note is a number": (volume('{ is = "500 L", note = 5 }'), CHAMBER + ".note", "5", "in quotes"),
    "gauge not described": (('gauge = "PT-1"\n', 'gauge = "PT-7"\n'), "controller.gauge", "'PT-7'",
                            "no gauge with this tag.*did you mean 'PT-1'"),
    "two gauges, one tag": (("[duty]\n", '[[system.gauge]]\ntag = "PT-1"\nkind = "other"\n'
                             'position = "chamber"\nrange_low = "1 Pa"\nrange_high = "1 bar"\n'
                             'signal = "log"\n[duty]\n'), "system.gauge[1].tag", "'PT-1'",
                            "must be unique"),
    "empty tag": ((GAUGE, 'tag = " "\n'), "system.gauge[0].tag", "' '", "must not be empty"),
    "range upside down": (('range_low = "0.01 mbar"', 'range_low = "200 mbar"'),
                          "system.gauge[0].range_low", "'200 mbar'", "below range_high"),
    "setpoint above gauge": (setpoint('"150 mbar"'), HOLD, "'150 mbar'",
                             "outside the range of gauge PT-1, 0.01 mbar to 100 mbar"),
    "setpoint below span": (setpoint('"0.05 mbar"'), HOLD, "'0.05 mbar'",
        "outside the controller's"),
    "minimum above maximum": ((MINIMUM, 'minimum_speed = "80 %"\nmaximum_speed = "60 %"'),
                              "system.drive.minimum_speed", "'80 %'", "below maximum_speed"),
    "speed beyond rated": ((MINIMUM, 'minimum_speed = "60 Hz"'), "system.drive.minimum_speed",
                           "'60 Hz'", "between 1 % and 100 %"),
    "speed in rpm": ((MINIMUM, 'minimum_speed = "600 rpm"'), "system.drive.minimum_speed",
                     "'600 rpm'", "rated speed is not given in this unit"),
    "rated without unit": (('rated = "50 Hz"', 'rated = "50"'), "system.drive.rated", "'50'",
                           "unit is missing"),
    "rated missing": (('rated = "50 Hz"', ""), "system.drive.rated", "nothing", 'rated = "50 Hz"'),
    "bands overlap": ((MINIMUM, MINIMUM + '\navoid_bands = [["30 %", "50 %"], ["40 %", "60 %"]]'),
                      "system.drive.avoid_bands", "'30 %, 50 %; 40 %, 60 %'", "bands overlap"),
    "band backwards": ((MINIMUM, MINIMUM + '\navoid_bands = [["27 Hz", "23 Hz"]]'),
                       "system.drive.avoid_bands", "'27 Hz, 23 Hz'", "lower to its upper edge"),
    "band of three": ((MINIMUM, MINIMUM + '\navoid_bands = [["27 Hz"]]'),
                      "system.drive.avoid_bands", r"\['27 Hz'\]", "each entry is a pair"),
    "negative ramp": (('rise_time = "30 s"', 'rise_time = "-30 s"'), "system.drive.rise_time",
                      "'-30 s'", "between 0 s and 1 h"),
    "curve not rising": ((DISPLACEMENT, CURVE.format(
        '"1 mbar", "50 m3/h"], ["0.1 mbar", "60 m3/h"')),
                         "system.backing.curve", "'1 mbar, 50 m3/h; 0.1 mbar",
                         "rise from row to row"),
    "curve of one point": ((DISPLACEMENT, CURVE.format('"1 mbar", "50 m3/h"')),
                           "system.backing.curve", "'1 mbar, 50 m3/h'", "at least 2 needed"),
    "curve row of three": ((DISPLACEMENT, CURVE.format('"1 mbar", "50 m3/h", "1"')),
                           "system.backing.curve", "'1 mbar'", "each entry is a pair"),
    "curve of texts": ((DISPLACEMENT, 'curve = "steep"'), "system.backing.curve", "'steep'",
                       "a list is needed"),
    "curve and displacement": ((DISPLACEMENT, DISPLACEMENT + "\n" + CURVE.format(
        '"1 mbar", "50 m3/h"], ["2 mbar", "60 m3/h"')), "system.backing.displacement", "'100 L/s'",
        "the curve says it already"),
    "no pump size": ((DISPLACEMENT, ""), "system.backing.displacement", "nothing", "missing: give"),
    "tube without length": (('length = "12 m"', ""), "system.line[0].length", "nothing",
                            'needs length = "12 m"'),
    "tube as conductance": (('length = "12 m"', 'length = "12 m"\nconductance = "5 L/s"'),
                            "system.line[0].conductance", "'5 L/s'", "does not belong"),
    "map lists differ": (("[system.drive]", '[system.speed_map]\nbacking = ["0 %", "50 %", '
                          '"100 %"]\n[system.drive]'), "system.speed_map.backing",
                         "'0 %, 50 %, 100 %'", "one speed for each of the 2 points"),
    "map turns back": (("[system.drive]", '[system.speed_map]\nbacking = ["100 %", "0 %"]\n'
                        "[system.drive]"), "system.speed_map.backing", "'100 %, 0 %'", "not fall"),
    "booster without map": (("[system.drive]", '[system.booster]\nswept_speed = "500 L/s"\n'
                             'gap_conductance = "1 L/s"\n[system.drive]'),
                            "system.speed_map.booster", "nothing", "missing: say what"),
    "map without booster": (("[system.drive]", '[system.speed_map]\nbooster = ["0 %", "100 %"]\n'
                             "[system.drive]"), "system.speed_map.booster", "'0 %, 100 %'",
                            r"no \[system.booster\]"),
    "log of zero": (('reading_low = "0.1 mbar"', 'reading_low = "0 mbar"'),
                    "controller.reading_low", "'0 mbar'", "0 has no logarithm"),
    "output in rpm": (('form = "ideal"', 'form = "ideal"\noutput_unit = "rpm"'),
                      "controller.output_unit", "'rpm'", "rated speed is given in Hz"),
    "output below the drive": (('form = "ideal"', 'form = "ideal"\noutput_min = "10 %"'),
                               "controller.output_min", "'10 %'",
                               "outside the drive's 20 % to 100 %"),
    "decimals as text": (('form = "ideal"', 'form = "ideal"\ndecimals = { gain = "3" }'),
                         "controller.decimals.gain", "'3'", "a whole number is needed"),
    "decimals too many": (('form = "ideal"', 'form = "ideal"\ndecimals = { gain = 30 }'),
                          "controller.decimals.gain", "'30'", "between 0 and 9"),
    "as found is a text": (('form = "ideal"', 'form = "ideal"\nas_found = "2.5"'),
                           "controller.as_found", "'2.5'", "a table of texts is needed"),
    "title is a number": (('title = "Small plant"', "title = 5"), "title", "5", "text in quotes"),
    "format unknown": (("study/1", "study/9"), "format", "'chamberctl-study/9'", "study/1"),
    "format missing": (('format = "chamberctl-study/1"', ""), "format", "nothing", "first line"),
    "key given twice": ((VOLUME, VOLUME + '\nvolume = "400 L"'), "line 9", "volume = .400 L",
                        "given twice; keep one"),
    "table given twice": (("[duty]\n", "[system.gas]\n[duty]\n"), "line 32", r"\[system.gas\]",
                          "given twice"),
    "text without quotes": (volume("500 L"), "line 8", "volume = 500 L", "not TOML"),
    "no TOML": ((GOOD, "<html><body>Small plant</body></html>"), "line 1", "<html>", "not TOML"),
    "open quote": (volume('"500 L'), "line 8", "volume =", "not TOML"),
    "nested too deep": (volume("[" * 20000), "file", "nested too deep", "three levels"),
    "endless number": (volume("9" * 5000), "file", "thousands of digits", "write it shorter"),
    "ultra-high vacuum": (setpoint('"1e-6 mbar"'), HOLD, "'1e-6 mbar'", "outside the model"),
    "turbo pump": (("[duty]\n", '[system.turbo]\nspeed = "300 L/s"\n[duty]\n'), "system.turbo",
                   "a table", "outside the model"),
    "turbo as kind": ((DISPLACEMENT, DISPLACEMENT + '\nkind = "turbomolecular"'),
                      "system.backing.kind", "'turbomolecular'", "outside the model"),
    "cryopump in the line": (('kind = "tube"', 'kind = "cryopump"'), "system.line[0].kind",
                             "'cryopump'", "outside the model"),
}  # fmt: skip


def test_the_study_they_are_made_from_is_good() -> None:
    assert loads(GOOD).duty_points() == ((500.0, 25.0, "5 mbar at 250 mbar L/s"),)


@pytest.mark.parametrize("case", CASES)
def test_message_names_file_field_value_and_remedy(case: str, tmp_path: Path) -> None:
    (old, new), field, given, remedy = CASES[case]
    assert old in GOOD
    path = tmp_path / "wrong.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    check(path, field, given, remedy)


def check(path: Path, field: str, given: str, remedy: str) -> None:
    with pytest.raises(StudyError) as caught:
        load(path)
    problem = next((p for p in caught.value.problems if p.field == field), None)
    assert problem is not None, str(caught.value)
    assert problem.file == str(path)
    assert re.search(given, problem.given), problem.given
    assert re.search(remedy, problem.remedy), problem.remedy
    for words in (str(path), field, problem.given, problem.remedy):
        assert words in str(caught.value)


@pytest.mark.parametrize("content, field, given, remedy", [
    (b"", "file", "an empty file", "preset"),
    (b" \n\t\n", "file", "an empty file", "preset"),
    (b"\x7fELF\x00\x01", "file", "binary content", "TOML"),
    (GOOD.encode("utf-16"), "file", "binary content", "UTF-8"),
    (GOOD.replace("Small plant", "Anlage f\xfcr Argon").encode("latin-1"), "line 2", "0xfc",
    "UTF-8"),
    (b"#" * 1_000_001, "file", r"1\.0 MB", "at most 1 MB"),
], ids=["empty", "blank", "binary", "utf-16", "latin-1", "over 1 MB"])  # fmt: skip
def test_files_that_are_no_studies(
    content: bytes, field: str, given: str, remedy: str, tmp_path: Path
) -> None:
    path = tmp_path / "wrong.toml"
    path.write_bytes(content)
    check(path, field, given, remedy)


def test_a_large_file_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "large.toml"
    path.write_bytes(b"#" * 2_000_000)
    monkeypatch.setattr(Path, "open", None)
    check(path, "file", "2.0 MB", "at most 1 MB")


def test_a_folder(tmp_path: Path) -> None:
    check(tmp_path, "file", "a folder", "path of a study file inside it")


def test_a_missing_file_names_the_nearest(tmp_path: Path) -> None:
    (tmp_path / "furnace.toml").write_text(GOOD, encoding="utf-8")
    check(tmp_path / "furnce.toml", "file", "nothing is", "did you mean 'furnace.toml'")
    check(tmp_path / "none" / "x.toml", "file", "nothing is", "no such file")


def test_an_unknown_preset_names_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean 'reference-plant'") as caught:
        load("preset:refrence-plant")
    assert caught.value.first.given == "'refrence-plant'"


def test_all_problems_are_listed_together(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    text = GOOD.replace(VOLUME, 'volume = "500 mbar"').replace(SETPOINT, 'setpoint = "-5 mbar"')
    path.write_text(text.replace('"N2"', '"X"'), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        load(path)
    assert [p.field for p in caught.value.problems] == ["system.gas.name", CHAMBER, HOLD]
    assert len(str(caught.value).splitlines()) == 3


LINES = GOOD.splitlines()
BITS = st.sampled_from(
    [
        "",
        "5",
        "-1",
        "nan",
        "1e400",
        "true",
        '"5 mbar"',
        '"nan"',
        "[]",
        "[[]]",
        "{}",
        "[{}]",
        "{ is = 1 }",
        "1979-05-27",
        "0x1F",
        '"""',
        "'",
        "]",
        '[["1 mbar", "1 L"]]',
        '"\\u0000"',
        '"1 rpm"',
        '"0 Hz"',
    ]
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(LINES) - 1), BITS), min_size=1, max_size=3))
def test_any_value_in_any_field_is_read_or_refused_in_words(edits: list[tuple[int, str]]) -> None:
    lines = list(LINES)
    for number, bit in edits:
        key, sign, _ = lines[number].partition("=")
        lines[number] = f"{key}{sign} {bit}" if sign else bit
    try:
        loads("\n".join(lines), "wrong.toml")
    except StudyError as error:
        problems = error.problems
    else:
        problems = ()
    assert all(p.file and p.field and p.given and p.remedy for p in problems)
