"""Settings as whole numbers in a controller's registers: scale, range, sign and order of words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.study import Integers

PARTS = ("gain", "integral", "derivative", "filter")
"""Settings that are rounded, by the part they belong to."""

RegisterKind = Literal["int16", "uint16", "int32", "uint32"]


@dataclass(frozen=True)
class Registers:
    """How a controller keeps its settings as whole numbers.

    Parameters
    ----------
    kind : {"int16", "uint16", "int32", "uint32"}
        Signed or not, and bits.
    scales : mapping of str to float
        Integer that stands for 1, by part.
    """

    kind: RegisterKind
    scales: Mapping[str, float]

    @property
    def bits(self) -> int:
        """Bits of one setting."""
        return int(self.kind.rpartition("t")[2])

    @property
    def signed(self) -> bool:
        """Whether negative numbers exist."""
        return not self.kind.startswith("u")

    @property
    def low(self) -> int:
        """Least number."""
        return -(2 ** (self.bits - 1)) if self.signed else 0

    @property
    def high(self) -> int:
        """Largest number."""
        return int(2 ** (self.bits - self.signed)) - 1


def registers_of(integers: Integers | None) -> Registers | None:
    """Return the registers of a study's controller, None where it takes numbers with decimals."""
    if integers is None:
        return None
    return Registers(integers.kind, {part: getattr(integers, part) for part in PARTS})


def register_findings(
    registers: Registers, entries: Iterable[tuple[str, float]]
) -> Iterable[Finding]:
    """Yield settings that do not fit, and what to mind when they are written.

    Parameters
    ----------
    registers : Registers
    entries : iterable of (str, float)
        Name and register value of each setting; inf for one that is off.
    """
    kind, low, high = registers.kind, registers.low, registers.high
    example = 0
    for label, value in entries:
        if not math.isfinite(value):
            continue
        example = example or int(value)
        if not low <= value <= high:
            yield Finding(
                "no",
                "registers",
                f"{label} would be {value:.0f} in its register: an {kind} holds {low} to {high}. "
                "Take a smaller scale, another notation or a register of 32 bits.",
            )
    yield Finding("note", "registers", register_note(registers, example))


def register_note(registers: Registers, example: int) -> str:
    """Say what to mind when whole numbers are written into registers.

    Parameters
    ----------
    registers : Registers
    example : int
        A number to show it with.
    """
    back = "Write one setting, read it back on the controller's own panel, and only then the rest."
    if registers.bits == 16:
        other = "uint16" if registers.signed else "int16"
        return (
            f"Each setting is one register of 16 bits ({registers.kind}): there is no order of "
            f"words to mind. If the controller takes it for {other}, numbers from 32768 on change "
            f"their sign. {back}"
        )
    shown = example if 0 < example <= registers.high else 1
    first, second = divmod(shown, 2**16)
    swapped = second * 2**16 + first
    return (
        f"Each setting is two registers of 16 bits ({registers.kind}), and no standard says which "
        f"word comes first: {shown} is {first} and {second} with the high word first; with the "
        f"words exchanged it is read as {swapped}. {back}"
    )
