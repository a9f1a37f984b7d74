"""Names of a table's rows, which stay theirs while rows before them come and go."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class RowNames:
    """The names of the rows as they stand, and the next one that was never used.

    Parameters
    ----------
    names : list of int
    following : int
    """

    names: list[int]
    following: int

    @classmethod
    def of(cls, count: int) -> RowNames:
        """Return names for so many rows: their numbers, as long as none comes or goes."""
        return cls(list(range(1, count + 1)), count + 1)

    def add(self) -> None:
        """Name one more row at the end."""
        self.names.append(self.following)
        self.following += 1
