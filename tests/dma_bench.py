"""A machine with a Z80 DMA at port 30h, RAM, and a latch at 40h whose q0 is wired to RDY.

    bench = DmaBench([0x79, ...])         # the CPU writes these by OTIR, then runs in a loop
    bench.run(2000)
    bench.cycles("dma-read")              # (T-state, address, byte) of each such cycle
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cpu_cards

from emu.backplane.description import Description, SlotDescription
from emu.backplane.port_rows import PortRow
from emu.bus.state import KIND_NAMES
from emu.logs.cycles import lengths, read_ring
from emu.machine.machine import Machine
from peripherals import parallel_latch, z80_cpu, z80_dma, z80_pio

BYTES_AT = 0x8000
LOOP = "18 FE"
DMA, LATCH, PIO = 2, 3, 4


def _settings(card: Any, given: Mapping[str, Any]) -> dict[str, Any]:
    return {jumper.name: jumper.default for jumper in card.jumpers} | dict(given)


class DmaBench:
    """The machine; the CPU runs ``first`` before the control bytes, ``then`` behind them (hex)."""

    def __init__(self, control: Sequence[int], *, then: str = LOOP, first: str = "",
                 rdy: int | None = 1, wire: str = "latch",
                 memory: Mapping[int, bytes] | None = None,
                 settings: Mapping[str, Any] | None = None, im: int = 1,
                 ram_waits: int = 0) -> None:
        slots = [self._slot("cpu", z80_cpu.CARD, {"part": "nmos"}, ()),
                 self._slot("ram", cpu_cards.RAM, {"window": -1}, (), ram_waits),
                 self._slot("dma", z80_dma.CARD, settings or {}, (0x30,)),
                 self._slot("latch", parallel_latch.CARD, {}, (0x40,)),
                 self._slot("pio", z80_pio.CARD, {"partner-a": "takes", "partner-time": 20},
                            (0x50, 0x51, 0x52, 0x53))]
        wires = () if rdy is None else (self._wire(wire),)
        self.machine = Machine(Description(
            Path("dma.toml"), "dma", tuple(slots), ("dma", "pio"), wires, "pull-ups", 1,
            Fraction(4_000_000)))
        self.m = self.machine.m
        self.put(0, bytes.fromhex(f"3E {rdy or 0:02X} D3 40 {first} 21 00 80 01 30 "
                                  f"{len(control):02X} ED B3 {then}"))
        self.put(BYTES_AT, bytes(control))
        for address, data in (memory or {}).items():
            self.put(address, data)
        self.m.im = im
        self.log: list[tuple[int, str, int, int, int]] = []

    @staticmethod
    def _wire(name: str) -> Any:
        source = {"latch": ("latch", parallel_latch.CARD.outputs.index("q0")),
                  "ardy": ("pio", z80_pio.CARD.outputs.index("ardy"))}[name]
        return SimpleNamespace(source=source[0], output=source[1], target="dma", input=0)

    @staticmethod
    def _slot(name: str, card: Any, given: Mapping[str, Any], ports: Sequence[int],
              waits: int = 0) -> SlotDescription:
        rows = tuple(PortRow(k, port, 0xFF) for k, port in enumerate(ports))
        return SlotDescription(name, card, _settings(card, given), rows, {}, 0, waits, 0,
                               f"dma.toml: slot.{name}")

    @property
    def printed(self) -> bytes:
        """What the PIO's partner at port A has taken."""
        port = self.machine.slots[PIO].state.port[0]
        return bytes(port.paper[:int(port.papers)])

    @property
    def dma(self) -> Any:
        """The card's state."""
        return self.machine.slots[DMA].state

    def put(self, address: int, data: bytes) -> None:
        """Write memory."""
        for k, byte in enumerate(data):
            self.m.phys[address + k & 0xFFFF] = byte

    def get(self, address: int, count: int) -> bytes:
        """Read memory."""
        return bytes(self.m.phys[address:address + count])

    def run(self, until: int) -> DmaBench:
        """Run to a T-state with the log on."""
        self.machine.log(True)
        self.machine.run(until)
        rows = read_ring(self.m, 0, int(self.m.log_pos))
        self.log += [(int(row["t"]), KIND_NAMES[row["kind"]], int(row["address"]),
                      int(row["data"]), int(size))
                     for row, size in zip(rows, lengths(rows), strict=True)]
        self.machine.log(False)
        return self

    def cycles(self, *kinds: str) -> list[tuple[int, int, int]]:
        """T-state, address and byte of each logged cycle of some kinds."""
        return [(t, address, data) for t, kind, address, data, _ in self.log if kind in kinds]

    def times(self, kind: str) -> list[int]:
        """T-states of each logged cycle of a kind."""
        return [t for t, *_ in self.cycles(kind)]

    def describe(self) -> str:
        """The card's state in words."""
        return "\n".join(z80_dma.CARD.describe(self.m, self.dma))

    def codes(self) -> list[str]:
        """The codes of the troubles that the card tells of."""
        return [trouble.code for trouble in z80_dma.CARD.troubles(self.m, self.dma)]


def block(mode: int = 2, *, operation: int = 1, start_a: int = 0x9000, start_b: int = 0xA000,
          length: int = 15, wr1: int = 0x14, wr2: int = 0x10, wr5: int = 0x82,
          last: Sequence[int] = (0xCF, 0xB3, 0x87), middle: Sequence[int] = (),
          control: Sequence[int] = ()) -> list[int]:
    """The control bytes of a block from A to B; ``control``: the interrupt control byte and
    what follows it, ``middle`` goes before LOAD."""
    wr4 = 0x8D | mode << 5 | (0x10 if control else 0)
    return [0x7C | operation, start_a & 0xFF, start_a >> 8, length & 0xFF, length >> 8, wr1, wr2,
            wr4, start_b & 0xFF, start_b >> 8, *control, wr5, *middle, *last]
