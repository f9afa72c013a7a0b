"""Causes on the lines to memory: dead RAM, stuck or exchanged lines, data that come late.

The first bus cycles are held against what was burned and written (early.py).  If reads
differ, every guess of one bad line is tried on the same cycles; the guess under which all
of them agree is the proof.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from emu.bus.state import FETCH, NOBODY
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.memory_answers import UNKNOWN, Memory, early
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding

DEAD_RAM = Cause(
    "dead-ram", "RAM that does not answer",
    "Nothing, one character, or a banner and then nothing: the first RET goes astray.",
    "Bytes are written to addresses that a memory card decodes, and when they are read back "
    "nobody drives the bus.",
    "Check the supply and the chip select of the RAM; test it with a program that uses no "
    "stack.", ("W1",))
DATA_LINE = Cause(
    "data-line", "A data line that is open, shorted or exchanged",
    "Dead, or a short loop and then wandering; texts come out with wrong letters.",
    "One bit of the bytes read never changes although the chip holds both values, or two bits "
    "come exchanged, and that alone explains every wrong byte.",
    "Follow the named line from the CPU to the chip: solder, socket, cable.", ("W3",))
ADDRESS_LINE = Cause(
    "address-line", "An address line that is open, shorted or exchanged",
    "Dead, or it runs until something is read back from the wrong place.",
    "The byte read at an address is that of another address, which differs in one line; with "
    "that line stuck or exchanged every byte agrees.",
    "Follow the named line from the CPU to the chip: solder, socket, cable.", ("W3",))
LATE_DATA = Cause(
    "late-data", "Memory or a card too slow for the clock",
    "Random crashes, better when cold or slower; a faster clock fails at once.",
    "The chip drives its byte after the CPU has sampled the bus: what was read is what the "
    "bus floated at.",
    "Use faster chips, a wait state, or a slower clock; check that a card's WAIT comes before "
    "the CPU samples it.", ("X1", "X2"))

FEW = 2  # places read wrongly that a guess must explain; one, if nothing else explains it
SMALLEST = 10  # address lines of the smallest chip
ANY = (WAITS, HALTED_OFF, WILD, STUCK, BUSY)
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def _ending(case: Case) -> str:
    return RUNAWAY if case.condition in (WILD, BUSY) else HUNG


def dead_ram(case: Case) -> Finding | None:
    """Check for written RAM that floats when it is read back."""
    memory = early(case)
    expected = memory.expected()
    silent = (memory.wrong(expected) & (memory.driver == NOBODY)
              & (memory.owners > 0) & memory.in_ram)
    places = np.nonzero(silent)[0]
    if not len(places):
        return None
    k = int(places[0])
    address = int(memory.address[k])
    slot = case.slot_words(int(memory.owners[k]) - 1)
    return Finding(
        DEAD_RAM, _ending(case),
        f"the RAM at {address:04X}h ({slot}) does not answer: what is written there is gone.",
        [f"At {case.time(int(memory.t[k]))} the CPU read {int(memory.data[k]):02X}h from "
         f"{address:04X}h, where {int(expected[k]):02X}h had been written; no card drove the "
         f"bus, although {slot} decodes the address.",
         f"{len(places)} reads of written RAM floated in the first "
         f"{case.time(int(memory.t[-1]))}."],
        [f"Check supply, ground and chip select of the RAM of {slot}, and that the chip is the "
         f"right way round."],
        {"address": f"{address:04X}"}, SHOWN, int(memory.t[k]))


def late_data(case: Case) -> Finding | None:
    """Check for reads that were sampled before the data came."""
    m = case.m
    if int(m.late_reads) == 0:
        return None
    t = int(m.late_first_t)
    port = int(m.late_first_kind) == 1
    at = int(m.late_first_at)
    place = f"port {at & 0xFF:02X}h" if port else f"address {at:04X}h"
    slot = int(m.port_slot[at & 0xFF]) if port else int(m.owner[at >> 12]) - 1
    who = case.slot_words(slot) if slot >= 0 else "the card there"
    remedy = [f"Give {who} a wait state (waits-io, waits-mem or waits-m1 in its slot), fit a "
              f"faster part, or lower the clock of {float(case.machine.hz) / 1e6:g} MHz."]
    asked = case.machine.description.slots[slot].waits_io if port and slot >= 0 else 0
    evidence = [
        f"{int(m.late_reads)} reads were sampled before the data came, the first of {place} at "
        f"{case.time(t)}: {who} answered, but the CPU had looked already."]
    if asked:
        evidence.append(f"The card asks for {asked} wait states, and the cycles have none.")
        remedy.insert(0, f"Make {who} pull WAIT earlier, from the decoded address alone.")
    return Finding(LATE_DATA, _ending(case), f"{who} gives its data too late for the clock, "
                   f"first at {place}.", evidence, remedy, {"slot": who}, SHOWN, t)


@dataclass(frozen=True)
class Guess:
    """One bad line: what it does to addresses or data, and its words."""

    words: str
    lines: Callable[[np.ndarray], np.ndarray]
    line: str


def _stuck(bit: int, level: int) -> Callable[[np.ndarray], np.ndarray]:
    return lambda v: v | 1 << bit if level else v & ~(1 << bit)


def _swapped(one: int, other: int) -> Callable[[np.ndarray], np.ndarray]:
    def swap(v: np.ndarray) -> np.ndarray:
        differ = (v >> one ^ v >> other) & 1
        return np.asarray(v ^ (differ << one | differ << other))
    return swap


def guesses(letter: str, width: int) -> Iterator[Guess]:
    """List every single bad line of a bus."""
    for bit in range(width):
        for level in (0, 1):
            yield Guess(f"line {letter}{bit} reads {level} all the time", _stuck(bit, level),
                        f"{letter}{bit}")
    for one in range(width):
        for other in range(one + 1, width):
            yield Guess(f"lines {letter}{one} and {letter}{other} are exchanged",
                        _swapped(one, other), f"{letter}{one}/{letter}{other}")


def _sides(memory: Memory) -> list[tuple[str, np.ndarray]]:
    """List the parts of memory that a bad line may belong to: all, ROM, RAM."""
    ram = memory.in_ram
    return [("all memory", np.ones(len(ram), bool)), ("the ROM's side", ~ram),
            ("the RAM's side", ram)]


def _blocks(memory: Memory, wrong: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
    """List the blocks of addresses, as one chip takes them, and that hold all wrong reads."""
    low, high = int(memory.address[wrong].min()), int(memory.address[wrong].max())
    for bits in range(15, SMALLEST - 1, -1):
        if low >> bits == high >> bits:
            first = low >> bits << bits
            yield (f"addresses {first:04X}h to {first + (1 << bits) - 1:04X}h",
                   memory.address >> bits == low >> bits)


def bad_line(case: Case) -> Finding | None:
    """Check for a bad line: the one guess that makes every cycle agree."""
    memory = early(case)
    expected = memory.expected()
    wrong = memory.wrong(expected) & (memory.driver != NOBODY)
    places = np.nonzero(wrong)[0]
    if not len(places) or int(case.m.late_reads):
        return None
    if len(np.unique(memory.address[places])) < FEW:
        found = _data_guesses(memory, expected, wrong)
        if case.condition in FAILED and _single(memory, expected, wrong, found):
            return _line_finding(case, memory, expected, wrong, DATA_LINE, *found[0])
        return None
    memory = memory.cut(int(places[min(len(places), 400) - 1]) + 1)
    expected, wrong = expected[:len(memory.t)], wrong[:len(memory.t)]
    for guess, region in _data_guesses(memory, expected, wrong):
        return _line_finding(case, memory, expected, wrong, DATA_LINE, guess, region)
    for guess, region in _address_guesses(memory, wrong):
        return _line_finding(case, memory, expected, wrong, ADDRESS_LINE, guess, region)
    return None


def _single(memory: Memory, expected: np.ndarray, wrong: np.ndarray,
            found: list[tuple[Guess, str]]) -> bool:
    """Tell whether one wrong byte alone tells the line.

    No other guess explains it, and a read nearby shows that the line is not at fault
    when it is meant to have that level.
    """
    k = int(np.nonzero(wrong)[0][0])
    near = (memory.reads & (expected != UNKNOWN) & (memory.in_ram == memory.in_ram[k]) & ~wrong
            & (memory.owners == memory.owners[k]))
    return len(found) == 1 and bool(near.any()) \
        and next(_address_guesses(memory, wrong), None) is None


def _data_guesses(memory: Memory, expected: np.ndarray,
                  wrong: np.ndarray) -> list[tuple[Guess, str]]:
    """List the guesses of a data line that make all reads agree, in the widest part only."""
    known = memory.reads & (expected != UNKNOWN)
    out = []
    for guess in guesses("D", 8):
        bent = guess.lines(expected)
        if not (memory.data[wrong] == bent[wrong]).all():
            continue
        for name, where in (*_sides(memory), *_blocks(memory, wrong)):
            read = known & where
            if not (wrong & ~where).any() and (memory.data[read] == bent[read]).all():
                out.append((guess, _seen_part(memory, read & (bent != expected), name)))
                break
    return out


def _seen_part(memory: Memory, told: np.ndarray, name: str) -> str:
    """Say of which part the reads tell that a line changed."""
    sides = set(memory.in_ram[told].tolist())
    if name != "all memory" or len(sides) != 1:
        return name
    return "the RAM's side or all memory" if True in sides else "the ROM's side or all memory"


def _address_guesses(memory: Memory, wrong: np.ndarray) -> Iterator[tuple[Guess, str]]:
    for name, where in reversed(_sides(memory)):
        if (wrong & ~where).any():
            continue
        for guess in guesses("A", 16):
            taken = memory.expected(guess.lines, where)
            told = float((taken[wrong] != UNKNOWN).mean())  # a guess into the blue proves nothing
            if not memory.wrong(taken).any() and told > 0.8:
                yield guess, name


def _line_finding(case: Case, memory: Memory, expected: np.ndarray, wrong: np.ndarray,
                  cause: Cause, guess: Guess, region: str) -> Finding:
    k = int(np.nonzero(wrong)[0][0])
    address = int(memory.address[k])
    what = "fetched" if int(memory.kind[k]) == FETCH else "read"
    owner = int(memory.owners[k]) - 1
    slot = case.slot_words(owner) if owner >= 0 else "the memory"
    return Finding(
        cause, _ending(case), f"{guess.words} on {region} of {slot}.",
        [f"At {case.time(int(memory.t[k]))} the CPU {what} {int(memory.data[k]):02X}h at "
         f"{address:04X}h, where {int(expected[k]):02X}h stands.",
         f"{int(wrong.sum())} of {int((memory.reads & (expected != UNKNOWN)).sum())} bytes read "
         f"in the first {case.time(int(memory.t[-1]))} differ from what was burned or written; "
         f"if {guess.words}, all of them agree."],
        [f"Follow {guess.line} on {region} of {slot}: solder joint, socket, bent pin, cable."],
        {"line": guess.line}, SHOWN, int(memory.t[k]))


CHECKS = (
    Check(dead_ram, DEAD_RAM, when=FAILED),
    Check(late_data, LATE_DATA, when=FAILED),
    Check(bad_line, DATA_LINE, when=ANY,
          others=(ADDRESS_LINE,)),
)
