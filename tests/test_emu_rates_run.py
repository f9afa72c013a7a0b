"""What `preburn rates` lists for odd machines, run: both sides read each other at that rate."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.backplane.rate_search import WORST, Reached, reach
from emu.testing import Rig
from peripherals.card import BAUD, TICK

ODD = """
[backplane]
chain = ["ctc", "ctc2", "sio"]
[slot.cpu]
card = "z80-cpu"
clock = "8 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.ctc]
card = "z80-ctc"
base = 0x28
trigger-0 = "1.8432 MHz"
[slot.ctc2]
card = "z80-ctc"
base = 0x2C
[slot.sio]
card = "z80-sio"
base = 0x20
clock-a = "307.2 kHz"
terminal-a = { baud = BAUD }
terminal-b = { baud = BAUD }
[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
terminal = { baud = BAUD }
[slot.acia2]
card = "acia-6850"
base = 0x34
terminal = { baud = BAUD }
[slot.uart]
card = "uart-16550"
base = 0xC8
clock = "1.8432 MHz"
terminal = { baud = BAUD }
[slot.uart2]
card = "uart-16550"
base = 0xD0
terminal = { baud = BAUD }
[slot.rtc]
card = "rtc-6242"
base = 0xE0
interrupt = true
[[wire]]
from = "ctc.zcto0"
to = "sio.clock-b"
[[wire]]
from = "ctc.zcto1"
to = "ctc2.trigger0"
[[wire]]
from = "ctc2.zcto0"
to = "ctc2.trigger1"
[[wire]]
from = "ctc2.zcto1"
to = "acia2.clock"
[[wire]]
from = "ctc.zcto2"
to = "uart2.clock"
"""
# status port, its bit for a character that came, its bit for room, data port
PORTS = {"sio a": (0x21, 0x01, 0x04, 0x20), "sio b": (0x23, 0x01, 0x04, 0x22),
         "acia": (0x30, 0x01, 0x02, 0x31), "acia2": (0x34, 0x01, 0x02, 0x35),
         "uart": (0xCD, 0x01, 0x20, 0xC8), "uart2": (0xD5, 0x01, 0x20, 0xD0)}


def writes(way: Reached) -> bytes:
    """LD A,n; OUT (port),A for each byte listed."""
    code = bytearray()
    for port, write in way.writes:
        assert port is not None
        code += bytes((0x3E, write.byte, 0xD3, port))
    return bytes(code)


def echo(status: int, came: int, room: int, data: int) -> bytes:
    """Send "U", then every character that comes."""
    until = {bit: bytes((0xDB, status, 0xE6, bit, 0x28, 0xFA)) for bit in (room, came)}
    return (b"\x0e\x55" + until[room] + bytes((0x79, 0xD3, data)) + until[came]
            + bytes((0xDB, data, 0x4F, 0x18, 0xEC)))


def rig_of(folder: Path, baud: int, code: bytes) -> Rig:
    (folder / "p.bin").write_bytes(code)
    (folder / "m.toml").write_text(ODD.replace("BAUD", str(baud)))
    return Rig(load(folder / "m.toml"))


@pytest.mark.parametrize("baud", [300, 1200, 4800, 9600, 19200, 31250, 38400, 115200])
def test_both_ends_read_each_other(tmp_path: Path, baud: int) -> None:
    rig = rig_of(tmp_path, baud, b"\x76")
    found = [w for w in reach(rig.machine.description, BAUD, Fraction(baud))
             if abs(w.error) <= WORST]
    assert found
    for way in found:
        name = f"{way.slot} {way.way.part}".strip()
        channel = ".".join(filter(None, (way.slot, way.way.part)))
        rig = rig_of(tmp_path, baud, writes(way) + echo(*PORTS[name]))
        rig.expect("U", 20 / baud + 0.01, channel)
        if way.way.note:
            continue  # a x1 clock: only sending is promised
        rig.send("Tide", channel)
        rig.expect("Tide", 100 / baud + 0.05, channel)


@pytest.mark.parametrize("hertz", [1, 50, 64, 100, 1000, 7200])
def test_ticks_come_as_often_as_is_listed(tmp_path: Path, hertz: int) -> None:
    rig = rig_of(tmp_path, 9600, b"\x76")
    found = [w for w in reach(rig.machine.description, TICK, Fraction(hertz))
             if abs(w.error) <= WORST]
    assert found
    for way in found:
        # IM 1: at 0038h PUSH AF, clear the clock's flag, POP AF, EI, RETI
        main = b"\x31\x00\x90\x18\x50".ljust(0x38, b"\0") + bytes.fromhex(
            "F5 AF D3 ED F1 FB ED 4D".replace(" ", ""))
        code = main.ljust(0x55, b"\0") + b"\xed\x56" + writes(way) + b"\xfb\x76\x18\xfd"
        rig = rig_of(tmp_path, 9600, code)
        time = 2.25 if hertz == 1 else 1.25
        rig.run(time)
        count = rig.port(0xED).writes  # by the handler
        assert abs(count - float(way.way.rate) * time) <= 2, (way, count)


def test_a_clock_of_x1_says_what_it_cannot_do(tmp_path: Path) -> None:
    ways = reach(rig_of(tmp_path, 9600, b"\x76").machine.description, BAUD, Fraction(614400))
    noted = [w for w in ways if w.slot == "acia" and w.way.rate == 614400]
    assert [w.way.note for w in noted] == [
        "sends; to receive, the sender's clock must be in step with this one"]


def test_out_of_reach(tmp_path: Path) -> None:
    rig = rig_of(tmp_path, 9600, b"\x76")
    for purpose, want in ((BAUD, 2_000_000), (TICK, 10_000_000)):
        assert all(abs(w.error) > WORST for w in reach(rig.machine.description, purpose,
                                                       Fraction(want)))
