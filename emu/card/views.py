"""See a record as a card in plain Python sees it: quick to read, and every number an int.

An attribute of a numpy record takes a microsecond; a machine polls a card every tenth of
one.  A view has the same fields over the same bytes: numbers as attributes, arrays as
memoryviews (``s.ram[3]``, ``m.line_level[slot, output]``), records in records as views.
What is no number is refused, and so is a field that does not exist; a number wider than its
field is cut to the field's bits, as in machine code.
"""
from __future__ import annotations

import ctypes
from typing import Any

import numpy as np

NUMBERS = {np.dtype(kind): form for kind, form in (
    (np.int64, ctypes.c_int64), (np.uint64, ctypes.c_uint64), (np.int32, ctypes.c_int32),
    (np.uint32, ctypes.c_uint32), (np.int16, ctypes.c_int16), (np.uint16, ctypes.c_uint16),
    (np.int8, ctypes.c_int8), (np.uint8, ctypes.c_uint8), (np.bool_, ctypes.c_bool),
    (np.float64, ctypes.c_double))}


def is_plain(dtype: np.dtype) -> bool:
    """Tell whether a view can be made: numbers, arrays of numbers, records of these."""
    if dtype.subdtype is not None:
        return is_plain(dtype.subdtype[0])
    if dtype.fields is not None:
        return all(is_plain(field[0]) for field in dtype.fields.values())
    return dtype in NUMBERS


def _array(octets: np.ndarray, dtype: np.dtype, offset: int) -> Any:
    """Give an array field: a memoryview, or a list of views of its records."""
    assert dtype.subdtype is not None
    base, shape = dtype.subdtype
    if base.fields is None:
        piece: Any = octets[offset:offset + dtype.itemsize].view(base).reshape(shape)
        return memoryview(piece)
    rows = [_array(octets, np.dtype((base, shape[1:])), offset + k * (dtype.itemsize // shape[0]))
            if len(shape) > 1 else view(octets, base, offset + k * base.itemsize)
            for k in range(shape[0])]
    return tuple(rows)


def view(octets: np.ndarray, dtype: np.dtype, offset: int = 0, **fixed: int) -> Any:
    """Make the view of the record of ``dtype`` at an offset of a writable uint8 array.

    ``fixed`` gives numbers of the record that cannot be changed through the view.
    """
    assert dtype.fields is not None
    numbers: list[tuple[str, Any]] = []
    others: dict[str, Any] = {}
    at = 0
    for name, (kind, start, *_) in sorted(dtype.fields.items(), key=lambda item: item[1][1]):
        if name in fixed:
            others[name] = fixed[name]
        elif kind in NUMBERS:
            if start > at:
                numbers.append((f"_{at}", ctypes.c_char * (start - at)))
            numbers.append((name, NUMBERS[kind]))
            at = start + kind.itemsize
        elif kind.fields is not None:
            others[name] = view(octets, kind, offset + start)
        else:
            others[name] = _array(octets, kind, offset + start)
    # What is no number lies in the class, so that it cannot be replaced by mistake.
    form = type("View", (ctypes.Structure,),
                {"_pack_": 1, "_fields_": numbers, "__slots__": (), **others})
    return form.from_buffer(octets, offset)  # type: ignore[attr-defined]
