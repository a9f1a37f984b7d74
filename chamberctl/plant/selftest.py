"""The one right-hand side on this machine: the same values, however it is run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chamberctl.plant import equations
from chamberctl.plant.compiled import compiled_net_flows

AGREEMENT = 1e-12
"""Largest relative difference between two ways of running the same formula: rounding."""


@dataclass(frozen=True)
class SelfTestRow:
    """One comparison.

    Parameters
    ----------
    name : str
        What is compared.
    expected, computed : float
        The two values.
    tolerance : float
        Largest relative difference allowed.
    """

    name: str
    expected: float
    computed: float
    tolerance: float

    @property
    def passed(self) -> bool:
        """Whether the two agree."""
        return abs(self.computed - self.expected) <= self.tolerance * abs(self.expected)


def right_hand_side_rows() -> tuple[SelfTestRow, ...]:
    """Run the balances of a booster set plain, over arrays, complex and compiled.

    Returns
    -------
    tuple of SelfTestRow
        Flow into the pump inlet [Pa m3/s] each way, against plain numbers; the complex run also
        gives a derivative, compared with a central difference.
    """
    kinds = np.array([equations.PASSAGE, equations.BOOSTER, equations.BACKING])
    rows = np.zeros((3, equations.ROW_WIDTH))
    rows[0] = 0.05, 8.06, 8.14, 372.0, 2.5e-5, 1.667, 1.0, 0.0, 0.88, 1.0
    rows[1, :7] = 0.4, 0.01, 1e-5, 0.002, 5000.0, 8.0, 6000.0
    rows[2, :4] = 0.12, 2.0, 0.001, 1.5
    nodes = np.array([[0.0, 0.01, 0.02], [0.0, 3.0, 0.0], [0.0, 1.0, 0.0]])
    fixed = (np.ones((1, 6, 2)), np.ones((6, 2)), nodes, np.array([0.01, 1200.0]))
    maps = (np.array([[0.0, 1.0], [0.0, 1.0]]), np.array([[0.0, 1.0], [0.5, 1.0]]))
    pressures = np.array([900.0, 700.0, 2500.0])

    def run(p: np.ndarray, speed: object, flows: np.ndarray, call: object = None) -> np.ndarray:
        function = equations.net_flows if call is None else call
        return function(kinds, rows, *fixed, *maps, p, speed, 30.0, flows)  # type: ignore[operator]

    plain = float(run(pressures, 0.7, np.empty(3))[1])
    stacked = run(pressures[:, None] * np.ones(4), 0.7, np.empty((3, 4)))[1, -1]
    compiled = run(pressures, 0.7, np.empty(3), compiled_net_flows())[1]
    moved = pressures.astype(complex)
    moved[1] += 1e-20j
    step = run(moved, 0.7, np.empty(3, dtype=complex))[1]
    up, down = (
        run(pressures + np.array([0.0, h, 0.0]), 0.7, np.empty(3))[1] for h in (0.01, -0.01)
    )
    return (
        SelfTestRow("right-hand side over arrays", plain, float(stacked), AGREEMENT),
        SelfTestRow("right-hand side compiled", plain, float(compiled), AGREEMENT),
        SelfTestRow("right-hand side complex", plain, float(step.real), AGREEMENT),
        SelfTestRow(
            "its derivative by complex step", float((up - down) / 0.02), step.imag / 1e-20, 1e-6
        ),
    )
