"""Run single instructions on the compiled core, in the published single-step form."""
from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent / "tools"))

from conformance import Bench

_bench: Bench | None = None


def run_many(tests: Sequence[tuple[dict[str, Any], Sequence[int]]]) -> list[dict[str, Any]]:
    """Run (initial, input bytes) pairs; each answer has ``final``, ``cycles`` and ``ports``."""
    global _bench
    if _bench is None:
        _bench = Bench()
    cases = _bench.cases(len(tests))
    for row, (initial, inputs) in enumerate(tests):
        _bench.load(cases, row, initial, inputs)
    _bench.run(cases)
    return [_bench.result(cases, row) for row in range(len(tests))]


def run_one(initial: dict[str, Any], inputs: Sequence[int] = ()) -> dict[str, Any]:
    """Run one instruction."""
    return run_many([(initial, inputs)])[0]
