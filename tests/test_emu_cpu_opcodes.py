"""The compiled core on the committed opcode cases, and beside the naive twin on random states."""

import core_bench
import naive_z80
import pytest
from naive_z80_cases import (
    TABLES,
    cycle_differences,
    differences,
    load_cases,
    parse_ports,
    report,
    split_code,
)
from naive_z80_random import random_chains, random_tests

ROUNDS = 3  # random states for each opcode


@pytest.mark.parametrize("table", TABLES)
def test_core_does_the_committed_cases(table: str) -> None:
    """State, ports and T-states of every opcode; the README beside the cases names the sources."""
    cases = load_cases(table)
    outcomes = core_bench.run_many([(case.initial(), case.inputs) for case in cases])
    failures = []
    for case, got in zip(cases, outcomes, strict=True):
        found = differences(case.final(), parse_ports(case.ports), got)
        if len(got["cycles"]) != case.t:
            found.append(f"{len(got['cycles'])} T-states, expected {case.t}")
        if found:
            failures.append(f"{case.name}: {'; '.join(found)}")
    assert not failures, report(failures)


def compare_with_twin(tests: list[tuple[dict, list[int]]]) -> list[str]:
    """Run tests on both; list those in which state, ports or the bus differ."""
    failures = []
    for (initial, inputs), got in zip(tests, core_bench.run_many(tests), strict=True):
        twin = naive_z80.run_one(initial, inputs)
        found = differences(twin["final"], twin["ports"], got)
        found += cycle_differences(twin["cycles"], got["cycles"])
        if found:
            failures.append(f"{code_at_pc(initial)}: {'; '.join(found)}; from {initial}")
    return failures


def code_at_pc(initial: dict) -> str:
    """Write the bytes at PC, as far as they are listed, for a failure message."""
    memory, pc = dict(initial["ram"]), initial["pc"]
    code = bytes(memory.get((pc + offset) % 65536, 0) for offset in range(5))
    return code.hex(" ").upper()


@pytest.mark.parametrize("table", TABLES)
def test_core_and_twin_agree_on_random_states(table: str) -> None:
    tests = list(random_tests(table, ROUNDS, seed=1))
    assert len(tests) == 256 * ROUNDS
    failures = compare_with_twin(tests)
    assert not failures, report(failures)


def test_core_and_twin_agree_on_random_prefix_chains() -> None:
    tests = list(random_chains(400, seed=1))
    wasted = [split_code(bytes(dict(initial["ram"])[(initial["pc"] + offset) % 65536]
                               for offset in range(5)) + b"\0\0\0")[0] for initial, _ in tests]
    assert sum(count > 0 for count in wasted) > 300
    failures = compare_with_twin(tests)
    assert not failures, report(failures)
