"""What a CompactFlash card says of itself: geometry by its size, and the IDENTIFY sector.

Words as in the CF OEM manual's identify table; text has its first character in the high
byte.  Words 7-8 hold the sectors high word first, words 57-58 and 60-61 low word first.
"""
from __future__ import annotations

from typing import Any

from emu.native.jit import inlined

MODEL, SERIAL, FIRMWARE = "PREBURN CF", "TIDE0001", "1.0"
SIGNATURE = 0x848A  # word 0 of a CompactFlash card
ECC_BYTES = 4


def geometry(total: int) -> tuple[int, int, int]:
    """Choose cylinders, heads and sectors a track for so many sectors (common practice)."""
    for heads in (2, 4, 8, 16):
        if total <= 1024 * heads * 32:
            return max(total // (heads * 32), 1), heads, 32
    return min(total // (16 * 63), 16383), 16, 63


def _text(words: list[int], first: int, count: int, text: str, right: bool = False) -> None:
    padded = text.rjust(count * 2) if right else text.ljust(count * 2)
    for k in range(count):
        words[first + k] = ord(padded[2 * k]) << 8 | ord(padded[2 * k + 1])


def identity(total: int) -> bytes:
    """Make the IDENTIFY sector of a card of so many sectors, low byte of each word first."""
    cylinders, heads, sectors = geometry(total)
    words = [0] * 256
    words[0] = SIGNATURE
    words[1], words[3], words[6] = cylinders, heads, sectors
    words[7], words[8] = total >> 16, total & 0xFFFF
    _text(words, 10, 10, SERIAL, right=True)
    words[22] = ECC_BYTES
    _text(words, 23, 4, FIRMWARE)
    _text(words, 27, 20, MODEL)
    words[47] = 1  # sectors a block in READ and WRITE MULTIPLE
    words[49] = 1 << 9  # LBA
    words[51] = 2 << 8  # PIO mode 2
    words[53] = 1  # words 54-58 are valid
    words[60], words[61] = total & 0xFFFF, total >> 16
    words[82], words[83], words[84] = 0, 1 << 14 | 1 << 2, 1 << 14  # CFA command set
    return b"".join(word.to_bytes(2, "little") for word in words)


@inlined
def put_word(s: Any, word: int, value: int) -> None:
    """Set a word of the IDENTIFY sector."""
    s.identify[word * 2] = value & 0xFF
    s.identify[word * 2 + 1] = (value >> 8) & 0xFF
