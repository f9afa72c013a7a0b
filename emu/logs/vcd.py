"""Write a trace as a value change dump (IEEE 1364): every pin, half a T-state at a time.

Lines stand both as scalars (A0 ... A15, D0 ... D7) and as vectors (A, D): wave viewers
show the vectors better, while protocol decoders read scalars only, and libsigrok 0.5 even
stops at a vector; for these there is the form without vectors and texts.  All lines that
the manual draws with a bar are low-active and stand here as they are on the wire.  D is
z while nobody drives it; ``driver`` names who does, ``code`` the instruction under way.
Lines of cards (`Card.probes`) are named SLOT_LINE, and stand at the T-state of their change.
/NMI is drawn low from its fall until the CPU answers: the machine has only the latch.
"""
from __future__ import annotations

import re
from fractions import Fraction
from io import StringIO
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from vcd import VCDWriter

from emu.bus.state import BUS_BACK, BUS_GIVEN, DMA_OUT, DMA_READ
from emu.errors import InputError
from emu.logs import paper, vcdlines
from emu.logs.lines import LINE_IEI, LINE_IEO, LINE_INT, LINE_NMI
from emu.logs.linewriter import Texts
from emu.logs.records import Chunk, Ints
from emu.logs.seen import root_over
from emu.logs.setting import Setting
from emu.logs.waveforms import (
    FREE,
    OWN_WAITS,
    STROBES,
    TEMPLATES,
    WAIT_FALLS,
    shape_of,
    template,
)

UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
TICK_UNIT = "1 us"  # written for "tick", where one unit is half a T-state
ESCAPES = {9: "\\t", 10: "\\n", 13: "\\r", 32: "\\x20", 92: "\\\\"}
LEAD = 2  # half T-states before the first cycle in which all lines rest, if there is room
BUS = "bus"

Scale = tuple[str, Fraction]
"""A timescale as VCD writes it, and a half T-state in it."""


def timescale(text: str, hz: Fraction) -> Scale:
    """Read "exact", "tick", or a unit such as "1 ns", "10 ps".

    "exact": the coarsest unit in which half a T-state is a whole number; 1 ps when there
    is none, and each edge then stands at the nearest one.  "tick": one unit is half a
    T-state.  Raises InputError.
    """
    half = 1 / (2 * hz)
    if text == "tick":
        return TICK_UNIT, Fraction(1)
    if text == "exact":
        for unit, power in UNITS.items():
            for size in (100, 10, 1):
                if (half * 10**power / size).denominator == 1:
                    return f"{size} {unit}", half * 10**power / size
        return "1 ps", half * 10 ** UNITS["ps"]
    match = re.fullmatch(r"(1|10|100) ?(s|ms|us|ns|ps|fs)", text)
    if match is None:
        raise InputError(f'--vcd-timescale {text}: write "exact", "tick", or a unit such as '
                         f'"1 ns" or "10 ps".')
    scaled = half * 10 ** UNITS[match[2]] / int(match[1])
    if unit_time(scaled, 1) == 0 or unit_time(scaled, 3) == unit_time(scaled, 2):
        raise InputError(f"--vcd-timescale {text}: half a T-state is shorter than this unit; "
                         f"choose a smaller one.")
    return f"{match[1]} {match[2]}", scaled


def unit_time(scaled: Fraction, half: int) -> int:
    """Give a half T-state in units, of which one is ``scaled``: the nearest one."""
    return (2 * half * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)


