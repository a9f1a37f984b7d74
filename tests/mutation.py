"""Break every formula by 2 %, one at a time, and see that a test notices.

Run by hand (a few minutes on two cores)::

    python -m tests.mutation                      # everything in SUITES
    python -m tests.mutation physics.pumps        # one module

A mutant is the package with one returned value, or one number in a formula, multiplied by 1.02.
It is built in memory in a process of its own; no file changes. A mutant survives if the tests
that belong to its module still pass. The expected survivors, each with its reason, are in
EQUIVALENT.
"""

from __future__ import annotations

import ast
import contextlib
import dataclasses
import importlib.abc
import importlib.machinery
import importlib.util
import io
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

CHECKOUT = Path(__file__).resolve().parent.parent
FACTOR = 1.02

#: Module of formulas -> the fast tests that must notice, the likeliest first.
SUITES: dict[str, tuple[str, ...]] = {
    "physics.constants": ("physics/test_constants.py",),
    "physics.gases": ("physics/test_gases.py",),
    "physics.choked": ("physics/test_choked.py",),
    "physics.passages": (
        "physics/test_passages.py",
        "physics/test_choked.py",
        "physics/test_elbow.py",
        "physics/test_passage_law.py",
    ),
    "physics.pumps": (
        "physics/test_pumps.py",
        "physics/test_pump_curve.py",
        "physics/test_pump_curves.py",
        "physics/test_booster_table.py",
    ),
    "physics.boosters": ("physics/test_pumps.py", "physics/test_booster_table.py"),
    "physics.interpolation": ("physics/test_pump_curve.py", "physics/test_booster_table.py"),
    "physics.chamber": ("physics/test_chamber.py",),
    "physics.instruments": ("physics/test_instruments.py",),
    "physics.loads": ("physics/test_loads.py",),
    "physics.mixtures": ("physics/test_mixtures.py",),
    "physics.transpiration": ("physics/test_transpiration.py",),
    "physics.thermal_gauge": ("physics/test_thermal_gauge.py",),
    "plant.equations": ("physics/test_worked_transients.py", "plant/test_operating.py"),
    "plant.sensitivity": ("plant/test_operating.py", "plant/test_linearize.py"),
    "control.rules": (
        "control/test_rules.py",
        "control/test_rule_details.py",
        "control/test_published.py",
    ),
    "control.step_rules": ("control/test_published.py",),
    "control.frequency_rules": ("control/test_published.py",),
    "control.controller": (
        "control/test_controller.py",
        "control/test_margin_tables.py",
        "control/test_response.py",
    ),
    "control.conversions": ("control/test_rule_details.py", "control/test_forms.py"),
    "control.margins": (
        "control/test_crossings.py",
        "control/test_margin_tables.py",
        "control/test_margins.py",
    ),
    "control.frequency": (
        "control/test_margin_tables.py",
        "control/test_margins.py",
        "control/test_optimum.py",
    ),
    "control.gain_gaps": ("control/test_optimum.py",),
    "control.crossing_limits": ("control/test_optimum.py",),
    "control.loop_excess": ("control/test_optimum.py",),
    "control.calmness": ("control/test_robust.py",),
}
#: Not among them: control.search, control.sweep and control.stability hold searches and
#: refinements, whose steps may be broken and still end at the same answer.

