"""The SD card in SPI mode against published frames, answers, tokens and check sums.

"PLS": SD Physical Layer Simplified Specification 4.10; "SDM": SanDisk SD Card Product Manual 2.2;
"SDM19": its revision 1.9; "TS": Transcend microSD data sheet p.16; "derived": worked out from
the polynomials of SDM p.4-31.
"""
from __future__ import annotations

import pytest
from sd_card_driver import BitHost, Host, crc16_of

from peripherals.sd_card_identity import crc7_of, csd
from peripherals.sd_card_state import SDHC, SDSC


@pytest.mark.parametrize(("frame", "crc"), [  # derived; 95h and 87h are in TS p.16 and PLS p.168
    ("4000000000", 0x95), ("48000001AA", 0x87), ("4900000000", 0xAF), ("4A00000000", 0x1B),
    ("4C00000000", 0x61), ("4D00000000", 0x0D), ("5000000200", 0x15), ("5100000000", 0x55),
    ("5100000001", 0x47), ("5100000200", 0x79), ("5800000000", 0x6F), ("7700000000", 0x65),
    ("6940000000", 0x77), ("6900000000", 0xE5), ("7A00000000", 0xFD), ("7B00000001", 0x83),
    ("7B00000000", 0x91)])
def test_crc7(frame: str, crc: int) -> None:
    assert crc7_of(bytes.fromhex(frame)) == crc


@pytest.mark.parametrize(("data", "crc"), [  # derived; the last is the check value of CRC-16
    (b"\xFF" * 512, 0x7FA1), (bytes(512), 0), (b"\xE5" * 512, 0x1E65), (b"\xF6" * 512, 0xF198),
    (bytes(range(256)) * 2, 0x40DA), (b"123456789", 0x31C3)])
def test_crc16(data: bytes, crc: int) -> None:
    assert crc16_of(data) == crc
    if len(data) == 512:  # the card works it out by itself
        host = Host(data * 4)
        host.start()
        host.select()
        host.send(*host.frame(17, 1))
        host.answer()
        host.token()
        host.bytes(512)
        assert host.bytes(2) == [crc >> 8, crc & 0xFF]


@pytest.mark.parametrize(("kind", "ocr"), [("sdhc", "00C0FF8000"), ("sdsc", "0080FF8000")])
def test_the_whole_beginning_byte_by_byte(kind: str, ocr: str) -> None:
    """PLS p.155, TS p.16: eighty clocks, CMD0, CMD8, ACMD41, CMD58; OCR bits 31 and 30."""
    host = BitHost(kind=kind)
    host.warm(10)
    host.select()
    assert host.send(*bytes.fromhex("4000000000 95")) == [0xFF] * 6
    assert host.bytes(2) == [0xFF, 0x01]
    host.release()
    host.select()
    host.send(*bytes.fromhex("48000001AA 87"))
    assert host.bytes(6) == [0xFF, 0x01, 0x00, 0x00, 0x01, 0xAA]  # PLS p.168 table 7-5
    host.release()
    polls = 0
    while True:
        assert host.command(55) in ([0x01], [0x00])
        if host.command(41, 0x4000_0000) == [0]:
            break
        polls += 1
        host.advance(host.t + 30_000)
    assert polls > 2
    assert bytes(host.command(58, 0, 4)).hex().upper() == ocr


def test_cmd8_of_another_voltage_or_crc() -> None:
    """PLS p.168 table 7-5: a wrong CRC gives 09h alone, an unknown voltage is echoed as 0."""
    host = Host()
    host.warm()
    host.command(0)
    assert host.command(8, 0x1AA, crc=0x01) == [0x09]
    assert host.command(8, 0x2AA, 4) == [0x01, 0, 0, 0, 0xAA]


def test_a_version_1_card_does_not_know_cmd8() -> None:
    """PLS p.155: illegal command, and ACMD41 with argument 0 starts it."""
    host = Host(kind="sdsc-v1")
    host.warm()
    host.command(0)
    assert host.command(8, 0x1AA) == [0x05]
    assert host.app(41) == [0x01]
    host.advance(host.t + 400_000)
    assert host.app(41) == [0x00]


def test_blocks_by_number_and_by_byte() -> None:
    """PLS p.71 note 2: SDSC counts bytes, SDHC blocks."""
    data = b"".join(bytes([k]) * 512 for k in range(32))
    for kind, address in (("sdhc", 3), ("sdsc", 3 * 512)):
        host = Host(data, kind=kind)
        host.start()
        assert host.read_block(address) == bytes([3]) * 512
    assert host.command(17, 3) == [0x20]  # no block begins there: address error, SDM p.5-12


