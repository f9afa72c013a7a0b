"""The CompactFlash card against published tables and traces, named beside each check.

"CFM": CF card OEM manual 20-10-00038.  "Trace": bus traces and boot logs of working hardware
in public issue threads (2024).
"""
from __future__ import annotations

from card_bench import Bench

from emu.media.bay import Bay, Original
from peripherals.compactflash import CARD
from peripherals.compactflash_identity import identity


class Sized:
    """A medium of a size, without its bytes."""

    def __init__(self, length: int) -> None:
        self.length = length

    def __len__(self) -> int:
        return self.length

    def __getitem__(self, part: slice) -> bytes:
        return b""


def socket(sectors: int = 256_000) -> Bench:
    bench = Bench(CARD, bays={"medium": Bay("cf", Original(None, Sized(sectors * 512)))})
    bench.advance(1_000_000)
    return bench


def command(bench: Bench, code: int, features: int = 0) -> int:
    bench.write("error", features)
    bench.write("status", code)
    bench.advance(bench.t + 5000)
    return bench.read("status")


def word(data: bytes, number: int) -> int:
    return data[number * 2] | data[number * 2 + 1] << 8


def test_identify_table() -> None:
    data = identity(256_000)  # the sectors of a 125 MiB card: public boot log
    assert word(data, 0) == 0x848A  # CFM table 5-8
    assert (word(data, 7), word(data, 8)) == (0x0003, 0xE800)  # CFM table 5-8: 7 is the high word
    assert (word(data, 60), word(data, 61)) == (0xE800, 0x0003)  # from memory: 60 is the low word
    assert word(data, 22) == 4  # CFM table 5-8
    assert word(data, 49) & 1 << 9  # LBA must be 1 on CF: CF specification text
    product = word(data, 1) * word(data, 3) * word(data, 6)  # C x H x S, CFM table 5-8
    assert product == 256_000
    serial = b"".join(bytes((data[k + 1], data[k])) for k in range(20, 40, 2))
    assert serial == b"            TIDE0001"  # words 10-19, right justified, CFM table 5-8
    model = b"".join(bytes((data[k + 1], data[k])) for k in range(54, 94, 2))
    assert model.startswith(b"PREBURN CF") and model.endswith(b" ")  # left justified, CFM


def test_first_bytes_of_identify() -> None:
    bench = socket()
    assert bench.read("status") == 0x50  # trace: idle
    assert command(bench, 0xEC) == 0x58  # trace: after IDENTIFY
    # 16-bit mode: 8Ah, then the next word's low byte (derived from CFM table 5-8)
    assert [bench.read("data"), bench.read("data")] == [0x8A, 1000 & 0xFF]
    bench = socket()
    assert command(bench, 0xEF, 0x01) == 0x50  # trace: 01 EF --> 50
    assert command(bench, 0xEC) == 0x58
    assert [bench.read("data"), bench.read("data")] == [0x8A, 0x84]


def test_signature_after_reset() -> None:
    bench = socket()  # trace: 50 .. 01 01
    assert [bench.read(r) for r in ("status", "count", "lba0")] == [0x50, 0x01, 0x01]
    assert command(bench, 0x90) == 0x50
    assert bench.read("error") == 0x01  # from memory: 01h is good


def test_drive_1_is_missing() -> None:
    bench = socket()
    bench.write("head", 0xF0)
    assert bench.read("status") == 0x00  # trace: status 00h for unit F0h


def test_nop_always_aborts() -> None:
    bench = socket()
    assert command(bench, 0x00) & 0x01  # controller data sheet SMC0xxBF 10.8
    assert bench.read("error") == 0x04


def test_check_power_says_idle() -> None:
    bench = socket()
    for code in (0xE5, 0x98):  # controller data sheet SMC0xxBF 10.1, CFM 5.1.1
        bench.write("count", 0)
        assert command(bench, code) == 0x50
        assert bench.read("count") == 0xFF


def test_features_of_cf_1_4() -> None:
    bench = socket()  # the list: CF 1.4, quoted on a public kernel list
    for feature in (0x01, 0x0A, 0x55, 0x66, 0x81, 0x8A, 0x9A, 0xBB, 0xCC, 0x69, 0x96, 0x97):
        assert command(bench, 0xEF, feature) == 0x50, hex(feature)
    assert command(bench, 0xEF, 0x03) == 0x51
