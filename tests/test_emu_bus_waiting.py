"""/WAIT pulled by a wire stretches the bus cycle under way, to the T-state.

Where the CPU samples it: UM0080 p.8-13 (charts): with the falling edge of T2 and of each Tw
behind; in a port's cycle from the automatic Tw on, in an acknowledge from its second one.  A card
lets the line fall or rise with a T-state's rising edge.  Each run is made three ways, see
cpu_machine.py.
"""
from __future__ import annotations

from collections.abc import Sequence

import pytest
from cpu_machine import ASK, FALL_NMI, LET_GO, PULL, Asker, Bare

ON = {"iff1": 1, "iff2": 1}


def pulled(code: str, falls: int, rises: int, *more: tuple[int, int], **given: object) -> Bare:
    at: Sequence[tuple[int, int]] = [(falls, PULL), (rises, LET_GO), *more]
    return Bare(code, askers=[Asker(at=at)], pulls="wait", **given)  # type: ignore[arg-type]


def starts(machine: Bare) -> list[tuple[int, str, int]]:
    return [(c.t, c.kind, c.waits) for c in machine.cycles]


@pytest.mark.parametrize(("falls", "rises", "waits"), [
    (1, 2, 1),  # low in T2 (T-state 1), high in the Tw behind it
    (2, 5, 0),  # T2 is over: the fetch is not held
    (0, 1, 0),  # high again when it is sampled
    (-1, 9, 8),
])
def test_a_fetch_waits_from_t2_on(falls: int, rises: int, waits: int) -> None:
    machine = pulled("00 00", falls, rises)
    machine.go(5 + waits)
    assert starts(machine)[0] == (0, "fetch", waits)
    assert starts(machine)[1][:2] == (4 + waits, "fetch")
    assert machine.r == 2


@pytest.mark.parametrize(("code", "kinds", "at"), [
    ("3A 00 08", ["fetch", "read", "read", "read"], 3),
    ("32 00 08", ["fetch", "read", "read", "write"], 3),
    ("3A 00 08", ["fetch", "read", "read", "read"], 1),
    ("34", ["fetch", "read", "write"], 2),  # INC (HL): 4, 4, 3
    ("E3", ["fetch", "read", "read", "write", "write"], 4),  # EX (SP),HL: 4, 3, 4, 3, 5
    ("CD 00 40", ["fetch", "read", "read", "write", "write"], 3),
    ("DD 36 05 77", ["fetch", "fetch", "read", "read", "write"], 4),
    ("FD CB 05 C6", ["fetch", "fetch", "read", "read", "read", "write"], 5),
    ("D3 10", ["fetch", "read", "out"], 2), ("DB 10", ["fetch", "read", "in"], 2),
    ("ED 78", ["fetch", "fetch", "in"], 2), ("ED 79", ["fetch", "fetch", "out"], 2),
    ("ED A2", ["fetch", "fetch", "in", "write"], 2),
    ("ED A2", ["fetch", "fetch", "in", "write"], 3),
    ("ED A3", ["fetch", "fetch", "read", "out"], 3),
    ("ED A0", ["fetch", "fetch", "read", "write"], 3),
])
@pytest.mark.parametrize("low", [1, 37])
def test_any_cycle_waits_where_it_is_sampled(code: str, kinds: list[str], at: int,
                                             low: int) -> None:
    """The same instruction without the wire tells where the cycle begins."""
    registers = {"hl": 0x3000, "bc": 0x0110, "de": 0x3100, "a": 0x5A}
    plain = Bare(code, askers=[Asker()], **registers).step()
    assert [c.kind for c in plain.cycles] == kinds
    begins = plain.cycles[at].t
    sample = begins + (2 if kinds[at] in ("in", "out") else 1)
    machine = pulled(code, sample, sample + low, **registers).go(plain.t + low)
    assert [c.kind for c in machine.cycles] == kinds
    assert [c.t for c in machine.cycles[:at + 1]] == [c.t for c in plain.cycles[:at + 1]]
    assert [c.waits for c in machine.cycles] == [low if k == at else 0 for k in range(len(kinds))]
    assert machine.t == plain.t + low
    names = ("af", "bc", "de", "hl", "pc", "sp", "wz", "r")
    assert machine.get(*names) == plain.get(*names)
    assert bytes(machine.m.phys[:65536]) == bytes(plain.m.phys[:65536])


def test_the_card_sees_the_access_in_t3_behind_the_waits() -> None:
    machine = pulled("3E 00 D3 10", 16, 25).go(27)
    assert int(machine.asker().touched) == 7 + 7 + 3 + 9 == machine.t - 1


def test_it_adds_to_the_fixed_wait_states_of_a_slot() -> None:
    """The generator of the slot holds two states, the wire two more."""
    machine = Bare("DB 10", askers=[Asker(at=[(9, PULL), (13, LET_GO)], waits={"io": 2})],
                   pulls="wait").go(15)
    assert starts(machine)[-1] == (7, "in", 4) and machine.t == 7 + 8


def test_low_before_the_last_fixed_wait_state_alone_adds_nothing() -> None:
    machine = Bare("DB 10", askers=[Asker(at=[(8, PULL), (11, LET_GO)], waits={"io": 2})],
                   pulls="wait").step()
    assert machine.t == 7 + 6


@pytest.mark.parametrize("hold", [0, 1, 2, 50, 3000])
@pytest.mark.parametrize(("code", "chosen"), [
    ("DB 12", 2 | 0x5A12 << 16), ("D3 11", 1 | 1 << 8 | 0x5A11 << 16),
    ("ED 50", 0 | 0x3310 << 16)])
