"""The naive twin against the outside: published vectors, T-state table, its own committed cases."""

import naive_z80
import pytest
from naive_z80_cases import (
    TABLES,
    background,
    cycle_differences,
    differences,
    load_cases,
    load_tstates,
    parse_ports,
    report,
    split_code,
)
from naive_z80_machine import State
from naive_z80_vectors import EXPECTED_COUNTS, MISSING, VECTORS, inputs_of, vectors_by_table


@pytest.mark.skipif(not VECTORS.exists(), reason=MISSING)
@pytest.mark.parametrize("table", TABLES)
def test_twin_agrees_with_published_vectors_on_every_field(table: str) -> None:
    """Source: SingleStepTests/z80 (v1), five tests of every file."""
    files = vectors_by_table()[table]
    assert len(files) == EXPECTED_COUNTS[table]
    failures = []
    for tests in files.values():
        assert len(tests) == 5
        for test in tests:
            got = naive_z80.run_one(test["initial"], inputs_of(test))
            assert set(got["final"]) == set(test["final"])
            found = differences(test["final"], test.get("ports", []), got)
            found += cycle_differences(test["cycles"], got["cycles"])
            if found:
                failures.append(f"{test['name']}: {'; '.join(found)}")
    assert not failures, report(failures)


@pytest.mark.parametrize("table", TABLES)
def test_committed_cases_are_what_the_twin_does(table: str) -> None:
    failures = []
    for case in load_cases(table):
        got = naive_z80.run_one(case.initial(), case.inputs)
        found = differences(case.final(), parse_ports(case.ports), got)
        if len(got["cycles"]) != case.t:
            found.append(f"{len(got['cycles'])} T-states, expected {case.t}")
        if found:
            failures.append(f"{case.name}: {'; '.join(found)}")
    assert not failures, report(failures)


@pytest.mark.parametrize("table", TABLES)
def test_committed_cases_show_every_total_of_the_tstate_table(table: str) -> None:
    """Source: UM0080, T-states of each instruction (tstates.csv says what is from memory)."""
    seen: dict[int, set[int]] = {}
    for case in load_cases(table):
        wasted, of_table, opcode = split_code(case.code)
        if of_table == table and not wasted:
            seen.setdefault(opcode, set()).add(case.t)
    totals = {opcode: set(ts) for (name, opcode), ts in load_tstates().items() if name == table}
    assert seen == totals


def test_wasted_prefixes_cost_four_tstates_each() -> None:
    """Source: from memory, a prefix that a later one overrules is a 4 T fetch and nothing else."""
    totals = load_tstates()
    chains = 0
    for case in [*load_cases("DD"), *load_cases("FD")]:
        wasted, table, opcode = split_code(case.code)
        chains += wasted > 0
        assert case.t - 4 * wasted in totals[table, opcode], case.name
    assert chains == 18


def test_tstate_table_has_every_opcode() -> None:
    counts = {table: sum(name == table for name, _ in load_tstates()) for table in TABLES}
    assert counts == {"base": 252, "CB": 256, "ED": 256, "DD": 252, "FD": 252,
                      "DDCB": 256, "FDCB": 256}


def blank_state(**registers: int) -> State:
    return {**background(), **registers}


def test_memory_that_is_not_listed_reads_zero() -> None:
    got = naive_z80.run_one({**blank_state(pc=0x1000, a=9), "ram": [[0x1000, 0x7E]]})
    assert got["final"]["a"] == 0
    assert got["final"]["ram"] == [[0x1000, 0x7E]]


def test_port_reads_beyond_the_inputs_find_pullups() -> None:
    initial = {**blank_state(pc=0x1000), "ram": [[0x1000, 0xDB], [0x1001, 0x40]]}
    got = naive_z80.run_one(initial, inputs=())
    assert got["ports"] == [[0x5B40, 0xFF, "r"]]
    assert got["final"]["a"] == 0xFF


def test_cmos_part_drives_ff_where_an_nmos_part_drives_zero() -> None:
    """OUT (C),0 (ED 71): NMOS 00h, CMOS FFh. Source: from memory."""
    initial = {**blank_state(pc=0), "ram": [[0, 0xED], [1, 0x71]]}
    driven = [naive_z80.run_one(initial, cmos=cmos)["ports"][0][1] for cmos in (False, True)]
    assert driven == [0x00, 0xFF]


def test_endless_prefixes_are_refused() -> None:
    initial = {**blank_state(pc=0), "ram": [[address, 0xDD] for address in range(65536)]}
    with pytest.raises(ValueError, match="65536 prefixes DD or FD follow each other"):
        naive_z80.run_one(initial)
