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
from emu.stepper.book import read_byte
from emu.stepper.sitting import Sitting

FRAMES = 32  # stack words in which callers are looked for
WORDS = 24  # stack words shown
LONGEST = 4  # bytes of an instruction
SCOPES = ("Registers", "Flags", "Cards", "Interrupt chain", "Stack", "Page map")
CARD = 100  # variables references of cards, from here on by slot number


def frames(sitting: Sitting) -> list[Message]:
    """Give the frame of PC, then the callers that the stack seems to hold."""
    pc = int(sitting.m.pc)
    shown = pc - int(sitting.m.halted) & 0xFFFF
    out = [_frame(sitting, 1, shown, False)]
    out += [_frame(sitting, k, back, True)
            for k, (_, back) in enumerate(stack_words.returns(sitting, FRAMES), 2)]
    return out


def _frame(sitting: Sitting, number: int, address: int, guessed: bool) -> Message:
    line = sitting.book.line(address)
    frame: Message = {
        "id": number, "name": sitting.book.symbol(address) or f"{address:04X}h",
        "line": line.line if line else 0, "column": 1 if line else 0,
        "instructionPointerReference": f"0x{address:04x}",
        "presentationHint": "subtle" if guessed else "normal"}
    if line:
        frame["source"] = source(sitting, line)
    return frame


def source(sitting: Sitting, line: SourceLine) -> Message:
    """Name a source file, with its path when it lies beside an image."""
    for slot in sitting.machine.description.slots:
        for image in slot.images.values():
            path = Path(image.path).parent / line.file
            if path.is_file():
                return {"name": path.name, "path": str(path.resolve())}
    return {"name": Path(line.file).name}


def scopes() -> list[Message]:
    """List the scopes; all frames share them."""
    return [{"name": name, "variablesReference": k, "expensive": name == "Cards",
             **({"presentationHint": "registers"} if name == "Registers" else {})}
            for k, name in enumerate(SCOPES, 1)]


def variables(sitting: Sitting, reference: int) -> list[Message]:
    """Give the variables of a scope, or the lines of a card."""
    if reference >= CARD:
        slots = sitting.machine.slots
        if reference - CARD >= len(slots):
            raise InputError(f"there is no variablesReference {reference}.")
        slot = slots[reference - CARD]
        return [_variable(str(k), words) for k, words in
                enumerate(slot.card.describe(sitting.m, slot.state), 1)]
    if not 1 <= reference <= len(SCOPES):
        raise InputError(f"there is no variablesReference {reference}.")
    makers = (_registers, _flags, _cards, _chain, _stack, _pages)
    return makers[reference - 1](sitting)


def _variable(name: str, value: str, reference: int = 0, **more: Any) -> Message:
    return {"name": name, "value": value, "variablesReference": reference, **more}


def _registers(sitting: Sitting) -> list[Message]:
    out = []
    for name in SHOWN:
        register = REGISTERS[name]
        value = register.get(sitting.m)
        more: Message = {"memoryReference": f"0x{value:04x}"} if register.bits == 16 else {}
        out.append(_variable(name, number(value, register.bits), **more))
    return out


def number(value: int, bits: int) -> str:
    """Write a number of so many bits: 1234h, 5Ah, 1."""
    return f"{value:04X}h" if bits > 8 else f"{value:02X}h" if bits > 2 else str(value)


def _flags(sitting: Sitting) -> list[Message]:
    return [_variable(name, str(REGISTERS[name].get(sitting.m))) for name in FLAGS]


def _cards(sitting: Sitting) -> list[Message]:
    out = []
    for slot in sitting.machine.slots:
        words = slot.card.describe(sitting.m, slot.state)
        out.append(_variable(slot.name, slot.card.name, CARD + slot.number if words else 0))
    return out


def _chain(sitting: Sitting) -> list[Message]:
    return [_variable(link.name, f"pending {link.pending:b}b, in service {link.service:b}b, "
                      f"IEI {link.iei}, IEO {link.ieo}") for link in views.chain(sitting)]


