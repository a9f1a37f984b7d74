"""The safety text, once; every report, export and page shows all of it, without an option."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    title : str
        The subject in a few words.
    text : str
        The caution in full sentences.
    """

    title: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Not a safety function",
        "A pressure control loop is not a safety function, and nothing here takes credit for one."
        " Overpressure, underpressure, overtemperature, the booster's pressure difference, a "
        "failed gauge and the emergency stop need trips and interlocks of their own, independent "
        "of this loop and designed, proven and maintained by qualified people. Keep them out of "
        "this file.",
    ),
    Caution(
        "Tests move a live process",
        "Before any test: permission, a safe range, someone at the machine, a stop criterion, and"
        " the values to go back to written down. Check the sign of the loop in manual first.",
    ),
    Caution(
        "Hazardous and oxidizing gases",
        "Flammable, toxic, oxidizing and pyrophoric gases: purge, dilution and exhaust treatment "
        "are outside this model, and slowing a pump can reduce the flow that keeps the exhaust "
        "diluted. Oxidizing gas calls for lubricants and pumps made for it. Add only inert gas "
        "approved for this process, never air where vapor, hydrogen, dust or hot parts may "
        "ignite.",
    ),
    Caution(
        "Overpressure and underpressure",
        "Chambers, windows and lids can implode under vacuum and burst or fly open when vented. A"
        " thermal gauge can understate the pressure of argon and other gases several times over: "
        "do not vent on its word. A relief device must not depend on this loop.",
    ),
    Caution(
        "Hot pumps, condensate and dust",
        "Dry pumps and boosters run hot and can seize; temperature is not modeled. Minimum speed,"
        " cool-down, purge and gas ballast are the maker's data. Never block an exhaust. Solvents"
        " and dust in a warm pump can ignite.",
    ),
    Caution(
        "Emergency stop",
        "An emergency stop, a power failure or a tripped drive ends the control of pressure at "
        "once. What the chamber, the gas supply and the valves then do must be safe without this "
        "loop.",
    ),
    Caution(
        "An estimate near the points shown",
        "The numbers come from a model fed with the values listed in the study, some of them "
        "assumed. Margins hold near the operating points shown and nowhere else. Confirm them by "
        "a careful test on the machine before relying on them.",
    ),
    Caution(
        "Local codes and licensed practice come first",
        "House rules, local codes and the judgment of licensed or otherwise qualified "
        "practitioners outrank anything printed here. No conformity with any standard is claimed,"
        " no certificate is issued, and nothing is ever sent to a controller: a person reads, "
        "checks and types.",
    ),
)


GAS_ADVICE = (
    "Any gas that is added must be inert and approved for this process, never air where vapor, "
    "hydrogen, dust or hot parts may ignite; the minimum speed may also secure dilution flow."
)
"""Goes with every advice to add gas."""


def caution_text() -> str:
    """All cautions as plain text, one line each.

    Returns
    -------
    str
        "TITLE: TEXT" lines.
    """
    return "\n".join(f"{caution.title}: {caution.text}" for caution in CAUTIONS)
