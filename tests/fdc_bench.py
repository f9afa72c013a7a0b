"""A floppy controller on a bench, driven as a program would: bytes when RQM asks for them.

    fdc = Fdc({"drive-a": {"geometry": "1.44M"}})   # an unformatted disk in memory
    fdc.start()                                     # out of reset, motor on and at speed
    fdc.command(0x0F, 0, 40)
    fdc.wait_int()
"""
from __future__ import annotations

import binascii
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np
from card_bench import Bench

from emu.bus.state import FAR
from emu.media.bay import SIDES, Bay, Original
from emu.media.drive import drive
from emu.media.geometry import FORMATS, parse
from emu.media.track import Track, sectors
from peripherals.fdc_765 import CARD
from peripherals.fdc_765_media import NAMES

RQM, DIO, NDM, CB = 0x80, 0x40, 0x20, 0x10
IMAGE = (np.arange(1474560) * 7 + (np.arange(1474560) >> 9)).astype(np.uint8).tobytes()


class TooLong(Exception):
    """RQM did not come."""


class Fdc:
    """One controller with the drives of ``settings``; ``images`` fill their disks."""

    def __init__(self, settings: Mapping[str, Any] | None = None, *, hz: str = "8 MHz",
                 images: Mapping[str, bytes] | None = None, native: bool = True,
                 seed: int = 1, wires: Any = (), also: Any = ()) -> None:
        given = {"drive-a": {"geometry": "1.44M"}, **(settings or {})}
        tables, bays = {}, {}
        for name in NAMES:
            table = drive(given.get(name), name)
            tables[name] = table
            if table is not None:
                bays[name] = Bay(name, self._disk(table, (images or {}).get(name)))
        self.bench = Bench(CARD, {**given, **tables}, hz=hz, native=native, bays=bays, seed=seed,
                           wires=wires, also=also)
        self.s = self.bench.s
        self.bays = bays

    @staticmethod
    def _disk(table: Mapping[str, Any], image: bytes | None) -> Original | None:
        if table["medium"] == "none":
            return None
        geometry = table["geometry"]
        if image is None:
            return Original(None, b"", geometry, table["write-protect"], formatted=False)
        return Original(None, image[:geometry.size], geometry, table["write-protect"])

    # --- time ---------------------------------------------------------------------------
    def us(self, microseconds: float | Fraction) -> int:
        """Give microseconds as T-states."""
        return int(Fraction(microseconds) * self.bench.hz / 1_000_000)

    def ms_of(self, t: int) -> float:
        """Give T-states as milliseconds."""
        return float(Fraction(t) / self.bench.hz * 1000)

    @property
    def t(self) -> int:
        """The time now."""
        return self.bench.t

    def pass_ms(self, milliseconds: float) -> None:
        """Let time pass."""
        self.bench.advance(self.t + self.us(milliseconds * 1000))

    # --- registers ----------------------------------------------------------------------
    def status(self, t: int | None = None) -> int:
        """Read the main status register."""
        return self.bench.read("status", t)

    def output(self, byte: int) -> None:
        """Write the output register."""
        self.bench.write("output", byte)

    def wait(self, value: int, mask: int = RQM | DIO, limit_ms: float = 3000) -> None:
        """Look at the status once a microsecond until it has a value, jumping over waits."""
        end = self.t + self.us(limit_ms * 1000)
        while self.status() & mask != value:
            step, ready = int(self.bench.m.event_t[0]), int(self.s.ready_t)
            if ready > self.t:
                step = min(step, ready)
            self.bench.advance(min(max(step, self.t + self.us(1)), end))
            if self.t >= end:
                raise TooLong(f"status {self.status():02X}h after {limit_ms} ms")

    # --- commands -----------------------------------------------------------------------
    def start(self, rate: int = 0, specify: tuple[int, int] = (0xD1, 0x03), drive: int = 0,
              ) -> None:
        """Leave reset, wait for the motor, take the four ready changes, SPECIFY."""
        self.bench.write("rate", rate)
        self.output(0x0C | 0x10 << drive | drive)
        self.pass_ms(1100)
        for _ in range(4):
            self.sense()
        self.command(0x03, *specify)

    def command(self, *data: int) -> None:
        """Write the bytes of a command."""
        for byte in data:
            self.wait(RQM)
            self.bench.write("data", byte)

    def results(self, limit_ms: float = 3000) -> bytes:
        """Wait for the result phase and read all of its bytes."""
        self.wait(RQM | DIO | CB, RQM | DIO | NDM | CB, limit_ms)
        out = bytearray()
        while self.status() & (RQM | DIO | CB) == RQM | DIO | CB:
            out.append(self.bench.read("data"))
            self.bench.advance(self.t + self.us(30))
        return bytes(out)

    def sense(self) -> bytes:
        """Issue SENSE INTERRUPT."""
        self.command(0x08)
        return self.results()

    def seek(self, cylinder: int, unit: int = 0) -> bytes:
        """Seek and sense."""
        self.command(0x0F, unit, cylinder)
        return self.after_seek()

    def recalibrate(self, unit: int = 0) -> bytes:
        """Recalibrate and sense."""
        self.command(0x07, unit)
        return self.after_seek()

    def after_seek(self) -> bytes:
        """Wait until no drive steps, and sense: the busy bits fall only then."""
        self.stepped()
        return self.sense()

    def stepped(self) -> None:
        """Wait until no drive has a step due."""
        while any(int(d.step_t) != FAR for d in self.s.drive):
            self.bench.advance(int(self.bench.m.event_t[0]))
        self.wait(RQM, RQM | CB)

    def read(self, c: int, h: int, r: int, *, eot: int | None = None, count: int = 512,
             op: int = 0x46, n: int = 2, unit: int = 0, tc: bool = True, dtl: int = 0xFF,
             ) -> tuple[bytes, bytes]:
        """Read sectors; data and result.  ``count`` bytes, then terminal count."""
        self.command(op, h << 2 | unit, c, h, r, n, r if eot is None else eot, 0x1B, dtl)
        data = bytearray()
        while len(data) < count:
            self.wait(RQM | DIO)
            if not self.status() & NDM:
                return bytes(data), self.results()
            data.append(self.bench.read("data"))
        if tc:
            self.bench.write("tc", 0)
        return bytes(data), self.results()

    def write(self, c: int, h: int, r: int, data: bytes, *, eot: int | None = None,
              op: int = 0x45, n: int = 2, tc: bool = True, dtl: int = 0xFF) -> bytes:
        """Write sectors (or compare, by ``op``); the result."""
        self.command(op, h << 2, c, h, r, n, r if eot is None else eot, 0x1B, dtl)
        if self.send(data) and tc:
            self.bench.write("tc", 0)
        return self.results()

    def send(self, data: bytes) -> bool:
        """Give bytes as they are asked for; False: the command ended before."""
        for byte in data:
            self.wait(RQM, RQM)
            if self.status() & DIO:
                return False
            self.bench.write("data", byte)
        return True

    def format(self, c: int, h: int, order: list[int], *, gap: int = 0x6C, n: int = 2,
               fill: int = 0xF6, op: int = 0x4D) -> bytes:
        """Format a track with these sector numbers."""
        self.command(op, h << 2, n, len(order), gap, fill)
        self.send(b"".join(bytes([c, h, r, n]) for r in order))
        return self.results()

    # --- the disk -----------------------------------------------------------------------
    def track(self, c: int, h: int = 0, name: str = "drive-a") -> Track:
        """Give a track as it is now."""
        self.bench.serve()
        piece = self.bays[name].get(c * SIDES + h)
        assert piece is not None, "nothing has been written there"
        return piece

    def numbers(self, c: int, h: int = 0) -> list[int]:
        """Give the sector numbers of a track in the order in which they pass."""
        return [s.number for s in sectors(self.track(c, h))]


def image_sector(c: int, h: int, r: int, name: str = "1.44M") -> bytes:
    """Give a sector of IMAGE as a raw image of that format has it."""
    g = FORMATS[name]
    at = ((c * g.heads + h) * g.sectors + r - 1) * g.sector_size
    return IMAGE[at:at + g.sector_size]


def geometry(**table: Any) -> Any:
    """Read a geometry with keys written with underscores."""
    return parse({k.replace("_", "-"): v for k, v in table.items()}, "test")


def crc(data: bytes) -> int:
    """Work out CRC-16-CCITT from the preset FFFFh, by the standard library."""
    return binascii.crc_hqx(data, 0xFFFF)
