"""The CPU manual's worked examples and tables, on the naive twin and on the compiled core.

Each check stands beside its source: UM0080 (Zilog UM008007-0715) with the page where it was
re-read, "recalled" where the values were written down from memory of the manual.
"""

import csv
from collections.abc import Callable

import core_bench
import naive_z80
import pytest
from naive_z80_cases import (
    FOLDER,
    TABLES,
    Case,
    apply_items,
    background,
    load_cases,
    parse_ports,
    report,
    split_code,
    with_ram,
)
from naive_z80_program import Program, run_program

MANUAL = FOLDER / "manual_examples.csv"
FLAG_MASKS = {"S": 0x80, "Z": 0x40, "H": 0x10, "V": 0x04, "N": 0x02, "C": 0x01}

both = pytest.mark.parametrize(
    "run_one",
    [pytest.param(naive_z80.run_one, id="naive"), pytest.param(core_bench.run_one, id="core")])


def manual_examples() -> list[dict[str, str]]:
    with open(MANUAL, newline="") as file:
        return list(csv.DictReader(file))


def run_example(run_one: Callable, row: dict[str, str]) -> dict:
    """Run an example as many passes as it says; all passes have the same code at PC."""
    code = bytes.fromhex(row["code"])
    wanted = parse_ports(row["ports"])
    case = Case("", code, row["mnemonic"], row["before"], row["after"], row["ports"], 0)
    state, inputs, ports = case.initial(), case.inputs, []
    for _ in range(int(row["passes"])):
        got = run_one(state, inputs)
        state = got["final"]
        ports += [list(port) for port in got["ports"]]
        inputs = inputs[sum(way == "r" for _, _, way in got["ports"]):]
    return {"final": state, "ports": ports, "wanted": wanted}


def wrong_in_example(row: dict[str, str], outcome: dict) -> list[str]:
    """List what the manual states and the outcome lacks."""
    final = outcome["final"]
    registers, memory = apply_items(final, dict(final["ram"]), row["after"])
    found = [f"{name} is {final[name]:X}h, the manual says {registers[name]:X}h"
             for name in background() if registers[name] != final[name]]
    got_memory = dict(final["ram"])
    found += [f"[{address:04X}] is {got_memory.get(address, 0):02X}h, the manual says {byte:02X}h"
              for address, byte in memory.items() if got_memory.get(address) != byte]
    for flag, value in row["flags"].split():
        if bool(final["f"] & FLAG_MASKS[flag]) != bool(int(value)):
            found.append(f"flag {flag} is not {value}")
    if outcome["ports"] != outcome["wanted"]:
        found.append(f"ports {outcome['ports']}, the manual says {outcome['wanted']}")
    return found


@both
def test_worked_examples_of_the_manual(run_one: Callable) -> None:
    """Source: beside each example in manual_examples.csv."""
    failures = []
    for row in manual_examples():
        found = wrong_in_example(row, run_example(run_one, row))
        if found:
            failures.append(f"{row['source']}: {row['mnemonic']}: {'; '.join(found)}")
    assert not failures, report(failures)


# UM0080, table of DAA (recalled): N, C before, high digits, H before, low digits, added, C after.
DAA_TABLE = (
    (0, 0, "0-9", 0, "0-9", 0x00, 0), (0, 0, "0-8", 0, "A-F", 0x06, 0),
    (0, 0, "0-9", 1, "0-3", 0x06, 0), (0, 0, "A-F", 0, "0-9", 0x60, 1),
    (0, 0, "9-F", 0, "A-F", 0x66, 1), (0, 0, "A-F", 1, "0-3", 0x66, 1),
    (0, 1, "0-2", 0, "0-9", 0x60, 1), (0, 1, "0-2", 0, "A-F", 0x66, 1),
    (0, 1, "0-3", 1, "0-3", 0x66, 1),
    (1, 0, "0-9", 0, "0-9", 0x00, 0), (1, 0, "0-8", 1, "6-F", 0xFA, 0),
    (1, 1, "7-F", 0, "0-9", 0xA0, 1), (1, 1, "6-7", 1, "6-F", 0x9A, 1),
)


def digits(span: str) -> range:
    low, high = span.split("-")
    return range(int(low, 16), int(high, 16) + 1)


@both
def test_daa_follows_the_manual_table(run_one: Callable) -> None:
    failures, tried = [], 0
    for n, c, high_span, h, low_span, added, carry_after in DAA_TABLE:
        for a in (high * 16 + low for high in digits(high_span) for low in digits(low_span)):
            before = f"a={a:02X} f={0x02 * n + 0x01 * c + 0x10 * h:02X}"
            case = Case("base", b"\x27", "DAA", before, "", "", 0)
            final = run_one(case.initial())["final"]
            tried += 1
            if final["a"] != (a + added) % 256 or final["f"] & 1 != carry_after:
                failures.append(f"{before}: a={final['a']:02X} f={final['f']:02X}")
    assert tried == 684  # every (digit, flag) combination of the thirteen rows
    assert not failures, report(failures)


