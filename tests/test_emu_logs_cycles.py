"""The bus log's words, and names of code that lies in several pages."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from trace_bench import interrupter, machine

from emu.bus.rows import W_PLACE
from emu.bus.state import ACK, CONFLICT, CPU_DRIVES, FETCH, IN, LOG, NOBODY, OUT, READ, WRITE
from emu.files.symbols import Symbol, SymbolTable
from emu.logs.codebook import CodeBook
from emu.logs.cycles import driver_names, lengths, read_ring
from emu.logs.records import Chunk
from emu.logs.tracer import watch


def test_cycles_of_known_instructions() -> None:
    """ld i,a / ld (4000h),a / in a,(20h) with one wait; lengths: UM0080 p.7-11."""
    built = machine(bytes.fromhex("3e12 ed47 320040 db20"), interrupter("card", 0x20, waits_io=1))
    built.m.refresh = 0
    built.log(True)
    built.run(7 + 9 + 13 + 12)
    rows = read_ring(built.m, 0, int(built.m.log_pos))
    assert rows["kind"].tolist() == [FETCH, READ, FETCH, FETCH, FETCH, READ, READ, WRITE,
                                     FETCH, READ, IN]
    assert rows["t"].tolist() == [0, 4, 7, 11, 16, 20, 23, 26, 29, 33, 36]
    assert rows["address"].tolist() == [0, 1, 2, 3, 4, 5, 6, 0x4000, 7, 8, 0x1220]
    assert rows["data"].tolist() == [0x3E, 0x12, 0xED, 0x47, 0x32, 0, 0x40, 0x12, 0xDB, 0x20, 0x5A]
    assert rows["driver"].tolist() == [2] * 7 + [CPU_DRIVES] + [2, 2, 3]
    assert rows["waits"].tolist() == [0] * 10 + [1]
    assert rows["refresh"][[0, 2, 3, 4, 8]].tolist() == [0, 1, 2, 0x1203, 0x1204]
    assert lengths(rows).tolist() == [4, 3, 4, 4, 4, 3, 3, 3, 4, 3, 5]


def test_the_ring_keeps_the_last_entries_only() -> None:
    built = machine(bytes.fromhex("18fe"))
    built.log(True)
    built.run(12 * LOG)
    end = int(built.m.log_pos)
    rows = read_ring(built.m, end - LOG, end)
    assert rows["t"][-1] == built.m.t - 8 and (np.diff(rows["t"]) > 0).all()
    for first, last in ((end - LOG - 1, end), (end - 1, end + 1), (5, 4)):
        with pytest.raises(ValueError, match="the ring does not hold the bus cycles"):
            read_ring(built.m, first, last)


def test_driver_names() -> None:
    names = driver_names(["cpu-card", "sio"])
    assert names[NOBODY] == "nobody" and names[1:3] == ["cpu-card", "sio"]
    assert names[CPU_DRIVES] == "cpu" and names[CONFLICT] == "conflict"
    assert len(names) == 256 and ACK and OUT


def placed_in(chunk: Chunk, page: int) -> Chunk:
    """Move a run's code to a page of physical memory."""
    rows = chunk.rows.copy()
    rows[:, W_PLACE] = rows[:, W_PLACE] & 0xFF | page << 8
    return replace(chunk, rows=rows)


def test_code_is_named_by_the_page_it_lies_in() -> None:
    """Two pages hold different routines for address 0000h; RAM holds a copy of the second."""
    table = SymbolTable((Symbol("low", 0, 0x0000), Symbol("high", 0, 0x4000),
                         Symbol("buffer", 0x1234)), extents=((0, 0x8000),))
    chunk = watch(machine(bytes.fromhex("313412 210000")), 15)
    for page, name in ((0, "low"), (4, "high"), (9, "low")):
        placed = placed_in(chunk, page)
        moved = CodeBook({1: table}, {1: 0})
        codes = moved.look_up(placed)
        symbols = [codes.table[k].symbol for k in codes.index]
        if page == 9:  # outside the images: any page's name may be meant
            assert symbols[0] in ("low", "high") and symbols[1][:-2] in ("low", "high")
        else:
            assert symbols[:2] == [name, f"{name}+3"]


def test_operands_take_the_name_of_their_own_page_first() -> None:
    table = SymbolTable((Symbol("start", 0, 0x4000), Symbol("other", 3, 0x0003),
                         Symbol("own", 3, 0x4003)), extents=((0, 0x8000),))
    chunk = watch(machine(bytes.fromhex("c30300 00")), 12)
    book = CodeBook({1: table}, {1: 0})
    codes = book.look_up(placed_in(chunk, 4))
    assert codes.table[codes.index[0]].text == "jp own"
