"""The instruction soak of roms/selftest by the naive twin: its blocks, their runs, their sums.

`python tests/naive_z80_soak.py` writes roms/selftest/chapters.s: a start and a sum a chapter.
The blocks are made here anew, from the two maps of units.s; `enter`, `leave` and the restarts are
run as they stand in soak.elf, so build it before and after (`python tools/build_roms.py`); the
sums hold for the addresses of one build.
"""

from collections.abc import Callable, Iterator
from pathlib import Path

import naive_z80
from naive_z80_cases import background
from naive_z80_machine import Machine

from emu.files.image import Image, load_image

SELFTEST = Path(__file__).parent.parent / "roms" / "selftest"
CHAPTERS, BLOCKS, UNITS, RUNS = 64, 16, 16, 8
SAVED, GROUND, FIRST = 26, 192, 64  # bytes of registers, of memory; where pointers begin
STEP = 0x9E3779B1  # from one chapter's start to the next
BACK = 0xFFFF  # where `enter` returns to
STACK = 0xF000


def chances(start: int) -> Iterator[int]:
    """Give the top bytes of a xorshift generator of 32 bits with the triple 8, 9, 23."""
    x = start
    while True:
        x ^= x << 8 & 0xFFFFFFFF
        x ^= x >> 9
        x ^= x << 23 & 0xFFFFFFFF
        yield x >> 24


def start_of(chapter: int) -> int:
    """Give the number a chapter's chances start from."""
    return (chapter + 1) * STEP & 0xFFFFFFFF


def low_first(word: int) -> list[int]:
    return [word & 255, word >> 8]


class Chances:
    """Draws bytes, and what a unit makes of them."""

    def __init__(self, start: int, ground: int) -> None:
        self.bytes, self.ground = chances(start), ground

    def draw(self) -> int:
        return next(self.bytes)

    def address(self) -> list[int]:
        return low_first(self.ground + FIRST + (self.draw() & 63))

    def displacement(self) -> int:
        return (self.draw() & 63) - 32 & 255


class Blocks:
    """Makes blocks from chances; `elf` gives the maps and addresses."""

    def __init__(self, elf: Image) -> None:
        self.memory = bytearray(0x10000)
        for segment in elf.segments:
            self.memory[segment.physical:segment.physical + len(segment.data)] = segment.data
        values = {symbol.name: symbol.value for symbol in elf.symbols.symbols}
        self.at = {name: values[name] for name in (
            "base_map", "ed_map", "ground", "block", "leave", "enter", "saved", "restarts")}

    def letters(self, name: str) -> str:
        """Give one of the maps: a letter for every opcode."""
        return self.memory[self.at[name]:self.at[name] + 256].decode()

    def block(self, dice: Chances) -> bytes:
        """Make the next block of `dice`."""
        code: list[int] = []
        for _ in range(UNITS):
            self.unit(dice, code)
        return bytes([*code, 0xC3, *low_first(self.at["leave"])])

    def unit(self, dice: Chances, code: list[int]) -> None:
        """Put one more unit behind `code`."""
        page = dice.draw() & 7
        index = [0xFD if page & 1 else 0xDD]
        if page >= 6:
            code += [*index, 0x21, *dice.address(), *index, 0xCB, dice.displacement(), dice.draw()]
        elif page == 2:
            opcode = dice.draw()
            self.shape(dice, code, "h" if opcode & 7 == 6 else ".", [], [0xCB, opcode])
        elif page == 3:
            opcode, letter = self.permitted(dice, "ed_map")
            self.shape(dice, code, letter, [], [0xED, opcode])
        else:
            opcode, letter = self.permitted(dice, "base_map")
            prefix = index if page >= 4 else []
            self.shape(dice, code, letter, prefix, [*prefix, opcode])

    def permitted(self, dice: Chances, name: str) -> tuple[int, str]:
        letters = self.letters(name)
        while letters[opcode := dice.draw()] == "-":
            pass
        return opcode, letters[opcode]

    def shape(self, dice: Chances, code: list[int], letter: str, index: list[int],
              opcode: list[int]) -> None:
        """Put an instruction and what its letter asks for."""
        pointer = {"h": [*index, 0x21], "i": [*index, 0x21], "p": [*index, 0x21], "b": [0x01],
                   "d": [0x11], "m": [0x21]}
        if letter in pointer:
            code += [*pointer[letter], *dice.address()]
        if letter == "m":
            code += [0x11, *dice.address(), 0x01, (dice.draw() & 15) + 1, 0]
        code += opcode
        if letter in "hi" and index:
            code.append(dice.displacement())
        if letter in "rj":
            self.over(dice, code, letter)
        if letter in "niw":
            code += [dice.draw() for _ in range(2 if letter == "w" else 1)]
        elif letter == "a":
            code += dice.address()
        elif letter == "c":
            code += [dice.draw() & 0x38 or 0x20, 0]

    def over(self, dice: Chances, code: list[int], letter: str) -> None:
        """Put a unit, and in front of it the distance or address of a jump over it."""
        size = 1 if letter == "r" else 2
        place = len(code)
        code += [0] * size
        self.unit(dice, code)
        behind = len(code)
        code[place:place + size] = ([behind - place - 1] if letter == "r"
                                    else low_first(self.at["block"] + behind))


