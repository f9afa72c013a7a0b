"""What a card tells of itself as data: its registers' kinds, its ticks, sources, pages, flash.

Everything is plain data, so that who asks needs to know no card: not its name, not its
fields, not the English of `describe`.
"""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

# What a register is for (`Card.kinds`); one may be several, such as status when it is read and
# control when it is written.
DATA = "data"  # bytes that the card passes on or brings
STATUS = "status"  # bits that tell how the card stands
CONTROL = "control"  # what is written there sets the card up, or commands it
VECTOR = "vector"  # the interrupt vector is written there
PAGE = "page"  # it picks the memory that a window shows
KINDS = (DATA, STATUS, CONTROL, VECTOR, PAGE)

# What an interrupt source reports.
RECEIVES = "receives"  # a byte has come
SENDS = "sends"  # there is room for a byte
TICKS = "ticks"  # a time is over, or so many edges have come
OTHER = "other"
REPORTS = (RECEIVES, SENDS, TICKS, OTHER)

# Complaints that several cards have; a card may have codes of its own besides.
HELD_IN_RESET = "held-in-reset"  # nobody has taken it out of its reset
NOT_SET_UP = "not-set-up"  # nobody has programmed it
NO_CLOCK = "no-clock"  # a clock that it needs does not come
CTS_INACTIVE = "cts-inactive"
DCD_INACTIVE = "dcd-inactive"
SENDER_OFF = "sender-off"
RECEIVER_OFF = "receiver-off"
LOOPED_BACK = "looped-back"  # what it sends goes to its own receiver
BYTE_HELD = "byte-held"  # a byte stands there and does not get out
BYTES_LOST = "bytes-lost"
CONSTANT_AWAITED = "constant-awaited"  # the next byte written is taken for a constant
TRIGGER_AWAITED = "trigger-awaited"
NO_INPUT = "no-input"  # it counts an input where nothing comes
TICKS_LOST = "ticks-lost"
VECTOR_ASTRAY = "vector-astray"  # a vector was written where the chip takes none
LATCH_SELECTED = "latch-selected"  # the data register is another one now
INTERRUPT_GATED = "interrupt-gated"  # a bit of the card keeps its pin from the bus
PAGE_PULLED = "page-pulled"  # the page under the running program has changed
STACK_PULLED = "stack-pulled"  # the page under the stack has changed
RAM_REPEATS = "ram-repeats"  # its RAM chip is smaller than the addresses that it answers at
FLASH_BUSY = "flash-busy"
FLASH_STRAY = "flash-stray"  # writes to flash that belonged to no command
TIME_STANDS = "time-stands"  # a clock that does not go on
WAITS_FOR_PARTNER = "waits-for-partner"


@dataclass(frozen=True)
class Tick:
    """A steady tick that a card gives now: the one definition of a tick source."""

    part: str  # of the card, such as "channel 0"
    period: Fraction  # T-states
    source: int = -1  # bit of m.ip that asks at each tick; -1: it is only seen by polling
    count: int = 0  # ticks so far
    lost: int = 0  # ticks that found the one before still waiting
    since: int = 0  # T-state at which it began
    setting: str = ""  # what sets the period, in words; empty: nothing that a program writes


@dataclass(frozen=True)
class Request:
    """One interrupt source of a card as it stands now."""

    bit: int  # of m.ip
    part: str
    reports: str  # RECEIVES, SENDS, TICKS, OTHER
    enabled: bool  # the program lets it ask
    pending: bool
    words: str = ""  # the state of its part


@dataclass(frozen=True)
class PageWindow:
    """Addresses whose memory a register of the card switches."""

    start: int
    size: int  # bytes
    register: str
    page: int  # as the register asks, now
    noise: bool = False  # it counts now, and RESET leaves in it what power-on did
    active: bool = True  # False: the register counts only once something else is switched


# What answers at addresses: memory that stays, memory that forgets, or what registers pick.
ROM_AREA, RAM_AREA, WINDOW = "ROM", "RAM", "window"
AREAS = (ROM_AREA, RAM_AREA, WINDOW)
# How an area below another one of its card is reached: once the upper one is switched off, by
# writes, or not at all.
SWITCHED, WRITTEN, NEVER = "switched", "written", "never"
UNDER = ("", SWITCHED, WRITTEN, NEVER)


@dataclass(frozen=True)
class MemoryArea:
    """Addresses of the CPU at which a card's memory answers, as its jumpers have it."""

    start: int
    size: int  # bytes
    what: str  # of AREAS
    register: str = ""  # switches it; empty: nothing does
    words: str = ""  # what else is to be known
    under: str = ""  # how it is reached below another area of the card (of UNDER)


@dataclass(frozen=True)
class PageRange:
    """Pages of a card's memory that its windows can show."""

    first: int
    count: int
    size: int  # bytes of one page
    what: str  # ROM_AREA or RAM_AREA


@dataclass(frozen=True)
class FlashChip:
    """A flash chip of the card."""

    writable: bool  # write pulses reach it
    programs: int = 0  # bytes programmed so far
    erases: int = 0
    reading: int = 0  # commands after which reads give something else than the bytes
    strays: int = 0  # writes that belonged to no command
    stray_at: int = 0  # the last of them, address of the chip
    zeros: int = 0x3F  # bits that are 0 in its status
    busy_from: int = 0  # T-state before which it never was busy


@dataclass(frozen=True)
class Complaint:
    """Something that is not as a program would want it, now; whether it matters, others judge."""

    code: str
    part: str = ""
    register: str = ""  # where it shows, or is mended
    place: int = -1  # address of the CPU at which it came about; -1: not known
    jumper: str = ""  # the setting that it hangs on
    mend: str | int | bool | None = None  # the value of the jumper, or the byte for the register
    count: int = 1


@dataclass(frozen=True)
class Hand:
    """What a person may do at a card while it runs: "jumper" or "card" (an action), its name,
    the value, and words such as "the switch DOOR turned"."""

    kind: str
    name: str
    value: Any
    words: str
