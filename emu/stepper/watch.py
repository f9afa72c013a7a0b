r"""Stops as a builder asks for them, made into rows of the bus and tests in plain Python.

    shell_loop | 0103h | sched.s:40        before an instruction there
    read | write | change | access PLACE   memory; PLACE..PLACE or PLACE for N; ``here``: only
                                           the physical memory that is mapped there now
    in | out | port [20h]                  also 20h..27h, sio.a-data
    acknowledge [58h]                      an interrupt is acknowledged, with this vector; ack
    request [ctc]                          /INT falls, this card asking
    when EXPRESSION                        it comes true (looked at after every instruction)
    stack 8000h..80FFh                     something is pushed outside, or popped above
    rom-write | conflict | unwritten       a write to ROM, two drivers of the bus, execution of
                                           RAM that was never written
    text ["tw> "]                          a terminal has shown it; or anything

Behind each: ``if EXPRESSION``, ``after N`` (stops at the Nth time), ``once``.
"""
from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce

from emu.bus.state import (
    STOP_ACK,
    STOP_CHANGE,
    STOP_CONFLICT,
    STOP_EXECUTE,
    STOP_IN,
    STOP_OUT,
    STOP_POP,
    STOP_PUSH,
    STOP_READ,
    STOP_REQUEST,
    STOP_ROM_WRITE,
    STOP_VIRGIN,
    STOP_WRITE,
)
from emu.bus.stops import Row
from emu.card.number_words import counted
from emu.errors import InputError
from emu.files.symbols import parse_number
from emu.run.texts import keys
from emu.stepper.expression import Node
from emu.stepper.lookup import Lookup, Target
from emu.stepper.program import check_every

ABOVE = 64  # bytes behind a stack's range in which a pop counts
MEMORY = {"read": (STOP_READ,), "write": (STOP_WRITE,), "change": (STOP_CHANGE,),
          "access": (STOP_READ, STOP_WRITE)}
KINDS_OF_MEMORY = (STOP_READ, STOP_WRITE, STOP_CHANGE)
PORTS = {"in": (STOP_IN,), "out": (STOP_OUT,), "port": (STOP_IN, STOP_OUT)}
PLAIN = {"rom-write": STOP_ROM_WRITE, "conflict": STOP_CONFLICT, "unwritten": STOP_VIRGIN}
WORDS = (*MEMORY, *PORTS, *PLAIN, "acknowledge", "request", "when", "stack", "text")


@dataclass
class Stop:
    """One stop; ``rows`` go to the bus, the rest is tested when one of them is met.

    ``targets`` belong to the rows of an execution stop, one each; ``every`` is an expression
    for every instruction, ``said`` a text of a terminal, ``slot`` the card that must ask.
    """

    text: str
    rows: tuple[Row, ...] = ()
    targets: tuple[Target, ...] = ()
    condition: Node | None = None
    every: Node | None = None
    said: bytes | None = None
    slot: int = -1
    after: int = 1
    once: bool = False
    number: int = 0
    asleep: bool = False
    hits: int = 0

    @property
    def kind(self) -> int:
        """Kind of its first row, -1 when it has none."""
        return self.rows[0].kind if self.rows else -1

    def conditions(self, book: Lookup) -> list[Node | None]:
        """Give what must hold when each of its rows is met."""
        asked = [self.condition] if self.condition is not None else []
        if self.slot >= 0:
            asked.append(Node("pending", number=self.slot))
        out = []
        for k in range(len(self.rows)):
            own = book.page_condition(self.targets[k]) if self.targets else None
            out.append(both([*([own] if own else []), *asked]))
        return out

    @property
    def words(self) -> str:
        """Describe it in a line, with what it has met so far."""
        state = " (asleep)" if self.asleep else ""
        return f"{self.number}: {self.text}{state}, met {counted(self.hits, 'time')}"

    def where(self, book: Lookup) -> str:
        """Say at which addresses it stands, those of code with their lines; empty for none."""
        if self.targets:
            return "; ".join(dict.fromkeys(book.at(target.address) for target in self.targets))
        row = self.rows[0] if self.rows else None
        if row is None or row.kind not in KINDS_OF_MEMORY or row.place is not None:
            return ""
        last = f" to {book.data(row.high)}" if row.high != row.low else ""
        return f"{book.data(row.low)}{last}"


