"""A bare machine for tests of the CPU: RAM, askers on ports, and its bus T-state by T-state.

    machine = Bare("FB 00 76", pc=0x100, askers=[Asker(vector=0x40, at=[(9, ASK)])])
    machine.go(40)
    machine.rows      # what the bus did, one Row a T-state
    machine.cycles    # one Cycle a machine cycle

Every ``go`` runs three times from the same state: free, stopping at each T-state, and with
the bus log on.  All three must end alike; so each test that uses it also tests that
the fast and the slow path agree, and that a run may be stopped anywhere.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import bus_taker
import cpu_cards
from cpu_cards import ASK, FALL_NMI, LET_GO, PULL, UNASK

from emu.backplane.description import Description, SlotDescription, Wire
from emu.backplane.port_rows import PortRow
from emu.bus.state import KIND_NAMES, LOG, A, B, C, D, E, F, H, L
from emu.machine.machine import Machine, Snapshot
from peripherals import z80_cpu

__all__ = ["ASK", "FALL_NMI", "LET_GO", "PULL", "UNASK", "Asker", "Bare", "Cycle", "Row", "Taker"]

RAM_SLOT = 1
FIRST_ASKER = 2
NAMES: Mapping[str, int] = {"a": A, "f": F, "b": B, "c": C, "d": D, "e": E, "h": H, "l": L}
NUMBERS = ("pc", "sp", "i", "iff1", "iff2", "im", "halted", "wz", "t", "after_ei", "cmos")
# Not state, or different by intent between the three runs.
WATCH = ("bus_watch", "cycle_end", "cycle_kind", "cycles_run", "cycles_kept", "cycle_value",
         "kept_valid", "kept_what", "kept_t", "kept_numbers", "kept_r", "kept_alt", "slow_read",
         "slow_write", "plain_aside")  # how closely the bus is watched
SLICED = (*WATCH, "next_event", "t_stop", "exit_reason", "logging", "log_pos", "log_limit",
          "slow_all", "read_base", "write_base", "bus_byte", "bus_driver", "int_since", "old_byte",
          "line_changes", "line_change_count")


@dataclass(frozen=True)
class Asker:
    """A card that asks: registers act, look, delay at ``port`` and on.

    ``at`` lists (T-state, action); ``supply`` are the bytes in an acknowledge (a vector, or
    an instruction in mode 0, whole if there are several); ``window`` is a 4 KiB page it
    answers in, too.  A plain asker
    takes no part in acknowledges, and its request stands until it is taken back.
    """

    supply: Sequence[int] = (0xFF,)
    at: Sequence[tuple[int, int]] = ()
    port: int = 0x10
    plain: bool = False
    on_read: int = 0
    hold: int = 0  # T-states for which an access pulls its output pull
    window: int = -1
    wired: bool = True  # False: its /INT goes nowhere
    waits: Mapping[str, int] = field(default_factory=dict)  # m1, mem, io


@dataclass(frozen=True)
class Taker:
    """A card that takes the bus: /BUSREQ falls with T-state ``at``, see bus_taker.py."""

    at: Sequence[int]
    what: int = bus_taker.NOTHING
    address: int = 0
    value: int = 0
    length: int = 3
    keeps: int = 1


@dataclass(frozen=True)
class Cycle:
    """One machine cycle as logged; ``length`` runs to the next one, internal T-states too."""

    t: int
    kind: str
    address: int
    data: int
    waits: int
    refresh: int
    length: int


@dataclass(frozen=True)
class Row:
    """One T-state: address, the byte on the data bus or None, the pins low in any part of it."""

    t: int
    address: int
    data: int | None
    pins: str

    def __str__(self) -> str:
        byte = "--" if self.data is None else f"{self.data:02X}"
        return f"{self.address:04X} {byte} {self.pins}".rstrip()


def _slot(name: str, card: Any, settings: Mapping[str, Any], waits: Mapping[str, int],
          ports: tuple[PortRow, ...] = ()) -> SlotDescription:
    return SlotDescription(name, card, settings, ports, {}, waits.get("io", 0),
                           waits.get("mem", 0), waits.get("m1", 0), f"test: slot.{name}")


class Bare:
    """A machine with code at ``pc``, its clock at T-state 0 and registers as given."""

    def __init__(self, code: str = "", *, pc: int = 0x100, part: str = "nmos",
                 askers: Sequence[Asker] = (), chain: Sequence[str] | None = None,
                 waits: Mapping[str, int] | None = None,
                 ram_waits: Mapping[str, int] | None = None,
                 memory: Mapping[int, str] | None = None, takers: Sequence[Taker] = (),
                 floating: str = "pull-ups", pulls: str = "", **registers: int) -> None:
        """``pulls``: the input of the CPU card to which the askers' outputs are wired."""
        cpu = {"part": part, "wait-m1": 0, "wait-memory": 0, "wait-io": 0, **(waits or {})}
        window = next((a.window for a in askers if a.window >= 0), -1)
        slots = [_slot("cpu", z80_cpu.CARD, cpu, {}),
                 _slot("ram", cpu_cards.RAM, {"window": window}, ram_waits or {})]
        for k, asker in enumerate(askers):
            ports = tuple(PortRow(n, asker.port + n, 0xFF) for n in range(3))
            card = (cpu_cards.PLAIN if asker.plain else
                    cpu_cards.SUPPLYING if len(asker.supply) > 1 else cpu_cards.CHAINED)
            settings = {"window": asker.window, "interrupt": asker.wired}
            slots.append(_slot(f"asker{k}", card, settings, asker.waits, ports))
        slots += [_slot(f"taker{k}", bus_taker.CARD, {}, {}) for k in range(len(takers))]
        self.machine = Machine(Description(
            Path("test.toml"), "test", tuple(slots), tuple(chain) if chain else None,
            tuple(Wire(f"asker{k}", 0, "cpu", z80_cpu.CARD.inputs.index(pulls))
                  for k in range(len(askers)) if pulls),
            floating, 1, Fraction(4_000_000)))
        self.m = self.machine.m
        self.cycles: list[Cycle] = []
        for k, asker in enumerate(askers):
            self._set_up(k, asker)
        self.first_taker = FIRST_ASKER + len(askers)
        for k, taker in enumerate(takers):
            self._prepare(k, taker)
        self.put(pc, code)
        for address, text in (memory or {}).items():
            self.put(address, text)
        self.m.pc = pc
        self.m.sp = 0xF000
        self.m.held_t = -9  # no access stands just before T-state 0
        self.set(**registers)

    def _set_up(self, k: int, asker: Asker) -> None:
        s = self.asker(k)
        for number, (when, what) in enumerate(sorted(asker.at)):
            s.when[number], s.what[number] = when, what
        s.count = len(asker.at)
        s.supply[:len(asker.supply)] = asker.supply
        s.on_read, s.hold = asker.on_read, asker.hold
        if asker.at:
            self.m.event_t[FIRST_ASKER + k] = s.when[0]

    def _prepare(self, k: int, taker: Taker) -> None:
        s = self.taker(k)
        s.when[:len(taker.at)] = taker.at
        s.count, s.what, s.address = len(taker.at), taker.what, taker.address
        s.value, s.length, s.keeps = taker.value, taker.length, taker.keeps
        self.m.event_t[self.first_taker + k] = taker.at[0]

    def taker(self, k: int = 0) -> Any:
        """The state of a taker."""
        return self.machine.slots[self.first_taker + k].state

    def asker(self, k: int = 0) -> Any:
        """The state of an asker."""
        return self.machine.slots[FIRST_ASKER + k].state

    # --- registers and memory ---------------------------------------------------------
    def put(self, address: int, text: str) -> None:
        """Write bytes, given in hex, to memory; it wraps at 64 KiB."""
        for offset, byte in enumerate(bytes.fromhex(text)):
            self.m.phys[(address + offset) & 0xFFFF] = byte

    def byte(self, address: int) -> int:
        """Read memory."""
        return int(self.m.phys[address & 0xFFFF])

    def word(self, address: int) -> int:
        """Read a word of memory, low byte first."""
        return self.byte(address) | self.byte(address + 1) << 8

    def set(self, **registers: int) -> None:
        """Set registers: a f b c d e h l, pairs bc de hl, r (refresh), pc sp i iff1 iff2 im ..."""
        for name, value in registers.items():
            if name in NAMES:
                self.m.r[NAMES[name]] = value
            elif name in ("bc", "de", "hl", "af"):
                self.m.r[NAMES[name[0]]], self.m.r[NAMES[name[1]]] = divmod(value, 256)
            elif name == "r":
                self.m.refresh = value
            elif name in NUMBERS:
                self.m[name] = value
            else:
                raise ValueError(f"no register is named {name!r}")

    def get(self, *names: str) -> list[int]:
        """Give registers by name, in order."""
        found = []
        for name in names:
            if name in NAMES:
                found.append(int(self.m.r[NAMES[name]]))
            elif name in ("bc", "de", "hl", "af"):
                found.append(int(self.m.r[NAMES[name[0]]]) << 8 | int(self.m.r[NAMES[name[1]]]))
            else:
                found.append(int(self.m["refresh" if name == "r" else name]))
        return found

    def __getattr__(self, name: str) -> int:
        """Give one register by its name."""
        if name not in (*NAMES, *NUMBERS, "bc", "de", "hl", "af", "r"):
            raise AttributeError(name)
        return self.get(name)[0]

    # --- running ----------------------------------------------------------------------
    def go(self, until: int) -> Bare:
        """Run to T-state ``until`` (an instruction under way ends), three ways; keep the log."""
        start = self.machine.snapshot()
        self.machine.run(until)
        free = self._state()
        self.machine.restore(start)
        while self.m.t < until:
            self.machine.run(int(self.m.t) + 1)
        sliced = self._state()
        self._run_logged(start, until)
        logged = self._state()
        _same("stopped at each T-state", free, sliced)
        _same("with the bus log on", free, logged)
        return self

    def _run_logged(self, start: Snapshot, until: int) -> None:
        self.machine.restore(start)
        self.machine.log(True)
        self.machine.run(until)
        assert self.m.log_pos < LOG, "the ring ran over; run a shorter stretch"
        self.cycles += self._drain()
        self.machine.log(False)

    def step(self, count: int = 1) -> Bare:
        """Run ``count`` instructions; an interrupt's response is a step of its own."""
        for _ in range(count):
            self.go(int(self.m.t) + 1)
        return self

    def _drain(self) -> list[Cycle]:
        words = [(int(self.m.log[2 * k]), int(self.m.log[2 * k + 1]))
                 for k in range(int(self.m.log_pos))]
        ends = ([t for t, _ in words[1:]] + [int(self.m.t)])[:len(words)]
        return [Cycle(t, KIND_NAMES[word >> 24 & 15], word & 0xFFFF, word >> 16 & 0xFF,
                      word >> 28 & 0xFF, word >> 44 & 0xFFFF, end - t)
                for (t, word), end in zip(words, ends, strict=True)]

    def _state(self) -> dict[str, Any]:
        """Copy what must not depend on how a run was made."""
        names = self.machine.record.dtype.names
        state = {n: self.m[n].tolist() for n in names if n not in (*SLICED, "phys", "log", "pool")}
        state["phys"] = bytes(self.m.phys[:65536])
        state["cards"] = [repr(slot.state) for slot in self.machine.slots]
        return state

    # --- the bus ----------------------------------------------------------------------
    @property
    def split(self) -> list[tuple[str, int]]:
        """Kind and length of each logged machine cycle."""
        return [(c.kind, c.length) for c in self.cycles]

    @property
    def rows(self) -> list[Row]:
        """One row a T-state of all logged cycles."""
        return [row for cycle in self.cycles for row in decode(cycle)]


