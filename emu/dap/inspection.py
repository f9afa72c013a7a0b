"""What an editor shows of a machine that stands: frames, scopes, memory, code, as its JSON."""
from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

from emu.dap.wire import Message
from emu.errors import InputError
from emu.files.symbols import SourceLine, parse_number
from emu.machine.register_names import FLAGS, REGISTERS, SHOWN
from emu.stepper import stack_words, views
from emu.stepper.lookup import read_byte
from emu.stepper.stepper import Stepper

FRAMES = 32  # stack words in which callers are looked for
WORDS = 24  # stack words shown
LONGEST = 4  # bytes of an instruction
MOST = 2048  # instructions of one disassembly
TRIES = 16  # beginnings of a decoding; it falls into step after a few instructions
SCOPES = ("Registers", "Flags", "Cards", "Interrupt chain", "Stack", "Page map")
CARD = 100  # variables references of cards, from here on by slot number


def frames(stepper: Stepper) -> list[Message]:
    """Give the frame of PC, then the callers that the stack seems to hold."""
    pc = int(stepper.m.pc)
    shown = pc - int(stepper.m.halted) & 0xFFFF
    out = [_frame(stepper, 1, shown, False)]
    out += [_frame(stepper, k, back, True)
            for k, (_, back) in enumerate(stack_words.returns(stepper, FRAMES), 2)]
    return out


def _frame(stepper: Stepper, number: int, address: int, guessed: bool) -> Message:
    line = stepper.book.line(address)
    frame: Message = {
        "id": number, "name": stepper.book.symbol(address) or f"{address:04X}h",
        "line": line.line if line else 0, "column": 1 if line else 0,
        "instructionPointerReference": f"0x{address:04x}",
        "presentationHint": "subtle" if guessed else "normal"}
    if line:
        frame["source"] = source(stepper, line)
    return frame


def source(stepper: Stepper, line: SourceLine) -> Message:
    """Name a source file, with its path when it is found."""
    path = stepper.book.sources.path(line.file)
    if path is not None:
        return {"name": path.name, "path": str(path.resolve())}
    return {"name": Path(line.file).name}


def scopes() -> list[Message]:
    """List the scopes; all frames share them."""
    return [{"name": name, "variablesReference": k, "expensive": name == "Cards",
             **({"presentationHint": "registers"} if name == "Registers" else {})}
            for k, name in enumerate(SCOPES, 1)]


def variables(stepper: Stepper, reference: int) -> list[Message]:
    """Give the variables of a scope, or the lines of a card."""
    if reference >= CARD:
        slots = stepper.machine.slots
        if reference - CARD >= len(slots):
            raise InputError(f"there is no variablesReference {reference}.")
        slot = slots[reference - CARD]
        return [_variable(str(k), words) for k, words in
                enumerate(slot.card.describe(stepper.m, slot.state), 1)]
    if not 1 <= reference <= len(SCOPES):
        raise InputError(f"there is no variablesReference {reference}.")
    makers = (_registers, _flags, _cards, _chain, _stack, _pages)
    return makers[reference - 1](stepper)


def _variable(name: str, value: str, reference: int = 0, **more: Any) -> Message:
    return {"name": name, "value": value, "variablesReference": reference, **more}


def _registers(stepper: Stepper) -> list[Message]:
    out = []
    for name in SHOWN:
        register = REGISTERS[name]
        value = register.get(stepper.m)
        more: Message = {"memoryReference": f"0x{value:04x}"} if register.bits == 16 else {}
        out.append(_variable(name, number(value, register.bits), **more))
    return out


def number(value: int, bits: int) -> str:
    """Write a number of so many bits: 1234h, 5Ah, 1."""
    return f"{value:04X}h" if bits > 8 else f"{value:02X}h" if bits > 2 else str(value)


def _flags(stepper: Stepper) -> list[Message]:
    return [_variable(name, str(REGISTERS[name].get(stepper.m))) for name in FLAGS]


def _cards(stepper: Stepper) -> list[Message]:
    out = []
    for slot in stepper.machine.slots:
        words = slot.card.describe(stepper.m, slot.state)
        out.append(_variable(slot.name, slot.card.name, CARD + slot.number if words else 0))
    return out


