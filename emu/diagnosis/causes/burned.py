"""Causes in what was burned: nothing, bytes or halves exchanged, an image that was cut."""
from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from emu.bus.state import FETCH
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.trials.moments import Again, first
from emu.diagnosis.trials.whatif import says, speaks
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, STATE, TRIED, Finding
from emu.machine.machine import Machine
from emu.machine.places import place, places

BLANK_ROM = Cause(
    "blank-rom", "Nothing is burned where the CPU starts", "Nothing.",
    "The first bytes fetched are FFh, as an erased chip reads: RST 38h again and again.",
    "Burn the image; check that it begins at address 0 of the chip, that the chip sits in the "
    "right socket, and that its enable works.", ("R3", "I11"))
IMAGE_ORDER = Cause(
    "image-order", "The image stands in the chip in the wrong order", "Nothing.",
    "The first bytes fetched are not those that the program begins with; with the bytes of "
    "each word, or the halves of the chip, exchanged the same image works.",
    "Burn it again without byte swapping; check the top address lines of the socket and the "
    "order of the halves.", ("R3",))
IMAGE_CUT = Cause(
    "image-cut", "The image is longer than what was burned",
    "A banner and then nothing, or nothing.",
    "The program goes on to, or reads from, ROM behind the last byte that was burned, and the "
    "image ends on the size of a chip.",
    "Use a larger chip, or look whether the programmer was told the right size.", ("R3",))

FAILED = (HALTED_OFF, WILD, STUCK, BUSY)
CHIP = 256  # images end on such a boundary when they are cut


def _ending(case: Case) -> str:
    return RUNAWAY if case.condition in (WILD, BUSY) else HUNG


def _roms(case: Case) -> Iterator[tuple[Any, int, int, int]]:
    """List the ROM chips: slot, place in phys, size of the chip, bytes burned."""
    for slot, described in zip(case.machine.slots, case.machine.description.slots, strict=True):
        size = slot.card.image_size(described.settings)
        if not size or not int(case.m.mem_size[slot.number]):
            continue
        burned = 0
        for image in described.images.values():
            burned = max(burned, len(image.flatten(size).rstrip(b"\xff")))
        yield slot, int(case.m.mem_base[slot.number]), size, burned


def blank_rom(case: Case) -> Finding | None:
    """Check for an erased chip where the CPU begins."""
    machine = case.session.replay(0)
    base = int(machine.m.read_base_true[0])
    if base < 0 or not int(case.m.rst38_count) or int(case.m.rst38_first_pc) > 1:
        return None
    if not (np.asarray(machine.m.phys[base:base + 64]) == 0xFF).all():
        return None
    owner = int(machine.m.owner[0]) - 1
    who = case.slot_words(owner)
    image = next(iter(case.machine.description.slots[owner].images.values()), None)
    burned = f"{image.path.name} begins with FFh bytes" if image is not None \
        else "no image was given"
    return Finding(
        BLANK_ROM, _ending(case), f"the ROM of {who} is empty where the CPU begins.",
        [f"The first opcode fetched, at 0000h, is FFh, and so are the 63 bytes behind it: "
         f"{burned}."],
        [f'Give slot.{case.machine.slots[owner].name} an image (image = "FILE") that begins at '
         f"address 0, or burn the chip."], {"slot": case.machine.slots[owner].name},
        STATE if _elsewhere(case, owner) else SHOWN, 0)


def _elsewhere(case: Case, number: int) -> bool:
    """Tell whether the chip holds something that does not stand where the CPU begins."""
    return any(slot.number == number and burned for slot, _, _, burned in _roms(case))


def _swap_bytes(chip: np.ndarray) -> np.ndarray:
    return chip.reshape(-1, 2)[:, ::-1].reshape(-1)


def _swap_parts(parts: int) -> Callable[[np.ndarray], np.ndarray]:
    def swap(chip: np.ndarray) -> np.ndarray:
        cut = chip.reshape(parts, -1)
        return np.asarray(cut[np.arange(parts) ^ 1]).reshape(-1)
    return swap


