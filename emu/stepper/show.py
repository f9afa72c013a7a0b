"""Write what `views` gives as lines of text; changed values carry a star."""
from __future__ import annotations

from emu.bus.state import DMA_IN, DMA_OUT, IN, KIND_NAMES, OUT
from emu.card import number_words
from emu.logs.cycles import Cycles, driver_names
from emu.machine.register_names import FLAGS, flag_letters, snapshot
from emu.machine.source_files import SourceFiles
from emu.run.texts import typed_form
from emu.stepper import stack_words, views
from emu.stepper.cursor import Moment
from emu.stepper.stepper import Stepper

ROWS = (("pc", "sp", "af", "bc", "de", "hl", "ix", "iy"),
        ("wz", "af'", "bc'", "de'", "hl'", "i", "r", "im", "iff1", "iff2"))
WIDTHS = {"i": 2, "r": 2, "im": 1, "iff1": 1, "iff2": 1}
SOURCE_WIDTH = 44
DUMP = 16  # bytes a line


def quoted(keys: bytes) -> str:
    """Write keys as they are typed at `press`: in double quotes, with its escapes."""
    return '"' + typed_form(keys) + '"'


def time_words(stepper: Stepper, t: int) -> str:
    """Write a T-state with the emulated time."""
    seconds = float(stepper.machine.seconds(t))
    return f"T {t} ({number_words.time_words(seconds, 6 if seconds < 1 else 9)})"


def registers(stepper: Stepper, before: dict[str, int]) -> list[str]:
    """Write the registers; a star where one differs from ``before``."""
    now = snapshot(stepper.m)

    def cell(name: str) -> str:
        star = "*" if before.get(name, now[name]) != now[name] else " "
        return f"{name} {now[name]:0{WIDTHS.get(name, 4)}X}{star}"

    f = now["af"] & 0xFF
    names = [name for name, bit in FLAGS.items() if f >> bit & 1]
    state = "halted" if int(stepper.m.halted) else ""
    if owner := int(stepper.m.bus_owner):
        state = f"{state} {stepper.machine.slots[owner - 1].name} has the bus".strip()
    elif int(stepper.m.wait_state):
        state = f"{state} WAIT holds its cycle {KIND_NAMES[int(stepper.m.wait_kind)]}".strip()
    return ["  ".join(map(cell, row)).rstrip() for row in ROWS] + [
        f"flags {flag_letters(f)}  {', '.join(names) or 'none'}  {state}".rstrip()]


def code(stepper: Stepper, sources: SourceFiles, address: int, count: int = 6) -> list[str]:
    """Write instructions from an address on, with labels and source lines."""
    out = []
    for line in views.code(stepper, address, count):
        if line.label:
            out.append(f"  {line.label}:")
        raw = line.code.data.hex(" ").upper()
        text = sources.named(line.source)[:SOURCE_WIDTH] if line.source else ""
        out.append(f"{'>' if line.here else ' '} {line.code.address:04X}  {raw:<11}  "
                   f"{line.code.text:<24} {line.source:<16} {text}".rstrip())
    return out


def stack(stepper: Stepper, count: int) -> list[str]:
    """Write words from the top of the stack."""
    return [f"  {word.address:04X}  {word.value:04X}  {word.call}".rstrip()
            for word in stack_words.stack(stepper, count)]


def memory(stepper: Stepper, low: int, count: int) -> list[str]:
    """Write bytes of memory as the CPU sees it now, with their letters."""
    out = []
    for start in range(low, low + count, DUMP):
        data = bytes(stepper.book.byte(start + k & 0xFFFF)
                     for k in range(min(DUMP, low + count - start)))
        letters = "".join(chr(b) if 32 <= b < 127 else "." for b in data)
        out.append(f"  {start & 0xFFFF:04X}  {data.hex(' ').upper():<{DUMP * 3}} {letters}")
    return out


def pages(stepper: Stepper) -> list[str]:
    """Write the page map."""
    return [f"  {p.low:04X}-{p.high:04X}  {p.words}" for p in views.pages(stepper)]


def chain(stepper: Stepper) -> list[str]:
    """Write who asks, who is in service, IEI and IEO, and what the CPU makes of it."""
    m = stepper.m
    out = []
    for link in views.chain(stepper):
        asks = f"pending {link.pending:b}" if link.pending else "nothing pending"
        serves = f"in service {link.service:b}" if link.service else "nothing in service"
        wired = "" if link.chained else ", not in the chain"
        out.append(f"  {link.name:<10} IEI {link.iei} IEO {link.ieo}  {asks}, {serves}{wired}")
    line = f"low since T {int(m.int_since)}" if int(m.int_line) else "high"
    takes = "takes interrupts" if int(m.iff1) else "takes no interrupts"
    out.append(f"  /INT is {line}; the CPU {takes}, mode {int(m.im)}")
    return out


def cards(stepper: Stepper, name: str = "") -> list[str]:
    """Write each card's state."""
    out = []
    for slot, words in views.cards(stepper, name).items():
        out += [f"  {slot:<10} {line}" for line in words] or [f"  {slot:<10} nothing to tell"]
    return out


def cycles(stepper: Stepper, found: Cycles) -> list[str]:
    """Write bus cycles, one a line: T-state, kind, address, data, who drove, wait states."""
    names = driver_names([slot.name for slot in stepper.machine.slots])
    out = []
    for row in found:
        waits = f" {row['waits']}w" if row["waits"] else ""
        kind = int(row["kind"])
        where = f"port {row['address'] & 0xFF:02X}" if kind in (IN, OUT, DMA_IN, DMA_OUT) else ""
        out.append(f"  {row['t']:>12}  {KIND_NAMES[kind]:<11} {row['address']:04X} "
                   f"{row['data']:02X}  {names[int(row['driver'])]}{waits}  {where}".rstrip())
    return out


def moment(at: Moment) -> str:
    """Write one T-state."""
    data = "--" if at.data is None else f"{at.data:02X}"
    return (f"T {at.t}  cycle {at.cycle + 1} of {at.cycles}: {at.kind} {at.name:<8} "
            f"address {at.address:04X} data {data}  {' '.join(at.low)}").rstrip()
