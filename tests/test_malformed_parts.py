"""Gases, line parts, loads, pumps and gauges that are wrong, each with its message."""

from __future__ import annotations

from pathlib import Path

import pytest

from chamberctl.errors import InputError
from chamberctl.plant.window import operating_window
from chamberctl.study import loads
from tests.test_malformed_studies import DISPLACEMENT, GOOD, VOLUME, check

GAS = '[system.gas]\nname = "N2"\n'
OWN = (
    '[system.gas]\nname = "own"\nmolar_mass = "39.95 g/mol"\nviscosity_20c = "22.3 uPa s"\n'
    'sutherland = "159 K"\nheat_capacity_ratio = 1.67\n'
)
TUBE = 'kind = "tube"\ndiameter = "160 mm"\nlength = "12 m"\n'
DRIVE = "[system.drive]\n"
DUTY = "[duty]\n"
POSITION = 'position = "chamber"'
TRAP = '[[system.line]]\nkind = "condenser"\nconductance = "100 L/s"\n'
K0 = 'compression_curve = [["0.1 mbar", 30], ["1 mbar", 50]]\n'


def blend(*shares: tuple[str, str]) -> tuple[str, str]:
    parts = (f'[[system.gas.part]]\nname = "{n}"\nfraction = "{f}"\n' for n, f in shares)
    return GAS, '[system.gas]\nname = "blend"\n' + "".join(parts)


def line(text: str) -> tuple[str, str]:
    return TUBE, f"{text}\n"


def load(text: str) -> tuple[str, str]:
    return DUTY, f"[system.gas_load]\n{text}\n{DUTY}"


def curve(points: str, more: str = "") -> tuple[str, str]:
    return DISPLACEMENT, f"curve = [{points}]\n{more}"


def booster(text: str) -> tuple[str, str]:
    speeds = '[system.speed_map]\nbooster = ["0 %", "100 %"]\n'
    return DRIVE, f'{speeds}[system.booster]\nswept_speed = "500 L/s"\n{text}\n{DRIVE}'


def speed_map(text: str) -> tuple[str, str]:
    return DRIVE, f"[system.speed_map]\n{text}\n{DRIVE}"


def curves(*items: tuple[str, str], more: str = "") -> tuple[str, str]:
    tables = (f'[[system.backing.curves]]\nspeed = "{s}"\npoints = [{p}]\n' for s, p in items)
    return DISPLACEMENT, f"{more}\n" + "".join(tables)


FULL = ("100 %", '["0.1 mbar", "50 m3/h"], ["10 mbar", "100 m3/h"]')
HALF = ("50 %", '["0.1 mbar", "20 m3/h"], ["10 mbar", "50 m3/h"]')
DIP = '["0.5 mbar", "7 m3/h"], ["1 mbar", "9 m3/h"], ["2 mbar", "6 m3/h"], ["100 mbar", "10 m3/h"]'
AIR = 'stated_gas = "air"'
BETWEEN = GOOD.partition(GAS)[2].partition(DISPLACEMENT)[0]
BACKING = "system.backing."
PART = "system.line[0]."
BOOSTER = "system.booster."