def test_a_write_its_response_and_the_busy_time() -> None:
    """SDM p.5-14: xxx00101; SDI p.5-3: 00h while busy, FFh behind it."""
    host = Host()
    host.start()
    assert host.write_block(1, b"\xE5" * 512, 0x1E65) & 0x1F == 0x05
    assert host.byte() == 0x00
    assert host.idle() > 5
    assert host.command(13, 0, 1) == [0, 0]
    assert host.read_block(1) == b"\xE5" * 512
    assert host.bay.block(1) == b"\xE5" * 512


def test_crc_on_request() -> None:
    """SDM19 p.5-10: CMD59 turns it on; a bad block is answered xxx01011 (SDM p.5-14)."""
    host = Host()
    host.start()
    assert host.command(13, 0, 1, crc=0xFF) == [0, 0]
    assert host.write_block(2, b"\xE5" * 512) & 0x1F == 0x05
    host.idle()
    assert host.command(59, 1) == [0]
    assert host.command(13, crc=0xFF) == [0x08]
    assert host.write_block(2, b"\xF6" * 512) & 0x1F == 0x0B
    assert host.byte() == 0xFF
    host.release()
    assert host.read_block(2) == b"\xE5" * 512
    assert host.write_block(2, b"\xF6" * 512, 0xF198) & 0x1F == 0x05


def test_many_blocks() -> None:
    """SDM19 p.5-15: FEh before each block of CMD18, FCh and FDh for CMD25; CMD12 ends a read."""
    data = b"".join(bytes([k]) * 512 for k in range(32))
    host = Host(data)
    host.start()
    host.select()
    host.send(*host.frame(18, 5))
    assert host.answer() == [0]
    for k in range(3):
        assert host.token() == 0xFE
        assert host.bytes(512) == [5 + k] * 512
        host.bytes(2)
    host.send(*host.frame(12))
    host.byte()  # the stuff byte
    assert host.answer() == [0]
    host.release()
    host.select()
    host.send(*host.frame(25, 9))
    assert host.answer() == [0]
    for k in range(2):
        host.send(0xFF, 0xFC, *[0xA0 + k] * 512, 0xFF, 0xFF)
        assert host.byte() & 0x1F == 0x05
        while host.byte() != 0xFF:
            pass
    host.send(0xFD)
    host.byte()
    assert host.byte() == 0
    host.idle()
    assert [host.bay.block(k)[0] for k in (9, 10, 11)] == [0xA0, 0xA1, 11]
    host.select()
    host.send(*host.frame(55))
    host.answer()
    host.send(*host.frame(22))  # blocks of the last write, from memory
    assert host.answer() == [0]
    assert host.token(8) == 0xFE
    assert host.bytes(4) == [0, 0, 0, 2]


def test_csd_tells_the_size() -> None:
    """From memory of the specification: version 1 and 2 of the structure."""
    data = csd(SDSC, 32_768)  # 16 MiB
    number = int.from_bytes(data, "big")
    size, mult = number >> 62 & 0xFFF, number >> 47 & 7
    assert (size + 1) << mult + 2 == 32_768
    assert data[0] >> 6 == 0 and number >> 80 & 15 == 9
    data = csd(SDHC, 1 << 23)  # 4 GiB
    number = int.from_bytes(data, "big")
    assert data[0] >> 6 == 1 and ((number >> 48 & 0x3FFFFF) + 1) * 1024 == 1 << 23
    assert data[15] == crc7_of(data[:15])


def test_do_is_let_go_one_clock_after_cs() -> None:
    """SDM p.5-19: the card drives DO until one clock after CS has gone high."""
    host = BitHost(**{"pull-up": False})
    host.start()
    host.select()
    host.byte()
    assert host.read("data") >> 7 == 1  # the card drives it high
    host.port(4)
    assert host.read("data") >> 7 == 1
    host.port(4 | 2)
    assert host.read("data") >> 7 == 0  # nobody does, and there is no pull-up


def test_no_card_and_a_card_pulled_in_a_read() -> None:
    """Derived: DO is pulled up; FFh x 512 would need CRC 7FA1h, and FFFFh comes."""
    host = Host(None)
    host.warm()
    assert host.command(0) == []
    host = Host()
    host.start()
    host.select()
    host.send(*host.frame(17, 1))
    host.answer()
    assert host.token() == 0xFE
    host.bytes(100)
    host.bay.insert(None)
    host.serve()
    assert set(host.bytes(414)) == {0xFF}
