"""The house's own rules: floors, the public face, and documentation that matches the code."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType, ModuleType

import pytest

import chamberctl
from tests.house import CHECKOUT, MODULES

#: Which floor a module or package of chamberctl stands on. Imports go down or stay level.
FLOORS = {
    "errors": 0,
    "findings": 0,
    "quantities": 0,
    "cautions": 0,
    "resources": 0,
    "display": 0,
    "memory": 0,
    "workers": 0,
    "physics": 0,
    "study": 1,
    "plant": 2,
    "control": 3,
    "simulation": 4,
    "identify": 5,
    "proposal": 5,
    "figures": 6,
    "report": 6,
    "workbench": 6,
    "lessons": 6,
    "cli": 7,
    "__main__": 8,
}

#: Whole libraries that open connections; chamberctl opens none.
NETWORK = {"socket", "ssl", "http", "urllib", "urllib3", "requests", "httpx", "aiohttp", "ftplib"}


def room(module: str) -> str:
    return module.removeprefix("chamberctl").removeprefix(".").partition(".")[0]


def path_of(module: str) -> Path:
    base = CHECKOUT / module.replace(".", "/")
    return base / "__init__.py" if base.is_dir() else base.with_suffix(".py")


def imports(path: Path, module: str) -> Iterator[tuple[str, bool]]:
    """Names imported anywhere in a file, and whether for the type checker alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    is_package = path.name == "__init__.py"
    for node in ast.walk(tree):
        typed = id(node) in typing_only
        if isinstance(node, ast.Import):
            yield from ((alias.name, typed) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")
                parts = parts[: len(parts) - node.level + (1 if is_package else 0)]
                base = ".".join([*parts, base] if base else parts)
            yield base, typed
            if base == "chamberctl":
                yield from ((f"chamberctl.{alias.name}", typed) for alias in node.names)


@pytest.mark.parametrize("module", [name for name in MODULES if room(name)])
def test_imports_go_down(module: str) -> None:
    assert room(module) in FLOORS, f"say in FLOORS on which floor '{room(module)}' stands"
    floor = FLOORS[room(module)]
    for name, _ in imports(path_of(module), module):
        if name.startswith("chamberctl.") and room(name) in FLOORS:
            assert FLOORS[room(name)] <= floor, f"{module} imports {name} from a higher floor"


@pytest.mark.parametrize("module", MODULES)
def test_libraries_stay_in_their_rooms(module: str) -> None:
    for name, for_types in imports(path_of(module), module):
        library = name.partition(".")[0]
        assert library != "streamlit", f"{module}: streamlit belongs to app/"
        assert library not in NETWORK, f"{module}: {name} opens connections"
        assert not name.startswith("matplotlib.pyplot"), f"{module}: pyplot"
        if library == "matplotlib" and not for_types:
            assert room(module) == "figures", f"{module}: matplotlib belongs to figures"


@pytest.mark.parametrize("path", sorted((CHECKOUT / "app").rglob("*.py")), ids=lambda p: p.stem)
def test_what_is_called_on_a_change_looks_nothing_up_in_the_page_s_state(path: Path) -> None:
    """There it may be broken off, and the change would be lost: see desk/entered.py."""
    whole = ast.parse(path.read_text(encoding="utf-8"))
    for outer in (node for node in ast.walk(whole) if isinstance(node, ast.FunctionDef)):
        for inner in ast.walk(outer):
            if inner is outer or not isinstance(inner, ast.FunctionDef | ast.Lambda):
                continue
            told = {
                id(node.value)
                for node in ast.walk(inner)
                if isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Store)
            }
            for node in ast.walk(inner):
                if isinstance(node, ast.Attribute) and node.attr == "session_state":
                    assert id(node) in told, f"{path.name}, line {node.lineno}: use entered()"


#: What the page may import beside the standard library, and what it may not even of that.
PAGE_LIBRARIES = {"chamberctl", "streamlit", "desk"}
MATHEMATICS = {"math", "cmath", "statistics", "decimal", "fractions", "random"}
ARITHMETIC = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.FloorDiv, ast.Mod, ast.Pow, ast.MatMult)


