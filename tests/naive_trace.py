"""The writers of a trace once more, a line at a time in plain Python: what the compiled ones
are held against, byte for byte."""
from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
from vcd import VCDWriter

from emu.bus.state import BUS_BACK, BUS_GIVEN, KIND_NAMES
from emu.logs.cycles import is_master
from emu.logs.kinds import RECORD_NAMES, REGISTERS
from emu.logs.lines import LINE_IEI, LINE_IEO, LINE_INT, LINE_NMI
from emu.logs.records import Chunk
from emu.logs.setting import Setting
from emu.logs.vcd import TICK_UNIT, timescale, unit_time
from emu.logs.waveforms import (
    ADDR,
    ADDRESS,
    BYTE,
    CODE,
    DATA,
    FREE,
    OPEN,
    OWN_WAITS,
    REFR,
    STROBES,
    WAIT_FALLS,
    template,
)


class Naive:
    """One chunk, written by the record."""

    def __init__(self, chunk: Chunk, setting: Setting) -> None:
        self.chunk, self.setting = chunk, setting
        found = setting.book.look_up(chunk)
        self.codes = [found.table[k] for k in found.index]
        self.cycles = [dict(zip(chunk.cycles.dtype.names or (), row, strict=True))
                       for row in chunk.cycles.tolist()]
        self.width = max(len(name) for name in setting.drivers if name)

    def seconds(self, t: int, width: int = 0) -> str:
        """Write a T-state as seconds."""
        whole, rest = divmod(t * 10**9 * self.setting.hz.denominator // self.setting.hz.numerator,
                             10**9)
        return f"{whole:{width or ''}d}.{rest:09d}"

    def own(self, record: int) -> list[dict[str, Any]]:
        """Give a record's bus cycles."""
        return self.cycles[self.chunk.first[record]:self.chunk.first[record + 1]]

    def changed(self, record: int) -> dict[str, str]:
        """Give the registers that a record changed."""
        before, after = (self.state(k) for k in (record, record + 1))
        return {name: text for name, text in after.items()
                if before[name] != text and name != "PC"}

    def state(self, k: int) -> dict[str, str]:
        """Give all registers before record k."""
        chunk = self.chunk
        found = {name: f"{value:04X}"
                 for name, value in zip(REGISTERS, chunk.registers[k].tolist(), strict=True)}
        control = int(chunk.control[k])
        return found | {"I": f"{control >> 8 & 0xFF:02X}", "IM": str(control >> 16 & 3),
                        "IFF1": str(control >> 20 & 1), "IFF2": str(control >> 21 & 1)}

    def spans(self, wanted: np.ndarray, by_cycle: bool) -> Iterator[tuple[int, int]]:
        """Give (record, cycle) of each line; the record's first cycle when not by cycle."""
        for record in range(len(self.chunk)):
            first, end = (int(n) for n in self.chunk.first[record:record + 2])
            if by_cycle:
                yield from ((record, cycle) for cycle in range(first, end) if wanted[cycle])
            elif wanted[record]:
                yield record, first

    def cycle_length(self, cycle: int) -> int:
        """Give the T-states up to the next bus cycle."""
        times = [*(c["t"] for c in self.cycles), int(self.chunk.t[-1])]
        return int(times[cycle + 1] - times[cycle])


def text(chunk: Chunk, setting: Setting, wanted: np.ndarray, by_cycle: bool) -> bytes:
    """Write lines of text, without the two at the file's head."""
    naive, out = Naive(chunk, setting), ""
    for record, cycle in naive.spans(wanted, by_cycle):
        line = _cycle_text(naive, record, cycle) if by_cycle else _record_text(naive, record)
        out += line.rstrip() + "\n"
    return out.encode()


def _opening(naive: Naive, t: int, length: int, waits: int) -> str:
    shown = f"{waits:2d}w" if waits else "   "
    return f"{t:12d} {naive.seconds(t, 4)} {length:4d} {shown} "


def _changes(naive: Naive, record: int) -> str:
    return "".join(f" {name}={value}" for name, value in naive.changed(record).items())


def _record_text(naive: Naive, record: int) -> str:
    chunk, code, own = naive.chunk, naive.codes[record], naive.own(record)
    t = int(chunk.t[record])
    line = _opening(naive, t, int(chunk.t[record + 1]) - t, sum(c["waits"] for c in own))
    driver = naive.setting.drivers[own[0]["driver"]]
    line += (f"{code.address:04X}  {code.data.hex(' ').upper():<11}  {code.text:<22} "
             f"{driver:<{naive.width}}  {code.symbol:<20} {code.source:<14}")
    for other in own[code.size:]:
        line += f" {KIND_NAMES[other['kind']]}"
        if other["kind"] not in (BUS_GIVEN, BUS_BACK):
            line += f" {other['address']:04X}={other['data']:02X}"
        if other["driver"] != 254:
            line += f" ({naive.setting.drivers[other['driver']]})"
    return line + _changes(naive, record)


