"""Drive an I2C bus on the bench as a program does, line by line."""
from __future__ import annotations

from typing import Any

from card_bench import Bench

from emu.media.bay import Bay, Original
from peripherals.i2c_bus import CARD

SDA, SCL = 1, 2
STEP = 40  # T-states from one access to the next: 6.5 us


class Master(Bench):
    """A host that pulls with 0 and reads both lines back."""

    def __init__(self, data: bytes | None = None, native: bool = False, step: int = STEP,
                 **settings: Any) -> None:
        self.bay = Bay("i2c", None if data is None else Original(None, data))
        self.step = step
        super().__init__(CARD, settings, native=native,
                         bays={"medium": self.bay})
        self.port(SCL)
        self.port(SCL | SDA)

    def port(self, value: int) -> None:
        self.level = value
        self.write("port", value, self.t + self.step)

    def sda(self, level: int) -> None:
        self.port(self.level & SCL | level)

    def scl(self, level: int) -> None:
        self.port(self.level & SDA | level << 1)

    def seen(self) -> int:
        return self.read("port", self.t + 12) & SDA

    def start(self) -> None:
        self.sda(1)
        self.scl(1)
        self.sda(0)
        self.scl(0)

    def stop(self) -> None:
        self.sda(0)
        self.scl(1)
        self.sda(1)

    def bit(self, level: int) -> int:
        self.sda(level)
        self.scl(1)
        got = self.seen()
        self.scl(0)
        return got

    def send(self, byte: int) -> bool:
        """Send a byte; True when it was acknowledged."""
        for k in range(7, -1, -1):
            self.bit(byte >> k & 1)
        return self.bit(1) == 0

    def take(self, last: bool = False) -> int:
        byte = 0
        for _ in range(8):
            byte = byte << 1 | self.bit(1)
        self.bit(int(last))
        self.sda(1)
        return byte

    def put(self, *values: int) -> list[bool]:
        """Write bytes in a transfer of their own: the acknowledges."""
        self.start()
        acks = [self.send(value) for value in values]
        self.stop()
        return acks

    def get(self, address: int, pointer: tuple[int, ...], count: int) -> list[int]:
        """Set a pointer, then read from there with a repeated START."""
        if pointer:
            self.start()
            for value in (address, *pointer):
                assert self.send(value)
        self.start()
        assert self.send(address | 1)
        got = [self.take(k == count - 1) for k in range(count)]
        self.stop()
        return got

    def wait(self, seconds: float) -> None:
        self.advance(self.t + int(seconds * self.hz))
