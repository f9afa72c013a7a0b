"""A Z85C30-type SCC on the bench, with a terminal at each channel."""
from __future__ import annotations

from typing import Any

from card_bench import Bench

from peripherals.z85c30 import CARD

TERMINAL = {"baud": 38400}
USUAL = ((4, 0x44), (3, 0xC1), (5, 0xEA), (11, 0x50), (12, 3), (13, 0), (14, 3))
BYTE_TIME = 1600  # T-states of a character at 38400 baud, 6.144 MHz


class Scc(Bench):
    """An SCC with PCLK = 6.144 MHz and a terminal of 38400 baud at each channel."""

    def __init__(self, native: bool = False, setup: bool = True, **settings: Any) -> None:
        also = settings.pop("also", ())
        wires = settings.pop("wires", ())
        super().__init__(CARD, {"clock": "6.144 MHz", "terminal-a": TERMINAL,
                                "terminal-b": TERMINAL, **settings}, native=native, also=also,
                         wires=wires)
        if setup:
            for number, byte in USUAL:
                self.put(number, byte)

    def put(self, number: int, byte: int, channel: str = "a") -> None:
        control = f"{channel}-control"
        self.write(control, number, self.t + 12)  # from 8 on its bit 3 is "point high"
        self.write(control, byte, self.t + 12)

    def get(self, number: int, channel: str = "a") -> int:
        control = f"{channel}-control"
        if number:
            self.write(control, number, self.t + 12)
        return self.read(control, self.t + 12)

    def type(self, keys: bytes, channel: str = "a") -> None:
        line = self.s.line_a if channel == "a" else self.s.line_b
        for key in keys:
            line.typed[line.typed_in % len(line.typed)] = key
            line.typed_t[line.typed_in % len(line.typed)] = self.t
            line.typed_in += 1
        self.m.event_t[0] = self.t
        self.advance(self.t + BYTE_TIME * (len(keys) + 1))
