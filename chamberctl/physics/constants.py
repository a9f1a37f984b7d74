"""Constants of nature and the one temperature at which pV flows are counted."""

from __future__ import annotations

MOLAR_GAS_CONSTANT_J_MOL_K = 8.314462618
"""Molar gas constant [J/(mol K)], exact (CODATA 2018)."""

STANDARD_ATMOSPHERE_PA = 101325.0
"""Standard atmosphere [Pa], exact (NIST SP 811, 2008, App. B)."""

T_REF_K = 293.15
"""Temperature [K] at which every pV flow is counted: 20 degC, common practice in vacuum work."""

HIGHEST_PRESSURE_PA = 1.1e5
"""Upper end [Pa] of the model: atmospheric pressure reaches 110 kPa (ISO 3529-1:2019)."""

LOWEST_PRESSURE_PA = 1e-3
"""Lower end [Pa] of the model, for what a user may ask: dry pump sets do not control below it
(assumed, because adsorption and desorption, which rule there, are not modeled)."""
