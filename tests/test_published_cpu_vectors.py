"""The compiled core against the sample of the public single-step data set.

Source: SingleStepTests/z80, folder v1, MIT licence; five tests of each of its 1,604 files.
"""

import core_bench
import pytest
from naive_z80_cases import TABLES, cycle_differences, differences, report
from naive_z80_vectors import EXPECTED_COUNTS, MISSING, VECTORS, inputs_of, vectors_by_table

pytestmark = pytest.mark.skipif(not VECTORS.exists(), reason=MISSING)


@pytest.mark.parametrize("table", TABLES)
def test_core_agrees_on_registers_memory_ports_and_every_tstate(table: str) -> None:
    tests = [test for file in vectors_by_table()[table].values() for test in file]
    assert len(tests) == 5 * EXPECTED_COUNTS[table]
    outcomes = core_bench.run_many([(test["initial"], inputs_of(test)) for test in tests])
    failures = []
    for test, got in zip(tests, outcomes, strict=True):
        found = differences(test["final"], test.get("ports", []), got)
        found += cycle_differences(test["cycles"], got["cycles"])
        if found:
            failures.append(f"{test['name']}: {'; '.join(found)}")
    assert not failures, report(failures)
