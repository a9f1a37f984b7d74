"""The same formulas, compiled.

The physics is written once, as plain functions. This module compiles a function together with
every chamberctl function it calls, from the very objects that the interpreter runs, so that the
compiled code cannot drift from the plain one.

Compiled code is kept in the user's cache folder under a key that hashes every source file of the
package and the versions of compiler and libraries: the compiler's own cache watches only the file
of the function itself, and returned old results after a change in a module that it calls.
"""

from __future__ import annotations

import hashlib
import os
import sys
import types
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from chamberctl.findings import Finding
from chamberctl.plant import equations

CACHE_VARIABLE = "CHAMBERCTL_CACHE"
"""Environment variable that names another cache folder."""


def compile_function(
    function: Callable[..., Any], *, keep: bool = True, borrows: bool = False
) -> Callable[..., Any]:
    """Compile a plain function and the chamberctl functions it calls.

    Parameters
    ----------
    function : callable
        A function of numbers and arrays that only calls functions of the same kind.
    keep : bool
        Whether the compiled code may be kept on disk; not for functions changed at run time.
    borrows : bool
        Whether the functions that it calls only use the arrays they are given: they make none,
        which the compiler checks, and return none to `function`. Then they need not count
        references to arrays, which takes as long as their arithmetic. Such a function runs beside
        other threads, and a division by zero gives inf or NaN.

    Returns
    -------
    callable
        The compiled function, same arguments and results.
    """
    import numba
    from numba import njit

    folder = cache_folder() if keep else None
    if folder is not None:
        numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    # only the whole is kept on disk: it holds the code of all that it calls
    options: dict[str, Any] = {"error_model": "numpy"} if borrows else {}
    whole = _with_compiled_calls(function, {}, {**options, "_nrt": False} if borrows else options)
    return njit(whole, cache=folder is not None, nogil=borrows, **options)


def _with_compiled_calls(function: Any, done: dict[Any, Any], options: dict[str, Any]) -> Any:
    """Copy a function that calls compiled functions; `done` maps plain to compiled."""
    from numba import njit

    names = dict(function.__globals__)
    for name in function.__code__.co_names:
        called = names.get(name)
        if isinstance(called, types.FunctionType) and called.__module__.startswith("chamberctl."):
            if called not in done:
                copy = _with_compiled_calls(called, done, options)
                done[called] = njit(copy, **options, **_placed(called, options))
            names[name] = done[called]
    copy = types.FunctionType(
        function.__code__, names, function.__name__, function.__defaults__, function.__closure__
    )
    copy.__module__ = function.__module__
    copy.__qualname__ = function.__qualname__
    return copy


def _placed(function: Any, options: dict[str, Any]) -> dict[str, Any]:
    """Put formulas into the function that calls them: to hand over their arrays takes longer."""
    formula = function.__module__.startswith(("chamberctl.physics.", "chamberctl.plant."))
    return {"forceinline": True} if formula and options else {}


@cache
def compiled_net_flows() -> Callable[..., Any]:
    """`equations.net_flows`, compiled on first use in this process.

    Returns
    -------
    callable
        Same arguments as `equations.net_flows`, arrays of one operating point.
    """
    return compile_function(equations.net_flows)


@cache
def cache_folder() -> Path | None:
    """Folder for compiled code of exactly this package, compiler and Python.

    Returns
    -------
    Path or None
        The folder, made if missing; None where no folder can be written, so that the code is
        compiled anew in every process.
    """
    folder = _user_cache() / _fingerprint()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / f"probe-{os.getpid()}"
        probe.touch()
        probe.unlink()
    except OSError:
        return None
    return folder


def is_kept(function: Callable[..., Any]) -> bool:
    """Say whether compiled code of a function lies in the cache folder.

    Parameters
    ----------
    function : callable
        The plain function, as given to `compile_function`.

    Returns
    -------
    bool
        False where the next call has to compile it.
    """
    folder = cache_folder()
    name = f"{function.__module__.rpartition('.')[2]}.{function.__qualname__}-*.nbi"
    return folder is not None and any(folder.glob(f"**/{name}"))


def cache_findings() -> tuple[Finding, ...]:
    """What is to be known of compiled code: where it cannot be kept, every run waits for it.

    Returns
    -------
    tuple of Finding
        Empty where there is a cache folder.
    """
    if cache_folder() is not None:
        return ()
    text = (
        f"No folder for compiled code can be written ({_user_cache()}): the formulas are compiled "
        f"anew in each process, which takes many seconds. Name a folder in {CACHE_VARIABLE}."
    )
    return (Finding("note", "compiled code", text),)


def _user_cache() -> Path:
    """The user's folder for what can be made again."""
    given = os.environ.get(CACHE_VARIABLE)
    if given:
        return Path(given)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "chamberctl"


def _fingerprint() -> str:
    """Hash of all package source and of the versions that the compiled code depends on."""
    digest = hashlib.sha256()
    versions = (sys.version, *(version(name) for name in ("numba", "llvmlite", "numpy")))
    digest.update("|".join(versions).encode())
    root = Path(__file__).resolve().parents[1]
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:32]
