"""Hold plain data from a file against the shape that it must have."""
from __future__ import annotations

from typing import Any

ANY = object()  # the key of a shape for whatever keys there are
Shape = Any
"""A type (bool is no int), a tuple of shapes of which one must fit, ``[shape]`` for a list of any
length, ``{"key": shape}`` for a table with at least these keys, ``{ANY: shape}`` for a table
with any, or `Row`."""


class Row(tuple[Shape, ...]):
    """A list of just so many values, each with its shape."""


def misfit(value: Any, shape: Shape, place: str = "") -> str:
    """Name the first place where a value has not its shape, such as "bus.checkpoints.3"; "" when
    all of it fits."""
    if isinstance(shape, Row):
        if not isinstance(value, list) or len(value) != len(shape):
            return place or "it"
        pairs = [(str(k), one, inner)
                 for k, (one, inner) in enumerate(zip(value, shape, strict=True))]
    elif isinstance(shape, tuple):
        return min((misfit(value, one, place) for one in shape), key=len)
    elif isinstance(shape, list):
        if not isinstance(value, list):
            return place or "it"
        pairs = [(str(k), one, shape[0]) for k, one in enumerate(value)]
    elif isinstance(shape, dict):
        if not isinstance(value, dict):
            return place or "it"
        if ANY in shape:
            pairs = [(str(key), one, shape[ANY]) for key, one in value.items()]
        else:
            pairs = [(key, value.get(key), inner) for key, inner in shape.items()]
    else:
        fits = type(value) is shape if shape in (int, bool) else isinstance(value, shape)
        return "" if fits else place or "it"
    for key, one, inner in pairs:
        found = misfit(one, inner, f"{place}.{key}" if place else key)
        if found:
            return found
    return ""
