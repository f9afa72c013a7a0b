"""Operators for the bytes in the chip: shifted, cut, exchanged, flipped; without symbols."""
from __future__ import annotations

import random

from mutants.kernel import Kernel
from mutants.model import BINARY, Burn, Mutant, Registry

REGISTRY = Registry(BINARY, 2)
CHIP = ("image", "chip", "burned", "0000h", "half", "halves")


def _one(kernel: Kernel, name: str, burn: Burn, names: tuple[str, ...], why: str) -> Mutant:
    return Mutant(kernel.name, name, f"{burn.way}-{burn.at:x}-{burn.mask:x}", BINARY, names,
                  why=why, burn=burn)


def _binary(kernel: Kernel) -> bytes:
    """Return the healthy program's bytes, as they are committed."""
    return (kernel.folder / f"{kernel.image['name']}.bin").read_bytes()


def burned(data: bytes, burn: Burn) -> bytes:
    """Return the bytes as the mistake leaves them in the chip."""
    match burn.way:
        case "late":
            return b"\xff" * burn.at + data
        case "skip":
            return data[burn.at:]
        case "cut":
            return data[:burn.at]
        case "halves":
            return data[burn.at:].ljust(burn.at, b"\xff") + data[:burn.at]
        case "bytes":
            data += b"\xff" * (len(data) % 2)
            return b"".join(data[n:n + 2][::-1] for n in range(0, len(data), 2))
        case "blank":
            return b"\xff" * len(data)
        case "flip":
            return data[:burn.at] + bytes([data[burn.at] ^ burn.mask]) + data[burn.at + 1:]
    raise ValueError(f"no way to burn: {burn.way!r}")


@REGISTRY.add("burned-a-page-late")
def page(kernel: Kernel) -> list[Mutant]:
    """The image is burned 256 bytes too high."""
    return [_one(kernel, "burned-a-page-late", Burn("late", 0x100), CHIP, "the chip begins empty")]


@REGISTRY.add("burned-a-byte-late")
def late(kernel: Kernel) -> list[Mutant]:
    """The image is burned one byte too high."""
    return [_one(kernel, "burned-a-byte-late", Burn("late", 1), CHIP,
                 "the CPU starts with FFh, and every address is off by one")]


@REGISTRY.add("first-byte-lost")
def skip(kernel: Kernel) -> list[Mutant]:
    """The first three bytes of the image are not burned."""
    return [_one(kernel, "first-byte-lost", Burn("skip", 3), CHIP,
                 "the CPU starts in the middle, and every address is off by three")]


def _chip(kernel: Kernel) -> int:
    slot = kernel.slots[kernel.memory]
    if slot["card"] == "plain-memory":
        return int(slot.get("rom-chip-size") or slot.get("rom-size", 32768))
    return int(slot.get("flash-size", 524288))


@REGISTRY.add("burned-in-the-upper-half")
def upper(kernel: Kernel) -> list[Mutant]:
    """The image stands in the upper half of the chip."""
    half = _chip(kernel) // 2
    if len(_binary(kernel)) > half:
        return []
    return [_one(kernel, "burned-in-the-upper-half", Burn("late", half), CHIP,
                 "the lower half, where the CPU starts, is empty")]


@REGISTRY.add("halves-exchanged")
def halves(kernel: Kernel) -> list[Mutant]:
    """The halves of the image stand in each other's place."""
    at = max(256, 1 << (len(_binary(kernel)) - 1).bit_length() - 1)
    return [_one(kernel, "halves-exchanged", Burn("halves", at), CHIP,
                 "the CPU starts in the middle of the program")]


@REGISTRY.add("bytes-exchanged")
def exchanged(kernel: Kernel) -> list[Mutant]:
    """The bytes of each word are exchanged."""
    return [_one(kernel, "bytes-exchanged", Burn("bytes"), CHIP, "no instruction is whole")]


def _lost(kernel: Kernel, at: int) -> tuple[str, ...]:
    """Name the bytes that are not burned."""
    return (*CHIP, f"@{at:#06x}-{len(_binary(kernel)) - 1:#06x}", "cut", "last byte")


@REGISTRY.add("cut-in-half")
def cut_half(kernel: Kernel) -> list[Mutant]:
    """Only the first half of the image is burned."""
    at = len(_binary(kernel)) // 2
    return [_one(kernel, "cut-in-half", Burn("cut", at), _lost(kernel, at),
                 "calls behind the cut run through FFh")]


@REGISTRY.add("cut-late")
def cut_late(kernel: Kernel) -> list[Mutant]:
    """The last fifth of the image is not burned."""
    at = len(_binary(kernel)) * 4 // 5
    return [_one(kernel, "cut-late", Burn("cut", at), _lost(kernel, at),
                 "what stands behind the cut reads as FFh")]


@REGISTRY.add("never-burned")
def blank(kernel: Kernel) -> list[Mutant]:
    """The chip is blank."""
    return [_one(kernel, "never-burned", Burn("blank"), CHIP, "FFh is RST 38h, again and again")]


@REGISTRY.add("chip-bit-flipped")
def flipped(kernel: Kernel) -> list[Mutant]:
    """One bit of the program is not what it should be."""
    data = _binary(kernel)
    written = [at for at, byte in enumerate(data) if byte not in (0xFF, 0x00)]
    chosen = random.Random(kernel.name).sample(written, 3)  # the same in each run
    out = []
    for at in sorted(chosen):
        mask = 1 << at % 8
        out.append(_one(kernel, "chip-bit-flipped", Burn("flip", at, mask),
                        (f"{at:#06x}", f"@{at:#06x}"), f"the byte at {at:04X}h is another"))
    return out
