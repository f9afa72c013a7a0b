"""The benchmark's loops: programs, and the bare machines that run them.

A program is a listing: address, bytes, text.  tests/test_tools_bench.py holds the bytes
against the disassembler.  Every loop runs for ever; a run ends at a T-state.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import bench_cards as cards
import numpy as np

from emu.bus.memory import refresh_map
from emu.bus.state import CHAINED_INTERRUPT, FAR, NOT_MINE, PHYSICAL, POOL_AT, new_record
from emu.cpu.run import run as plain_run
from emu.native import calls, jit, units

UNITS = ("emu.cpu.run", "bench_cards")
NO_CARD, STATUS, BANKS, TIMER = range(4)
MEMORY = 1 << 20  # bytes of physical memory that a loop may use
ENTRIES: dict[int, dict[int, Callable[..., int]]] = {
    NO_CARD: {},
    STATUS: {calls.READ: cards.status_read},
    BANKS: {calls.WRITE: cards.banks_write},
    TIMER: {calls.ADVANCE: cards.timer_advance, calls.ACKNOWLEDGE: cards.timer_acknowledge},
}
PORTS = {NO_CARD: (), STATUS: (0x10, 0x11), BANKS: (0x50,), TIMER: ()}


@dataclass(frozen=True)
class Loop:
    """A program and the card it talks to."""

    name: str
    listing: str
    card: int = NO_CARD

    def rows(self) -> list[tuple[int, bytes, str]]:
        """Give (address, bytes, text) of each line."""
        found = []
        for line in self.listing.strip().splitlines():
            address, code, text = line.split(maxsplit=1)[0], line[5:18], line[18:]
            found.append((int(address, 16), bytes.fromhex(code), text.strip()))
        return found


REGISTERS = Loop("register loop", """
0000 01 00 10     ld bc,1000h
0003 50           ld d,b
0004 0C           inc c
0005 79           ld a,c
0006 AA           xor d
0007 1F           rra
0008 57           ld d,a
0009 1D           dec e
000A 83           add a,e
000B 6F           ld l,a
000C 10 F6        djnz 0004h
000E C3 03 00     jp 0003h
""")

COPY = Loop("block copy", """
0000 21 00 20     ld hl,2000h
0003 34           inc (hl)
0004 11 00 40     ld de,4000h
0007 01 00 10     ld bc,1000h
000A ED B0        ldir
000C C3 00 00     jp 0000h
""")

CALLS = Loop("calls, IX and IY, 16-bit sums", """
0000 31 00 F0     ld sp,F000h
0003 DD 21 00 80  ld ix,8000h
0007 FD 21 00 90  ld iy,9000h
000B 11 03 00     ld de,0003h
000E CD 20 00     call 0020h
0011 C3 0E 00     jp 000Eh
0020 DD E5        push ix
0022 DD 19        add ix,de
0024 DD 7E 05     ld a,(ix+05h)
0027 FD 86 02     add a,(iy+02h)
002A FD 77 02     ld (iy+02h),a
002D 19           add hl,de
002E ED 6A        adc hl,hl
0030 ED 52        sbc hl,de
0032 DD 75 01     ld (ix+01h),l
0035 DD 34 03     inc (ix+03h)
0038 DD E1        pop ix
003A C9           ret
""")

POLLING = Loop("polling a status port", """
0000 DB 10        in a,(10h)
0002 E6 01        and 01h
0004 28 FA        jr z,0000h
0006 DB 11        in a,(11h)
0008 77           ld (hl),a
0009 23           inc hl
000A 7C           ld a,h
000B E6 3F        and 3Fh
000D F6 80        or 80h
000F 67           ld h,a
0010 C3 00 00     jp 0000h
""", STATUS)

BANKING = Loop("bank switching", """
0000 0E 00        ld c,00h
0002 79           ld a,c
0003 D3 50        out (50h),a
0005 21 00 40     ld hl,4000h
0008 34           inc (hl)
0009 7E           ld a,(hl)
000A 2C           inc l
000B 77           ld (hl),a
000C 0C           inc c
000D C3 02 00     jp 0002h
""", BANKS)

INTERRUPTS = Loop("an interrupt every 1,000 T", """
0000 31 00 F0     ld sp,F000h
0003 3E 01        ld a,01h
0005 ED 47        ld i,a
0007 ED 5E        im 2
0009 FB           ei
000A 23           inc hl
000B 7E           ld a,(hl)
000C 83           add a,e
000D 5F           ld e,a
000E C3 0A 00     jp 000Ah
0110 00           nop
0111 02           ld (bc),a
0200 F5           push af
0201 E5           push hl
0202 2A 00 05     ld hl,(0500h)
0205 23           inc hl
0206 22 00 05     ld (0500h),hl
0209 E1           pop hl
020A F1           pop af
020B FB           ei
020C ED 4D        reti
""", TIMER)

MIXED = Loop("mixed", """
0000 31 00 F0     ld sp,F000h
0003 21 00 20     ld hl,2000h
0006 11 00 40     ld de,4000h
0009 06 20        ld b,20h
000B 7E           ld a,(hl)
000C 80           add a,b
000D CE 07        adc a,07h
000F 12           ld (de),a
0010 23           inc hl
0011 1C           inc e
0012 CB 48        bit 1,b
0014 28 03        jr z,0019h
0016 CD 30 00     call 0030h
0019 05           dec b
001A 20 EF        jr nz,000Bh
001C 7C           ld a,h
001D FE 24        cp 24h
001F 38 E8        jr c,0009h
0021 C3 03 00     jp 0003h
0030 E5           push hl
0031 21 00 50     ld hl,5000h
0034 34           inc (hl)
0035 A6           and (hl)
0036 4F           ld c,a
0037 E1           pop hl
0038 C9           ret
""")

LOOPS = (REGISTERS, COPY, CALLS, POLLING, BANKING, INTERRUPTS, MIXED)


def memory_of(loop: Loop) -> np.ndarray:
    """Give the physical memory at the start: noise (seeded), with the program in it."""
    memory = np.random.default_rng(1).integers(0, 256, MEMORY, np.uint8)
    for address, code, _ in loop.rows():
        memory[address:address + len(code)] = np.frombuffer(code, np.uint8)
    return memory


class BareMachine:
    """Our core with RAM in every page and one bench card in slot 0."""

    def __init__(self, loop: Loop) -> None:
        self.record = new_record()
        m = self.m = self.record[0]
        m.phys[:MEMORY] = memory_of(loop)
        m.slots = 1
        m.state_offset[0] = POOL_AT
        self.state = m.pool[:cards.STATE.itemsize].view(cards.STATE).view(np.recarray)
        m.event_t[:] = FAR
        m.held_t = -1
        m.log_limit = FAR
        m.rclaim[:] = m.wclaim[:] = NOT_MINE
        m.mem_count = 1
        m.rclaim[0] = m.wclaim[0] = np.arange(16) * 4096
        m.read_base_true[:] = m.write_base_true[:] = np.arange(16) * 4096
        m.owner[:] = 1
        m.port_slot[:] = -1
        for register, port in enumerate(PORTS[loop.card]):
            m.port_slot[port], m.port_reg[port] = 0, register
        if loop.card == TIMER:
            m.int_kind[0], m.vectored[0] = CHAINED_INTERRUPT, 1
            m.chain_len = m.chained[0] = m.iei[0] = m.ieo[0] = 1
            m.event_t[0] = 0
        refresh_map(m)
        self._connect(ENTRIES[loop.card])

    def _connect(self, functions: dict[int, Callable[..., int]]) -> None:
        if jit.plain_python():
            self.m.uid = -2
            row: list[Callable[..., int] | None] = [functions.get(k) for k in range(8)]
            calls.PLAIN_TABLE[-2, 0] = (self.state[0], row)
            return
        loaded = units.load(UNITS)
        for entry, function in functions.items():
            self.m.card_functions[0, entry] = loaded.addresses[f"bench_cards.{function.__name__}"]
        self._native = units.callable_root("emu.cpu.run.run", 1)

    def run(self, t_stop: int) -> None:
        """Run to a T-state."""
        if jit.plain_python():
            plain_run(self.m, np.int64(t_stop))
        else:
            self._native(self.record.ctypes.data, t_stop)

    def end_state(self) -> dict[str, np.ndarray]:
        """Give all that the reference must agree on."""
        m = self.m
        same = ("pc", "sp", "i", "refresh", "iff1", "iff2", "im", "wz", "q", "after_ei", "t",
                "instructions", "int_line", "bus_byte", "r", "port_reads", "port_writes",
                "read_base", "write_base")
        found = {name: np.array(self.record[name][0]) for name in same}
        for name in ("event_t", "ip", "ius", "int_count", "reti_count"):
            found[name] = np.array(self.record[name][0][0])
        found["card"] = np.array([self.state["a"][0], self.state["b"][0]])
        found["memory"] = np.array(m.phys[:MEMORY])
        return found


assert MEMORY <= PHYSICAL