def test_the_page_uses_the_library_and_computes_nothing() -> None:
    for path in sorted((CHECKOUT / "app").rglob("*.py")):
        libraries = {name.partition(".")[0] for name, _ in imports(path, "app")}
        allowed = PAGE_LIBRARIES | sys.stdlib_module_names - MATHEMATICS - NETWORK
        assert libraries <= allowed, f"{path.name}: {libraries - allowed}"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.BinOp) and isinstance(node.op, ARITHMETIC):
                pytest.fail(f"{path.name}, line {node.lineno}: {ast.unparse(node)} is arithmetic")


@pytest.mark.parametrize(
    "statement",
    ["import chamberctl", "import chamberctl as cc; cc.presets", "from chamberctl import load"],
)
def test_heavy_libraries_wait_until_they_are_used(statement: str) -> None:
    code = f"{statement}; import sys; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=CHECKOUT, capture_output=True, text=True, check=True
    )
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert not loaded & {"control", "matplotlib", "streamlit", "numba"}


def test_the_public_face_is_exactly_what_is_declared() -> None:
    public = {
        name
        for name in dir(chamberctl)
        if not name.startswith("_") and not isinstance(getattr(chamberctl, name), ModuleType)
    }
    extras = {"annotations", "import_module", "Any", "TYPE_CHECKING"}
    assert public - extras == set(chamberctl.__all__)
    assert len(chamberctl.__all__) == len(set(chamberctl.__all__))


@pytest.mark.parametrize("module", MODULES)
def test_all_names_what_exists(module: str) -> None:
    loaded = importlib.import_module(module)
    for name in getattr(loaded, "__all__", ()):
        assert hasattr(loaded, name)
    assert loaded.__doc__, f"{module} says nothing about itself"


def documented_functions() -> list[FunctionType]:
    found: dict[str, FunctionType] = {}
    for name in chamberctl.__all__:
        thing = getattr(chamberctl, name)
        if inspect.isfunction(thing):
            found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    for module in MODULES:
        if room(module) == "physics":
            for name, thing in vars(importlib.import_module(module)).items():
                plain = inspect.unwrap(getattr(thing, "py_func", thing))
                if inspect.isfunction(plain) and plain.__module__ == module and name[0] != "_":
                    found[f"{module}.{name}"] = plain
    return [found[name] for name in sorted(found)]


def sections(docstring: str) -> dict[str, str]:
    """Split a numpydoc docstring into its underlined sections."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", inspect.cleandoc(docstring), flags=re.MULTILINE)
    return dict(zip(["", *parts[1::2]], parts[::2], strict=True))


def entries(section: str) -> list[tuple[str, str]]:
    """Entries of a Parameters or Returns section: the line flush left, and the text below it."""
    found: list[list[str]] = []
    for line in section.splitlines():
        if line and not line[0].isspace():
            found.append([line, ""])
        elif found:
            found[-1][1] += f" {line.strip()}"
    return [(head, text) for head, text in found]


@pytest.mark.parametrize(
    "function", documented_functions(), ids=lambda f: f"{f.__module__}.{f.__name__}"
)
def test_the_documented_parameters_are_the_real_ones(function: FunctionType) -> None:
    assert function.__doc__, "no docstring"
    found = sections(function.__doc__)
    documented = [
        name.strip().lstrip("*")
        for head, _ in entries(found.get("Parameters", ""))
        for name in head.partition(" : ")[0].split(",")
    ]
    assert documented == list(inspect.signature(function).parameters)
    if inspect.signature(function).return_annotation not in (None, "None"):
        assert found.get("Returns"), "what is returned is not documented"


@pytest.mark.parametrize(
    "function",
    [f for f in documented_functions() if ".physics." in f.__module__],
    ids=lambda f: f"{f.__module__}.{f.__name__}",
)
def test_numbers_in_physics_state_their_unit(function: FunctionType) -> None:
    """A number says its unit in brackets; [-] is a plain number."""
    found = sections(function.__doc__ or "")
    for head, text in [
        *entries(found.get("Parameters", "")),
        *entries(found.get("Returns", "")),
    ]:
        kind = head.partition(" : ")[2] or head
        if re.search(r"\b(float|complex|array)", kind):
            assert re.search(r"\[[^\]]+\]", head + text), f"no [unit]: {head}"