def _cycle_text(naive: Naive, record: int, cycle: int) -> str:
    own, code = naive.cycles[cycle], naive.codes[record]
    first, end = naive.chunk.first[record:record + 2]
    line = _opening(naive, own["t"], naive.cycle_length(cycle), own["waits"])
    if own["kind"] in (BUS_GIVEN, BUS_BACK):
        carried = " " * 10
    else:
        carried = f"{own['address']:04X}  {own['data']:02X}  "
    line += f"{KIND_NAMES[own['kind']]:<11} {carried}"
    line += f"{naive.setting.drivers[own['driver']]:<{naive.width}}"
    if cycle == first:
        line += f"  {code.text:<22} {code.symbol:<20} {code.source:<14}"
    return line + (_changes(naive, record) if cycle + 1 == end else "")


def json_lines(chunk: Chunk, setting: Setting, wanted: np.ndarray, by_cycle: bool) -> bytes:
    """Write JSON lines."""
    naive, out = Naive(chunk, setting), ""
    for record, cycle in naive.spans(wanted, by_cycle):
        row = _cycle_row(naive, record, cycle) if by_cycle else _record_row(naive, record)
        seconds = naive.seconds(row["t"])
        line = json.dumps(row, separators=(",", ":"))
        out += line.replace('"seconds":0,', f'"seconds":{seconds},', 1) + "\n"
    return out.encode()


def _carried(naive: Naive, cycle: dict[str, Any]) -> dict[str, Any]:
    return {"kind": KIND_NAMES[cycle["kind"]], "address": f"{cycle['address']:04X}",
            "data": f"{cycle['data']:02X}", "driver": naive.setting.drivers[cycle["driver"]]}


def _words(naive: Naive, record: int) -> dict[str, Any]:
    code = naive.codes[record]
    return {"text": code.text, "symbol": code.symbol or None, "source": code.source or None}


def _record_row(naive: Naive, record: int) -> dict[str, Any]:
    chunk, code, own = naive.chunk, naive.codes[record], naive.own(record)
    t = int(chunk.t[record])
    return {"t": t, "seconds": 0, "length": int(chunk.t[record + 1]) - t,
            "waits": sum(c["waits"] for c in own), "kind": RECORD_NAMES[chunk.kind[record]],
            "address": f"{code.address:04X}", "bytes": code.data.hex(" ").upper(),
            **_words(naive, record), "driver": naive.setting.drivers[own[0]["driver"]],
            "cycles": [_carried(naive, c) for c in own[code.size:]],
            "changed": naive.changed(record)}


def _cycle_row(naive: Naive, record: int, cycle: int) -> dict[str, Any]:
    own = naive.cycles[cycle]
    first, end = naive.chunk.first[record:record + 2]
    row = {"t": own["t"], "seconds": 0, "length": naive.cycle_length(cycle),
           "waits": own["waits"], **_carried(naive, own)}
    if cycle == first:
        row |= _words(naive, record)
    if cycle + 1 == end:
        row["changed"] = naive.changed(record)
    return row


Event = tuple[int, int, str, Any]
"""Half T-state, rank among those of the same, what changes, to what."""


def dump(chunk: Chunk, setting: Setting, scale: str, scalars: bool) -> bytes:
    """Write a value change dump of one chunk, up to its end."""
    return _Dump(chunk, setting, scale, scalars).write()


