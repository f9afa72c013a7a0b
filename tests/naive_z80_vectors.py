"""Find and read the sample of the public single-step data set (SingleStepTests/z80, MIT licence).

The file is no part of the project: PREBURN_VECTORS names it, and tests that need it skip when it
is not there.
"""

import gzip
import json
import os
from functools import cache
from pathlib import Path

from naive_z80_cases import TABLES
from naive_z80_machine import State

VECTORS = Path(os.environ.get(
    "PREBURN_VECTORS", Path(__file__).parents[2] / "shared/vectors/singlestep_z80.json.gz"))
MISSING = "no published vectors here: set PREBURN_VECTORS to their singlestep_z80.json.gz"
EXPECTED_COUNTS = {"base": 252, "CB": 256, "ED": 80, "DD": 252, "FD": 252, "DDCB": 256, "FDCB": 256}


@cache
def vectors_by_table() -> dict[str, dict[str, list[State]]]:
    """Read the sample once, as table -> opcode bytes as in the file -> tests."""
    tables: dict[str, dict[str, list[State]]] = {table: {} for table in TABLES}
    with gzip.open(VECTORS, "rt") as file:
        for key, tests in json.load(file).items():
            prefix = key.upper().replace("__", "").split()[:-1]
            tables["".join(prefix) or "base"][key] = tests
    return tables


def inputs_of(test: State) -> list[int]:
    """Give the bytes that the bus supplies to port reads, in order."""
    return [byte for _, byte, way in test.get("ports", []) if way == "r"]
