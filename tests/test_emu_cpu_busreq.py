"""Bus requests: where the CPU gives the bus away, what it costs, and that nothing else changes.

/BUSREQ is sampled with the rising edge of the last T-state of each machine cycle (UM0080,
"Bus Request/Acknowledge"); the machine cycles of the instructions below are those of the
manual's instruction tables, written down from memory.  `Bare.go` runs everything free,
stopped at each T-state and logged, and holds the three against each other.
"""
from __future__ import annotations

import bus_taker
import pytest
from cpu_machine import ASK, FALL_NMI, Asker, Bare, Taker

COMMON = {"sp": 0x8100, "hl": 0x8000, "bc": 0x0203, "de": 0x9000, "af": 0x1200}
PC = 0x100

# Code, its machine cycles, what is special about it.
PROGRAMS = {
    "nop": ("00", [4]),
    "inc ss": ("23", [6]),
    "ld a,(nn)": ("3A 00 80", [4, 3, 3, 3]),
    "ld (nn),hl": ("22 00 80", [4, 3, 3, 3, 3]),
    "ld (nn),ix": ("DD 22 00 80", [4, 4, 3, 3, 3, 3]),
    "add hl,ss": ("09", [4, 4, 3]),
    "adc hl,ss": ("ED 4A", [4, 4, 4, 3]),
    "inc (hl)": ("34", [4, 4, 3]),
    "inc (ix+d)": ("DD 34 05", [4, 4, 3, 5, 4, 3]),
    "ld (ix+d),n": ("DD 36 05 77", [4, 4, 3, 5, 3]),
    "rlc (ix+d)": ("DD CB 05 06", [4, 4, 3, 5, 4, 3]),
    "bit 0,(hl)": ("CB 46", [4, 4, 4]),
    "jr": ("18 10", [4, 3, 5]),
    "djnz": ("10 10", [5, 3, 5]),
    "call": ("CD 00 02", [4, 3, 4, 3, 3]),
    "push": ("C5", [5, 3, 3]),
    "pop": ("C1", [4, 3, 3]),
    "ret": ("C9", [4, 3, 3]),
    "ret cc, taken": ("C0", [5, 3, 3]),
    "rst": ("CF", [5, 3, 3]),
    "ex (sp),hl": ("E3", [4, 3, 4, 3, 5]),
    "rrd": ("ED 67", [4, 4, 3, 4, 3]),
    "ldi": ("ED A0", [4, 4, 3, 5]),
    "ldir": ("ED B0", [4, 4, 3, 5, 5]),
    "cpir": ("ED B1", [4, 4, 3, 5, 5]),
    "ini": ("ED A2", [4, 5, 4, 3]),
    "inir": ("ED B2", [4, 5, 4, 3, 5]),
    "outi": ("ED A3", [4, 5, 3, 4]),
    "otir": ("ED B3", [4, 5, 3, 4, 5]),
    "in a,(n)": ("DB 10", [4, 3, 4]),
    "out (n),a": ("D3 20", [4, 3, 4]),
    "ld a,i": ("ED 57", [4, 5]),
    "reti": ("ED 4D", [4, 4, 3, 3]),
    "halt": ("76", [4]),
}
STATE = ("pc", "sp", "af", "bc", "de", "hl", "wz", "r", "iff1", "im", "halted")


def boundaries(cycles):
    ends, t = [], 0
    for length in cycles:
        t += length
        ends.append(t)
    return ends


def machine(code, taker=None, askers=(), **registers):
    return Bare(code, takers=[taker] if taker else [], askers=[Asker(), *askers],
                **{**COMMON, **registers})


