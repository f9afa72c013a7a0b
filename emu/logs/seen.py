"""A chunk as compiled code sees it: arrays by their addresses.

Each is a record that holds one array, so a field access in compiled code reads the array in
place.  The lengths are only the most there may be; who calls says how far to read.
"""
from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np

from emu.bus.state import WORDS
from emu.native import jit, units

MOST = 1 << 24
ROW = np.dtype([("row", np.int64, (MOST, WORDS))])
WORD = np.dtype([("word", np.int64, (MOST, 2))])
EDGE = np.dtype([("edge", np.int64, (MOST, 3))])
TABLE = np.dtype([("table", np.int64, (MOST, 3))])
INDEX = np.dtype([("index", np.int64, (MOST,))])
WANTED = np.dtype([("wanted", np.uint8, (MOST,))])


def root_over(plain: Callable[..., int], own: Sequence[np.ndarray],
              *names: str) -> Callable[..., int]:
    """Give a root that takes some records of its own, then arrays under the names of the
    records above, then numbers; ``plain`` is its function.

    Raises CompileError.
    """
    if jit.plain_python():
        records: list[Any] = [one.view(np.recarray)[0] for one in own]

        def run(*arguments: Any) -> int:
            seen = [SimpleNamespace(**{name: array})
                    for name, array in zip(names, arguments, strict=False)]
            numbers = [np.int64(value) for value in arguments[len(names):]]
            return int(plain(*records, *seen, *numbers))

        return run
    root = f"{plain.__module__}.{plain.__name__}"
    units.load([plain.__module__])
    function = units.callable_root(root, len(own) + len(names))
    places = [one.ctypes.data for one in own]

    def call(*arguments: Any) -> int:
        arrays = [np.ascontiguousarray(array) for array in arguments[:len(names)]]
        return function(*places, *(array.ctypes.data for array in arrays), *arguments[len(names):])

    return call