#: (module, place, number) of mutants that change no result beyond its accuracy -> why.
EQUIVALENT: dict[tuple[str, str, str], str] = {
    ("physics.mixtures", "blend", "1e-06"): "how exactly shares must sum to 1 is a choice",
    ("physics.thermal_gauge", "_heat_per_pressure", "returned value"): "only its ratio is used",
    ("physics.passages", "FIT_DELTA", "0.003"): "moves G_P by less than the fit's error of 2e-4",
    ("physics.passages", "FIT_DELTA", "0.03"): "moves G_P by less than the fit's error of 2e-4",
    ("physics.passages", "FIT_DELTA", "25.0"): "moves G_P by less than the fit's error of 2e-4",
    ("physics.passages", "SMALLEST_SQUARE", "1e-280"): "only keeps 0/0 from being NaN",
    ("physics.passages", "transmission_probability", "0.0001"): "both forms agree there to 3e-9",
    ("physics.passages", "flow_regime", "returned value"): "a name, not a number",
    ("physics.passages", "SMALLEST_LENGTH_M", "1e-30"): "only keeps 1/0 from being infinite",
    ("physics.pumps", "curve_table", "1.0"): "the lower end of a clip that is never met",
    ("physics.pumps", "LEAST_SHARE", "0.0001"): "stands for zero, for its logarithm",
    ("physics.pumps", "RISES_BY", "1e-09"): "room for rounding in a comparison",
    ("physics.pumps", "falling_step", "returned value"): "a row, not a number",
    ("plant.sensitivity", "_STEP", "1e-30"): "a complex step has no truncation error",
    ("control.rules", "ReducedModel.integrating", "returned value"): "true or false",
    ("control.rules", "half_rule", "1e-12"): "end of a search",
    ("control.rules", "_merge", "1e-09"): "room for rounding in a comparison",
    ("control.rules", "time_constants", "1e-12"): "poles count as zero below it",
    ("control.rules", "time_constants", "1000000000.0"): "zeros count as infinite above it",
    ("control.rules", "time_constants", "1.0"): "scale of a probe where no pole moves",
    ("control.frequency_rules", "ultimate_point", "0.5"): "how a search for a stable gain goes on",
    ("control.frequency_rules", "_first_gain", "0.5"): "where that search begins",
    ("control.frequency_rules", "_first_gain", "0.001"): "where that search begins",
    ("control.frequency_rules", "_first_gain", "1000.0"): "where that search begins",
    ("control.frequency_rules", "_first_gain", "returned value"): "where that search begins",
    ("control.conversions", "series_from_ideal", "1e-13"): "room for rounding under a root",
    ("control.frequency", "INTEGRATOR", "1e-13"): "poles count as zero below it",
    ("control.frequency", "NORM", "0.6"): "more halvings, same exponential",
    ("control.frequency", "LoopStack.count", "returned value"): "a count",
    ("control.frequency", "LoopStack.integrators", "returned value"): "a count",
    ("control.frequency", "LoopStack.unstable_poles", "returned value"): "a count",
    ("control.frequency", "_plants", "1.0"): "any stable pole fills up a smaller plant",
    ("control.frequency", "_sampled", "1.0"): "any scale where there is no input",
    ("control.frequency", "split_delay", "1e-09"): "room for rounding in a whole number",
    ("control.frequency", "exponential", "1e-300"): "only keeps log(0) from being infinite",
    ("control.crossing_limits", "OVERLAP", "1e-09"): "room for rounding between intervals",
    ("control.crossing_limits", "is_asked", "returned value"): "true or false",
    ("control.crossing_limits", "forbidden_by_crossings", "1.0"): "room for rounding",
    ("control.crossing_limits", "_gains", "1.0"): "room for rounding",
    ("control.crossing_limits", "forbidden_by_crossings", "2.0"): "another crossing is nearer",
    ("control.crossing_limits", "crossing_excess", "2.0"): "another crossing is nearer",
    ("control.crossing_limits", "_positive", "2.0"): "any share beyond 1 says nowhere",
    ("control.crossing_limits", "_positive", "1.0"): "what follows a piece is forbidden, too",
    ("control.loop_excess", "module", "1e-06"): "when frequencies are added no more",
    ("control.gain_gaps", "RESTING", "10.0"): "any gain at which two integrators show",
    ("control.calmness", "HIGHEST_MS", "4.0"): "where a search ends",
    ("control.calmness", "LOWEST_DISK_MARGIN", "0.3"): "where a search ends",
    ("control.calmness", "STEP", "0.01"): "how finely an advice is told",
    ("control.calmness", "recovery", "returned value"): "0 and infinite of a plant without rest",
    ("control.calmness", "slowest", "returned value"): "both its times; only their ratio decides",
    ("control.calmness", "nearest.does", "returned value"): "true or false",
    ("control.margins", "_one", "0.3"): "a rule of thumb inside a caution",
    ("control.margins", "_one", "1.0"): "checked: the factor; left: the caution's time constant",
    ("control.margins", "scan_time_finding", "returned value"): "a text",
    ("control.margins", "crossings_finding", "returned value"): "a text",
}


@dataclass(frozen=True)
class Mutant:
    """One number or one returned value, counted through the module's source."""

    module: str
    place: str
    what: str
    line: int
    index: int

    def __str__(self) -> str:
        return f"{self.module}:{self.line} {self.place}: {self.what}"


class _Breaker(ast.NodeTransformer):
    """Lists the places that can be broken; breaks the one with the given index."""

    def __init__(self, module: str, break_index: int = -1) -> None:
        self.module, self.break_index = module, break_index
        self.mutants: list[Mutant] = []
        self.places: list[str] = []

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        self.places.append(node.name)
        node.body = [self.visit(part) for part in node.body]
        self.places.pop()
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        self.places.append(node.name)
        node.body = [self.visit(part) for part in node.body]
        self.places.pop()
        return node

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return node

    def visit_Return(self, node: ast.Return) -> ast.AST:
        self.generic_visit(node)
        if node.value is None or isinstance(node.value, (ast.Constant, ast.JoinedStr)):
            return node
        if self._chosen("returned value", node):
            node.value = ast.Call(ast.Name("__broken__", ast.Load()), [node.value], [])
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if (
            isinstance(node.value, float)
            and node.value != 0.0
            and self._chosen(repr(node.value), node)
        ):
            return ast.Constant(node.value * FACTOR)
        return node

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        named = isinstance(node.targets[0], ast.Name) and not self.places
        if named:
            self.places.append(node.targets[0].id)  # type: ignore[attr-defined]
        node.value = self.visit(node.value)
        if named:
            self.places.pop()
        return node

    def _chosen(self, what: str, node: Any) -> bool:
        place = ".".join(self.places) or "module"
        index = len(self.mutants)
        self.mutants.append(Mutant(self.module, place, what, node.lineno, index))
        return index == self.break_index