# what is changed (old, new), the field, what the message shows as given, words of the remedy
CASES = {
    "own gas without properties": ((GAS, '[system.gas]\nname = "own"\n'), "system.gas.molar_mass",
                                   "nothing", "a gas of your own needs molar_mass"),
    "property of a known gas": ((GAS, GAS + 'sutherland = "120 K"\n'), "system.gas.sutherland",
                                "'120 K'", '"N2" is known; remove it'),
    "molar mass without unit": ((GAS, OWN.replace('"39.95 g/mol"', '"40"')),
                                "system.gas.molar_mass", "'40'", "unit is missing"),
    "impossible heat capacities": ((GAS, OWN.replace("1.67", "2.5")),
                                   "system.gas.heat_capacity_ratio", "'2.5'", "between 1.01 and"),
    "blend without parts": ((GAS, '[system.gas]\nname = "blend"\n'), "system.gas.part", "nothing",
                            "two parts or more"),
    "blend of one": (blend(("Ar", "100 %")), "system.gas.part", "'Ar 100 %'", "two parts or more"),
    "shares do not add up": (blend(("Ar", "80 %"), ("N2", "10 %")), "system.gas.part",
                             "'Ar 80 %, N2 10 %'",
                             "add up to 100 %, these make 90 %"),
    "one gas twice": (blend(("Ar", "80 %"), ("Ar", "20 %")), "system.gas.part[1].name", "'Ar'",
                      "in the blend already"),
    "unknown gas in a blend": (blend(("Ar", "80 %"), ("SF6", "20 %")), "system.gas.part[1].name",
                               "'SF6'", "must be one of"),
    "parts without blend": ((GAS, GAS + '[[system.gas.part]]\nname = "Ar"\nfraction = "1"\n'),
                            "system.gas.part", "'Ar 1'", "parts belong to a blend"),
    "empty share": (blend(("Ar", "100 %"), ("N2", "0 %")), "system.gas.part[1].fraction", "'0 %'",
                    "between 0.0001 % and 100 %"),
    "elbow without leg": (line('kind = "elbow"\ndiameter = "160 mm"'), PART + "leg", "nothing",
                          'needs leg = "200 mm"'),
    "elbow without room": (line('kind = "elbow"\ndiameter = "160 mm"\nleg = "70 mm"'), PART + "leg",
                           "70 mm", "at least half a diameter"),
    "elbow with length": (line('kind = "elbow"\ndiameter = "1 cm"\nleg = "1 cm"\nlength = "1 m"'),
                          PART + "length", "'1 m'", "does not belong"),
    "leg of a tube": (line(TUBE + 'leg = "20 cm"'), PART + "leg", "'20 cm'", "does not belong"),
    "valve without size": (line('kind = "valve"'), PART + "diameter", "nothing",
                           "by its diameter or its conductance: give one"),
    "valve with two sizes": (line('kind = "valve"\ndiameter = "5 cm"\nconductance = "9 L/s"'),
                             PART + "diameter", "'5 cm'", "keep one of them"),
    "opening time of a tube": (line(TUBE + 'opening_time = "2 s"'), PART + "opening_time", "'2 s'",
                               "does not belong"),
    "negative opening time": (line('kind = "valve"\ndiameter = "5 cm"\nopening_time = "-1 s"'),
                              PART + "opening_time", "'-1 s'", "between 0 s and 1 h"),
    "condenser without path": (line('kind = "condenser"'), PART + "conductance", "nothing",
                               'needs conductance = "100 L/s"'),
    "vapor pressure of a tube": (line(TUBE + 'vapor_pressure = "1 Pa"'), PART + "vapor_pressure",
                                 "'1 Pa'", "does not belong"),
    "two traps": ((DUTY, TRAP + TRAP.replace("condenser", "cold trap") + DUTY),
                  "system.line[2].kind", "'cold trap'", "one cold trap or condenser"),
    "condenser warmer than the product": (
        (DUTY, TRAP + 'vapor_pressure = "7 mbar"\n[system.gas_load]\nvapor_conductance = "9 L/s"\n'
         'vapor_saturation = "6 mbar"\n' + DUTY),
        "system.line[1].vapor_pressure", "'7 mbar'", "below gas_load.vapor_saturation"),
    "vapor without saturation": (load('vapor_conductance = "9 L/s"'),
                                 "system.gas_load.vapor_saturation", "nothing", "vapor needs"),
    "vapor without path": (load('vapor_saturation = "6 mbar"'),
                           "system.gas_load.vapor_conductance", "nothing", "vapor needs"),
    "negative outgassing": (load('outgassing_1h = "-1 mbar L/s"'),
                            "system.gas_load.outgassing_1h", "'-1 mbar L/s'", "between 0 mbar"),
    "outgassing at no age": (load('outgassing_age = "0 s"'), "system.gas_load.outgassing_age",
                             "'0 s'", "between 1 s"),
    "outgassing falls too fast": (load("outgassing_exponent = 7"),
                                  "system.gas_load.outgassing_exponent", "'?7'?", "0 and 3"),
    "booster without slip": (booster(""), BOOSTER + "gap_conductance", "nothing",
                             "missing: give gap_conductance"),
    "curve and gap": (booster('gap_conductance = "3 L/s"\n' + K0), BOOSTER + "gap_conductance",
                      "'3 L/s'", "the curve says it already"),
    "curve and carry-back": (booster('carry_back_speed = "1 L/s"\n' + K0),
                             BOOSTER + "carry_back_speed", "'1 L/s'", "the curve says it already"),
    "curve that knows its split": (booster('slip_split = "as given"\n' + K0),
                                   BOOSTER + "slip_split", "'as given'",
                                   "gap, carry-back or at peak"),
    "compression turns back": (booster(K0.replace("0.1 mbar", "5 mbar")),
                               BOOSTER + "compression_curve", "'5 mbar, 30; 1 mbar, 50'",
                               "rise from row to row"),
    "compression below one": (booster(K0.replace("30", "0.9")), BOOSTER + "compression_curve",
                              "0.9", "above 1"),
    "compression too steep": (
        booster('compression_curve = [["0.1 mbar", 30], ["1 mbar", 1.05], ["1.2 mbar", 40]]'),
        BOOSTER + "compression_curve", "1 mbar, 1.05; 1.2 mbar, 40",
        "too steeply from 1 mbar to 1.2 mbar"),
    "compression of one point": (booster('compression_curve = [["1 mbar", 40]]'),
                                 BOOSTER + "compression_curve", "'1 mbar, 40'", "at least 2"),
    "unknown split": (booster('gap_conductance = "3 L/s"\nslip_split = "gaps"'),
                      BOOSTER + "slip_split", "'gaps'", "did you mean 'gap'"),
    "unknown stated gas": (booster('gap_conductance = "3 L/s"\nstated_gas = "blend"'),
                           BOOSTER + "stated_gas", "'blend'", "must be one of"),
    "torque as a number": (booster('gap_conductance = "3 L/s"\ntorque_difference = 50'),
                           BOOSTER + "torque_difference", "50", "unit is missing"),
    "no curve at rated speed": (curves(HALF), BACKING + "curves", "'50 % 0.1 mbar",
                                'speed = "100 %"'),
    "two curves at one speed": (curves(FULL, FULL), BACKING + "curves[1].speed", "'100 %'",
                                "another curve is at this speed"),
    "slower pumps more": (curves(FULL, (HALF[0], HALF[1].replace("20 m3/h", "60 m3/h"))),
                          BACKING + "curves[1].points", "60 m3/h", "a slower pump cannot"),
    "slower pumps more in between": (
        curves(("100 %", FULL[1].replace('], [', '], ["1 mbar", "51 m3/h"], [', 1)),
               ("50 %", '["0.1 mbar", "49 m3/h"], ["10 mbar", "99 m3/h"]')),
        BACKING + "curves[1].points", "99 m3/h", "a slower pump cannot"),
    "curve without points": ((DISPLACEMENT, '[[system.backing.curves]]\nspeed = "100 %"\n'),
                             BACKING + "curves[0].points", "nothing", "missing: add points"),
    "one of the curves turns back": (
        curves(("100 %", '["5 mbar", "1 m3/h"], ["1 mbar", "2 L/s"]')),
        BACKING + "curves[0].points", "5 mbar", "rise from row"),
    "curves and displacement": (curves(FULL, HALF, more=DISPLACEMENT), BACKING + "displacement",
                                "'100 L/s'", "the curve says it already"),
    "curves and a curve": (curves(FULL, HALF, more=f"curve = [{FULL[1]}]"), BACKING + "curve",
                           "0.1 mbar", "keep one of them"),
    "curves and their lowest speed": (
        curves(FULL, HALF, more='curve_known_down_to_speed = "50 %"'),
        BACKING + "curve_known_down_to_speed", "'50 %'", "the slowest of the curves"),
    "throughput falls along a curve": (
        curve('["0.1 mbar", "50 m3/h"], ["10 mbar", "100 m3/h"], ["100 mbar", "8 m3/h"]'),
        BACKING + "curve", "8 m3/h", "pressure times speed must rise .* between 10 mbar and 100 "
        "mbar it goes from 278 mbar L/s to 222 mbar L/s"),
    "throughput stays the same along a curve": (
        curve('["1 mbar", "10 m3/h"], ["10 mbar", "1 m3/h"]'), BACKING + "curve", "1 m3/h",
        "must rise from row to row"),
    "a pump that ends below atmosphere": (
        curve('["1 mbar", "10 m3/h"], ["10 mbar", "0 m3/h"]'), BACKING + "curve", "0 m3/h",
        "must rise from row to row"),
    "throughput falls along one of several curves": (
        curves(FULL, ("50 %", '["0.1 mbar", "20 m3/h"], ["10 mbar", "0.1 m3/h"]')),
        BACKING + "curves[1].points", "0.1 m3/h", "must rise from row to row"),
    "throughput falls in the study's gas": (
        (GAS + BETWEEN + DISPLACEMENT, GAS.replace("N2", "H2") + BETWEEN + curve(DIP, AIR)[1]),
        BACKING + "curve", "0.5 mbar, 7 m3/h",
        r"stated for air; in the study's gas \(H2\) slip is 2.0\d times .* between 1 mbar and "
        "2 mbar"),
    "throughput of one of several curves falls in the study's gas": (
        (GAS + BETWEEN + DISPLACEMENT, GAS.replace("N2", "H2") + BETWEEN
         + curves(("100 %", DIP), more=AIR)[1]),
        BACKING + "curves[0].points", "0.5 mbar, 7 m3/h", "give a curve measured in this gas"),
    "curve and clearances": (
        (DISPLACEMENT, f'curve = [{FULL[1]}]\nclearance_conductance = "1 L/s"'),
        BACKING + "clearance_conductance", "'1 L/s'", "curve says it already"),
    "clearances as wide as the pump": (
        (DISPLACEMENT, DISPLACEMENT + '\nclearance_conductance = "100 L/s"'),
        BACKING + "clearance_conductance", "'100 L/s'", "below the displacement, 100 L/s"),
    "clearances as wide as the pump in the study's gas": (
        (GAS + BETWEEN + DISPLACEMENT, GAS.replace("N2", "H2") + BETWEEN + DISPLACEMENT
         + f'\nclearance_conductance = "60 L/s"\n{AIR}'),
        BACKING + "clearance_conductance", "'60 L/s'",
        r"stated for air; in the study's gas \(H2\) 12\d L/s leak back"),
    "a backing pump that stands still": (
        speed_map('output = ["0 %", "40 %", "100 %"]\nbacking = ["0 %", "0 %", "100 %"]'),
        "system.speed_map.backing", "'0 %, 0 %, 100 %'",
        'minimum speed, 20 %, the backing pump stands still: .* such as '
        r'\["20 %", "20 %", "100 %"\], or raise drive.minimum_speed'),
    "a backing pump that hardly turns": (
        speed_map('output = ["0 %", "20 %", "100 %"]\nbacking = ["0 %", "0.5 %", "100 %"]'),
        "system.speed_map.backing", "'0 %, 0.5 %, 100 %'", "all but stands still"),
    "ballast beyond all": ((DISPLACEMENT, DISPLACEMENT + '\nballast_share = "120 %"'),
                           BACKING + "ballast_share", "'120 %'", "between 0 % and 100 %"),
    "gauge behind nothing": ((POSITION, 'position = "after filter"'), "system.gauge[0].position",
                             "'after filter'", "known are: 'after tube 1'"),
    "gauge between no pumps": ((POSITION, 'position = "interstage"'), "system.gauge[0].position",
                               "'interstage'", r"no \[system.booster\]"),
    "gauge elsewhere": ((POSITION, 'position = "behind filter"'), "system.gauge[0].position",
                        "'behind filter'", "must be one of .*'after NAME'"),
    "wall behind the wall": ((VOLUME, VOLUME + '\nwall_distance = "0 mm"'),
                             "system.chamber.wall_distance", "'0 mm'", "between 0.1 mm and 20 m"),
    "floor at zero": ((DUTY, DUTY + 'minimum_controllable_pressure = "0 mbar"\n'),
                      "duty.minimum_controllable_pressure", "'0 mbar'", "between 1e-3 Pa"),
    "floor without unit": ((DUTY, DUTY + "minimum_controllable_pressure = 0.5\n"),
                           "duty.minimum_controllable_pressure", "0.5", "unit is missing"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_message_names_file_field_value_and_remedy(case: str, tmp_path: Path) -> None:
    (old, new), field, given, remedy = CASES[case]
    assert old in GOOD
    path = tmp_path / "wrong.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    check(path, field, given, remedy)


def test_a_pump_may_stand_still_where_the_drive_never_is() -> None:
    for backing in ('"0 %", "0 %", "100 %"', '"0 %", "1 %", "100 %"'):
        knots = '"0 %", "19 %", "100 %"' if "1 %" not in backing else '"0 %", "20 %", "100 %"'
        old, new = speed_map(f"output = [{knots}]\nbacking = [{backing}]")
        assert loads(GOOD.replace(old, new)).system.speed_map.backing


def test_a_curve_that_dips_is_one_in_its_own_gas() -> None:
    for gas in ("air", "N2", "Ar"):
        text = GOOD.replace(DISPLACEMENT, curve(DIP, AIR)[1]).replace(GAS, GAS.replace("N2", gas))
        assert loads(text).system.backing.curve


LOW = GOOD.replace('"0.01 mbar"', '"1e-6 mbar"').replace('"0.1 mbar"', '"1e-6 mbar"')
LOW = LOW.replace('"5 mbar"', '"1.5e-5 mbar"')


def test_a_gas_factor_that_leads_out_of_the_model(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(LOW.replace(POSITION, f"{POSITION}\ngas_factor = 0.05"), encoding="utf-8")
    check(path, "duty.hold[0].setpoint", "'1.5e-5 mbar'",
          "gas factor 0.05 of gauge PT-1 .* true pressure of 7.5e-7 mbar: outside the model, which "
          r"holds from 1.0e-5 mbar up .* correct system.gauge\[0\].gas_factor")  # fmt: skip


def test_a_heated_head_that_leads_out_of_the_model() -> None:
    """How much more it shows only the plant knows, so that this is found with the duty points."""
    text = LOW.replace('"1.5e-5 mbar"', '"1.2e-5 mbar"')
    text = text.replace(POSITION, f'{POSITION}\nhead_temperature = "600 K"')
    with pytest.raises(InputError, match="heated head of gauge PT-1") as caught:
        operating_window(loads(text, "low.toml"))
    problem = caught.value.first
    assert (problem.file, problem.field) == ("low.toml", "duty.hold[0].setpoint")
    assert problem.given == "'1.2e-5 mbar'"


def test_a_gauge_behind_one_of_two_parts_of_a_name(tmp_path: Path) -> None:
    pipe = TUBE + 'name = "pipe"\n'
    text = GOOD.replace(TUBE, f"{pipe}[[system.line]]\n{pipe}")
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace(POSITION, 'position = "after pipe"'), encoding="utf-8")
    check(path, "system.gauge[0].position", "'after pipe'", "rename one of them")
