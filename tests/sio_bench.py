"""Set a Z80 SIO up on the bench, type at its terminals and look at it: for its tests."""
from __future__ import annotations

from typing import Any

from card_bench import Bench

from peripherals.z80_sio import CARD

RX_AVAILABLE, ANY_PENDING, TX_EMPTY, DCD, SYNC, CTS, EOM, BROKE = (1 << k for k in range(8))
IDLE = TX_EMPTY | DCD | CTS | EOM  # RR0 with both modem inputs tied low
FRAME = 640  # 8N1 at 96000 on 6.144 MHz
OFF, FIRST, ALL, ALL_BUT_PARITY = 0x00, 0x08, 0x10, 0x18  # receive interrupt modes of WR1


def put(bench: Bench, channel: str, *control: int) -> None:
    """Write bytes to a control port, 11 T-states apart."""
    for byte in control:
        bench.write(f"{channel}-control", byte, bench.t + 11)


def sio(wr1: int = 0, wr4: int = 0x44, wr3: int = 0xC1, wr5: int = 0xEA, channel: str = "a",
        vector: int | None = None, **given: Any) -> Bench:
    """Set one channel up, at 96000 8N1 on 6.144 MHz unless told otherwise."""
    bench = Bench(CARD, {k.replace("_", "-"): v for k, v in given.items()}, hz="6.144 MHz")
    put(bench, channel, 0x18, 4, wr4, 3, wr3, 5, wr5, 1, wr1)
    if vector is not None:
        put(bench, "b", 2, vector, 1, 0x04 | (wr1 if channel == "b" else 0))
    return bench


def line_of(bench: Bench, channel: str = "a") -> Any:
    """Give one channel's line."""
    return bench.s.line_a if channel == "a" else bench.s.line_b


def type_keys(bench: Bench, keys: bytes, at: int, channel: str = "a") -> None:
    """Type at a terminal."""
    line = line_of(bench, channel)
    for key in keys:
        line.typed[line.typed_in % len(line.typed)] = key
        line.typed_t[line.typed_in % len(line.typed)] = at
        line.typed_in += 1
    bench.m.event_t[0] = min(int(bench.m.event_t[0]), at)


def shown(bench: Bench, channel: str = "a") -> bytes:
    """Give what a terminal shows."""
    line = line_of(bench, channel)
    return bytes(line.shown[:int(line.shown_in)])


def rr0(bench: Bench, channel: str = "a") -> int:
    """Read RR0."""
    return bench.read(f"{channel}-control")


def rr(bench: Bench, number: int, channel: str = "a") -> int:
    """Point to a register and read it."""
    bench.write(f"{channel}-control", number)
    return bench.read(f"{channel}-control")


def set_pin(bench: Bench, pin: str, active: int, channel: str = "a") -> None:
    """Let the terminal change CTS or DCD."""
    line_of(bench, channel)[pin] = active
    bench.m.event_t[0] = bench.t + 1
    bench.advance(bench.t + 1)


def until(bench: Bench, mask: int, limit: int = 20_000) -> int:
    """Poll RR0 each T-state until a bit of ``mask`` is set; give the T-state."""
    for t in range(bench.t, bench.t + limit):
        if bench.read("a-control", t) & mask:
            return t
    raise AssertionError("the bit never came")


def both(vector: int = 0x60) -> Bench:
    """Set both channels up with every interrupt on, and let every source ask."""
    bench = Bench(CARD, {f"{pin}-{name}": "terminal" for pin in ("cts", "dcd") for name in "ab"},
                  hz="6.144 MHz")
    put(bench, "b", 2, vector)
    for name in "ab":
        put(bench, name, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x17)
        bench.write(f"{name}-data", 0x41)
        type_keys(bench, b"x", 1000, name)
        line_of(bench, name).cts = 0
    bench.advance(2000)
    assert bench.m.ip[0] == 0b111111
    return bench
