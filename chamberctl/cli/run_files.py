"""Files of simulated runs: tables and pictures, in folders that may hold other things."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chamberctl.cli.tried import Tried, title_of
from chamberctl.report import behavior_text, draws_text, run_text
from chamberctl.report.draws_csv import draws_csv
from chamberctl.report.folder import Kind, refuse_taken, refuse_unusable, write_files
from chamberctl.report.trace_csv import trace_csv
from chamberctl.simulation.draws import noise_seed

if TYPE_CHECKING:
    from chamberctl.study import Study


@dataclass(frozen=True)
class Writing:
    """Folders to write into.

    Parameters
    ----------
    folders : tuple of (str, Path)
        The option that asked for it, and the folder.
    plot_as : {"svg", "png"}
        Kind of pictures.
    many : bool
        Whether there are draws.
    """

    folders: tuple[tuple[str, Path], ...]
    plot_as: str
    many: bool

    @classmethod
    def of(cls, arguments: argparse.Namespace) -> Writing:
        """Return what the arguments ask for; a folder that cannot be written is refused."""
        given = (("--csv", arguments.csv), ("--plot", arguments.plot))
        found = cls(
            tuple((option, Path(folder)) for option, folder in given if folder is not None),
            arguments.plot_as,
            arguments.draws is not None,
        )
        for option, folder in found.folders:
            refuse_unusable(folder, _kind(option))
        return found

    def _names(self, option: str, one: Tried) -> Iterator[tuple[str, str]]:
        """Names of the files of one scenario in a folder, and what is in them."""
        ending = "csv" if option == "--csv" else self.plot_as
        if one.day.run is not None:
            yield f"{one.stem}.{ending}", "run"
            if self.many:
                yield f"{one.stem}-draws.{ending}", "draws"
                yield f"{one.stem}-worst-draw.{ending}", "worst"

    def refuse_taken(self, tried: Sequence[Tried]) -> None:
        """Refuse names that files of the user's have."""
        for option, folder in self.folders:
            names = [name for one in tried for name, _ in self._names(option, one)]
            refuse_taken(folder, names, _kind(option))

    def write(self, study: Study, tried: Sequence[Tried], seed: int | None) -> None:
        """Write every file, or none of a folder; say in `Tried.files` what was written."""
        for option, folder in self.folders:
            make = _table if option == "--csv" else _picture
            files, names = {}, []
            for one in tried:
                for name, what in self._names(option, one):
                    if what != "run" and one.worst is None:
                        continue
                    files[name] = make(study, one, what, seed, name)
                    names.append((one, folder / name))
            write_files(folder, files, _kind(option))
            for one, path in names:
                one.files.append(path)


def _kind(option: str) -> Kind:
    """Both options keep one list, so that they may name the same folder."""
    what = "the simulated runs" if option == "--csv" else "the pictures of the simulated runs"
    return Kind(what, option, "simulate-files.json", "chamberctl-simulate-files/1", clears=False)


def _table(study: Study, one: Tried, what: str, seed: int | None, name: str) -> bytes:
    if what == "draws":
        assert one.draws is not None
        return draws_csv(study, title_of(study, one.day), one.draws).encode()
    if what == "worst":
        assert one.worst is not None
        assert one.draws is not None
        drawn = one.draws.worst()
        assert drawn is not None
        noise = noise_seed(one.draws.seed, drawn.number)
        return trace_csv(study, one.worst, seed=noise).encode()
    assert one.day.run is not None
    return trace_csv(study, one.day.run, seed=seed).encode()


def _picture(study: Study, one: Tried, what: str, seed: int | None, name: str) -> bytes:
    from chamberctl import figures

    if what == "draws":
        assert one.draws is not None
        figure = figures.spread(draws_text.spread_curve(study, one.day, one.draws))
    else:
        run = one.worst if what == "worst" else one.day.run
        assert run is not None
        figure = figures.traces([behavior_text.curve(study, run)])
    legend = draws_text.LEGEND if what == "draws" else behavior_text.LEGEND
    words = run_text.small_print(title_of(study, one.day), legend)
    return figures.to_file(figure, words, Path(name).suffix.removeprefix("."))
