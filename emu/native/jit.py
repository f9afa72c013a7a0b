"""Mark the hot functions, and let one source run compiled or plain.

The run loop, the bus and the cards are plain functions over structured records.
They are marked with the decorators below.  Three ways of running them:

* plain (always at import): the decorators hand the function back, so importing the
  hot modules costs nothing and needs no compiler;
* compiling: ``emu.native.compiler`` runs in a process of its own, calls ``use_numba`` before
  it imports the hot modules, and writes machine code to the cache;
* native: ``emu.native.units`` loads that machine code; the process that boots a machine
  never imports the compiler, which would cost 0.6 s at each start.

With ``NUMBA_DISABLE_JIT=1`` the plain functions themselves run, some thousand times
slower, with the same results.
"""
from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

INT = "int64"


@dataclass(frozen=True)
class Root:
    """A function that is called by address: its argument types and its plain form."""

    function: Callable[..., int]
    arguments: tuple[Any, ...]  # INT or a structured dtype, one an argument


ROOTS: dict[str, Root] = {}
_numba: Any = None


def plain_python() -> bool:
    """Tell whether the plain functions run instead of machine code."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0")


def whole() -> bool:
    """Tell whether the compiler is left as it comes, not trimmed (emu/native/trimmed.py)."""
    return os.environ.get("PREBURN_COMPILER", "") == "whole"


def use_numba() -> None:
    """Make the decorators compile; call it before any hot module is imported."""
    global _numba
    import numba

    _numba = numba


def compiling() -> bool:
    """Tell whether the decorators compile."""
    return _numba is not None


_LEAN = {"error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def inlined(function: Callable[..., Any]) -> Any:
    """Mark a small helper that is merged into its callers (by LLVM, not at the source)."""
    if _numba is None:
        return function
    return _numba.njit(function, forceinline=True, **_LEAN)


def compiled(function: Callable[..., Any]) -> Any:
    """Mark a helper that stays a function of its own, to keep its callers small."""
    if _numba is None:
        return function
    return _numba.njit(function, forceinline=False, **_LEAN)  # else the caller's is inherited


def root(*arguments: Any) -> Callable[[Callable[..., int]], Any]:
    """Mark a function called by address; it takes records and int64 and returns int64."""

    def mark(function: Callable[..., int]) -> Any:
        ROOTS[f"{function.__module__}.{function.__name__}"] = Root(function, arguments)
        return compiled(function)

    return mark


def numba_types(arguments: tuple[Any, ...]) -> tuple[Any, ...]:
    """Give the compiler's types of a root's arguments (only while compiling)."""
    return tuple(
        _numba.types.int64 if a is INT or a == INT else _numba.from_dtype(np.dtype(a))
        for a in arguments
    )
