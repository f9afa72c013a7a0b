"""Drive a DS1302-class clock on the bench as a program does, bit by bit."""
from __future__ import annotations

from typing import Any

from card_bench import Bench

from peripherals.ds1302 import CARD

CE, CLOCK, DATA, DRIVE = 1, 2, 4, 8
STEP = 20  # T-states from one access to the next


class Clock(Bench):
    """A clock on its port."""

    def __init__(self, start: str = "2000-01-01 00:00:00", native: bool = False,
                 **settings: Any) -> None:
        super().__init__(CARD, {"start": start, **settings}, native=native)

    def port(self, value: int) -> None:
        self.write("port", value, self.t + STEP)

    def send(self, byte: int, bits: int = 8) -> None:
        for k in range(bits):
            data = DATA if byte >> k & 1 else 0
            self.port(CE | DRIVE | data)
            self.port(CE | DRIVE | data | CLOCK)

    def fetch(self) -> int:
        byte = 0
        for k in range(8):
            self.port(CE)
            byte |= (self.read("port", self.t + STEP) & 1) << k
            self.port(CE | CLOCK)
        return byte

    def get(self, command: int, count: int = 1) -> list[int]:
        self.port(CE | DRIVE)
        self.send(command)
        got = [self.fetch() for _ in range(count)]
        self.port(0)
        return got

    def put(self, command: int, *values: int) -> None:
        self.port(CE | DRIVE)
        for byte in (command, *values):
            self.send(byte)
        self.port(0)

    def wait(self, seconds: float) -> None:
        self.advance(self.t + int(seconds * self.hz))