def both(nodes: list[Node]) -> Node | None:
    """Join conditions that must all hold."""
    if not nodes:
        return None
    return reduce(lambda a, b: Node("and", (a, b)), nodes)


def parse(text: str, book: Lookup) -> Stop:
    """Read a stop; InputError with the mend."""
    rest, once = _cut(text.strip(), r"\s+once$")
    rest, after = _cut(rest, r"\s+after\s+(\S+)$")
    count = 1
    if after is not None:
        count = parse_number(after) or 0
        if count < 1:
            raise InputError(f"after takes a number from 1, not {after!r}.")
    head, word, condition = _split_if(rest)
    if not head:
        raise InputError("say where or on what to stop; see help stops.")
    first, _, more = head.partition(" ")
    stop = KINDS.get(first, _place)(more.strip() if first in KINDS else head, book, first)
    if word:
        if stop.every is not None or stop.said is not None:
            raise InputError(f"{first} takes no condition; put it into the expression itself.")
        stop.condition = book.expression(condition)
    return replace(stop, text=text.strip(), after=count, once=once is not None)


def _cut(text: str, pattern: str) -> tuple[str, str | None]:
    match = re.search(pattern, text)
    if match is None:
        return text, None
    return text[:match.start()], match[1] if match.re.groups else match[0]


def _split_if(text: str) -> tuple[str, str, str]:
    """Split at the first "if" outside quotes."""
    for match in re.finditer(r'"(?:[^"\\]|\\.)*"|(?<!\S)if(?!\S)', text):
        if match[0] == "if":
            return text[:match.start()].strip(), "if", text[match.end():]
    return text.strip(), "", ""


def _place(text: str, book: Lookup, _: str) -> Stop:
    targets = tuple(book.targets(text))
    rows = tuple(Row(STOP_EXECUTE, t.address, t.address) for t in targets)
    return Stop("", rows, targets)


def _range(text: str, book: Lookup) -> tuple[int, int]:
    """Read PLACE, PLACE..PLACE or PLACE for N: first and last address."""
    if match := re.fullmatch(r"(.+?)\s*\.\.\s*(.+)", text):
        low, high = book.address(match[1]), book.address(match[2])
        if high < low:
            raise InputError(f"{text}: its end lies before its beginning; turn them round.")
        return low, high
    if match := re.fullmatch(r"(.+?)\s+for\s+(\S+)", text):
        low, count = book.address(match[1]), parse_number(match[2])
        if not count or low + count > 0x10000:
            raise InputError(f"{text}: for takes a number of bytes from 1 on, up to the end of "
                             f"memory.")
        return low, low + count - 1
    low = book.address(text)
    return low, min(low + book.length(text) - 1, 0xFFFF)


def _memory(text: str, book: Lookup, word: str) -> Stop:
    text, here = _cut(text, r"\s+here$")
    if not text:
        raise InputError(f"{word} needs a place: an address, a symbol, or a range A..B.")
    low, high = _range(text, book)
    place = None
    if here is not None:
        first = book.place(low)
        if first is None or book.place(high) != first + high - low:
            raise InputError(f"{text}: no plain memory in one piece is mapped there now; leave "
                             f"'here' out.")
        return Stop("", tuple(Row(k, place=(first, first + high - low)) for k in MEMORY[word]))
    return Stop("", tuple(Row(k, low, high, place=place) for k in MEMORY[word]))


