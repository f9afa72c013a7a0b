"""Serial pins in traces, against levels worked out T-state by T-state.

What a decoder from outside reads is in tests/test_published_serial_buses.py.
"""
from __future__ import annotations

from pathlib import Path

from boards import CPU_AND_MEMORY

from emu.backplane.description import load
from emu.bus.state import OUT
from emu.logs.setting import setting_of
from emu.logs.tracer import watch
from emu.machine.machine import Machine

BIT = 160  # T-states: 6.144 MHz against 614.4 kHz / 16
BOARD = CPU_AND_MEMORY + """[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
"""
# master reset; /16, 8N1; send 55h; DJNZ; transmit control 11, break, in the middle of the frame;
# DJNZ; no break; DJNZ; a break on the idle line; DJNZ; no break; jr $
PROGRAM = bytes.fromhex("3E03 D330 3E15 D330 3E55 D331 0620 10FE 3E75 D330 0618 10FE 3E15 D330"
                        "0660 10FE 3E75 D330 0620 10FE 3E15 D330 18FE")


def test_frames_and_breaks_stand_where_they_are_on_the_wire(tmp_path: Path) -> None:
    """Start bit, 55h with its least significant bit first, stop bit (MC6850's data sheet); a break
    holds the line low from its OUT to that which ends it."""
    (tmp_path / "p.bin").write_bytes(PROGRAM)
    (tmp_path / "board.toml").write_text(BOARD)
    machine = Machine(load(tmp_path / "board.toml"))
    chunk = watch(machine, 8000)
    lines = {name: number for number, name in setting_of(machine).probes.items()}
    seen = [(half / 2, level) for half, line, level in chunk.edges.tolist()
            if line == lines["acia_txd"]]
    outs = {(int(c["t"]) + 3, int(c["data"])) for c in chunk.cycles if c["kind"] == OUT}
    begun, ended = ([t for t, data in sorted(outs) if data == byte][-2:] for byte in (0x75, 0x15))
    start = seen[0][0]
    assert 0 <= start - next(t for t, data in outs if data == 0x55) <= BIT / 16
    frame = [0, 1, 0, 1, 0, 1, 0, 1, 0, 1]
    expected, level = [], 1
    for t in range(8000):
        k = int((t - start) // BIT)
        now = frame[k] if 0 <= k < len(frame) else 1
        if any(a <= t < b for a, b in zip(begun, ended, strict=True)):
            now = 0
        if now != level:
            expected.append((float(t), now))
        level = now
    assert seen == expected and 0 < begun[0] - start < 10 * BIT
    assert not [edge for edge in chunk.edges.tolist() if edge[1] == lines["acia_rxd"]]
