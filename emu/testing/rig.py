"""A machine on the bench, for tests: boot it, type at it, look at it, call its functions."""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from emu.backplane.description import Description, load
from emu.bus import stops
from emu.bus.state import FAR, STOP_FETCH, STOP_HIT
from emu.diagnosis import Verdict, explain
from emu.diagnosis.evidence.bus_window import forked
from emu.errors import InputError
from emu.machine.machine import Machine, Snapshot
from emu.run.console import Channel
from emu.run.inputs import Input
from emu.run.session import SLICE, Session
from emu.run.shown import Text, Times
from emu.testing.calling import Called, call, register
from emu.testing.conventions import REGISTERS, frame
from emu.testing.places import Places
from emu.usage.used import UsedMachine, uncounted

BUDGET = 10_000_000  # T-states of a called function, unless the test gives another


@dataclass(frozen=True)
class PortUse:
    """How a port was used since power-on; the values are -1 before the first use."""

    reads: int
    writes: int
    last_read: int
    last_written: int


@dataclass(frozen=True)
class Booted:
    """A boot to start many tests from: the machine's state and what the terminals showed."""

    description: Description
    seed: int
    snapshot: Snapshot
    inputs: tuple[Input, ...]
    shown: dict[str, tuple[bytes, tuple[int, ...]]]


class Missed(AssertionError):
    """A text did not come; the message holds the verdict of the run."""


