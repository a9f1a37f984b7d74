"""The same right-hand side, compiled.

The physics is written once, as plain functions. This module compiles a function together with
every chamberctl function it calls, from the very objects that the interpreter runs, so that the
compiled code cannot drift from the plain one: nothing is cached on disk.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from functools import cache
from typing import Any

from chamberctl.plant import equations


def compile_function(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a plain function and the chamberctl functions it calls.

    Parameters
    ----------
    function : callable
        A branch-free function of numbers and arrays from `chamberctl.physics` or
        `chamberctl.plant.equations`.

    Returns
    -------
    callable
        The compiled function, same arguments and results.
    """
    return _compile(function, {})


def _compile(function: Any, done: dict[Any, Any]) -> Any:
    """Compile one function after the functions it calls; `done` maps plain to compiled."""
    from numba import njit

    if function in done:
        return done[function]
    names = dict(function.__globals__)
    for name in function.__code__.co_names:
        called = names.get(name)
        if isinstance(called, types.FunctionType) and called.__module__.startswith("chamberctl."):
            names[name] = _compile(called, done)
    copy = types.FunctionType(
        function.__code__, names, function.__name__, function.__defaults__, function.__closure__
    )
    done[function] = njit(copy)
    return done[function]


@cache
def compiled_net_flows() -> Callable[..., Any]:
    """`equations.net_flows`, compiled on first use in this process.

    Returns
    -------
    callable
        Same arguments as `equations.net_flows`, arrays of one operating point.
    """
    return compile_function(equations.net_flows)