def test_a_card_holds_an_access_to_itself(hold: int, code: str, chosen: int) -> None:
    """It is chosen with T2, when /IORQ falls (UM0080 p.10), and pulls for so many T-states; the
    first sample is one T-state later."""
    registers = {"a": 0x5A, "bc": 0x3310}
    plain = Bare(code, askers=[Asker()], **registers).step()
    machine = Bare(code, askers=[Asker(hold=hold)], pulls="wait", **registers)
    machine.go(plain.t + max(hold - 1, 0))
    assert int(machine.asker().chosen) == chosen
    assert machine.t == plain.t + max(hold - 1, 0)
    assert machine.cycles[-1].waits == min(max(hold - 1, 0), 255)
    assert int(plain.asker().chosen) == 0  # no wire at /WAIT: nobody is asked


def test_block_input_is_held_byte_by_byte() -> None:
    machine = Bare("ED B2", askers=[Asker(hold=11)], pulls="wait", hl=0x3000, bc=0x0410)
    machine.go(4 * (21 + 10) - 5)
    assert machine.get("bc", "hl", "pc", "t") == [0x0010, 0x3004, 0x102, 4 * 31 - 5]
    assert bytes(machine.m.phys[0x3000:0x3005]) == b"\x5a" * 4 + b"\0"


@pytest.mark.parametrize(("im", "length"), [(0, 13), (1, 13), (2, 19)])
def test_an_acknowledge_waits_from_its_second_automatic_state_on(im: int, length: int) -> None:
    """Its states: T1 T2 Tw* Tw* T3 T4 (UM0080 p.12), and it begins at 4."""
    machine = Bare("00 00", im=im, i=0x20, askers=[
        Asker(at=[(0, ASK), (7, PULL), (12, LET_GO)], supply=[0xFF])], pulls="wait", **ON)
    machine.go(4 + length + 5)
    assert starts(machine)[1] == (4, "acknowledge", 2 + 5)
    machine.go(4 + length + 5 + 1)
    assert machine.cycles[-1].kind == "fetch" and machine.cycles[-1].t == 4 + length + 5


def test_the_pushes_of_an_interrupt_wait_too() -> None:
    machine = Bare("00 00", im=1, askers=[Asker(at=[(0, ASK), (12, PULL), (14, LET_GO)])],
                   pulls="wait", **ON)
    machine.go(4 + 13 + 2 + 1)
    assert starts(machine)[1:4] == [(4, "acknowledge", 2), (11, "write", 2), (16, "write", 0)]
    assert machine.word(0xEFFE) == 0x101


def test_the_fetch_of_nmi_waits() -> None:
    machine = pulled("00 00", 5, 8, (0, FALL_NMI)).go(4 + 11 + 3 + 1)
    assert starts(machine)[1] == (4, "nmi", 3)
    assert int(machine.m.nmi_count) == 1 and machine.cycles[-1].t == 4 + 11 + 3


def test_halt_stands_still_and_an_interrupt_comes_behind_the_held_fetch() -> None:
    """Idle fetches begin at 4, 8, 12; the one that samples at 13 ends at 36, not at 16."""
    machine = pulled("76", 13, 33, (20, ASK), im=1, **ON).go(50)
    acks = [c.t for c in machine.cycles if c.kind == "acknowledge"]
    assert acks == [12 + 4 + 20]


def test_events_go_on_while_it_waits() -> None:
    """A request that comes in the wait is taken at the instruction's end."""
    machine = pulled("3A 00 08 00", 11, 200, (100, ASK), im=1, **ON).go(13 + 189 + 14)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [13 + 189]


def test_a_run_can_be_left_kept_and_gone_on_with_in_a_wait() -> None:
    machine = pulled("3A 00 08 00", 11, 500)
    machine.machine.run(300)
    saved = machine.machine.snapshot()
    assert (machine.t, machine.pc) == (300, 0x100)
    machine.machine.run(520)
    end = machine._state()
    machine.machine.restore(saved)
    machine.machine.run(520)
    assert machine._state() == end
    assert machine.t >= 520 and int(machine.m.instructions) == 6  # LD, and NOPs of 4 T-states


def test_reset_ends_a_wait() -> None:
    machine = pulled("3A 00 08", 11, 5000)
    machine.machine.run(300)
    machine.machine.reset()
    machine.machine.run(700)
    assert int(machine.m.wait_low) == 1 and int(machine.m.wait_state) == 1


def test_the_watch_rests_while_nothing_can_pull() -> None:
    machine = Bare("18 FE", askers=[Asker(at=[(5000, PULL), (5100, LET_GO)])], pulls="wait")
    machine.machine.run(3000)
    assert int(machine.m.wait_wires) == 1 and int(machine.m.bus_watch) == 0
    machine.machine.run(5050)
    assert int(machine.m.bus_watch) == 1
    machine.go(5200)
    assert machine.t >= 5200


def test_int_by_wire_needs_no_card_that_interrupts() -> None:
    """The level of the line: low from 9 to 40, so mode 1 answers once, and nobody the
    acknowledge (UM0080 p.13)."""
    machine = Bare("00 " * 8, im=1, askers=[Asker(at=[(9, PULL), (40, LET_GO)])], pulls="int",
                   memory={0x38: "00 00 00 FB 00 00"}, **ON).go(60)
    assert [c.t for c in machine.cycles if c.kind == "acknowledge"] == [12]
    assert int(machine.m.ack_empty) == 0 and int(machine.m.int_line) == 0