class Rig:
    """One machine.  Times are seconds of emulated time, addresses 16-bit or symbols."""

    def __init__(self, description: Description, seed: int | None = None,
                 counted: bool = False) -> None:
        self.machine = (UsedMachine if counted else Machine)(description, seed)
        self.session = Session(self.machine)
        self._places: Places | None = None
        self._mark: dict[str, int] = {}  # how much of a channel's text an expect has passed

    @classmethod
    def boot(cls, file: Path | str, until: str | None = None, limit: float = 30,
             seed: int | None = None, counted: bool = False) -> Rig:
        """Power a backplane file's machine on, and run it until a text shows.

        ``counted``: what runs on it is counted, for coverage (emu/usage/).
        Raises Missed when it does not within ``limit`` seconds, InputError for a mistake in
        the file.
        """
        rig = cls(load(file), seed, counted)
        if until is not None:
            rig.expect(until, limit)
        return rig

    def freeze(self) -> Booted:
        """Keep the machine as it is, for `thaw`."""
        return Booted(self.machine.description, self.machine.seed, self.machine.snapshot(),
                      tuple(self.session.inputs),
                      {name: (bytes(c.text), tuple(c.times))
                       for name, c in self.session.console.channels.items()})

    @classmethod
    def thaw(cls, booted: Booted, counted: bool = False) -> Rig:
        """Make a machine of its own that stands where `freeze` was called."""
        rig = cls(booted.description, booted.seed, counted)
        rig.machine.restore(booted.snapshot)
        rig.session = Session(rig.machine, inputs=list(booted.inputs), made=len(booted.inputs))
        rig.session.keep()
        for name, (text, times) in booted.shown.items():
            channel = rig.session.console.channels[name]
            channel.text, channel.times = Text(text), Times(times)
            rig._mark[name] = len(text)
        return rig

    # --- console -----------------------------------------------------------------------
    def channel(self, name: str | None = None) -> Channel:
        """Find a terminal, the first one without a name."""
        chosen = name or self.session.console.main
        if chosen is None:
            raise InputError(f"{self.machine.description.path}: no card with a terminal is "
                             f"fitted.")
        return self.session.console.find(chosen)

    @property
    def console(self) -> str:
        """All that the first terminal has shown."""
        return self.text()

    def text(self, channel: str | None = None) -> str:
        """Give all that a terminal has shown."""
        return self.channel(channel).text.decode("latin-1")

    def send(self, text: str | bytes, channel: str | None = None) -> None:
        """Type at a terminal now; a later `expect` looks at what comes from here on."""
        one = self.channel(channel)
        self._mark[one.name] = len(one.text)
        self.session.type_in(one.name, text.encode("latin-1") if isinstance(text, str) else text)

    def expect(self, text: str, within: float = 2, channel: str | None = None) -> str:
        """Run until a text shows behind what was last expected; give what came before it.

        Raises Missed, with the verdict, when it does not come within so many seconds.
        """
        one = self.channel(channel)
        start = self._mark.get(one.name, 0)
        wanted = text.encode("latin-1")
        end = int(self.machine.m.t) + self.machine.at(Fraction(within))
        step = self.machine.at(SLICE)
        while (at := one.text.find(wanted, start)) < 0:
            if int(self.machine.m.t) >= end:
                raise Missed(self._missed(text, within, bytes(one.text[start:])))
            self.session.run_to(min(int(self.machine.m.t) + step, end))
        self._mark[one.name] = at + len(wanted)
        return bytes(one.text[start:at]).decode("latin-1")

    def _missed(self, text: str, within: float, came: bytes) -> str:
        said = f"the text {text!r} did not come within {within} s; the console showed " \
               f"{came.decode('latin-1')[-200:]!r}."
        return "\n".join([said, *self.verdict().lines()])

    # --- running -----------------------------------------------------------------------
    @property
    def t(self) -> int:
        """T-states since power-on."""
        return int(self.machine.m.t)

    def run(self, seconds: float) -> None:
        """Run for so many seconds of emulated time."""
        self.session.run_to(self.t + self.machine.at(Fraction(seconds)))

    def run_to(self, where: str | int, within: float = 2) -> int:
        """Run until an instruction at an address is about to be executed; give the T-state.

        Raises Missed when it is not reached within so many seconds.
        """
        end = self.t + self.machine.at(Fraction(within))
        t = self._next(self.places.spot(where).address, end)
        self.session.run_to(end if t is None else t)
        if t is None:
            raise Missed("\n".join([f"{where} was not reached within {within} s.",
                                    *self.verdict().lines()]))
        return t

    def _next(self, address: int, end: int) -> int | None:
        """Find when an address is next executed, in a copy: a stop leaves behind it."""
        m = self.machine.m
        with uncounted(self.machine), forked(self.machine):
            for channel in self.session.console.channels.values():
                channel.line.shown_limit = FAR
            stops.arm(m, [stops.Row(STOP_FETCH, address, address)])
            while self.t < end:
                if self.machine.run(end) == STOP_HIT:
                    return int(m.hits[0, 1])
        return None

    def t_states(self, start: str | int, end: str | int, within: float = 2) -> int:
        """Run to one address and on to another; give the T-states between the two."""
        first = self.run_to(start, within)
        self.session.run_to(first + 1)  # over this instruction, should ``end`` be the same
        return self.run_to(end, within) - first

    def verdict(self) -> Verdict:
        """Say how the run stands and why, as `preburn boot` does."""
        with uncounted(self.machine):
            return explain(self.session)

    # --- looking and changing ------------------------------------------------------------
    @property
    def places(self) -> Places:
        """The machine's symbols and memory."""
        if self._places is None:
            self._places = Places(self.machine)
        return self._places

    def address(self, where: str) -> int:
        """Give the 16-bit address of a symbol, "symbol+4" or "file.s:12"."""
        return self.places.spot(where).address

    def memory(self, where: str | int, size: int) -> bytes:
        """Read bytes of memory."""
        return self.places.read(where, size)

    def byte(self, where: str | int) -> int:
        """Read a byte."""
        return self.memory(where, 1)[0]

    def word(self, where: str | int) -> int:
        """Read a 16-bit word, low byte first."""
        return int.from_bytes(self.memory(where, 2), "little")

    def poke(self, where: str | int, data: bytes) -> None:
        """Write bytes of memory, ROM too."""
        for place, octets in self.places.pieces(where, data):
            self.session.do("memory", str(place), octets)

    def register(self, name: str) -> int:
        """Read a CPU register: "a", "hl", "sp", "iff1" ..."""
        return register(name).get(self.machine.m)

    def port(self, number: int) -> PortUse:
        """Say how a port was used since power-on."""
        m, low = self.machine.m, number & 0xFF
        reads, writes = int(m.port_reads[low]), int(m.port_writes[low])
        return PortUse(reads, writes, int(m.port_in_last[low]) if reads else -1,
                       int(m.port_out_last[low]) if writes else -1)

    def interrupts(self, slot: str) -> int:
        """Count the interrupts of a card that the CPU has accepted."""
        return int(self.machine.m.int_count[self.machine.slot(slot).number])

    def call(self, where: str | int, *arguments: int, returns: str | None = None,
             convention: str = REGISTERS, budget: int = BUDGET, **named: int) -> Called:
        """Call one function of the image; see `emu.testing.calling.call`.

        Arguments go where the compiler's ``convention`` ("registers", SDCC's default since
        4.2, or "stack") has them; for assembly name registers instead: ``a=1, hl=0x8000``.
        """
        start = frame(arguments, named, convention)
        done = call(self.places, where, start, returns, convention, budget)
        self.session.console.take()
        return done