def _stack(sitting: Sitting) -> list[Message]:
    return [_variable(f"{word.address:04X}h", f"{word.value:04X}h {word.call}".strip(),
                      memoryReference=f"0x{word.address:04x}")
            for word in stack_words.stack(sitting, WORDS)]


def _pages(sitting: Sitting) -> list[Message]:
    return [_variable(f"{p.low:04X}h-{p.high:04X}h", p.words) for p in views.pages(sitting)]


def set_variable(sitting: Sitting, reference: int, name: str, text: str) -> str:
    """Set a register or flag to an expression's value; give it as it is shown."""
    if reference not in (1, 2) or name not in REGISTERS:
        raise InputError(f"{name} cannot be set; registers and flags can.")
    bits = REGISTERS[name].bits
    sitting.change("register", name, sitting.book.work_out(text) & (1 << bits) - 1)
    return number(REGISTERS[name].get(sitting.m), bits)


def address(text: str) -> int:
    """Read a memory reference; InputError when it is none."""
    value = parse_number(text)
    if value is None:
        raise InputError(f"{text!r} is no memory reference, such as 0x8000.")
    return value


def read_memory(sitting: Sitting, reference: str, offset: int, count: int) -> Message:
    """Read memory as the CPU sees it now; nothing beyond 64 KiB."""
    start = address(reference) + offset
    end = min(start + count, 0x10000)
    data = bytes(read_byte(sitting.m, at) for at in range(max(start, 0), max(end, 0)))
    return {"address": f"0x{max(start, 0):04x}", "data": base64.b64encode(data).decode(),
            "unreadableBytes": max(count - len(data), 0)}


def write_memory(sitting: Sitting, reference: str, offset: int, data: str) -> int:
    """Write memory where plain memory is mapped; give the number of bytes."""
    try:
        content = base64.b64decode(data, validate=True)
    except ValueError:
        raise InputError("the data is no base64.") from None
    at = address(reference) + offset
    place = sitting.book.place(at & 0xFFFF)
    last = sitting.book.place(at + max(len(content), 1) - 1 & 0xFFFF)
    if place is None or last != place + max(len(content), 1) - 1:
        raise InputError(f"{at & 0xFFFF:04X}h: no plain memory in one piece is mapped there.")
    sitting.change("memory", str(place), content)
    return len(content)


def disassembly(sitting: Sitting, reference: str, offset: int, skip: int,
                count: int) -> list[Message]:
    """Disassemble ``count`` instructions, ``skip`` (it may be negative) from an address on."""
    start = address(reference) + offset & 0xFFFF
    before = _before(sitting, start, -skip) if skip < 0 else []
    out = [_line(sitting, at) for at in before]
    at = start
    for k in range(max(skip, 0) + count):
        if k >= skip:
            out.append(_line(sitting, at))
        at = at + sitting.instruction(at).length & 0xFFFF
    return out[:count]


def _before(sitting: Sitting, start: int, count: int) -> list[int]:
    """Find ``count`` instructions that lead up to an address: the decoding that falls into step."""
    for begin in range(start - LONGEST * count, start):
        found, at = [], begin
        while at < start:
            found.append(at & 0xFFFF)
            at += sitting.instruction(at & 0xFFFF).length
        if at == start and len(found) >= count:
            return found[-count:]
    return [start - k & 0xFFFF for k in range(count, 0, -1)]


def _line(sitting: Sitting, at: int) -> Message:
    code = sitting.instruction(at)
    out: Message = {"address": f"0x{at:04x}", "instructionBytes": code.data.hex(" "),
                    "instruction": code.text}
    symbol = sitting.book.exact(at)
    if symbol:
        out["symbol"] = symbol
    line = sitting.book.line(at)
    if line:
        out["location"] = source(sitting, line)
        out["line"] = line.line
    return out