@pytest.mark.parametrize("name", PROGRAMS)
def test_the_bus_is_given_away_at_every_end_of_a_machine_cycle(name):
    code, cycles = PROGRAMS[name]
    plain = machine(code).go(sum(cycles))
    assert plain.t == sum(cycles)
    ends = boundaries(cycles)
    for asked in range(sum(cycles) - 1):
        taken = machine(code, Taker(at=[asked], length=7))
        # low with its rising edge, sampled with the next one or later, 7 T-states and one more
        # before /BUSREQ, high a T-state before the end of them, has been sampled
        given = next(end for end in ends if end - 1 >= asked + 1)
        taken.go(sum(cycles) + 8)
        assert taken.taker().given[0] == given, asked
        assert taken.taker().taken == 1
        assert taken.t == plain.t + 8, asked
        assert taken.get(*STATE) == plain.get(*STATE), asked
        assert bytes(taken.m.phys[:65536]) == bytes(plain.m.phys[:65536])
        own = [c for c in taken.cycles if not c.kind.startswith("bus")]
        shifted = [(c.t + 8 * (c.t >= given), c.kind, c.address, c.data) for c in plain.cycles]
        assert [(c.t, c.kind, c.address, c.data) for c in own] == shifted, asked


def test_an_access_is_made_once_though_the_bus_is_away_in_its_instruction():
    """INIR gives the bus away between its input and its write: the port is read once."""
    code, cycles = PROGRAMS["inir"]
    taken = machine(code, Taker(at=[11], length=5)).go(sum(cycles) + 6)
    assert taken.taker().given[0] == 13
    assert int(taken.m.slot_reads[2]) == 0 and int(taken.m.port_reads[3]) == 1
    assert [c.kind for c in taken.cycles] == ["fetch", "fetch", "in", "bus-given", "bus-back",
                                             "write"]


def test_two_requests_in_one_instruction():
    taken = machine("DD 34 05", Taker(at=[2, 14], length=4)).go(23 + 10)
    assert taken.taker().given[:2].tolist() == [4, 5 + 4 + 4 + 3]
    assert taken.t == 33


def test_a_standing_request_lets_one_machine_cycle_through_each_time():
    """A card that asks again at once gets the bus after each machine cycle, no sooner."""
    taken = machine("3A 00 80 00", Taker(at=[0, 9, 16, 23], length=3)).go(40)
    assert taken.taker().given[:4].tolist() == [4, 4 + 4 + 3, 11 + 4 + 3, 18 + 4 + 3]


def test_a_request_too_late_for_the_sample_waits_for_the_next_machine_cycle():
    for asked, given in ((2, 4), (3, 8)):
        taken = machine("00 00 00", Taker(at=[asked])).go(12)
        assert taken.taker().given[0] == given


def test_the_card_reads_and_writes_memory_and_ports():
    for what, kind in ((bus_taker.READ, "dma-read"), (bus_taker.WRITE, "dma-write"),
                       (bus_taker.INPUT, "dma-in"), (bus_taker.OUTPUT, "dma-out")):
        address = 0x4010 if what in (bus_taker.INPUT, bus_taker.OUTPUT) else 0x4000
        taken = machine("00 00 00", Taker(at=[1], what=what, address=address, value=0x55,
                                          length=4), memory={0x4000: "3C"}).go(20)
        cycle = next(c for c in taken.cycles if c.kind.startswith("dma"))
        assert (cycle.kind, cycle.t, cycle.address) == (kind, 4, address)
        assert cycle.data == {bus_taker.READ: 0x3C, bus_taker.INPUT: 0x5A}.get(what, 0x55)
        assert taken.byte(0x4000) == (0x55 if what == bus_taker.WRITE else 0x3C)
        assert taken.taker().value == cycle.data


def test_refresh_stops_while_the_bus_is_away():
    assert machine("00 00 00", Taker(at=[1], length=100)).go(110).r == \
        machine("00 00 00").go(9).r


def test_no_interrupt_is_accepted_while_the_bus_is_away():
    taken = machine("00 00 00 00", Taker(at=[1], length=40), [Asker(at=[(9, ASK)], port=0x40)],
                    iff1=1, iff2=1, im=1).go(58)
    assert taken.asker(1).acknowledged == 4 + 41
    assert taken.pc == 0x38