class VcdWriter:
    """Write chunks that follow one another to a binary file.  Raises CompileError."""

    def __init__(self, out: BinaryIO, setting: Setting, scale: str = "exact",
                 scalars_only: bool = False) -> None:
        self._out, self._setting = out, setting
        self._unit, self._half = timescale(scale, setting.hz)
        self._texts = Texts()
        self._names: list[str] = []  # the texts as such
        self._numbers: dict[bytes, int] = {}
        self._known = 0
        self._paper = paper.new_paper(1, 1)
        self._record = np.zeros(1, vcdlines.DUMP)
        self._v: Any = self._record.view(np.recarray)[0]
        self._v.num, self._v.den = self._half.numerator, self._half.denominator
        self._v.plain = int(scalars_only)
        self._v.stamp = self._v.half = -1
        self._dump = root_over(vcdlines.dump, [self._paper, self._record], "pool", "text", "row",
                               "word", "index", "edge")
        self._close = root_over(vcdlines.close, [self._paper, self._record])

    def _begin(self, chunk: Chunk) -> None:
        v = self._v
        v.clock = max(2 * int(chunk.t[0]) - LEAD, 0)
        v.stamp = v.start = unit_time(self._half, int(v.clock))
        v.address, v.data_bus = 0xFFFF, FREE
        halted = int(chunk.control[0] >> 22 & 1)
        v.level[:] = ord("1")
        v.level[vcdlines.STROBE + STROBES.index("HALT")] = ord("0") + 1 - halted
        v.level[vcdlines.INT_PIN] = ord("0") + chunk.levels[LINE_INT]
        v.level[vcdlines.NMI_PIN] = ord("0") + chunk.levels[LINE_NMI]
        v.level[vcdlines.D0:vcdlines.D0 + 8] = ord("z")
        v.line_variable[:] = -1
        v.line_variable[[LINE_INT, LINE_NMI]] = vcdlines.INT_PIN, vcdlines.NMI_PIN
        v.line_variable[vcdlines.LINE_BUSREQ] = vcdlines.STROBE + STROBES.index("BUSREQ")
        for k, slot in enumerate(self._setting.chained):
            for line, place in ((LINE_IEI + slot, 2 * k), (LINE_IEO + slot, 2 * k + 1)):
                v.line_variable[line] = vcdlines.CHAIN + place
                v.level[vcdlines.CHAIN + place] = ord("0") + chunk.levels[line]
        for k, line in enumerate(self._setting.probes):
            v.line_variable[line] = vcdlines.PROBE + k
            v.level[vcdlines.PROBE + k] = ord("0") + chunk.levels[line]
        _draw(v)
        for variable, ident in self._declare(v.level, (0xFFFF, FREE), ("-", "-"))[1].items():
            v.ident[variable, :len(ident)] = list(ident.encode())
        for name in (*self._setting.drivers, "-"):
            self._add(name, vcdlines.DRIVER)
        v.driver = v.code = vcdlines.NO_DRIVER

    def _declare(self, levels: NDArray[np.uint8], buses: tuple[int, int],
                 texts: tuple[str, str]) -> tuple[str, dict[int, str]]:
        """Declare the variables as they stand at the start: the file's head, and how they are
        called in it."""
        setting, found = self._setting, StringIO()
        name = setting.name.replace("$end", "_end")  # ends a comment
        comment = f"{name}: {float(setting.hz) / 1e6:.6g} MHz, seed {setting.seed}"
        if self._unit == TICK_UNIT and self._half == 1:
            comment += f"; {TICK_UNIT} here is half a T-state"
        writer = VCDWriter(found, timescale=self._unit, date="", comment=comment,
                           version="preburn", init_timestamp=int(self._v.start))
        idents: dict[int, str] = {}

        def declare(number: int, scope: str, name: str) -> None:
            variable = writer.register_var(scope, name, "wire", 1, chr(levels[number]))
            idents[number] = variable.ident

        for number, name in enumerate(("CLK", *STROBES, "INT", "NMI", "RESET",
                                       *(f"A{k}" for k in range(16)),
                                       *(f"D{k}" for k in range(8)))):
            declare(number, BUS, name)
        if not self._v.plain:
            for number, name, bits, value in ((vcdlines.VECTOR_A, "A", 16, buses[0]),
                                              (vcdlines.VECTOR_D, "D", 8, buses[1])):
                idents[number] = writer.register_var(
                    BUS, name, "wire", bits, "z" if value == FREE else value).ident
            for number, name, text in ((vcdlines.DRIVER, "driver", texts[0]),
                                       (vcdlines.CODE_TEXT, "code", texts[1])):
                idents[number] = writer.register_var(BUS, name, "string", 1, text).ident
        for k, slot in enumerate(setting.chained):
            card = setting.drivers[slot + 1]  # in the names too: decoders know no scopes
            declare(vcdlines.CHAIN + 2 * k, "chain", f"IEI_{card}")
            declare(vcdlines.CHAIN + 2 * k + 1, "chain", f"IEO_{card}")
        for k, name in enumerate(setting.probes.values()):
            declare(vcdlines.PROBE + k, "cards", name)
        writer.flush()
        return found.getvalue(), idents

    def _add(self, text: str, variable: int) -> None:
        """Add the line of a text; its second number is that of the first with the same."""
        ident = bytes(self._v.ident[variable]).rstrip(b"\0").decode()
        line = f"s{text.translate(ESCAPES)} {ident}\n".encode()
        number = self._numbers.setdefault(line, self._texts.count)
        self._texts.add(line, number)
        self._names.append(text)

    def write(self, chunk: Chunk) -> None:
        """Write the next chunk."""
        if not len(chunk):
            return
        if self._v.stamp < 0:
            self._begin(chunk)
        codes = self._setting.book.look_up(chunk)
        for code in codes.table[self._known:]:
            self._add(code.text, vcdlines.CODE_TEXT)
        self._known = len(codes.table)
        edges = _with_requests(chunk)
        v = self._v
        v.record = v.cycle = v.line = 0
        done = 0
        while not done:
            begun = v.begun
            done = self._dump(self._texts.pool, self._texts.rows, chunk.rows, chunk.words,
                              codes.index, edges, len(chunk), len(edges))
            self._put_down(begun)

    def _put_down(self, begun: int) -> None:
        """Write what stands on the paper, behind the file's head when that is due."""
        if begun == 0 and self._v.begun:
            self._put_head()
        self._out.write(memoryview(self._paper[0]["out"])[:int(self._paper["used"][0])])

    def _put_head(self) -> None:
        v = self._v
        address, data, driver, code = v.first_number.tolist()
        head, _ = self._declare(v.first, (address, data), (self._names[driver], self._names[code]))
        self._out.write(head.encode())

    def close(self, t: int | None = None) -> None:
        """End the file at T-state ``t``, or after the last edge."""
        v = self._v
        if v.stamp < 0:
            return
        until = int(v.clock) - 1 if t is None else max(2 * t, int(v.clock) - 1)
        done = 0
        while not done:
            begun = v.begun
            done = self._close(until)
            self._put_down(begun)
        if not v.begun:
            vcdlines.begin(v)
            self._put_head()
        end = unit_time(self._half, int(v.clock))
        if end != int(v.stamp):
            self._out.write(f"#{end}\n".encode())
        self._out.flush()