def _same(how: str, free: Mapping[str, Any], other: Mapping[str, Any]) -> None:
    changed = {n: (free[n], other[n]) for n in free if free[n] != other[n]}
    assert not changed, f"a run {how} differs from a free run: {changed}"


def decode(cycle: Cycle) -> list[Row]:
    """Spread a machine cycle over its T-states, after the manual's timing charts (UM0080).

    A read's byte stands at the T-state that takes it, a written one where /WR is low.
    """
    kind, address, data, w = cycle.kind, cycle.address, cycle.data, cycle.waits
    halt = "HALT " if kind == "halted" else ""
    refresh = [(cycle.refresh, data, halt + "MREQ RFSH"), (cycle.refresh, None, halt + "MREQ RFSH")]
    rows: list[tuple[int, int | None, str]]
    if kind in ("fetch", "nmi", "halted"):
        rows = [(address, None, halt + "M1 MREQ RD")] * (2 + w) + refresh
    elif kind == "read":
        rows = [(address, None, "MREQ RD")] * (2 + w) + [(address, data, "MREQ RD")]
    elif kind == "write":
        rows = [(address, None, "MREQ")] + [(address, data, "MREQ WR")] * (2 + w)
    elif kind == "in":
        rows = [(address, None, ""), *[(address, None, "IORQ RD")] * (2 + w),
                (address, data, "IORQ RD")]
    elif kind == "out":
        rows = [(address, None, ""), *[(address, data, "IORQ WR")] * (3 + w)]
    else:
        rows = [(address, None, "M1")] * 2 + [(address, None, "IORQ M1")] * w + refresh
    rows += [(rows[-1][0], None, "")] * (cycle.length - len(rows))
    return [Row(cycle.t + k, *row) for k, row in enumerate(rows)]