def port_number(text: str, book: Lookup) -> int:
    """Read a port: a number, or "slot.register"."""
    name, dot, register = text.partition(".")
    for slot in book.machine.description.slots if dot else ():
        if slot.name == name and register in slot.card.registers:
            wanted = slot.card.registers.index(register)
            found = [row.port & 0xFF for row in slot.ports if row.register == wanted]
            if found:
                return found[0]
    number = parse_number(text)
    if number is None:
        number = parse_number(f"0{text}")
    if number is None or number > 0xFFFF:
        raise InputError(f"{text!r} is no port; write "
                         f"{' or '.join(['20h', *near_ports(text, book)])}.")
    return number


def near_ports(text: str, book: Lookup) -> list[str]:
    """Give the names of ports that are like a text, or one that shows the form."""
    known = port_names(book)
    return difflib.get_close_matches(text, known, 2) or known[-1:]


def port_names(book: Lookup) -> list[str]:
    """List all ports as "slot.register"."""
    return [f"{slot.name}.{slot.card.registers[row.register]}"
            for slot in book.machine.description.slots for row in slot.ports]


def _port(text: str, book: Lookup, word: str) -> Stop:
    if not text:
        return Stop("", tuple(Row(kind, 0, 0xFF) for kind in PORTS[word]))
    first, dots, last = text.partition("..")
    low = port_number(first.strip(), book) & 0xFF
    high = port_number(last.strip(), book) & 0xFF if dots else low
    if high < low:
        raise InputError(f"{text}: its end lies before its beginning; turn them round.")
    return Stop("", tuple(Row(kind, low, high) for kind in PORTS[word]))


def _acknowledge(text: str, book: Lookup, _: str) -> Stop:
    if not text:
        return Stop("", (Row(STOP_ACK),))
    vector = book.work_out(text)
    if not 0 <= vector <= 0xFF:
        raise InputError(f"{text}: a vector is 0 to FFh.")
    return Stop("", (Row(STOP_ACK, vector, vector),))


def _request(text: str, book: Lookup, _: str) -> Stop:
    if not text:
        return Stop("", (Row(STOP_REQUEST),))
    slots = {slot.name: slot.number for slot in book.machine.slots}
    if text not in slots:
        raise InputError(f"there is no slot {text!r}; fitted: {', '.join(slots)}.")
    return Stop("", (Row(STOP_REQUEST),), slot=slots[text])


def _when(text: str, book: Lookup, _: str) -> Stop:
    node = book.expression(text)
    check_every(node)
    return Stop("", every=node)


def _stack(text: str, book: Lookup, _: str) -> Stop:
    if ".." not in text:
        raise InputError("stack needs a range, lowest and highest address: stack 8000h..80FFh")
    low, high = _range(text, book)
    rows = []
    if low > 0:
        rows.append(Row(STOP_PUSH, 0, low - 1))
    if high < 0xFFFF:
        rows.append(Row(STOP_PUSH, high + 1, 0xFFFF))
        rows.append(Row(STOP_POP, high + 1, min(high + ABOVE, 0xFFFF)))
    if not rows:
        raise InputError("this range holds all of memory; nothing can leave it.")
    return Stop("", tuple(rows))


def _plain(text: str, book: Lookup, word: str) -> Stop:
    if text:
        raise InputError(f"{word} takes nothing behind it but if, after and once.")
    return Stop("", (Row(PLAIN[word]),))


def _text(text: str, book: Lookup, _: str) -> Stop:
    if not text:
        return Stop("", said=b"")
    if len(text) < 3 or text[0] != '"' or text[-1] != '"':
        raise InputError('text needs a text in double quotes, such as text "tw> "')
    return Stop("", said=keys(text[1:-1]))


KINDS: dict[str, Callable[[str, Lookup, str], Stop]] = {
    **dict.fromkeys(MEMORY, _memory), **dict.fromkeys(PORTS, _port),
    **dict.fromkeys(PLAIN, _plain), "acknowledge": _acknowledge, "request": _request,
    "when": _when, "stack": _stack, "text": _text, "ack": _acknowledge,
}
