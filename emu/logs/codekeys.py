"""Number the instructions of a chunk: compiled, a look into a table of hashes a record.

An instruction is known by its address, the page it lies in and the bytes that the bus
carried (the key), and by what else a record's text tells of it (the other: its kind, a
vector, a number of fetches).
"""
from __future__ import annotations

import numpy as np

from emu.bus.rows import PREFIX_SHIFT, RESUME_SHIFT, W_CONTROL, W_LOG, W_PLACE, W_T
from emu.bus.state import ACK, BUS_GIVEN, FETCH, HALTED, NMI_FETCH, READ
from emu.isa.opcodes import DD, ED
from emu.logs.kinds import BEGUN, CONTINUED, DMA, IDLE, INSTRUCTION, INTERRUPT, NMI
from emu.logs.seen import INDEX, ROW, TABLE, WORD
from emu.native.jit import INT, compiled, inlined, root

PLACES = 1 << 14  # of a new table, a power of two
BYTES = 4  # of an instruction, at most
STRAY = 1
OTHER_KIND = 56  # of a record, in the other

BOOK = np.dtype([
    ("key", np.int64), ("other", np.int64),  # of the record that is not known
    ("place", np.int64),  # where it belongs in the table
    ("mask", np.int64),  # of places in the table
], align=True)


@inlined
def record_kind(r, w, k):
    """Give what record ``k`` is, see emu/logs/kinds.py."""
    opening = (w.word[r.row[k, W_LOG] - r.row[0, W_LOG], 1] >> 24) & 15
    kind = np.int64(INSTRUCTION)
    if opening >= BUS_GIVEN:
        kind = np.int64(DMA)
    elif (r.row[k, W_CONTROL] >> RESUME_SHIFT) & 3 != 0:
        kind = np.int64(CONTINUED)
    elif opening == ACK:
        kind = np.int64(INTERRUPT)
    elif opening == NMI_FETCH:
        kind = np.int64(NMI)
    elif opening == HALTED:
        kind = np.int64(IDLE)
    elif (r.row[k + 1, W_CONTROL] >> RESUME_SHIFT) & 3 != 0:
        kind = np.int64(BEGUN)
    return kind


@compiled
def code_key(b, r, w, k):
    """Work out the key and the other of record ``k``.

    Key: address (16 bits), page (10), four bytes (32), their number - 1 (2), a mark (2), 1 for
    code.  The mark is a pending prefix or STRAY: a prefix before ED, which is then left out of
    the four bytes.
    """
    first = r.row[k, W_LOG] - r.row[0, W_LOG]
    count = r.row[k + 1, W_LOG] - r.row[k, W_LOG]
    control = r.row[k, W_CONTROL]
    kind = record_kind(r, w, k)
    word = w.word[first, 1]
    start = word & 0xFFFF
    data = (word >> 16) & 0xFF
    b.key = start | (r.row[k, W_PLACE] >> 8) << 16
    b.other = 0
    mode0 = kind == INTERRUPT and (control >> 16) & 3 == 0
    if kind != INSTRUCTION:
        more = np.int64(0)
        if kind == INTERRUPT:
            more = (control >> 16) & 3 | data << 8
        elif kind == IDLE:
            more = (r.row[k + 1, W_T] - r.row[k, W_T]) // (4 + ((word >> 28) & 0xFF))
        elif kind == BEGUN:
            more = np.int64(data)
        b.other = kind << OTHER_KIND | more
    if kind != INSTRUCTION and not mode0:
        return
    key = b.key | data << 26
    stray = 0
    if count > 1 and (data & 0xDF) == DD and ((w.word[first + 1, 1] >> 16) & 0xFF) == ED:
        stray = 1
    taken = np.int64(0)
    for byte in range(1, BYTES):
        if byte + stray >= count:
            break
        word = w.word[first + byte + stray, 1]
        bus = (word >> 24) & 15
        if bus != READ and bus != FETCH:
            break
        if not mode0 and (word & 0xFFFF) != ((start + byte + stray) & 0xFFFF):
            break
        key |= ((word >> 16) & 0xFF) << (26 + 8 * byte)
        taken += 1
    mark = np.int64(STRAY) if stray == 1 else (control >> (PREFIX_SHIFT + 1)) & 3
    b.key = key | taken << 58 | mark << 60 | np.int64(1) << 62


@inlined
def place_for(key, other, mask):
    """Give the place in a table where to look for a code first."""
    mixed = (key ^ key >> 30 ^ other * 7 ^ other >> 50) & 0x3FFFFFFF
    return (mixed * 0x2545F491 >> 20) & mask


@root(BOOK, ROW, WORD, INDEX, TABLE, INT, INT)
def number(b, r, w, i, h, start, end):
    """Number the records ``start`` to ``end`` - 1; the first that is not known, or ``end``.

    A row of the table: key, other, number + 1 (0: free).
    """
    for k in range(start, end):
        code_key(b, r, w, k)
        place = place_for(b.key, b.other, b.mask)
        while h.table[place, 2] != 0 and (h.table[place, 0] != b.key
                                          or h.table[place, 1] != b.other):
            place = (place + 1) & b.mask
        if h.table[place, 2] == 0:
            b.place = place
            return k
        i.index[k] = h.table[place, 2] - 1
    return end
