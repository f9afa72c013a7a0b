"""Hold the disassembler against GNU objdump, GNU as and the published single-step vectors."""

import gzip
import json
import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from naive_z80_vectors import MISSING, VECTORS

from emu.isa.disassembler import Instruction, disassemble

TOOLS = Path.home() / ".cache/preburn/toolchain/bin"
PREFIXES = [(), (0xCB,), (0xED,), (0xDD,), (0xFD,), (0xDD, 0xCB, 0x12), (0xFD, 0xCB, 0x80)]
SLOT = 8


def tool(name: str) -> str:
    for candidate in (f"z80-unknown-coff-{name}", str(TOOLS / f"z80-unknown-elf-{name}")):
        if found := shutil.which(candidate):
            return found
    pytest.skip(f"no GNU {name} for the Z80 here: apt-get install binutils-z80")


def objdump(data: bytes, folder: Path, base: int = 0) -> list[tuple[int, int, str]]:
    """Disassemble with GNU objdump into (address, length, text)."""
    file = folder / "code.bin"
    file.write_bytes(data)
    options = f"-b binary -m z80 -D -z --adjust-vma={base:#x}".split()
    command = [tool("objdump"), *options, file]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    rows = re.findall(r"^ *([0-9a-f]+):\t((?:[0-9a-f]{2} )+) *\t(.+?)\s*$", lines, re.MULTILINE)
    return [(int(at, 16), len(code.split()), text) for at, code, text in rows]


def ours(data: bytes, base: int = 0) -> list[tuple[int, int, str]]:
    rows, at = [], 0
    while at < len(data):
        one = disassemble(lambda address: data[(address - base) % len(data)], base + at)
        text = one.text
        if one.note == "undocumented code":  # objdump gives these as bytes; we name what they do
            text = "defb " + ", ".join(f"{byte:#04x}" for byte in one.data)
        rows.append((base + at, one.length, re.sub("^db ", "defb ", text)))
        at += one.length
    return rows


def every_opcode(tail: bytes) -> bytes:
    slots = (bytes([*prefix, op]) + tail for prefix in PREFIXES for op in range(256))
    return b"".join((slot + bytes(SLOT))[:SLOT] for slot in slots) + bytes(SLOT)


@pytest.mark.parametrize("tail", ["fe3456", "000000", "7f80ff", "80ff3c"])
def test_every_opcode_of_every_prefix_reads_as_objdump_writes_it(tail, tmp_path):
    # GNU binutils objdump, z80 target
    data = every_opcode(bytes.fromhex(tail))
    theirs = objdump(data, tmp_path)
    assert ours(data) == theirs
    slots = {at for at, _, _ in theirs if at % SLOT == 0 and at < len(data) - SLOT}
    assert len(slots) == len(PREFIXES) * 256


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_bytes_read_as_objdump_writes_them(seed, tmp_path):
    # GNU binutils objdump, z80 target; the zeros keep the last instruction whole
    data = random.Random(seed).randbytes(20_000) + bytes(4)
    theirs = objdump(data, tmp_path, base=0x1000)
    assert ours(data, base=0x1000) == theirs
    assert len(theirs) > 8_000


def assembled(texts: list[str], folder: Path) -> list[bytes]:
    """Assemble each text at the start of its own slot."""
    source, thing, image = folder / "all.s", folder / "all.o", folder / "all.bin"
    source.write_text("".join(f"\t.org {SLOT * i}\n\t{text}\n" for i, text in enumerate(texts)))
    subprocess.run([tool("as"), "-march=z80+full", "-o", thing, source], check=True)
    subprocess.run([tool("objcopy"), "-O", "binary", "-j", ".text", thing, image], check=True)
    built = image.read_bytes() + bytes(SLOT)
    return [built[SLOT * i : SLOT * (i + 1)] for i in range(len(texts))]


def has_other_code(data: bytes, text: str) -> bool:
    """Say whether the text also stands for a shorter or canonical code, or for a relocation."""
    bit_mirror = data[1:2] == b"\xcb" and len(data) == 4 and data[3] >> 6 == 1 and data[3] & 7 != 6
    return bit_mirror or data[:2] in (b"\xed\x63", b"\xed\x6b") or text[:2] in ("jr", "dj")


