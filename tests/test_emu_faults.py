"""Electrical faults: what the CPU and the cards see of each other."""
from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emu.backplane.description import load
from emu.backplane.fault_kinds import KINDS
from emu.bus.state import NMI_FETCH, A
from emu.errors import InputError
from emu.machine.machine import Machine

BASE = """
[slot.cpu]
card = "z80-cpu"
clock = "10 MHz"

[slot.memory]
card = "plain-memory"
image = "image.bin"

[slot.sio]
card = "z80-sio"
base = 0x20
"""
CHAIN = BASE + """
[slot.ctc]
card = "z80-ctc"
base = 0x28

[backplane]
chain = ["ctc", "sio"]
"""


def built(tmp_path: Path, code: str, *faults: str, base: str = BASE) -> Machine:
    """Build a machine that runs some bytes from address 0."""
    (tmp_path / "image.bin").write_bytes(bytes.fromhex(code))
    (tmp_path / "m.toml").write_text(base)
    return Machine(load(tmp_path / "m.toml", faults))


def a_after(tmp_path: Path, code: str, *faults: str) -> int:
    """Give A once the program stands in HALT."""
    machine = built(tmp_path, code + "76", *faults)
    machine.run(1000)
    assert int(machine.m.halted) == 1
    return int(machine.m.r[A])


STORE_LOAD = "3E A5 32 00 80 3C 3A 00 80"  # LD A,A5h; LD (8000h),A; INC A; LD A,(8000h)


@pytest.mark.parametrize(("fault", "a"), [
    ("data-stuck,line=0,level=0,from=0x8000", 0xA4),
    ("data-stuck,line=1,level=1,from=0x8000", 0xA7),
    ("data-swapped,line=0,with=1,from=0x8000", 0xA5),  # RAM: written and read through the same
    ("data-stuck,line=0,level=0,slot=sio", 0xA5),
    ("ram-dead", 0xFF),
    ("ram-dead,from=0x9000", 0xA5),
    ("slow-memory,access=200,from=0x8000", 0xFF),  # 250 ns less 90: 2.5 T-states (UM0080 p.9)
    ("slow-memory,access=155,from=0x8000", 0xA5),
    ("slow-memory,access=200,overhead=40,from=0x8000", 0xA5),
])
def test_ram_through_a_fault(tmp_path: Path, fault: str, a: int) -> None:
    assert a_after(tmp_path, STORE_LOAD) == 0xA5
    assert a_after(tmp_path, STORE_LOAD, fault) == a


def test_a_rom_with_swapped_data_lines_reads_another_byte(tmp_path: Path) -> None:
    code = "3A 10 00 76" + "00" * 12 + "01"
    assert a_after(tmp_path, code) == 0x01
    assert a_after(tmp_path, code, "data-swapped,line=0,with=1,from=0x10,to=0x10") == 0x02


def test_a_fetch_is_sampled_half_a_t_state_before_a_read(tmp_path: Path) -> None:
    """UM0080 p.8-9: a fetch with the rising edge of T3, a read with the falling one."""
    assert a_after(tmp_path, "3E 01", "slow-memory,access=105") == 1
    machine = built(tmp_path, "3E 01 76", "slow-memory,access=115")
    machine.run(400)
    assert int(machine.m.rst38_count) > 0  # FFh, from pull-ups
    assert int(machine.m.late_reads) > 0


def test_a_wait_state_mends_slow_memory(tmp_path: Path) -> None:
    base = BASE.replace('image = "image.bin"', 'image = "image.bin"\nwaits-m1 = 1')
    machine = built(tmp_path, "3E 01 76", "slow-memory,access=115", base=base)
    machine.run(400)
    assert int(machine.m.halted) == 1
    assert int(machine.m.late_reads) == 0


@pytest.mark.parametrize(("fault", "address"), [
    ("address-stuck,line=8,level=0", 0x8000),
    ("address-stuck,line=8,level=1,from=0x8000", 0x8100),
    ("address-swapped,line=8,with=9,from=0x8000", 0x8200),
])
def test_address_lines(tmp_path: Path, fault: str, address: int) -> None:
    """A write to 8100h arrives where the lines lead."""
    machine = built(tmp_path, "3E 5A 32 00 81 76", fault)
    machine.m.phys[0x8000:] = 0
    machine.run(1000)
    written = np.nonzero(np.asarray(machine.m.phys[0x8000:0x10000]) == 0x5A)[0]
    assert (written + 0x8000).tolist() == [address]


