"""The report's standing text: what the model leaves out, and the words it uses."""

from __future__ import annotations

MODEL_LIMITS: tuple[str, ...] = (
    "One well-mixed gas at the temperatures stated. A change of gas, condensing vapor, chemical "
    "reaction and gas released by heated walls are not in it unless entered in the study.",
    "Pumps follow their steady speed at every instant; wear, dust, heat and condensate in the "
    "pump are not modeled. Below the slowest speed with data the pump's behavior is extrapolated "
    "and marked so.",
    "Gas flows through line and pumps as in steady flow: pressure waves, and the warming and "
    "cooling of gas in fast changes, are left out.",
    "Margins and step answers belong to small changes around each point. The drive's ramps, the "
    "limits of speed, the rounding of the output, bands to avoid and gauge noise do not act in "
    "them.",
    "Speed only pulls pressure down; only gas lifts it. Where the fastest rise printed above is "
    "small, a fall below setpoint recovers at that rate whatever the gains.",
    "The worst case of the gauge's update against the scan is counted as dead time.",
    "A booster's overflow valve or torque limit takes speed out of the loop; points where it acts "
    "have no margins. The model is not overload protection.",
)

ACTION_CHECK: tuple[str, ...] = (
    "Have permission, a safe range, a stop criterion and somebody at the machine; write down the "
    "values found.",
    "In manual, raise the speed by 3 to 5 percent and wait: the indicated pressure must FALL. "
    "Put the speed back; the pressure must return.",
)

BAD_READING: dict[str, str] = {
    "hold output": "hold the output, raise an alarm, wait for an operator",
    "go to start output": "go to the start output and raise an alarm",
    "go to minimum": "go to the lowest output and raise an alarm",
    "go to maximum": "go to the highest output and raise an alarm",
}

FAULT_MEANING: dict[str, str] = {
    "zero": "sends zero when it fails: without this action the loop would slow the pump to its "
    "minimum",
    "full scale": "sends full scale when it fails: without this action the loop would drive the "
    "pump to "
    "its maximum",
    "last value": "keeps its last value when it fails: the loop is blind and nothing on the "
    "reading shows it",
    "unknown": "has no stated fault signal: find out what it sends when it fails",
}

WORDS: tuple[tuple[str, str], ...] = (
    (
        "indicated pressure",
        "what the loop's gauge shows, the number the controller compares with its setpoint",
    ),
    ("true pressure", "absolute pressure in the chamber"),
    (
        "gas load",
        "all gas that enters the chamber, as pressure times volume flow counted at 20 degC",
    ),
    ("speed", "the controller's output as a percentage of rated pump speed"),
    (
        "authority",
        "percent of pressure change for one percent of speed change at constant gas load: 1 for "
        "an ideal pump, 0 where speed has no effect",
    ),
    ("decade", "a factor of ten in indicated pressure, the unit of a log10 reading"),
    ("time constant", "time of the slowest part of the plant's answer to reach 63 % of its change"),
    ("dead time", "time in which nothing happens after the output has moved"),
    (
        "loop gain",
        "what a small disturbance has become after one turn through controller and plant",
    ),
    ("gain margin", "factor by which the loop's gain may rise before it oscillates without end"),
    (
        "lower gain margin",
        "factor to which the gain may fall before the loop becomes unstable; 0: no fall does that",
    ),
    ("phase margin", "extra phase lag that the loop bears where its gain is 1"),
    ("delay margin", "extra dead time that the loop bears"),
    (
        "Ms",
        "largest factor by which the loop amplifies a disturbance at any frequency; 1.4 to 1.6 is "
        "calm, above 2 is lively; 1/Ms is the nearest approach of the Nyquist curve to -1",
    ),
    ("Mt", "largest amplification from setpoint to reading at any frequency"),
    ("disk margin", "size of simultaneous gain and phase error that the loop bears"),
    ("span", "the range of reading or output that the controller counts as 0 to 100 %"),
)

ACTION_SENTENCE = "Pressure above setpoint -> speed must go up."

RECOMPUTE = (
    "Every margin on these pages can be recomputed with other software from loop.json, which lies "
    "beside this page: it holds the law, the settings in SI units and as typed, and for each duty "
    "point the linear plant (matrices A, B, C, D from speed command to reading), its dead time and "
    "the margins found here. The loop is L = -K G. study.toml is the study; "
    "'chamberctl report study.toml --out FOLDER' makes these pages again, the same but for the "
    "date."
)

NOTHING_TO_CHECK = (
    "There are no settings and so no loop.json. study.toml beside this page is the study; "
    "'chamberctl report study.toml --out FOLDER' makes these pages again, the same but for the "
    "date."
)
