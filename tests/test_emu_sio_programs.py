"""Programs that lean on what a Z80 SIO's manual says in few words, run on a machine.

UM0081, SIO chapter, WR0: channel reset of A, and what RR0 shows until command 2 (both from
memory: 80 and 95 %).
"""
from __future__ import annotations

from pathlib import Path

import pytest
from sio_machine import memory, sio_machine

from emu.run.session import Session

SEEN, COUNT = 0x9000, 0x9100
SET_UP = (4, 0x44, 3, 0xC1, 5, 0xEA)
RECEIVE = 0x10  # WR1: an interrupt for each character


@pytest.mark.parametrize(("command", "keys"), [(0x18, 3), (0x00, 1)])
def test_a_warm_restart_out_of_a_handler_needs_a_channel_reset(
        tmp_path: Path, command: int, keys: int) -> None:
    """The handler never returns: it takes its return address away and starts anew.  18h to A frees
    the chip's under-service latch; without it no further character interrupts."""
    tables = {0x80: bytes([2, 0x40]), 0x90: bytes([command, *SET_UP, 1, RECEIVE]),
              0x140: (0x0100).to_bytes(2, "little"),
              # in a,(20h); ld (SEEN),a; ld hl,COUNT; inc (hl); pop hl; jp warm
              0x100: bytes.fromhex("DB 20 32 00 90 21 00 91 34 E1 C3 0D 00")}
    # im 2; ld a,1; ld i,a; xor a; ld (COUNT),a; warm: otir to B and A; ei; halt; jr $-1
    code = ("ED 5E 3E 01 ED 47 AF 32 00 91 21 80 00 01 23 02 ED B3 "
            "21 90 00 01 21 09 ED B3 FB 76 18 FD")
    session = Session(sio_machine(tmp_path, "", code, tables))
    for key in b"abc":
        session.run_to(int(session.machine.m.t) + session.machine.at(0.002))
        session.type_in("sio.a", bytes([key]))
    session.run_to(int(session.machine.m.t) + session.machine.at(0.002))
    assert memory(session.machine, COUNT, 1)[0] == keys


@pytest.mark.parametrize(("opens", "shows"), [(False, [0x20, 0, 0]), (True, [0x20, 0, 0x20])])
def test_polled_cts_stands_still_without_command_2(tmp_path: Path, opens: bool,
                                                   shows: list[int]) -> None:
    """WR1 bit 0 is off: the first change shows, the next one not until 10h was written."""
    tables = {0x90: bytes([0x18, *SET_UP, 1, 0])}
    # otir; loop: (ld a,10h; out (21h),a); in a,(21h); and 20h; ld (SEEN),a; jr loop
    loop = ("3E 10 D3 21 " if opens else "") + "DB 21 E6 20 32 00 90 "
    back = 0x100 - len(bytes.fromhex(loop)) - 2
    code = f"21 90 00 01 21 09 ED B3 {loop} 18 {back:02X}"
    session = Session(sio_machine(tmp_path, "", code, tables))
    seen = []
    for level in ("low", "high", "low"):
        session.do("jumper", "sio.cts-a", level)
        session.run_to(int(session.machine.m.t) + session.machine.at(0.001))
        seen.append(memory(session.machine, SEEN, 1)[0])
    assert seen == shows