def broken(value: Any) -> Any:
    """Multiply every real number in a value; other things stay as they are."""
    if isinstance(value, (bool, str, int)) or value is None:
        return value
    if isinstance(value, tuple):
        parts = [broken(part) for part in value]
        return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        changed = {f.name: broken(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **changed)
    kind = getattr(getattr(value, "dtype", None), "kind", "f")
    if kind not in "fc" or callable(value):
        return value
    return FACTOR * value


def source_of(module: str) -> Path:
    """Return the file of a module below chamberctl."""
    return CHECKOUT / "chamberctl" / (module.replace(".", "/") + ".py")


def mutants_of(module: str) -> list[Mutant]:
    """List all mutants of a module."""
    breaker = _Breaker(module)
    breaker.visit(ast.parse(source_of(module).read_text(encoding="utf-8")))
    return breaker.mutants


class _Loader(importlib.abc.Loader):
    def __init__(self, mutant: Mutant) -> None:
        self.mutant = mutant

    def exec_module(self, module: ModuleType) -> None:
        path = source_of(self.mutant.module)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        tree = ast.fix_missing_locations(
            _Breaker(self.mutant.module, self.mutant.index).visit(tree)
        )
        module.__dict__["__broken__"] = broken
        exec(compile(tree, str(path), "exec"), module.__dict__)


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, mutant: Mutant) -> None:
        self.mutant = mutant

    def find_spec(self, name: str, *_others: Any) -> importlib.machinery.ModuleSpec | None:
        if name != f"chamberctl.{self.mutant.module}":
            return None
        return importlib.util.spec_from_file_location(
            name, source_of(self.mutant.module), loader=_Loader(self.mutant)
        )


def survives(mutant: Mutant, tests: Sequence[str]) -> bool:
    """Run the tests against a mutant in this process, which must not have chamberctl loaded."""
    import pytest
    from hypothesis import Phase, settings

    loaded = [name for name in sys.modules if name.startswith("chamberctl")]
    assert not loaded, f"already loaded: {loaded}"
    settings.register_profile("mutation", phases=[Phase.explicit, Phase.generate])
    settings.load_profile("mutation")  # a failure is enough; the simplest one is not needed
    sys.meta_path.insert(0, _Finder(mutant))
    os.chdir(CHECKOUT)
    files = [str(CHECKOUT / "tests" / test) for test in tests]
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        options = ["-x", "-q", "--tb=no", "--assert=plain", "-p", "no:cacheprovider"]
        code = pytest.main([*options, *files])
    if code not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED):
        raise RuntimeError(f"{mutant}: the tests could not run ({code})")
    return code == pytest.ExitCode.OK


def survivors(modules: Sequence[str], workers: int = 2) -> Iterator[tuple[Mutant, bool]]:
    """Run all mutants of the modules; yield each with whether it survived."""
    # A server forks one fresh process per mutant from one that has the libraries loaded.
    ways = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in ways else "spawn")
    if "forkserver" in ways:
        context.set_forkserver_preload(
            [
                "numpy",
                "scipy.interpolate",
                "scipy.optimize",
                "scipy.integrate",
                "pytest",
                "hypothesis",
                "control",
                "pydantic",
                "tomlkit",
            ]
        )
    with ProcessPoolExecutor(workers, mp_context=context, max_tasks_per_child=1) as pool:
        unbroken = [Mutant(module, "", "nothing", 0, -1) for module in modules]
        for mutant in unbroken:
            if not pool.submit(survives, mutant, SUITES[mutant.module]).result():
                raise RuntimeError(f"the tests of {mutant.module} fail on the package as it is")
        waiting = [
            (mutant, pool.submit(survives, mutant, SUITES[module]))
            for module in modules
            for mutant in mutants_of(module)
        ]
        for mutant, answer in waiting:
            yield mutant, answer.result()


def unexpected(modules: Sequence[str]) -> list[Mutant]:
    """Run the mutants of modules, and return those that survive without a reason."""
    found = []
    for mutant, alive in survivors(modules):
        if alive and (mutant.module, mutant.place, mutant.what) not in EQUIVALENT:
            found.append(mutant)
            print(f"survived: {mutant}", flush=True)
    return found


def main(arguments: Sequence[str]) -> int:
    """Run from the command line."""
    modules = list(arguments) or list(SUITES)
    began = time.monotonic()
    total = sum(len(mutants_of(module)) for module in modules)
    found = unexpected(modules)
    print(
        f"{total} mutants, {len(found)} survived beyond the {len(EQUIVALENT)} that change nothing; "
        f"{time.monotonic() - began:.0f} s"
    )
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
