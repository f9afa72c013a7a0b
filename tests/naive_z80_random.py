"""Seeded random states for comparing two Z80s: odd values are more likely than chance has them."""

import random
from collections.abc import Iterator

import naive_z80
from naive_z80_machine import State

ODD_BYTES = (0x00, 0x01, 0x0F, 0x10, 0x7F, 0x80, 0x99, 0xFE, 0xFF)
ODD_WORDS = (0x0000, 0x0001, 0x00FF, 0x0FFF, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF)
BYTES = ("a", "b", "c", "d", "e", "f", "h", "l", "i", "r")
WORDS = ("af_", "bc_", "de_", "hl_", "ix", "iy", "pc", "sp", "wz")
BITS = ("iff1", "iff2", "ei", "p")
PREFIXES = {"base": (), "CB": (0xCB,), "ED": (0xED,), "DD": (0xDD,), "FD": (0xFD,)}


def random_byte(rng: random.Random) -> int:
    return rng.choice(ODD_BYTES) if rng.random() < 0.3 else rng.randrange(256)


def random_word(rng: random.Random) -> int:
    return rng.choice(ODD_WORDS) if rng.random() < 0.2 else rng.randrange(65536)


def random_state(rng: random.Random) -> State:
    """Make registers without `ram`; Q is 0 or F, as on the chip."""
    state: State = {name: random_byte(rng) for name in BYTES}
    state.update({name: random_word(rng) for name in WORDS})
    state.update({name: rng.randrange(2) for name in BITS})
    state["im"] = rng.randrange(3)
    state["q"] = rng.choice((0, state["f"]))
    return state


def complete(state: State, code: list[int], inputs: list[int], rng: random.Random) -> State:
    """Put code at PC and a random byte at each address the instruction touches; give the test."""
    memory = {(state["pc"] + offset) % 65536: byte for offset, byte in enumerate(code)}
    while True:
        initial = {**state, "ram": [[address, memory[address]] for address in sorted(memory)]}
        cycles = naive_z80.run_one(initial, inputs)["cycles"]
        wanted = sorted({cycle[0] for cycle in cycles if cycle[2][2] == "m"} - memory.keys())
        if not wanted:
            return initial
        memory.update({address: random_byte(rng) for address in wanted})


def code_for(table: str, opcode: int, rng: random.Random) -> list[int]:
    """Write the bytes of one opcode with random displacement and operands."""
    operands = [random_byte(rng), random_byte(rng)]
    if table in ("DDCB", "FDCB"):
        return [int(table[:2], 16), 0xCB, operands[0], opcode]
    return [*PREFIXES[table], opcode, *operands]


def random_tests(table: str, rounds: int, seed: int) -> Iterator[tuple[State, list[int]]]:
    """Give `rounds` random (initial, inputs) for each opcode of a table.

    Where the opcode is itself a prefix the random operand bytes go on as they fall: prefix chains
    come from there.
    """
    rng = random.Random(f"{table} {seed}")
    for opcode in range(256):
        for _ in range(rounds):
            state, inputs = random_state(rng), [random_byte(rng), random_byte(rng)]
            yield complete(state, code_for(table, opcode, rng), inputs, rng), inputs


def random_chains(count: int, seed: int) -> Iterator[tuple[State, list[int]]]:
    """Give random (initial, inputs) whose code starts with two to six DD, FD and ED bytes."""
    rng = random.Random(f"chains {seed}")
    for _ in range(count):
        prefixes = [rng.choice((0xDD, 0xFD)) for _ in range(rng.randrange(2, 6))]
        tail = rng.choice(([0xED], [0xCB], []))
        code = [*prefixes, *tail, *(rng.randrange(256) for _ in range(3))]
        inputs = [random_byte(rng)]
        yield complete(random_state(rng), code, inputs, rng), inputs
