"""Wait states in every kind of bus cycle: from the CPU card for all, and from single cards.

Where waits are put: UM0080 p.8-14 (charts): Tw behind T2, in I/O behind the automatic wait
state, in an acknowledge behind its two.
"""
from __future__ import annotations

import pytest
from cpu_machine import ASK, FALL_NMI, Asker, Bare

ON = {"iff1": 1, "iff2": 1}
# LD A,(0800h); LD (0800h),A; OUT (10h),A; IN A,(11h)
PROGRAM = "3A 00 08 32 00 08 D3 10 DB 11"


def lengths(machine: Bare) -> dict[str, set[int]]:
    found: dict[str, set[int]] = {}
    for kind, length in machine.split:
        found.setdefault(kind, set()).add(length)
    return found


@pytest.mark.parametrize(("waits", "expected"), [
    ({}, (4, 3, 3, 4, 4)),
    ({"wait-m1": 2}, (6, 3, 3, 4, 4)),
    ({"wait-memory": 3}, (4, 6, 6, 4, 4)),
    ({"wait-io": 1}, (4, 3, 3, 5, 5)),
    ({"wait-m1": 1, "wait-memory": 7, "wait-io": 5}, (5, 10, 10, 9, 9)),
])
def test_the_cpu_card_makes_every_cycle_of_a_kind_wait(
        waits: dict[str, int], expected: tuple[int, ...]) -> None:
    machine = Bare(PROGRAM, askers=[Asker()], waits=waits).step(4)
    kinds = ("fetch", "read", "write", "out", "in")
    assert lengths(machine) == {k: {n} for k, n in zip(kinds, expected, strict=True)}
    assert machine.t == sum(n for _, n in machine.split)


@pytest.mark.parametrize(("ram", "port", "expected"), [
    ({"m1": 1}, {}, (5, 3, 3, 4, 4)),
    ({"mem": 2}, {}, (4, 5, 5, 4, 4)),
    ({}, {"io": 3}, (4, 3, 3, 7, 7)),
    ({"io": 3}, {"m1": 3, "mem": 3}, (4, 3, 3, 4, 4)),  # not theirs to slow down
])
def test_a_card_makes_its_own_cycles_wait(ram: dict[str, int], port: dict[str, int],
                                          expected: tuple[int, ...]) -> None:
    machine = Bare(PROGRAM, askers=[Asker(waits=port)], ram_waits=ram).step(4)
    kinds = ("fetch", "read", "write", "out", "in")
    assert lengths(machine) == {k: {n} for k, n in zip(kinds, expected, strict=True)}


def test_waits_of_a_card_and_of_the_cpu_card_add_up() -> None:
    machine = Bare(PROGRAM, askers=[Asker(waits={"io": 2})], ram_waits={"m1": 1, "mem": 1},
                   waits={"wait-m1": 2, "wait-memory": 3, "wait-io": 4}).step(4)
    assert lengths(machine) == {"fetch": {7}, "read": {7}, "write": {7}, "out": {10}, "in": {10}}


def test_a_slow_card_slows_its_own_page_only() -> None:
    """Page 8 is the slow card's, code and stack lie in RAM without waits."""
    machine = Bare("3A 00 80 3A 00 70", askers=[Asker(window=8, waits={"mem": 4})]).step(2)
    assert machine.split == [("fetch", 4), ("read", 3), ("read", 3), ("read", 7),
                             ("fetch", 4), ("read", 3), ("read", 3), ("read", 3)]


@pytest.mark.parametrize(("waits", "when"), [({}, 17), ({"wait-io": 3}, 20), ({"wait-m1": 1}, 19)])
def test_a_port_is_seen_in_t3_behind_the_waits(waits: dict[str, int], when: int) -> None:
    machine = Bare("3E 00 D3 10", askers=[Asker()], waits=waits).step(2)
    assert int(machine.asker().touched) == when == machine.t - 1


@pytest.mark.parametrize("waits", [0, 1, 6])
@pytest.mark.parametrize("code", ["32 00 80", "3A 00 80"])
def test_a_memory_card_is_seen_in_t3_behind_the_waits(waits: int, code: str) -> None:
    machine = Bare(code, askers=[Asker(window=8, waits={"mem": waits})]).step()
    assert int(machine.asker().touched) == 12 + waits == machine.t - 1


@pytest.mark.parametrize(("waits", "port", "length"), [
    ({"wait-io": 3}, {}, 10), ({"wait-m1": 3}, {}, 7), ({"wait-memory": 3}, {}, 7),
    ({}, {"io": 3}, 7)])  # a card's I/O waits go by its port address, and PC stands there
def test_an_acknowledge_waits_as_the_io_cycle_that_it_is(
        waits: dict[str, int], port: dict[str, int], length: int) -> None:
    """/IORQ is low, /MREQ is not (UM0080 p.12): so it is the I/O wait generator that acts."""
    machine = Bare("00", im=1, askers=[Asker(at=[(-1, ASK)], waits=port)], waits=waits, **ON)
    machine.step()
    assert machine.split[0] == ("acknowledge", length)
    io_states = [row.pins for row in machine.rows].count("IORQ M1")
    assert io_states == length - 5


@pytest.mark.parametrize(("waits", "length"), [({"wait-m1": 3}, 8), ({"wait-io": 3}, 5)])
def test_the_fetch_of_nmi_waits_as_a_fetch(waits: dict[str, int], length: int) -> None:
    machine = Bare("00", askers=[Asker(at=[(-1, FALL_NMI)])], waits=waits).step()
    assert machine.split[0] == ("nmi", length)


@pytest.mark.parametrize("waits", [0, 1, 3])
def test_halt_idles_in_fetches_with_their_waits(waits: int) -> None:
    machine = Bare("76", ram_waits={"m1": waits}).go((4 + waits) * 10)
    assert machine.split == [("fetch", 4 + waits)] + [("halted", 4 + waits)] * 9
    assert machine.r == 10


@pytest.mark.parametrize("when", range(12, 24))
def test_int_leaves_halt_at_the_end_of_a_slow_idle_fetch(when: int) -> None:
    machine = Bare("76", im=1, askers=[Asker(at=[(when, ASK)])], ram_waits={"m1": 2}, **ON)
    machine.go(when + 20)
    taken = [c.t for c in machine.cycles if c.kind == "acknowledge"]
    assert taken == [6 * (when // 6) + 6]


def test_pins_of_cycles_with_waits() -> None:
    machine = Bare("32 00 08", a=0x77, ram_waits={"m1": 1, "mem": 1}).step()
    rows = [str(row) for row in machine.rows]
    assert rows[:5] == ["0100 -- M1 MREQ RD"] * 3 + ["0000 32 MREQ RFSH", "0000 -- MREQ RFSH"]
    assert rows[5:9] == ["0101 -- MREQ RD"] * 3 + ["0101 00 MREQ RD"]
    assert rows[13:] == ["0800 -- MREQ"] + ["0800 77 MREQ WR"] * 3


def test_ldir_with_waits_spends_them_in_every_cycle() -> None:
    """21 T-states a byte, 16 for the last (UM0080 p.130); four cycles in each pass."""
    machine = Bare("ED B0", hl=0x200, de=0x300, bc=5, ram_waits={"m1": 1, "mem": 2})
    machine.go(21 * 5 - 5 + 5 * (2 * 1 + 2 * 2))
    assert machine.get("bc", "pc", "t") == [0, 0x102, 130]
