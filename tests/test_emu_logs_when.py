"""Where a trace begins and ends, what of it is chosen, and the last so many."""
from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from trace_bench import interrupter, machine, place

from emu.bus.state import ACK, FETCH, IN, KIND_NAMES, OUT, READ, WRITE
from emu.errors import InputError
from emu.files.symbols import Symbol, SymbolTable
from emu.logs import filters, when
from emu.logs.kinds import IDLE, INSTRUCTION, INTERRUPT
from emu.logs.records import Chunk, any_cycle
from emu.logs.setting import Setting, setting_of
from emu.logs.tracer import watch
from emu.logs.window import Choice, Whole, Window
from emu.machine.machine import Machine

# 0000 ld sp,8000h / 0003 im 1 / 0005 ei / 0006 out (20h),a / 0008 halt / 0009 jr 0000
# 0038 in a,(31h) / 003A inc a / 003B ret
PROGRAM = bytes.fromhex("310080 ed56 fb d320 76 18f5")
HANDLER = bytes.fromhex("db31 3c c9")
SYMBOLS = SymbolTable((
    Symbol("start", 0x0000, 0x0000), Symbol("wait", 0x0008, 0x0008), Symbol("halt", 0x0009, 0x0009),
    Symbol("handler", 0x0038, 0x0038, size=3), Symbol("stack", 0x7FFE),
    Symbol("elsewhere", 0x0038, 0x8038)), extents=((0, 0x10000),))


def example(end: int = 400) -> tuple[Machine, Chunk, Setting]:
    built = machine(PROGRAM, interrupter("card", 0x20), interrupter("clock", 0x30, period=150))
    place(built, 0x38, HANDLER)
    setting = replace(setting_of(built), symbols={1: SYMBOLS})
    return built, watch(built, end), setting


def found(text: str) -> tuple[Chunk, int | None]:
    built, chunk, setting = example()
    return chunk, when.parse("--from", text, built, setting).find(chunk, 0)


def test_times() -> None:
    """4 MHz: 250 ns a T-state.  A time inside an instruction means that instruction."""
    chunk, at = found("12t")
    assert chunk.t[at] == 10 and chunk.t[at + 1] == 18
    assert found("12T")[1] == found("3us")[1] == found("0.003 ms")[1] == at
    assert found("3000 ns")[1] == at
    assert found("0t")[1] == 0
    assert found("1s")[1] is None


def test_a_time_ends_before_what_begins_then() -> None:
    _, chunk, _ = example()
    assert when.AtTime(18).find_end(chunk, 0) == 2  # records 0 and 1 began before
    assert when.AtTime(19).find_end(chunk, 0) == 3
    assert when.AtTime(10**6).find_end(chunk, 0) is None


@pytest.mark.parametrize(("text", "address"), [
    ("handler", 0x38), ("handler+2", 0x3A), ("0x0038", 0x38), ("38h", 0x38), ("halt+0", 0x09)])
def test_places(text: str, address: int) -> None:
    chunk, at = found(text)
    assert chunk.address[at] == address
    assert ((chunk.address[:at] != address) | (chunk.kind[:at] != INSTRUCTION)).all()


def test_a_symbol_of_another_page_is_not_met() -> None:
    assert found("elsewhere")[1] is None


@pytest.mark.parametrize(("text", "kind"), [
    ("ack", ACK), ("port:20h", OUT), ("port:31h", IN), ("port:0xFF20", OUT), ("port:31H", IN)])
def test_events_on_the_bus(text: str, kind: int) -> None:
    chunk, at = found(text)
    assert kind in chunk.cycles["kind"][chunk.first[at]:chunk.first[at + 1]]
    assert kind not in chunk.cycles["kind"][:chunk.first[at]]


def test_halt_and_int() -> None:
    chunk, at = found("halt")
    assert chunk.address[at] == 8 and chunk.kind[at + 1] == INTERRUPT
    chunk, at = found("int")  # out (20h),a asks at its T3
    assert chunk.address[at] == 6
    assert found("nmi")[1] is None


@pytest.mark.parametrize(("text", "message"), [
    ("1200", "--from 1200: say what is counted: 1200t for a T-state, 1200ms for a time, "
             "1200h for an address."),
    ("port:zz", "--from port:zz: 'zz' is no port; write port:20h, say."),
    ("text:", "--from text: names no text; write it behind the colon."),
    ("handlre", "--from handlre: no such symbol or source file in the images; did you mean "
                "handler?"),
])
def test_mistakes(text: str, message: str) -> None:
    built, _, setting = example(50)
    with pytest.raises(InputError) as error:
        when.parse("--from", text, built, setting)
    assert str(error.value) == message


def cut(begin: Any, end: Any, size: int = 7) -> list[int]:
    """Send the run through a window in small chunks; give the T-states of what comes out."""
    built, chunk, setting = example()
    points = [None if text is None else when.parse("--to", text, built, setting)
              for text in (begin, end)]
    window = Window(*points)
    pieces = [window.cut(chunk.cut(k, min(k + size, len(chunk))))
              for k in range(0, len(chunk), size)]
    return [t for piece in pieces if piece is not None for t in piece.t[:-1].tolist()]


@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_windows_do_not_depend_on_the_chunks(size: int) -> None:
    _, chunk, _ = example()
    every = chunk.t[:-1].tolist()
    assert cut(None, None, size) == every
    assert cut("12t", "100t", size) == [t for t in every if 10 <= t < 100]
    first, second = np.flatnonzero(chunk.address == 0x38)[:2]
    assert cut("handler", "handler", size) == every[first:second + 1]
    assert cut("handler", "handler+2", size) == every[first:first + 2]
    assert cut("nmi", None, size) == []


