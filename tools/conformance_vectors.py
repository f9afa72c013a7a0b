"""Read single-step vectors of the published form into arrays of cases.

One opcode file is a list of tests; a packed file is an object, opcode -> list of tests.
A test holds ``initial`` and ``final`` (registers by name, ``ram`` as [address, byte]
pairs), ``cycles`` (one [address, byte or null, pins] a T-state) and, where it uses
ports, ``ports`` ([port, byte, "r" or "w"]).

A whole opcode file is turned over at once: a few operations a test, the rest in numpy.
Only when that fails is it walked test by test, to name the place.
"""
from __future__ import annotations

import gc
import gzip
import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any

import conformance_cases as hot
import numpy as np

from emu.errors import InputError

WIDE = ("pc", "sp", "wz", "ix", "iy", "af_", "bc_", "de_", "hl_")
LIMITS = np.array([0xFFFF if name in WIDE else 0xFF for name in hot.REGISTERS])
PIN_BITS = {"r": 1, "w": 2, "m": 4, "i": 8}
PINS = {"".join(c if bits & bit else "-" for c, bit in PIN_BITS.items()): bits
        for bits in range(16)}
WAYS = {"r": 0, "w": 1}
_pick = itemgetter(*hot.REGISTERS)


@dataclass(frozen=True)
class Vectors:
    """The tests of one opcode file: what to run, and in the same layout what must come out."""

    name: str
    tests: list[str]
    cases: np.ndarray
    expected: np.ndarray


def find_files(paths: Sequence[Path]) -> list[Path]:
    """List the vector files that the paths name; a folder means its ``*.json`` and packed files.

    Raises InputError for a path that is not there and for a folder without vectors.
    """
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted([*path.glob("*.json"), *path.glob("*.json.gz")])
            if not inside:
                raise InputError(f"{path}: no *.json or *.json.gz in this folder; name the folder "
                                 "that holds the opcode files.")
            files += inside
        elif path.exists():
            files.append(path)
        else:
            raise InputError(f"{path}: there is no such file or folder; check the path.")
    return files


def read_file(path: Path) -> Iterator[Vectors]:
    """Read a file's opcodes one after the other.  Raises InputError, naming the place."""
    content = _parse(path)
    if isinstance(content, list):
        content = {path.name.removesuffix(".gz").removesuffix(".json"): content}
        places = [str(path)]
    elif isinstance(content, dict):
        places = [f"{path}: opcode {key!r}" for key in content]
    else:
        raise InputError(f"{path}: this is neither a list of tests nor an object of such lists; "
                         "give a file in the published single-step form.")
    if not content:
        raise InputError(f"{path}: there is no test in it; give a file that holds tests.")
    for place, (name, tests) in zip(places, content.items(), strict=True):
        yield _vectors(place, name, tests)


