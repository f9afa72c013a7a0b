"""What memory cards share: image into chip, noise into RAM, writes that go nowhere."""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from emu.bus.state import STOP_ROM_WRITE
from emu.bus.stops import stop_on
from emu.files.image import Image
from emu.native.jit import compiled
from peripherals.card import Setup


@compiled
def count_rom_write(m, address, value):
    """Count a write to ROM that the bus cannot tell from one to RAM."""
    m.rom_writes += 1
    m.rom_write_at = address
    m.rom_write_pc = m.pc
    stop_on(m, STOP_ROM_WRITE, address, value)


def chip_bytes(image: Image | None, size: int, start: int = 0) -> np.ndarray:
    """Burn an image into a chip of ``size`` bytes; what it leaves free is FFh.

    Addresses in the image are the chip's, or, when all of them lie in the ``size`` bytes
    from ``start`` on, the CPU's.  Raises InputError when the image is too large.
    """
    if image is None:
        return np.full(size, 0xFF, np.uint8)
    if all(start <= s.physical and s.end <= start + size for s in image.segments):
        moved = tuple(replace(s, physical=s.physical - start) for s in image.segments)
        image = replace(image, segments=moved)
    return np.frombuffer(image.flatten(size), np.uint8)


def fill_noise(setup: Setup, base: int, size: int) -> None:
    """Fill RAM at ``base`` in phys with power-on noise from the seed."""
    setup.machine.phys[base:base + size] = setup.random.integers(0, 256, size, np.uint8)