def test_text_assembles_back_to_the_same_bytes(tmp_path):
    # GNU as, -march=z80+full
    codes = [bytes([*prefix, op, 0xFE, 0x34, 0x56][:4]) for prefix in PREFIXES for op in range(256)]
    decoded = [disassemble(lambda address, code=code: code[address], 0) for code in codes]
    kept = [(one.data, one.text) for one in decoded
            if one.note != "undocumented code" and not has_other_code(one.data, one.text)]
    built = assembled([text for _, text in kept], tmp_path)
    wrong = [
        (text, data.hex(), bytes_.hex())
        for (data, text), bytes_ in zip(kept, built, strict=True)
        if not bytes_.startswith(data)
    ]
    assert wrong == []
    assert len(kept) > 1_400


def published_vectors() -> list[dict]:
    if not VECTORS.exists():
        pytest.skip(MISSING)
    with gzip.open(VECTORS, "rt") as file:
        return [test for tests in json.load(file).values() for test in tests]


def register(state: dict, name: str) -> int:
    if name in ("IX", "IY", "SP"):
        return state[name.lower()]
    return state[name[0].lower()] << 8 | state[name[1].lower()]


def addresses(operands, state: dict) -> list[int]:
    found = []
    for space, base, displacement, size in operands:
        if space == "mem":
            start = base if isinstance(base, int) else register(state, base)
            found += [(start + displacement + i) & 0xFFFF for i in range(size)]
    return sorted(found)


def ports(operands, state: dict) -> list[int]:
    bases = [base for space, base, _, _ in operands if space == "port"]
    return [state["c"] if base == "C" else base for base in bases]


def seen(test: dict, one: Instruction) -> tuple[list[int], list[int], list[tuple[int, str]]]:
    """Memory reads beyond the instruction's own bytes, memory writes, port transfers."""
    reads = [at for at, _, pins in test["cycles"] if pins == "r-m-"]
    for offset in range(one.length):
        reads.remove((one.address + offset) & 0xFFFF)
    writes = {at for at, _, pins in test["cycles"] if "w" in pins and "i" not in pins}
    transfers = [(port & 0xFF, kind) for port, _, kind in test.get("ports", [])]
    return sorted(reads), sorted(writes), transfers


def foretold(one: Instruction, state: dict) -> tuple[list[int], list[int], list[tuple[int, str]]]:
    transfers = [(port, "r") for port in ports(one.reads, state)]
    transfers += [(port, "w") for port in ports(one.writes, state)]
    return addresses(one.reads, state), addresses(one.writes, state), transfers


def test_operands_and_flow_match_the_bus_cycles_of_the_published_vectors():
    # SingleStepTests/z80 v1: transfers seen on the bus, and PC after the instruction
    checked = 0
    for test in published_vectors():
        first, last = test["initial"], test["final"]
        memory = dict(map(tuple, first["ram"]))
        one = disassemble(lambda address, memory=memory: memory.get(address, 0), first["pc"])
        if one.note == "stray prefix":
            continue  # the vectors run the prefix and what follows as one
        after = (one.address + one.length) & 0xFFFF
        refused = one.flow in ("branch-call", "branch-return") and last["pc"] == after
        wanted = ([], [], []) if refused else foretold(one, first)
        assert seen(test, one) == wanted, test["name"]
        assert last["pc"] in goes_to(one, after, first, memory), test["name"]
        if one.note.startswith("acts as im"):
            assert last["im"] == int(one.note[-1])
        checked += 1
    assert checked > 6_000


def goes_to(one: Instruction, after: int, state: dict, memory: dict) -> set[int | None]:
    """Addresses the flow allows after the instruction."""
    word = memory.get(state["sp"], 0) | memory.get((state["sp"] + 1) & 0xFFFF, 0) << 8
    repeats = one.text in ("ldir", "lddr", "cpir", "cpdr", "inir", "indr", "otir", "otdr")
    jumps = {"ix": state["ix"], "iy": state["iy"], "hl": register(state, "HL")}
    return {
        "next": {after, one.address} if repeats else {after},
        "halt": {after, one.address},
        "jump": {one.target},
        "branch": {after, one.target},
        "call": {one.target},
        "branch-call": {after, one.target},
        "restart": {one.target},
        "return": {word},
        "branch-return": {after, word},
        "indirect": {jumps.get(one.text[-3:-1])},
    }[one.flow]