def _parse(path: Path) -> Any:
    """Read JSON, packed or not; collecting garbage meanwhile would take a third of the time."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        raw = path.read_bytes()
        return json.loads(gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw)
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise InputError(f"{path}: the gzip packing is broken ({error}); fetch the file anew."
                         ) from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}); check the file and "
                         "its permissions.") from None
    except json.JSONDecodeError as error:
        raise InputError(f"{path}:{error.lineno}:{error.colno}: not JSON ({error.msg}); fetch the "
                         "file anew.") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start} is not UTF-8; fetch the file anew."
                         ) from None
    except RecursionError:
        raise InputError(f"{path}: nested too deep for a list of tests; give a file in the "
                         "published single-step form.") from None
    finally:
        if collecting:
            gc.enable()


def _vectors(place: str, name: str, tests: Any) -> Vectors:
    if not isinstance(tests, list) or not tests:
        raise InputError(f"{place}: there is no list of tests; give the published single-step "
                         "form.")
    try:
        cases, expected = _fill(tests)
        names = [str(test.get("name", number)) for number, test in enumerate(tests)]
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError):
        raise InputError(f"{place}: {_fault(tests)}") from None
    return Vectors(name, names, cases, expected)


def _fill(tests: list[Any]) -> tuple[np.ndarray, np.ndarray]:
    """Turn tests over into two arrays of cases; any exception means a wrong shape."""
    cases = np.zeros(len(tests), hot.CASE)
    expected = np.zeros(len(tests), hot.CASE)
    first = [test["initial"] for test in tests]
    last = [test["final"] for test in tests]
    cases["before"] = _numbers([_pick(state) for state in first], LIMITS)
    expected["after"] = _numbers([_pick(state) for state in last], LIMITS)
    _fill_memory(cases, expected, first, last)
    _fill_ports(cases, expected, [test.get("ports", ()) for test in tests])
    _fill_bus(expected, [test["cycles"] for test in tests])
    return cases, expected


def _numbers(rows: Sequence[Any], limits: Any) -> np.ndarray:
    """Make an array of rows of whole numbers from 0 to a limit for each column."""
    array = np.array(rows)
    if array.dtype.kind not in "iub" or (array < 0).any() or (array > limits).any():
        raise ValueError("not whole numbers in range")
    return array.astype(np.int64)


def _places(lists: Sequence[Any], most: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the length of each list, and row and column of each item in a padded array."""
    lengths = np.fromiter(map(len, lists), np.int64, len(lists))
    if lengths.max() > most:
        raise ValueError("too many items")
    rows = np.repeat(np.arange(len(lists)), lengths)
    columns = np.arange(len(rows)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    return lengths, rows, columns


def _fill_memory(cases: np.ndarray, expected: np.ndarray, first: Sequence[Any],
                 last: Sequence[Any]) -> None:
    before, after = [s["ram"] for s in first], [s["ram"] for s in last]
    for row, (old, new) in enumerate(zip(before, after, strict=True)):
        if len(old) != len(new) or [a for a, _ in old] != [a for a, _ in new]:
            old, new = dict(old), dict(new)
            union = sorted(old.keys() | new.keys())
            before[row] = [[a, old.get(a, 0)] for a in union]
            after[row] = [[a, new.get(a, old.get(a, 0))] for a in union]
    lengths, rows, columns = _places(before, hot.RAM)
    cases["ram_count"] = expected["ram_count"] = lengths
    if not len(rows):
        return
    pairs = _numbers(list(chain.from_iterable(before)), (0xFFFF, 0xFF))
    cases["ram_at"][rows, columns] = expected["ram_at"][rows, columns] = pairs[:, 0]
    cases["ram_before"][rows, columns] = pairs[:, 1]
    pairs = _numbers(list(chain.from_iterable(after)), (0xFFFF, 0xFF))
    expected["ram_after"][rows, columns] = pairs[:, 1]


def _fill_ports(cases: np.ndarray, expected: np.ndarray, ports: Sequence[Any]) -> None:
    lengths, rows, columns = _places(ports, hot.PORTS)
    expected["port_count"] = lengths
    if not len(rows):
        return
    flat = list(chain.from_iterable(ports))
    pairs = _numbers([(at, byte) for at, byte, _ in flat], (0xFFFF, 0xFF))
    expected["port_at"][rows, columns] = pairs[:, 0]
    expected["port_byte"][rows, columns] = pairs[:, 1]
    expected["port_out"][rows, columns] = [WAYS[way] for _, _, way in flat]
    inputs = [[byte for _, byte, way in transfers if way == "r"] for transfers in ports]
    lengths, rows, columns = _places(inputs, hot.PORTS)
    cases["feed_count"] = lengths
    cases["feed"][rows, columns] = list(chain.from_iterable(inputs))


def _fill_bus(expected: np.ndarray, cycles: Sequence[Any]) -> None:
    lengths, rows, columns = _places(cycles, hot.STATES)
    if not lengths.all():
        raise ValueError("a test without T-states")
    expected["states"] = lengths
    addresses, data, pins = zip(*chain.from_iterable(cycles), strict=True)
    expected["bus_address"][rows, columns] = _numbers(addresses, 0xFFFF)
    expected["bus_data"][rows, columns] = _numbers(
        [0 if byte is None else byte + 1 for byte in data], 0x100) - 1
    expected["bus_pins"][rows, columns] = [PINS[text] for text in pins]


def _fault(tests: list[Any]) -> str:
    """Find the first test of a wrong shape, and say in words what is wrong with it."""
    for number, test in enumerate(tests):
        words = _fault_of(test)
        if words:
            name = test.get("name", "without a name") if isinstance(test, dict) else "?"
            return (f"test {number} ({name}): {words}; give the published single-step form.")
    return "the tests have a wrong shape; give the published single-step form."


def _fault_of(test: Any) -> str:
    if not isinstance(test, dict):
        return "it is no object"
    for part in ("initial", "final"):
        state = test.get(part)
        if not isinstance(state, dict):
            return f"{part!r} is missing or no object"
        for register, limit in zip(hot.REGISTERS, LIMITS, strict=True):
            if not _whole(state.get(register), limit):
                return f"{part}: register {register!r} must be a whole number from 0 to {limit}"
        words = _list_fault(state.get("ram"), hot.RAM, _is_byte, "[address, byte]")
        if words:
            return f"{part}: 'ram' {words}"
    words = _list_fault(test.get("ports", []), hot.PORTS, _is_transfer,
                        '[port, byte, "r" or "w"]')
    if words:
        return f"'ports' {words}"
    words = _list_fault(test.get("cycles"), hot.STATES, _is_row, "[address, byte or null, pins]")
    if not words and not test["cycles"]:
        words = "is empty, and an instruction takes time"
    return f"'cycles' {words}" if words else ""


def _list_fault(items: Any, most: int, good: Any, form: str) -> str:
    if not isinstance(items, list):
        return "is missing or no list"
    if len(items) > most:
        return f"has {len(items)} items, more than the {most} that one instruction can need"
    for k, item in enumerate(items):
        if not isinstance(item, list) or not good(item):
            return f"item {k} is not of the form {form}"
    return ""


def _whole(value: Any, limit: int) -> bool:
    return isinstance(value, int) and 0 <= value <= limit


def _is_byte(item: list[Any]) -> bool:
    return len(item) == 2 and _whole(item[0], 0xFFFF) and _whole(item[1], 0xFF)


def _is_transfer(item: list[Any]) -> bool:
    return len(item) == 3 and _is_byte(item[:2]) and item[2] in ("r", "w")


def _is_row(item: list[Any]) -> bool:
    return (len(item) == 3 and _whole(item[0], 0xFFFF)
            and (item[1] is None or _whole(item[1], 0xFF))
            and isinstance(item[2], str) and item[2] in PINS)