def _with_requests(chunk: Chunk) -> Ints:
    """Give the edges of the lines, and let /BUSREQ fall as many T-states before the bus is given
    away as the log says; what happened before a cut chunk belongs to its start."""
    edges = chunk.edges
    given = chunk.words[chunk.words[:, 1] >> 24 & 15 == BUS_GIVEN]
    if len(given):
        falls = 2 * (given[:, 0] - (given[:, 1] >> 44 & 0xFFFF))
        rows = np.column_stack([falls, np.full(len(falls), vcdlines.LINE_BUSREQ),
                                np.zeros(len(falls), np.int64)])
        edges = np.concatenate([edges, rows])
    edges = np.column_stack([np.maximum(edges[:, 0], 2 * chunk.t[0]), edges[:, 1:]])
    return edges[np.argsort(edges[:, 0], kind="stable")]


def _draw(v: Any) -> None:
    """Put all templates into the record."""
    shapes = [(kind, kind, 0) for kind in (*TEMPLATES, BUS_GIVEN, BUS_BACK)]
    shapes += [(int(shape_of(kind, shape)), kind, shape)
               for kind in range(DMA_READ, DMA_OUT + 1) for shape in range(256)]
    for number, kind, shape in shapes:
        rows = template(kind, shape)
        v.rows[number] = len(rows)
        v.template[number, :len(rows)] = rows
    v.wait_falls[:] = 2
    for kind, half in WAIT_FALLS.items():
        v.wait_falls[kind] = half
    for kind, waits in OWN_WAITS.items():
        v.own_waits[kind] = waits
