"""Drive an SD card on the bench as a host does: by a shift register, or bit by bit."""
from __future__ import annotations

from typing import Any

from card_bench import Bench

from emu.media.bay import Bay, Original
from peripherals.sd_card import CARD
from peripherals.sd_card_identity import crc7_of

DI, CLK, CS = 1, 2, 4
STEP = 20  # T-states from one access to the next


def crc16_of(data: bytes) -> int:
    """Give a block's CRC, worked out bit by bit (x^16 + x^12 + x^5 + 1, start 0)."""
    crc = 0
    for byte in data:
        for bit in range(7, -1, -1):
            high = crc >> 15 & 1
            crc = crc << 1 & 0xFFFF
            if high ^ byte >> bit & 1:
                crc ^= 0x1021
    return crc


class Host(Bench):
    """A host with a byte-wide shift register."""

    wiring = "shift"
    wait = 60  # T-states from a byte written to the byte read

    def __init__(self, data: bytes | None = bytes(range(256)) * 64, native: bool = False,
                 protected: bool = False, **settings: Any) -> None:
        bay = Bay("sd", None if data is None else Original(None, data, protected=protected))
        super().__init__(CARD, {"wiring": self.wiring, **settings}, native=native,
                         bays={"medium": bay})
        self.bay = bay
        self.level = CS
        self.port(CS | DI)

    def port(self, value: int) -> None:
        self.level = value
        self.write("control", value & CS, self.t + STEP)

    def byte(self, value: int = 0xFF) -> int:
        self.write("data", value, self.t + STEP)
        return self.read("data", self.t + self.wait)

    def bytes(self, count: int) -> list[int]:
        return [self.byte() for _ in range(count)]

    def send(self, *values: int) -> list[int]:
        return [self.byte(value) for value in values]

    def select(self) -> None:
        self.port(DI)

    def release(self) -> None:
        self.port(CS | DI)
        self.byte()

    def frame(self, number: int, argument: int = 0, crc: int | None = None) -> bytes:
        frame = bytes([0x40 | number, *argument.to_bytes(4, "big")])
        return frame + bytes([crc7_of(frame) if crc is None else crc])

    def answer(self, more: int = 0) -> list[int]:
        for _ in range(9):
            got = self.byte()
            if got < 0x80:
                return [got, *self.bytes(more)]
        return []

    def command(self, number: int, argument: int = 0, more: int = 0, crc: int | None = None,
                ) -> list[int]:
        """Send a command in a selection of its own; R1 and what follows, [] for no answer."""
        self.select()
        self.send(*self.frame(number, argument, crc))
        got = self.answer(more)
        self.release()
        return got

    def app(self, number: int, argument: int = 0) -> list[int]:
        self.command(55)
        return self.command(number, argument)

    def warm(self, count: int = 10) -> None:
        self.port(CS | DI)
        self.bytes(count)

    def start(self, hcs: bool = True) -> None:
        """Bring the card to where it takes everything."""
        self.warm()
        assert self.command(0) == [0x01]
        self.command(8, 0x1AA, 4)
        for _ in range(200):
            if self.app(41, 0x4000_0000 if hcs else 0) == [0]:
                return
            self.advance(self.t + int(self.hz // 1000))
        raise AssertionError("the card does not start")

    def token(self, most: int = 400) -> int:
        for _ in range(most):
            got = self.byte()
            if got != 0xFF:
                return got
        return 0xFF

    def read_block(self, address: int, size: int = 512) -> bytes:
        self.select()
        self.send(*self.frame(17, address))
        assert self.answer() == [0]
        assert self.token() == 0xFE
        data = bytes(self.bytes(size))
        crc = self.bytes(2)
        assert crc == list(crc16_of(data).to_bytes(2, "big"))
        self.release()
        return data

    def write_block(self, address: int, data: bytes, crc: int = 0xFFFF) -> int:
        """Write a block; the data response."""
        self.select()
        self.send(*self.frame(24, address))
        assert self.answer() == [0]
        self.send(0xFF, 0xFE, *data, *crc.to_bytes(2, "big"))
        return self.byte()

    def idle(self, most: int = 4000) -> int:
        """Clock bytes until the card is no longer busy; how many told of it."""
        for count in range(most):
            if self.byte() == 0xFF:
                self.release()
                return count
        raise AssertionError("busy for ever")


class BitHost(Host):
    """A host that moves the lines through the bits of a port."""

    wiring = "port"

    def port(self, value: int) -> None:
        self.level = value
        self.write("data", value, self.t + STEP)

    def byte(self, value: int = 0xFF) -> int:
        got = 0
        for k in range(7, -1, -1):
            rest = self.level & CS | (value >> k & 1)
            self.port(rest)
            self.port(rest | CLK)
            got = got << 1 | self.read("data", self.t + STEP) >> 7
        self.port(self.level & CS | DI)
        return got