class Twin:
    """Runs the soak's chapters on the naive Z80."""

    def __init__(self, elf: Image) -> None:
        self.blocks = Blocks(elf)
        at, memory = self.blocks.at, self.blocks.memory
        memory[8:0x40] = memory[at["restarts"]:at["restarts"] + 0x38]
        state = {**background(), "q": 0, "ram": enumerate(memory)}
        self.machine = Machine(state)

    def chapter(self, start: int, seen: Callable[[bytes], None] = lambda code: None) -> int:
        """Give a chapter's sum; `seen` gets the four bytes at every PC inside a block."""
        at, memory = self.blocks.at, self.machine.memory
        dice = Chances(start, at["ground"])
        parts = [(at["ground"], GROUND), (at["saved"], SAVED)]
        for place, size in parts:
            memory.update((place + k, dice.draw()) for k in range(size))
        low = high = 0
        for _ in range(BLOCKS):
            block = self.blocks.block(dice)
            memory.update(enumerate(block, at["block"]))
            for _ in range(RUNS):
                self.run(range(at["block"], at["block"] + len(block)), seen)
            for place, size in reversed(parts):
                for k in range(place, place + size, 2):
                    word = memory[k] | memory[k + 1] << 8
                    low = (low << 1 & 0xFFFF | low >> 15) + word & 0xFFFF
                    high = high + low & 0xFFFF
        return high << 16 | low

    def run(self, block: range, seen: Callable[[bytes], None]) -> None:
        """Run from `enter` until it returns."""
        m = self.machine
        m.put("sp", STACK)
        m.write16(STACK, BACK)
        m.put("pc", self.blocks.at["enter"])
        while (pc := m.get("pc")) != BACK:
            if pc in block:
                seen(bytes(m.memory[pc + k] for k in range(4)))
            m.index, m.flags_were_set = "hl", False
            naive_z80.execute(m)
            m.previous_q = m.get("f") if m.flags_were_set else 0
            m.cycles.clear()


def main() -> None:
    twin = Twin(load_image(SELFTEST / "soak.elf"))
    rows = [(start_of(k), twin.chapter(start_of(k))) for k in range(CHAPTERS)]
    lines = "".join(f"        .long 0x{start:08X}, 0x{total:08X}\n" for start, total in rows)
    (SELFTEST / "chapters.s").write_text(
        "; Written by `python tests/naive_z80_soak.py`: where a chapter's chances start, its sum.\n"
        "        .global chapters\n        .text\nchapters:\n" + lines)


if __name__ == "__main__":
    main()