def test_a_stuck_line_counts_for_ports_too(tmp_path: Path) -> None:
    """OUT (29h) with A3 low reaches the SIO at 21h: WR0's pointer, then WR2 of channel A."""
    machine = built(tmp_path, "3E 01 D3 29 76", "address-stuck,line=3,level=0")
    machine.run(1000)
    sio = machine.slot("sio").number
    assert int(machine.m.slot_writes[sio]) == 1
    assert int(machine.m.port_writes[0x29]) == 1  # what stands at the CPU's pins


def test_a_silent_card_leaves_the_bus_alone(tmp_path: Path) -> None:
    code = "DB 21"
    assert a_after(tmp_path, code) != 0xFF
    assert a_after(tmp_path, code, "card-silent,slot=sio") == 0xFF
    assert a_after(tmp_path, code, "card-silent,slot=sio", "no-pull-ups") == 0x21  # the operand
    assert a_after(tmp_path, code, "slow-io,slot=sio,access=900") == 0xFF
    machine = built(tmp_path, "00", "card-silent,slot=memory")
    machine.run(100)
    assert int(machine.m.rst38_count) > 0


# CTC channel 0: 128 T-states; mode 2 table at 8000h, vector 10h.
TICK = ("31 00 90 21 40 00 22 10 80 21 60 00 22 FF 80 3E 80 ED 47 ED 5E 3E 10 D3 28 3E 85 D3 28 "
        "3E 08 D3 28 FB 18 FE").replace(" ", "")