class _Dump:
    def __init__(self, chunk: Chunk, setting: Setting, scale: str, scalars: bool) -> None:
        self.naive, self.plain = Naive(chunk, setting), scalars
        self.out = io.StringIO()
        self.unit, self.scaled = timescale(scale, setting.hz)
        self.clock = max(2 * int(chunk.t[0]) - 2, 0)
        name = setting.name.replace("$end", "_end")
        comment = f"{name}: {float(setting.hz) / 1e6:.6g} MHz, seed {setting.seed}"
        if self.unit == TICK_UNIT and self.scaled == 1:
            comment += f"; {TICK_UNIT} here is half a T-state"
        self.writer = VCDWriter(self.out, timescale=self.unit, date="", comment=comment,
                                version="preburn", init_timestamp=self.place(self.clock))
        self._register(chunk, setting)
        self.value = {"A": 0xFFFF, "D": FREE}

    def place(self, half: int) -> int:
        return unit_time(self.scaled, half)

    def _register(self, chunk: Chunk, setting: Setting) -> None:
        levels = {"CLK": 1, **dict.fromkeys(STROBES, 1), "INT": int(chunk.levels[LINE_INT]),
                  "NMI": int(chunk.levels[LINE_NMI]), "RESET": 1}
        levels["HALT"] = 1 - (int(chunk.control[0]) >> 22 & 1)
        register = self.writer.register_var
        self.names: dict[str, Any] = {name: register("bus", name, "wire", 1, level)
                                      for name, level in levels.items()}
        for bus, bits, level in (("A", 16, "1"), ("D", 8, "z")):
            for k in range(bits):
                self.names[f"{bus}{k}"] = register("bus", f"{bus}{k}", "wire", 1, level)
        if not self.plain:
            self.names["A"] = register("bus", "A", "wire", 16, 0xFFFF)
            self.names["D"] = register("bus", "D", "wire", 8, "z")
            for name in ("driver", "code"):
                self.names[name] = register("bus", name, "string", 1, "-")
        self.lines = {LINE_INT: "INT", LINE_NMI: "NMI"}
        for slot in setting.chained:
            for end, line in (("IEI", LINE_IEI + slot), ("IEO", LINE_IEO + slot)):
                self.lines[line] = f"{end}_{setting.drivers[slot + 1]}"
                self.names[self.lines[line]] = register(
                    "chain", self.lines[line], "wire", 1, int(chunk.levels[line]))
        for line, name in setting.probes.items():
            self.lines[line] = name
            self.names[name] = register("cards", name, "wire", 1, int(chunk.levels[line]))

    def _events(self) -> list[Event]:
        chunk, found = self.naive.chunk, []
        for k in range(len(chunk)):
            t = 2 * int(chunk.t[k])
            halted = chunk.control[k:k + 2] >> 22 & 1
            if halted[0] > halted[1]:
                found.append((t, 0, "HALT", 1))
            own = self.naive.own(k)
            if halted[0] < halted[1]:
                found.append((2 * own[-1]["t"] + 7 + 2 * own[-1]["waits"], 0, "HALT", 0))
            for cycle in own:
                found += _cycle_events(cycle)
            found.append((t, 2, "code", self.naive.codes[k].text))
        start = 2 * int(chunk.t[0])
        for when, line, level in chunk.edges.tolist():
            if line in self.lines:
                found.append((max(when, start), 3, self.lines[line], level))
        for cycle in self.naive.cycles:
            if cycle["kind"] == BUS_GIVEN:
                found.append((max(2 * (cycle["t"] - cycle["refresh"]), start), 3, "BUSREQ", 0))
        # HALT leads the events of its own bus cycle, not those that end there
        return sorted(found, key=lambda event: (event[0], max(event[1], 1)))

    def write(self) -> bytes:
        for when, _, name, value in self._events():
            self._clock_until(when)
            now = self.place(when)
            if name in ("A", "D"):
                driver = None
                if name == "D":
                    value, driver = value
                self._set_bus(name, now, value)
                if driver is not None and not self.plain:
                    known = self.naive.setting.drivers[driver]
                    self.writer.change(self.names["driver"], now,
                                       "-" if value == FREE else known)
            elif name in self.names:
                self.writer.change(self.names[name], now, value)
        end = 2 * int(self.naive.chunk.t[-1])
        self._clock_until(end)
        self.writer.close(self.place(self.clock))
        return self.out.getvalue().encode()

    def _clock_until(self, when: int) -> None:
        for half in range(self.clock, when + 1):
            self.writer.change(self.names["CLK"], self.place(half), 1 - (half & 1))
        self.clock = max(self.clock, when + 1)

    def _set_bus(self, name: str, now: int, new: int) -> None:
        old, self.value[name] = self.value[name], new
        if old == new:
            return
        if not self.plain:
            self.writer.change(self.names[name], now, "z" if new == FREE else new)
        for bit in range(16 if name == "A" else 8):
            self.writer.change(self.names[f"{name}{bit}"], now,
                               "z" if new == FREE else str(new >> bit & 1))


def _cycle_events(cycle: dict[str, Any]) -> list[Event]:
    kind, waits, start = cycle["kind"], cycle["waits"], 2 * cycle["t"]
    shape = cycle["refresh"] if is_master(kind) else 0
    carried = {ADDR: cycle["address"], REFR: cycle["refresh"], BYTE: cycle["data"], OPEN: FREE}
    found: list[Event] = []
    for signal, half, per_wait, level in template(kind, shape):
        value: Any = carried.get(level, level)
        if signal == DATA:
            value = value, cycle["driver"]
        name = {ADDRESS: "A", DATA: "D", CODE: "code"}.get(signal) or STROBES[signal]
        found.append((start + half + 2 * per_wait * waits, 1, name, value))
    asked = waits - OWN_WAITS.get(kind, 0)
    if asked > 0:
        falls = start + WAIT_FALLS.get(kind, 2)
        found += [(falls, 1, "WAIT", 0), (falls + 2 * asked, 1, "WAIT", 1)]
    return sorted(found, key=lambda event: event[0])
