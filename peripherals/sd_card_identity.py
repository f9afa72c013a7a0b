"""What an SD card says of itself: CSD, CID and SCR, from memory of the SD specification.

CSD version 1 states a size as (C_SIZE + 1) << (C_SIZE_MULT + 2) blocks of 512 bytes, version 2
as C_SIZE + 1 units of 512 KiB.  Each ends with its CRC7.
"""
from __future__ import annotations

from peripherals.sd_card_state import MMC, SDHC, SDSC_1

NAME, SERIAL = b"TIDE1", 0x7469_6465


def crc7_of(data: bytes) -> int:
    """Give the CRC7 (x^7 + x^3 + 1, start 0) of bytes, shifted left, with the end bit."""
    crc = 0
    for byte in data:
        for bit in range(7, -1, -1):
            crc <<= 1
            if (byte >> bit ^ crc >> 7) & 1:
                crc ^= 0x09
            crc &= 0x7F
    return crc << 1 | 1


def _packed(fields: list[tuple[int, int]]) -> bytes:
    value = width = 0
    for bits, number in fields:
        value = value << bits | number
        width += bits
    data = value.to_bytes(width // 8, "big")
    return data + bytes([crc7_of(data)])


def csd(kind: int, total: int) -> bytes:
    """Make the CSD register of a card of so many blocks; the size is rounded down to what fits."""
    if kind == SDHC:
        return _packed([(2, 1), (6, 0), (8, 0x0E), (8, 0), (8, 0x32), (12, 0x5B5), (4, 9),
                        (1, 0), (1, 0), (1, 0), (1, 0), (6, 0), (22, max(total // 1024, 1) - 1),
                        (1, 0), (1, 1), (7, 0x7F), (7, 0), (1, 0), (2, 0), (3, 2), (4, 9), (1, 0),
                        (5, 0), (1, 0), (1, 0), (1, 0), (1, 0), (2, 0), (2, 0)])
    shift = next((k for k in range(8) if total >> k + 2 <= 4096), 7)
    size = max(min(total >> shift + 2, 4096), 1) - 1
    structure = 2 if kind == MMC else 0  # an MMC counts its versions in another way
    return _packed([(2, structure), (6, 0), (8, 0x26), (8, 0), (8, 0x32), (12, 0x5B5), (4, 9),
                    (1, 1), (1, 0), (1, 0), (1, 0), (2, 0), (12, size), (3, 5), (3, 5), (3, 5),
                    (3, 5), (3, shift), (1, 1), (7, 0x7F), (7, 0), (1, 0), (2, 0), (3, 2), (4, 9),
                    (1, 0), (5, 0), (1, 0), (1, 0), (1, 0), (1, 0), (2, 0), (2, 0)])


def cid() -> bytes:
    """Make the CID register."""
    date = 26 << 4 | 3  # years since 2000, month
    return _packed([(8, 0), (16, 0x5042), (40, int.from_bytes(NAME, "big")), (8, 0x10),
                    (32, SERIAL), (4, 0), (12, date)])


def scr(kind: int) -> bytes:
    """Make the SCR: version 1.01 or 2.00, erased data read 00h, both bus widths."""
    version = 0 if kind == SDSC_1 else 2
    return bytes([version, 0x25, 0, 0, 0, 0, 0, 0])
