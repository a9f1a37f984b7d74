"""Everything chamberctl raises on purpose, in one small tree.

::

    ChamberctlError
    |-- InputError            what was given cannot be used          (exit status 2)
    |   |-- QuantityError     a text that is not one number and unit
    |   |-- StudyError        a study file with one or more problems
    |-- Infeasible            the question has no answer: "no"       (exit status 1)
"""

from __future__ import annotations

from dataclasses import dataclass


class ChamberctlError(Exception):
    """Root of all errors that chamberctl raises on purpose."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with an input: where, what was given, and what would be right."""

    file: str
    field: str
    given: str
    remedy: str

    def __str__(self) -> str:
        place = ": ".join(part for part in (self.file, self.field) if part)
        given = f"given {self.given}; " if self.given else ""
        return f"{place}: {given}{self.remedy}" if place else f"{given}{self.remedy}"


class InputError(ChamberctlError):
    """Input that cannot be used.

    Parameters
    ----------
    remedy : str
        What is wrong and what would be right, in one sentence.
    given, field, file : str
        The value as typed, the field's path and the file it stands in; empty where unknown.
    """

    def __init__(self, remedy: str, *, given: str = "", field: str = "", file: str = "") -> None:
        self.problems: tuple[Problem, ...] = (Problem(file, field, given, remedy),)
        super().__init__(str(self.problems[0]))

    @property
    def first(self) -> Problem:
        """The first problem found."""
        return self.problems[0]


class QuantityError(InputError):
    """A text that is not exactly one finite number with a unit of the wanted dimension."""


class StudyError(InputError):
    """A study file with one or more problems; all of them are listed."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        ChamberctlError.__init__(self, "\n".join(str(problem) for problem in problems))
        self.problems = problems


class Infeasible(ChamberctlError):
    """The question has no answer on this plant.

    Parameters
    ----------
    reason : str
        One sentence: why there is no answer.
    nearest : str
        The nearest request that can be met, or what would help.
    """

    def __init__(self, reason: str, nearest: str = "") -> None:
        self.reason = reason
        self.nearest = nearest
        super().__init__(f"{reason} {nearest}".strip())