def chosen(text: str) -> tuple[Chunk, np.ndarray]:
    _, chunk, setting = example()
    return chunk, filters.parse([text], setting)(chunk)


@pytest.mark.parametrize(("text", "low", "high"), [
    ("38h-3Bh", 0x38, 0x3B), ("0x7FFE", 0x7FFE, 0x7FFE), ("handler", 0x38, 0x3A),
    ("start", 0x00, 0x07), ("symbol:halt", 0x09, 0x37)])
def test_only_addresses(text: str, low: int, high: int) -> None:
    """A symbol reaches to its size, or to the next one of its page."""
    chunk, shown = chosen(text)
    io = np.isin(chunk.cycles["kind"], [IN, OUT])
    wanted = (chunk.cycles["address"] >= low) & (chunk.cycles["address"] <= high) & ~io
    assert wanted.any() and shown.tolist() == wanted.tolist()


@pytest.mark.parametrize("kind", KIND_NAMES[1:])
def test_only_kinds(kind: str) -> None:
    chunk, shown = chosen(f"kind:{kind}")
    assert shown.tolist() == (chunk.cycles["kind"] == KIND_NAMES.index(kind)).tolist()


def test_only_ports_and_cards() -> None:
    chunk, shown = chosen("port:20h-2Fh")
    assert set(chunk.cycles["kind"][shown]) == {OUT}
    chunk, shown = chosen("clock")
    own = chunk.cycles[shown]
    assert set(own["kind"]) == {IN, ACK} and set(own["driver"]) == {4}
    chunk, shown = chosen("memory")
    assert set(chunk.cycles["kind"][shown]) >= {FETCH, READ}
    assert WRITE not in chunk.cycles["kind"][shown]


def test_any_of_several_filters_may_choose() -> None:
    _, chunk, setting = example()
    both = filters.parse(["port:20h", "acknowledge"], setting)(chunk)
    assert set(chunk.cycles["kind"][both]) == {OUT, ACK}
    records = any_cycle(chunk, both)
    assert records.sum() == both.sum()
    assert filters.parse([], setting) is None


@pytest.mark.parametrize(("text", "message"), [
    ("port:30h-20h", "--only port:30h-20h: write a number or a range such as 20h-27h, the lower "
                     "end first, up to FFFFh."),
    ("card:sio", "--only card:sio: there is no such card; known are cpu, memory, card, clock."),
    ("clok", "--only clok: no such symbol or source file in the images; did you mean "),
])
def test_filter_mistakes(text: str, message: str) -> None:
    _, _, setting = example(50)
    with pytest.raises(InputError) as error:
        filters.parse([text], setting)
    assert str(error.value).startswith(message) or "clock" in str(error.value)


@pytest.mark.parametrize("size", [1, 3, 1000])
@pytest.mark.parametrize("last", [1, 5, 100_000])
def test_the_last_so_many(last: int, size: int) -> None:
    """Without the last stay in HALT being cut up, whatever the chunks."""
    _, chunk, setting = example(5000)
    for by_cycle in (False, True):
        seen: list[int] = []

        def write(piece: Chunk, shown: np.ndarray, by_cycle: bool = by_cycle,
                  seen: list[int] = seen) -> None:
            seen += (piece.cycles["t"] if by_cycle else piece.t[:-1])[shown].tolist()

        choice = Choice(write, filters.parse(["0-FFh"], setting), by_cycle, last)
        for k in range(0, len(chunk), size):
            choice.take(chunk.cut(k, min(k + size, len(chunk))))
        choice.close()
        low = chunk.cycles["address"] <= 0xFF
        low &= ~np.isin(chunk.cycles["kind"], [IN, OUT])
        if by_cycle:
            wanted = chunk.cycles["t"][low]
        else:
            idle = chunk.kind == IDLE
            wanted = chunk.t[:-1][any_cycle(chunk, low) & ~(idle & np.append(False, idle[:-1]))]
        assert seen == wanted[-last:].tolist()


def test_a_stay_in_halt_over_many_chunks_is_one_record() -> None:
    built = machine(bytes.fromhex("00 76"))
    chunk = watch(built, 4000)
    pieces: list[Chunk] = []
    choice = Choice(lambda piece, _: pieces.append(piece), None, by_cycle=False)
    for k in range(0, len(chunk), 11):
        choice.take(chunk.cut(k, min(k + 11, len(chunk))))
    choice.close()
    assert sum(map(len, pieces)) == 3
    assert pieces[-1].kind.tolist() == [IDLE]
    assert pieces[-1].t.tolist() == [8, chunk.t[-1]]


class Keeper:
    """Stands for a VCD writer: keeps what it is given."""

    def __init__(self) -> None:
        self.chunks: list[Chunk] = []
        self.end: int | None = None

    def write(self, chunk: Chunk) -> None:
        self.chunks.append(chunk)

    def close(self, t: int | None = None) -> None:
        self.end = t


@pytest.mark.parametrize("by_cycle", [False, True])
def test_the_last_so_many_of_a_vcd(by_cycle: bool) -> None:
    _, chunk, _ = example(2000)
    keeper = Keeper()
    whole = Whole(keeper, by_cycle, 10)  # type: ignore[arg-type]
    for k in range(0, len(chunk), 4):
        whole.take(chunk.cut(k, min(k + 4, len(chunk))))
    whole.close()
    assert keeper.end == chunk.t[-1]
    start = keeper.chunks[0].t[0]
    if by_cycle:
        assert start == chunk.t[chunk.cycle_record[-10]]
    else:
        assert start == chunk.t[-11]
    assert sum(map(len, keeper.chunks)) == np.count_nonzero(chunk.t[:-1] >= start)
