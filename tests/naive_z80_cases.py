"""The committed opcode cases: their file form, read and written, and how they are compared.

A case file (tests/data/opcodes/<table>.csv) has one worked case a line:
`code` the bytes at PC, `mnemonic`, `before` what differs from background.csv, `after` what
differs from `before` once the instruction has run, `ports` the transfers, `t` the T-states.
Items of `before` and `after` are `name=hex` for registers and `[address]=hex` for memory bytes;
items of `ports` are `r:port=byte` and `w:port=byte`. The README beside the files says more.
"""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from naive_z80_machine import REGISTERS, State

FOLDER = Path(__file__).parent / "data" / "opcodes"
TABLES = ("base", "CB", "ED", "DD", "FD", "DDCB", "FDCB")
COLUMNS = ("code", "mnemonic", "before", "after", "ports", "t")
FOUR_DIGITS = ("af_", "bc_", "de_", "hl_", "ix", "iy", "pc", "sp", "wz")
ONE_DIGIT = ("im", "iff1", "iff2", "ei", "p")
PAIRS = ("bc", "de", "hl", "af")


@dataclass(frozen=True)
class Case:
    """One line of a case file; `code` is bytes, the rest is text as written, `t` a number."""

    table: str
    code: bytes
    mnemonic: str
    before: str
    after: str
    ports: str
    t: int

    @property
    def name(self) -> str:
        return f"{self.code.hex(' ').upper()} ({self.mnemonic}) with {self.before or 'background'}"

    @property
    def inputs(self) -> list[int]:
        return [byte for _, byte, way in parse_ports(self.ports) if way == "r"]

    def initial(self) -> State:
        """Give the state before, in the single-step form; the code lies at PC.

        Bytes that only `after` names are listed too, as 0: so `ram` has all that is touched.
        """
        _, written = apply_items(background(), {}, self.after)
        state, memory = apply_items(background(), dict.fromkeys(written, 0), self.before)
        for offset, byte in enumerate(self.code):
            memory[(state["pc"] + offset) % 65536] = byte
        return with_ram(state, memory)

    def final(self) -> State:
        """Give the expected state after, in the single-step form."""
        initial = self.initial()
        memory = dict(initial.pop("ram"))
        return with_ram(*apply_items(initial, memory, self.after))


def with_ram(state: State, memory: dict[int, int]) -> State:
    return {**state, "ram": [[address, memory[address]] for address in sorted(memory)]}


def background() -> dict[str, int]:
    """Read the registers that every case starts from."""
    with open(FOLDER / "background.csv", newline="") as file:
        state = {row["register"]: int(row["hex"], 16) for row in csv.DictReader(file)}
    return {name: state[name] for name in REGISTERS}


def apply_items(state: State, memory: dict[int, int],
                items: str) -> tuple[State, dict[int, int]]:
    """Give copies of registers and memory with the items of a `before` or `after` put in."""
    state, memory = dict(state), dict(memory)
    for item in items.split():
        name, value = item.split("=")
        number = int(value, 16)
        if name.startswith("["):
            memory[int(name.strip("[]"), 16)] = number
        elif name in PAIRS:
            state[name[0]], state[name[1]] = divmod(number, 256)
        elif name in REGISTERS:
            state[name] = number
        else:
            raise ValueError(f"no register is named {name!r}, in the items {items!r}")
    return state, memory


def parse_ports(text: str) -> list[list[Any]]:
    """Read `r:port=byte` and `w:port=byte` items as the `ports` list of the single-step form."""
    ports = []
    for item in text.split():
        way, transfer = item.split(":")
        port, byte = transfer.split("=")
        ports.append([int(port, 16), int(byte, 16), way])
    return ports


def format_ports(ports: Iterable[Sequence[Any]]) -> str:
    return " ".join(f"{way}:{port:04X}={byte:02X}" for port, byte, way in ports)


def format_register(name: str, value: int) -> str:
    digits = 4 if name in FOUR_DIGITS else 1 if name in ONE_DIGIT else 2
    return f"{name}={value:0{digits}X}"


def format_changes(initial: State, final: State) -> str:
    """Write what differs between two states as items: registers first, then memory."""
    items = [format_register(name, final[name])
             for name in REGISTERS if final[name] != initial[name]]
    old = dict(initial["ram"])
    items += [f"[{address:04X}]={byte:02X}"
              for address, byte in final["ram"] if old.get(address) != byte]
    return " ".join(items)


def load_cases(table: str) -> list[Case]:
    """Read the case file of one table."""
    with open(FOLDER / f"{table.lower()}.csv", newline="") as file:
        return [Case(table, bytes.fromhex(row["code"]), row["mnemonic"], row["before"],
                     row["after"], row["ports"], int(row["t"]))
                for row in csv.DictReader(file)]


def load_tstates() -> dict[tuple[str, int], tuple[int, ...]]:
    """Read tstates.csv: (table, opcode) -> the possible totals; prefixes are left out."""
    totals = {}
    with open(FOLDER / "tstates.csv", newline="") as file:
        for row in csv.DictReader(file):
            for low in range(16):
                cell = row[f"x{low:X}"]
                if cell != "prefix":
                    opcode = int(row["row"][0], 16) * 16 + low
                    totals[row["table"], opcode] = tuple(int(n) for n in cell.split("/"))
    return totals


def split_code(code: bytes) -> tuple[int, str, int]:
    """Split code bytes as (index prefixes that a later prefix overrules, table, opcode)."""
    wasted, place = 0, 0
    while code[place] in (0xDD, 0xFD) and code[place + 1] in (0xDD, 0xFD, 0xED):
        wasted, place = wasted + 1, place + 1
    first = code[place]
    if first in (0xDD, 0xFD) and code[place + 1] == 0xCB:
        return wasted, f"{first:02X}CB", code[place + 3]
    if first in (0xCB, 0xED, 0xDD, 0xFD):
        return wasted, f"{first:02X}", code[place + 1]
    return wasted, "base", first


def differences(expected_final: State, expected_ports: list[list[Any]], got: State) -> list[str]:
    """List in words where a result of run_one departs from the expected state and ports."""
    final = got["final"]
    found = [f"{format_register(name, final[name])}, expected {expected_final[name]:X}h"
             for name in REGISTERS if final[name] != expected_final[name]]
    expected_ram, got_ram = dict(expected_final["ram"]), dict(final["ram"])
    found += [f"[{address:04X}]={got_ram.get(address, 0):02X}, "
              f"expected {expected_ram.get(address, 0):02X}h"
              for address in sorted(expected_ram.keys() | got_ram.keys())
              if expected_ram.get(address, 0) != got_ram.get(address, 0)]
    if [list(port) for port in got["ports"]] != [list(port) for port in expected_ports]:
        found.append(f"ports {format_ports(got['ports']) or 'none'}, "
                     f"expected {format_ports(expected_ports) or 'none'}")
    return found


def cycle_differences(expected: list[list[Any]], got: list[list[Any]]) -> list[str]:
    """Tell the first T-state at which two bus lists part, and their lengths when these differ."""
    found = []
    if len(expected) != len(got):
        found.append(f"{len(got)} T-states, expected {len(expected)}")
    for t, (want, have) in enumerate(zip(expected, got, strict=False)):
        if list(want) != list(have):
            found.append(f"bus at T-state {t}: {list(have)}, expected {list(want)}")
            break
    return found


def report(failures: list[str]) -> str:
    """Join failures for an assert message: the first twelve and the count."""
    return "\n".join([f"{len(failures)} cases differ:", *failures[:12]])