# --- small programs with exact totals ---

@both
def test_djnz_delay_of_256_turns(run_one: Callable) -> None:
    """LD B,0 / DJNZ itself: 7 + 255*13 + 8 T. Derived from UM0080 p.275 (DJNZ 13 or 8 T)."""
    got = run_program(run_one, Program(bytes.fromhex("06 00 10 FE")), stop_at=0x8004)
    assert got["t"] == 3330
    assert got["final"]["b"] == 0


@both
def test_counted_delay_loop_of_a_register_pair(run_one: Callable) -> None:
    """LD BC,n / DEC BC / LD A,B / OR C / JR NZ: 10 + 26n - 5 T. Derived; JR cc UM0080 p.266-270."""
    got = run_program(run_one, Program(bytes.fromhex("01 E8 03 0B 78 B1 20 FB")), stop_at=0x8008)
    assert got["t"] == 26_005
    assert got["instructions"] == 1 + 4 * 1000


@both
@pytest.mark.parametrize(("opcode", "direction"), [(0xB0, 1), (0xB8, -1)])
@pytest.mark.parametrize(("count", "t"), [(256, 5371), (512, 10_747)])
def test_block_move(run_one: Callable, opcode: int, direction: int, count: int, t: int) -> None:
    """LDIR and LDDR of N bytes: 21N - 5 T, R counts 2 a pass. Derived, UM0080 p.130, p.134."""
    source = {(0x9000 + direction * n) % 65536: (n * 7 + 3) % 256 for n in range(count)}
    registers = {"b": count // 256, "c": 0, "d": 0xA0, "e": 0, "h": 0x90, "l": 0, "r": 0x80}
    got = run_program(run_one, Program(bytes([0xED, opcode]), registers=registers, memory=source),
                      stop_at=0x8002)
    final, memory = got["final"], dict(got["final"]["ram"])
    assert got["t"] == t
    assert got["instructions"] == count
    assert final["r"] == 0x80 + count * 2 % 128
    assert (final["b"], final["c"]) == (0, 0)
    assert all(memory[address + 0x1000] == byte for address, byte in source.items())


@both
def test_polled_input_passes(run_one: Callable) -> None:
    """IN A,(n) / AND n / JR Z / IN A,(n): idle pass 30 T, last one 36 T. Derived, UM0080 p.292."""
    code = bytes.fromhex("DB 80 E6 01 28 FA DB 81")
    got = run_program(run_one, Program(code, inputs=(0x00, 0xFE, 0x01, 0x4B)), stop_at=0x8008)
    assert got["t"] == 30 + 30 + 36
    assert got["final"]["a"] == 0x4B
    assert [port % 256 for port, _, _ in got["ports"]] == [0x80, 0x80, 0x80, 0x81]


@both
def test_saving_and_restoring_around_an_interrupt_body(run_one: Callable) -> None:
    """PUSH AF, PUSH HL, POP HL, POP AF, EI, RETI: 22 + 20 + 4 + 14 T. Derived, UM0080 p.285."""
    program = Program(bytes.fromhex("F5 E5 E1 F1 FB ED 4D"), registers={"sp": 0xF000},
                      memory={0xF000: 0x34, 0xF001: 0x12})
    got = run_program(run_one, program, stop_at=0x1234)
    assert got["t"] == 60
    assert got["final"]["sp"] == 0xF002
    assert (got["final"]["a"], got["final"]["h"]) == (0x5B, 0x81)


def test_no_single_instruction_is_longer_than_23_tstates() -> None:
    """The longest wait before INT is looked at, wait states aside. Derived; UM0080 p.253 has 23."""
    totals = {case.t for table in TABLES for case in load_cases(table)
              if not split_code(case.code)[0]}
    assert max(totals) == 23
    assert min(totals) == 4


# --- refresh ---

REFRESHES = (("00", 1), ("CB 07", 2), ("ED 44", 2), ("DD 23", 2), ("FD 7E 01", 2),
             ("DD CB 01 46", 2), ("FD CB 01 C6", 2), ("DD DD 23", 3), ("DD ED 44", 3))


@both
@pytest.mark.parametrize("r", [0x00, 0x7F, 0x80, 0xFF])
def test_refresh_counts_m1_cycles_and_keeps_bit_seven(run_one: Callable, r: int) -> None:
    """R counts opcode fetches, prefixes too, in seven bits. Source: from memory."""
    for code, count in REFRESHES:
        state = {**background(), "pc": 0x4000, "r": r}
        memory = {0x4000 + place: byte for place, byte in enumerate(bytes.fromhex(code))}
        final = run_one(with_ram(state, memory))["final"]
        assert final["r"] == r // 128 * 128 + (r + count) % 128, code
