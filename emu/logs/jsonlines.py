"""Write a trace as JSON lines: one object an instruction, or one a bus cycle.

Keys of a record: ``t``, ``seconds``, ``length`` and ``waits`` in T-states, ``kind``
(instruction, interrupt, nmi, halted), ``address``, ``bytes``, ``text``, ``driver``,
``symbol`` and ``source`` (null when unknown), ``cycles`` (the bus cycles behind the
code, each with kind, address, data, driver), ``changed`` (registers after it).  Of a
bus cycle: ``t``, ``seconds``, ``length``, ``waits``, ``kind``, ``address``, ``data``,
``driver``, and in an instruction's first cycle ``text``, ``symbol`` and ``source``, in its
last ``changed``.  Addresses, bytes and registers are strings in hex.
"""
from __future__ import annotations

import json
from typing import BinaryIO

from emu.bus.state import KIND_NAMES
from emu.logs import jsontexts
from emu.logs.codebook import Code
from emu.logs.kinds import CONTROLS, RECORD_NAMES, REGISTERS
from emu.logs.linewriter import LineWriter, Words
from emu.logs.records import Chunk, Flags
from emu.logs.setting import Setting


class JsonWriter:
    """Write chunks to a binary file; ``by_cycle``: a line a bus cycle."""

    def __init__(self, out: BinaryIO, setting: Setting, by_cycle: bool = False) -> None:
        plain = jsontexts.cycles if by_cycle else jsontexts.records
        self._lines = LineWriter(out, setting, plain, _fixed(setting), _words)

    def write(self, chunk: Chunk, chosen: Flags) -> None:
        """Write the chosen records, or cycles when ``by_cycle`` is set."""
        self._lines.write(chunk, chosen)


def _fixed(setting: Setting) -> list[bytes]:
    texts = [*KIND_NAMES, "", *RECORD_NAMES] + [""] * (16 - len(RECORD_NAMES))
    texts += [json.dumps(name) for name in setting.drivers]
    texts += [f'"{name}":"' for name in REGISTERS] + [""] * 4
    texts += [f'"{name}":"' for name in CONTROLS] + [""] * 12
    texts += [*jsontexts.PIECES] + [""] * (jsontexts.CODES - jsontexts.PIECE
                                           - len(jsontexts.PIECES))
    return [text.encode() for text in texts]


def _words(code: Code) -> Words:
    """Give a code's keys of a record, with the bytes of the code, and of its first cycle."""
    own = (f'"text":{json.dumps(code.text)},"symbol":{json.dumps(code.symbol or None)},'
           f'"source":{json.dumps(code.source or None)}')
    place = f'","address":"{code.address:04X}","bytes":"{code.data.hex(" ").upper()}",'
    return ((place + own).encode(), code.size), (f",{own}".encode(), 0)