FIRST_WORDS = 2  # emulated seconds within which a whole image would say something
ORDERS: tuple[tuple[str, str, Callable[[np.ndarray], np.ndarray]], ...] = (
    ("the two bytes of each word", "burn it again without byte swapping", _swap_bytes),
    ("the halves of the chip", "look at the top address line of the socket", _swap_parts(2)),
    ("the quarters of the chip, two and two", "look at the second address line from the top",
     _swap_parts(4)),
)


def image_order(case: Case) -> Finding | None:
    """Check whether the image works once its bytes or parts are exchanged."""
    if case.session.console.last_shown():
        return None
    for slot, base, size, _ in _roms(case):
        for what, how, order in ORDERS:
            if case.budget.left() <= 0 or size % 4:
                return None
            again = Again(case, Machine(case.machine.description, case.machine.seed))
            phys = again.machine.m.phys
            phys[base:base + size] = order(np.asarray(phys[base:base + size]).copy())
            again.to(min(int(case.m.t), case.machine.at(FIRST_WORDS)))
            if not speaks(case, again):
                continue
            who = case.slot_words(slot.number)
            first = " ".join(f"{int(b):02X}" for b in case.m.phys[base:base + 4])
            return Finding(
                IMAGE_ORDER, _ending(case), f"{what} are exchanged in the ROM of {who}.",
                [f"The first bytes in the chip are {first}, and the CPU gets nowhere with them.",
                 f"With {what} exchanged the same image shows {says(again)}."],
                [f"The image of slot.{slot.name}: {how}, or exchange {what} in the file."],
                {"slot": slot.name}, TRIED)
    return None


def image_cut(case: Case) -> Finding | None:
    """Check for a program that needs what stands behind the end of its image."""
    for slot, base, size, burned in _roms(case):
        described = case.machine.description.slots[slot.number]
        image = next(iter(described.images.values()), None)
        if image is None or not burned or burned % CHIP or burned >= size:
            continue
        wild = _first_behind(case, base + burned, base + size)
        if wild is None:
            continue
        t, pc, how = wild
        who = case.slot_words(slot.number)
        return Finding(
            IMAGE_CUT, _ending(case), f"the image of {who} ends at {burned:04X}h of the chip, "
            f"and the program needs what stands behind it.",
            [f"At {case.time(t)} the CPU {how} {pc:04X}h, behind the last byte burned; the chip "
             f"holds FFh there.",
             f"{image.path.name} fills exactly {burned} bytes, as a file does that was cut to a "
             f"chip or a block."],
            [f"Burn the whole image of slot.{slot.name}; use a chip of more than {burned} "
             f"bytes."], {"slot": slot.name, "end": f"{burned:04X}"}, SHOWN, t)
    return None


def _first_behind(case: Case, low: int, high: int) -> tuple[int, int, str] | None:
    """Find the first use, as code or as a pointer of an interrupt, of a place in phys."""
    t = int(case.m.rst38_first_t) if int(case.m.rst38_count) else int(case.m.t)
    if int(case.m.ack_count) and int(case.m.im) == 2:
        at = _pointer_behind(case, low, high)
        if at is not None:
            return at
    window = case.before(t + 200)
    fetched = places(case.machine)[window.address]
    for k in window.where(FETCH):
        if low <= int(fetched[k]) < high:
            return int(window.t[k]), int(window.address[k]), "fetched code from"
    return None


def _pointer_behind(case: Case, low: int, high: int) -> tuple[int, int, str] | None:
    vectors = [v for v in range(256) if int(case.m.vector_count[v])]
    for vector in vectors:
        address = int(case.m.i) << 8 | vector
        if low <= place(case.machine, address) < high:
            t = first(case, lambda machine: int(machine.m.ack_count) > 0, int(case.m.t))
            return (t or 0), address, "took an interrupt's pointer from"
    return None


CHECKS = (
    Check(blank_rom, BLANK_ROM, when=FAILED),
    Check(image_cut, IMAGE_CUT, when=FAILED),
    Check(image_order, IMAGE_ORDER, when=FAILED, trial=True),
)