def _chain(stepper: Stepper) -> list[Message]:
    return [_variable(link.name, f"pending {link.pending:b}b, in service {link.service:b}b, "
                      f"IEI {link.iei}, IEO {link.ieo}") for link in views.chain(stepper)]


def _stack(stepper: Stepper) -> list[Message]:
    return [_variable(f"{word.address:04X}h", f"{word.value:04X}h {word.call}".strip(),
                      memoryReference=f"0x{word.address:04x}")
            for word in stack_words.stack(stepper, WORDS)]


def _pages(stepper: Stepper) -> list[Message]:
    return [_variable(f"{p.low:04X}h-{p.high:04X}h", p.words) for p in views.pages(stepper)]


def set_variable(stepper: Stepper, reference: int, name: str, text: str) -> str:
    """Set a register or flag to an expression's value; give it as it is shown."""
    if reference not in (1, 2) or name not in REGISTERS:
        raise InputError(f"{name} cannot be set; registers and flags can.")
    bits = REGISTERS[name].bits
    stepper.change("register", name, stepper.book.work_out(text) & (1 << bits) - 1)
    return number(REGISTERS[name].get(stepper.m), bits)


def address(text: str) -> int:
    """Read a memory reference; InputError when it is none."""
    value = parse_number(text)
    if value is None or value > 0xFFFF:
        raise InputError(f"{text!r} is no memory reference, such as 0x8000.")
    return value


def read_memory(stepper: Stepper, reference: str, offset: int, count: int) -> Message:
    """Read memory as the CPU sees it now; nothing beyond 64 KiB."""
    start = address(reference) + offset
    end = min(start + count, 0x10000)
    data = bytes(read_byte(stepper.m, at) for at in range(max(start, 0), max(end, 0)))
    return {"address": f"0x{max(start, 0):04x}", "data": base64.b64encode(data).decode(),
            "unreadableBytes": max(count - len(data), 0)}


def write_memory(stepper: Stepper, reference: str, offset: int, data: str) -> int:
    """Write memory where plain memory is mapped; give the number of bytes."""
    try:
        content = base64.b64decode(data, validate=True)
    except ValueError:
        raise InputError("the data is no base64.") from None
    at = address(reference) + offset
    place = stepper.book.place(at & 0xFFFF)
    last = stepper.book.place(at + max(len(content), 1) - 1 & 0xFFFF)
    if place is None or last != place + max(len(content), 1) - 1:
        raise InputError(f"{at & 0xFFFF:04X}h: no plain memory in one piece is mapped there.")
    stepper.change("memory", str(place), content)
    return len(content)


def disassembly(stepper: Stepper, reference: str, offset: int, skip: int,
                count: int) -> list[Message]:
    """Disassemble ``count`` instructions, ``skip`` (it may be negative) from an address on."""
    if not 0 <= count <= MOST or abs(skip) > MOST:
        raise InputError(f"disassemble gives 0 to {MOST} instructions, no further away than "
                         f"{MOST}.")
    start = address(reference) + offset & 0xFFFF
    before = _before(stepper, start, -skip) if skip < 0 else []
    out = [_line(stepper, at) for at in before]
    at = start
    for k in range(max(skip, 0) + count):
        if k >= skip:
            out.append(_line(stepper, at))
        at = at + stepper.instruction(at).length & 0xFFFF
    return out[:count]


def _before(stepper: Stepper, start: int, count: int) -> list[int]:
    """Find ``count`` instructions that lead up to an address: the decoding that falls into step."""
    for begin in range(start - LONGEST * count, start)[:TRIES]:
        found, at = [], begin
        while at < start:
            found.append(at & 0xFFFF)
            at += stepper.instruction(at & 0xFFFF).length
        if at == start and len(found) >= count:
            return found[-count:]
    return [start - k & 0xFFFF for k in range(count, 0, -1)]


def _line(stepper: Stepper, at: int) -> Message:
    code = stepper.instruction(at)
    out: Message = {"address": f"0x{at:04x}", "instructionBytes": code.data.hex(" "),
                    "instruction": code.text}
    symbol = stepper.book.exact(at)
    if symbol:
        out["symbol"] = symbol
    line = stepper.book.line(at)
    if line:
        out["location"] = source(stepper, line)
        out["line"] = line.line
    return out