@pytest.mark.parametrize("kind", ["int 1", "int 2", "int 0", "int 0, call", "nmi"])
def test_the_bus_is_given_away_inside_a_response(kind):
    """After the acknowledge or NMI's fetch, each write, each read of the vector's table."""
    ack = {"int 1": [7, 3, 3], "int 2": [7, 3, 3, 3, 3], "int 0": [7, 3, 3],
           "int 0, call": [6, 3, 4, 3, 3], "nmi": [5, 3, 3]}[kind]
    supply = {"int 0": [0xCF], "int 0, call": [0xCD, 0x00, 0x02]}.get(kind, [0x40])
    asker = Asker(at=[(1, FALL_NMI if kind == "nmi" else ASK)], supply=supply, port=0x40)
    registers = {"iff1": 1, "iff2": 1, "im": int(kind[4]) if kind != "nmi" else 0, "i": 0x90}
    memory = {0x9040: "34 12"}
    plain = Bare("00 00", askers=[asker], memory=memory, **{**COMMON, **registers})
    plain.go(4 + sum(ack))
    for asked in range(3, 4 + sum(ack) - 1):
        taken = Bare("00 00", askers=[asker], takers=[Taker(at=[asked], length=9)],
                     memory=memory, **{**COMMON, **registers}).go(4 + sum(ack) + 10)
        ends = [4 + end for end in boundaries(ack)]
        assert taken.taker().given[0] == next(end for end in ends if end - 2 >= asked), asked
        assert taken.t == plain.t + 10
        assert taken.get(*STATE) == plain.get(*STATE), asked
        assert int(taken.m.ack_count) == int(plain.m.ack_count)
        assert int(taken.m.nmi_count) == int(plain.m.nmi_count)
        assert taken.m.vector_count.tolist() == plain.m.vector_count.tolist()
        assert taken.m.int_count.tolist() == plain.m.int_count.tolist()


def test_reti_ends_one_service():
    """The card sees ED 4D once, though the bus is away between the bytes and the pops."""
    for asked in range(13):
        asker = Asker(at=[(2, ASK)], port=0x40)
        taken = Bare("00 00", askers=[asker], takers=[Taker(at=[24 + asked], length=9)],
                     memory={0x38: "ED 4D"}, **{**COMMON, "iff1": 1, "iff2": 1, "im": 1})
        taken.go(4 + 13 + 14 + 10)
        assert taken.m.reti_count.tolist()[2] == 1
        assert int(taken.m.ius[2]) == 0


def test_ei_keeps_its_shadow_behind_a_bus_request():
    taken = machine("FB 00 00", Taker(at=[1], length=10), [Asker(at=[(0, ASK)], port=0x40)],
                    im=1).go(4 + 11 + 4 + 1)
    assert taken.asker(1).acknowledged == 4 + 11 + 4


def test_a_stop_in_the_void_rest_of_an_instruction_leaves_nothing_behind():
    """A snapshot while the bus is away goes on as the run did that it was taken from."""
    taken = machine("DD 34 05 3A 00 80 C5", Taker(at=[2, 15, 60], length=3, keeps=9))
    bare = taken.machine
    while taken.m.t < 20:
        bare.run(int(taken.m.t) + 1)
    assert int(taken.m.bus_owner) == 4
    assert taken.pc == PC
    saved = bare.snapshot()
    bare.run(200)
    end = taken._state()
    bare.restore(saved)
    bare.run(200)
    assert taken._state() == end


def test_the_first_slot_gets_the_bus_first():
    bare = Bare("00 00 00", takers=[Taker(at=[1]), Taker(at=[0])], **COMMON).go(30)
    assert [bare.taker(k).given[0] for k in (0, 1)] == [4, 12]


def test_a_machine_without_requests_watches_nothing():
    bare = Bare("00 00").go(8)
    assert int(bare.m.bus_watch) == 0 and min(bare.m.read_base.tolist()) >= 0