TICK += "00" * (0x40 - len(TICK) // 2) + "3E42ED4D" + "00" * 0x1C + "3E6676"


def test_a_blocked_vector_is_driven_but_not_read(tmp_path: Path) -> None:
    machine = built(tmp_path, TICK, "vector-blocked", base=CHAIN)
    machine.run(3000)
    assert int(machine.m.ack_driven) == 0x10
    assert int(machine.m.vector_count[0xFF]) == 1
    assert int(machine.m.ack_empty) == 0


@pytest.mark.parametrize(("faults", "counts"), [
    ((), (1, 1)),
    (("reti-unseen",), (1, 0)),
    (("chain-reversed,slot=ctc",), (0, 0)),  # an undriven IEI reads low, as behind "open"
    (("chain-reversed,slot=ctc,floats=high",), (1, 1)),
    (("int-open,slot=ctc",), (0, 0)),
    (("card-silent,slot=ctc",), (0, 0)),
])
def test_the_interrupt_path(tmp_path: Path, faults: tuple[str, ...],
                            counts: tuple[int, int]) -> None:
    machine = built(tmp_path, TICK, *faults, base=CHAIN)
    machine.run(700)
    number = machine.slot("ctc").number
    assert (min(int(machine.m.int_count[number]), 1),
            min(int(machine.m.reti_count[number]), 1)) == counts


def test_a_reversed_link_with_iei_high_lets_two_cards_answer(tmp_path: Path) -> None:
    """Each card needs exactly one IEO before its IEI (UM0081, daisy chain)."""
    machine = built(tmp_path, "18 FE", "chain-reversed,slot=ctc,floats=high", base=CHAIN)
    m = machine.m
    m.ip[machine.slot("ctc").number] = 1
    m.ip[machine.slot("sio").number] = 1
    m.irq_dirty = 1
    machine.run(20)
    assert [int(m.iei[machine.slot(n).number]) for n in ("ctc", "sio")] == [1, 1]


def test_int_low_asks_without_a_card(tmp_path: Path) -> None:
    machine = built(tmp_path, "31 00 90 ED 56 FB 18 FE", "int-low")
    machine.run(500)
    assert int(machine.m.ack_count) == 1
    assert int(machine.m.int_line) == 1


def test_nmi_noise_comes_from_the_seed(tmp_path: Path) -> None:
    def falls(seed: int, slice_: int) -> list[int]:
        code = "31 00 90 18 FE" + "00" * 0x61 + "ED 45"
        (tmp_path / "image.bin").write_bytes(bytes.fromhex(code))
        (tmp_path / "m.toml").write_text(BASE)
        machine = Machine(load(tmp_path / "m.toml", ("nmi-noise,every=0.0001",)), seed)
        seen = []
        while int(machine.m.t) < 100_000:
            machine.run(int(machine.m.t) + slice_)
            if not seen or seen[-1] != int(machine.m.nmi_last):
                seen.append(int(machine.m.nmi_last))
        return [t for t in seen if t]

    assert falls(1, 7) == falls(1, 23)
    assert falls(1, 23) != falls(2, 23)
    assert 50 < len(falls(1, 23)) < 200  # some 100 in 10 ms


def test_a_held_cpu_makes_no_bus_cycle(tmp_path: Path) -> None:
    for fault, cycles in (("reset-held", 0), ("wait-held,at=0.00001", 1)):
        machine = built(tmp_path, "18 FE", fault)
        machine.log(True)
        machine.run(5000)
        assert int(machine.m.t) == 5000
        assert min(int(machine.m.log_pos), 1) == cycles
        assert int(machine.m.log_pos) < 50


def test_a_faulty_machine_repeats_itself(tmp_path: Path) -> None:
    """Snapshot, slices and the log change nothing; the same at the same T-state."""
    faults = ("slow-memory,access=150,spread=30,from=0x8000", "nmi-noise,every=0.0003")
    code = ("31 00 90 21 00 80 34 23 7C FE 88 20 F9 18 F4" + "00" * 0x57 + "ED 45")
    machine = built(tmp_path, code, *faults)
    machine.run(50_000)
    saved = machine.snapshot()
    machine.run(200_000)
    whole = machine.snapshot()
    machine.restore(saved)
    machine.log(True)
    while int(machine.m.t) < 200_000:
        machine.run(min(int(machine.m.t) + 777, 200_000))
    machine.log(False)
    again = machine.snapshot()
    assert int(machine.m.late_reads) > 0
    assert int(machine.m.nmi_count) > 0
    assert again.t == whole.t
    assert (again.memory == whole.memory).all()


def test_an_nmi_fetch_is_logged(tmp_path: Path) -> None:
    machine = built(tmp_path, "31 00 90 18 FE" + "00" * 0x61 + "ED 45", "nmi-noise,every=0.0001")
    machine.log(True)
    machine.run(20_000)
    kinds = (np.asarray(machine.m.log[1:2 * int(machine.m.log_pos):2]) >> 24) & 15
    assert (kinds == NMI_FETCH).sum() == int(machine.m.nmi_count) > 0


def test_a_file_may_hold_faults(tmp_path: Path) -> None:
    base = BASE + '\n[[fault]]\nkind = "ram-dead"\nfrom = 0x8000\n'
    machine = built(tmp_path, STORE_LOAD + "76", "reti-unseen", base=base)
    machine.run(1000)
    assert int(machine.m.r[A]) == 0xFF
    assert [str(f) for f in machine.description.faults] == ["ram-dead,from=32768", "reti-unseen"]


@pytest.mark.parametrize(("text", "message"), [
    ("ram-deed", "--fault ram-deed: there is no fault 'ram-deed'; did you mean 'ram-dead'?"),
    ("data-stuck,line=8,level=0",
     "--fault data-stuck,line=8,level=0: line takes a whole number from 0 to 7, not 8."),
    ("data-stuck,line=3",
     "--fault data-stuck,line=3: data-stuck needs level (what it reads as: 0 or 1)."),
    ("data-stuck,line=3,level=2",
     "--fault data-stuck,line=3,level=2: level takes 0 or 1, not 2."),
    ("card-silent,slot=sio2",
     "--fault card-silent,slot=sio2: there is no slot 'sio2'; did you mean 'sio'?"),
    ("ram-dead,frm=1",
     "--fault ram-dead,frm=1: ram-dead has no setting 'frm'; did you mean 'from'?"),
    ("ram-dead,from", "--fault ram-dead,from: 'from' is not KEY=VALUE, such as line=3."),
    ("ram-dead,from=1,from=2", "--fault ram-dead,from=1,from=2: from is given twice."),
    ("ram-dead,from=5,to=2", "--fault ram-dead,from=5,to=2: from lies above to."),
    ("address-swapped,line=1,with=1",
     "--fault address-swapped,line=1,with=1: line and with take two different lines."),
    ("nmi-noise,every=0", "--fault nmi-noise,every=0: every takes more than 0 seconds."),
    ("chain-reversed,slot=sio",
     "--fault chain-reversed,slot=sio: slot 'sio' does not stand in backplane.chain."),
    ("reti-unseen,at=3", "--fault reti-unseen,at=3: reti-unseen has no setting 'at'; it takes no "
                         "settings."),
])
def test_one_clear_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        built(tmp_path, "00", text)
    assert str(caught.value) == message


def test_a_question_mark_lists_the_kinds(tmp_path: Path) -> None:
    """The help of ``--fault`` says so."""
    with pytest.raises(InputError) as caught:
        built(tmp_path, "00", "?")
    assert str(caught.value) == (
        f"--fault ?: there is no fault '?'; known are {', '.join(sorted(KINDS))}.")


def test_mistakes_in_a_file_name_the_file(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        built(tmp_path, "00", base=BASE + '\n[[fault]]\nkind = "ram-dead"\nfrom = "x"\n')
    assert str(caught.value) == (f"{tmp_path}/m.toml: fault 1: from takes a whole number from 0 "
                                 f"to 65535, not 'x'.")


def test_every_kind_stands_in_the_docs() -> None:
    text = (Path(__file__).parent.parent / "docs" / "faults.md").read_text()
    for kind in KINDS.values():
        assert f"| `{kind.name}` | {kind.summary} |" in text
        for key in kind.keys:
            assert f"`{key.name}`" in text


def test_the_tables_of_the_docs_are_what_the_code_declares() -> None:
    import docs_tables

    assert docs_tables.main(["--check"]) == 0


@pytest.mark.parametrize(("code", "fault", "first"), [
    ("3A 00 80 3A 01 80 76", "slow-memory,access=300,from=0x8000", (0x8000, 0)),
    ("3E 00 DB 20 3E 00 DB 21 76", "slow-io,slot=sio,access=1000", (0x0020, 1)),
])
def test_late_reads_are_counted_and_the_first_is_kept(tmp_path: Path, code: str, fault: str,
                                                      first: tuple[int, int]) -> None:
    machine = built(tmp_path, code, fault)
    machine.run(1000)
    m = machine.m
    assert (int(m.halted), int(m.late_reads)) == (1, 2)
    assert (int(m.late_first_at), int(m.late_first_kind)) == first
    assert 0 < int(m.late_first_t) < 30


def test_a_spread_makes_some_reads_late_and_some_not(tmp_path: Path) -> None:
    """In time by the mean (2.5 T-states of 100 ns, less 90): half of 256 reads, by the seed."""
    code = "06 00 3A 00 80 10 FB 76"  # LD B,0; loop: LD A,(8000h); DJNZ loop
    counts = []
    for fault in ("slow-memory,access=159,spread=0,from=0x8000",
                  "slow-memory,access=160,spread=40,from=0x8000",
                  "slow-memory,access=161,spread=0,from=0x8000"):
        machine = built(tmp_path, code, fault)
        machine.run(20_000)
        assert int(machine.m.halted) == 1
        counts.append(int(machine.m.late_reads))
    assert counts[0] == 0 and 96 < counts[1] < 160 and counts[2] == 256


def test_ram_that_is_dead_in_a_range_takes_the_rom_there_with_it(tmp_path: Path) -> None:
    """Without a range only what can be written is dead."""
    code = "3A 10 00 76" + "00" * 12 + "01"
    assert a_after(tmp_path, code, "ram-dead") == 1
    assert a_after(tmp_path, code, "ram-dead,from=0x10,to=0x10") == 0xFF
    assert a_after(tmp_path, code, "ram-dead,from=0x11") == 1


@pytest.mark.parametrize(("waits", "access", "late"), [
    (0, 159, 0), (0, 161, 1), (1, 259, 0), (1, 261, 1)])
def test_a_port_is_sampled_two_and_a_half_t_states_behind_iorq(tmp_path: Path, waits: int,
                                                             access: int, late: int) -> None:
    """UM0080 p.10; a wait state adds one. 90 ns of them are not there for the card."""
    base = BASE.replace("base = 0x20", f"base = 0x20\nwaits-io = {waits}")
    machine = built(tmp_path, "3E 00 DB 20 76", f"slow-io,slot=sio,access={access}", base=base)
    machine.run(200)
    assert (int(machine.m.halted), int(machine.m.late_reads)) == (1, late)


def test_a_silent_memory_card_gives_and_takes_nothing(tmp_path: Path) -> None:
    machine = built(tmp_path, "3E 01 76", "card-silent,slot=memory")
    machine.run(500)
    assert int(machine.m.halted) == 0 and int(machine.m.rst38_count) > 0
    assert a_after(tmp_path, STORE_LOAD, "card-silent,slot=sio") == 0xA5
    assert a_after(tmp_path, STORE_LOAD, "data-stuck,line=0,level=0,slot=memory,from=0x8000"
                   ) == 0xA4


def test_an_address_line_is_stuck_up_to_the_last_address_of_its_range(tmp_path: Path) -> None:
    code = "3A 10 00 76" + "00" * 12 + "01 02"
    assert a_after(tmp_path, code, "address-stuck,line=0,level=1,from=0x10,to=0x10") == 2
    assert a_after(tmp_path, code, "address-stuck,line=0,level=1,from=0xF,to=0xF") == 1
