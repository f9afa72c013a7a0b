"""The machine's whole state: one structured record, documented field by field.

Every number is int64 unless said otherwise.  Times are T-states of the CPU clock
since power-on.  A slot is a card's place, 0 to SLOTS-1, in the order of the
backplane file.  A page is 4 KiB of the CPU's address space, 0 to 15.

The order matters: what a snapshot keeps stands first (`HEAD`), then physical memory,
of which a snapshot keeps the part in use, then what does not belong to the machine: the
ring of the bus log, which replay makes anew, the stops, and the rows of a sampled run.
"""
from __future__ import annotations

from typing import Any

import numpy as np

SLOTS = 16
PAGES = 16
FUNCTIONS = 10  # entries of a card's function table, see peripherals/card.py
OUTPUTS = 24  # output lines a card
WIRES = 64
DECODES = 64
PHYSICAL = 2 << 20  # bytes of ROM and RAM in one machine
POOL = 512 << 10  # bytes of card states in one machine
LOG = 1 << 16  # bus cycles in the ring (a power of two)
ROWS = 1 << 14  # steps of a sampled run, see emu/bus/rows.py
WORDS = 7  # of a step
EARLY_WRITES = 1024  # writes to empty ports that are kept whole
EARLY_EACH = 12  # of them to one port: a chip that is sought bit by bit leaves room for others
FAULTS = 32
STOPS = 64
STOP_WORDS = 12  # of a stop's row, see emu/bus/stops.py
HITS = 64  # listed hits of stops
LINE_CHANGES = 256  # of lines between cards, kept for the sampler until its step is over

# Register numbers in ``r``: an opcode's 3-bit register field indexes it directly;
# F takes the place of (HL).
B, C, D, E, H, L, F, A, IXH, IXL, IYH, IYL = range(12)

# Kinds of bus cycle in the log.
FETCH, READ, WRITE, IN, OUT, ACK, HALTED, NMI_FETCH = range(1, 9)
# What a card that has taken the bus does, and the moments when it gets and leaves it.
BUS_GIVEN, DMA_READ, DMA_WRITE, DMA_IN, DMA_OUT, BUS_BACK = range(9, 15)
KIND_NAMES = ("", "fetch", "read", "write", "in", "out", "acknowledge", "halted", "nmi",
              "bus-given", "dma-read", "dma-write", "dma-in", "dma-out", "bus-back")

# Page claims: what a card says of a page of the address space (else: a base in phys).
NOT_MINE, CALL, ROM = -1, -2, -3
SEVERAL = -4  # more than one card claims the page

# Who drove the data bus in a logged cycle, beside a slot's number + 1.
NOBODY, CPU_DRIVES, CONFLICT = 0, 254, 255

# Kinds of interrupt wiring.
NO_INTERRUPT, PLAIN_INTERRUPT, CHAINED_INTERRUPT = 0, 1, 2

# Why run() came back.
AT_TIME, CONSOLE_FULL, LOG_FULL, STOP_HIT, MEDIUM_WANTED, CARD_FAULT = range(6)

# Kinds of line between cards.
LEVEL, PERIODIC = 0, 1

# How a terminal sends a character that was typed at it: as it is, with a wrong parity bit, with
# a low stop bit, or a break of as many frames as the byte says.
RIGHTLY, WRONG_PARITY, NO_STOP, BREAKS = range(4)

# What a stop watches: first the kinds that have a bit in ``stop_map``.
(STOP_VIRGIN, STOP_FETCH, STOP_READ, STOP_WRITE, STOP_EXECUTE, STOP_CHANGE, STOP_PUSH, STOP_POP,
 STOP_IN, STOP_OUT, STOP_ACK, STOP_INT, STOP_REQUEST, STOP_ROM_WRITE, STOP_CONFLICT) = range(15)

FAR = (1 << 62)  # a time that never comes

_HEAD = [
    # --- CPU -------------------------------------------------------------------------
    ("r", np.int64, (16,)),  # B C D E H L F A IXH IXL IYH IYL, 8 bits each
    ("alt", np.int64, (8,)),  # the alternate set, same order
    ("pc", np.int64), ("sp", np.int64),
    ("i", np.int64),
    ("refresh", np.int64),  # the R register, 8 bits; inside run() its low 7 bits count
    ("refresh_high", np.int64),  # inside run(): I * 256 + bit 7 of R
    ("iff1", np.int64), ("iff2", np.int64), ("im", np.int64),
    ("halted", np.int64),
    ("wz", np.int64),  # MEMPTR
    ("q", np.int64),  # F as the last instruction wrote it, 0 if it did not
    ("after_ei", np.int64),  # 1: the instruction just run was EI
    ("after_ld_air", np.int64),  # 1: the instruction just run was LD A,I or LD A,R
    ("prefix", np.int64),  # index offset of a DD/FD run that goes on (4 or 6), else 0
    # mode 0: bytes of the instruction read so far, 0 = none; slot + 1 of who gives them all << 8
    ("ack_bytes", np.int64),
    ("cmos", np.int64),  # 1: CMOS part
    ("instructions", np.int64),
    # --- time ------------------------------------------------------------------------
    ("t", np.int64),  # now
    ("next_event", np.int64),  # look around when t reaches it
    ("t_stop", np.int64),
    ("exit_reason", np.int64),  # not 0: leave run() at the next instruction boundary
    # --- interrupt lines -------------------------------------------------------------
    ("int_line", np.int64),  # 1: /INT is low
    ("int_since", np.int64),  # when /INT last went low
    ("irq_dirty", np.int64),  # a card changed ip or ius: see chain.update_int
    ("held_t", np.int64),  # T-state at which an access changed /INT ...
    ("held_int", np.int64),  # ... and what it was before
    ("nmi_latch", np.int64),  # 1: a falling edge of /NMI waits
    ("nmi_t", np.int64),  # when it fell
    # --- bus requests (emu/bus/requests.py) ---------------------------------------------
    ("bus_watch", np.int64),  # 1: a card may take the bus; every cycle takes the slow path
    ("bus_armed", np.int64),  # bits: cards that may ask at any time ...
    ("bus_reach", np.int64),  # ... and all those whose lines lead to them
    ("bus_asked", np.int64),  # bits: cards that pull /BUSREQ low ...
    ("bus_asked_t", np.int64),  # ... and with which T-state it fell
    ("bus_owner", np.int64),  # slot + 1 of the card that has the bus, 0: the CPU has it
    ("bus_given_t", np.int64),  # when the CPU gave it away last ...
    ("bus_back_t", np.int64),  # ... and when it had it back
    ("bus_rest", np.int64),  # T-states of the last instruction that follow when it is back
    ("cycle_end", np.int64), ("cycle_kind", np.int64),  # of the CPU's last bus cycle
    ("cycles_run", np.int64),  # bus cycles of the instruction under way so far
    ("cycles_kept", np.int64),  # of them, those before the bus was given away
    ("cycle_value", np.int64, (16,)),  # what they read
    ("void", np.int64),  # 1: the rest of the instruction runs without any effect
    ("resume", np.int64),  # what begins anew once the bus is back: CODE ..., 0 nothing
    ("kept_valid", np.int64),  # 1: the fields below hold the CPU as the instruction began
    ("kept_what", np.int64), ("kept_t", np.int64), ("kept_numbers", np.int64, (15,)),
    ("kept_r", np.int64, (16,)), ("kept_alt", np.int64, (8,)),
    # --- /WAIT by wire (emu/bus/waiting.py) ---------------------------------------------
    ("wait_wires", np.int64),  # 1: a wire ends at the CPU card's input wait; all below 0 without
    ("wait_low", np.int64),  # 1: one of its sources is low
    ("wait_state", np.int64),  # 0, or how far a stretched cycle is: HELD ...
    ("wait_from", np.int64),  # T-state in which its /WAIT was sampled first ...
    ("wait_t", np.int64),  # ... and in which it was last
    ("wait_kind", np.int64), ("wait_address", np.int64),  # of that cycle
    ("stretch", np.int64),  # wait states that the cycle under way got so
    # --- address space ---------------------------------------------------------------
    ("read_base", np.int64, (PAGES,)),  # fast base for reading, or negative: bus.read_aside
    ("write_base", np.int64, (PAGES,)),
    ("wait_m1", np.int64, (PAGES,)), ("wait_mem", np.int64, (PAGES,)),
    ("read_base_true", np.int64, (PAGES,)),  # base, CALL, SEVERAL or NOT_MINE
    ("write_base_true", np.int64, (PAGES,)),  # the same, or ROM
    ("owner", np.int64, (PAGES,)),  # slot + 1 that answers, 0 nobody
    ("slow_read", np.int64, (PAGES,)),  # 1: every read takes the slow path (log, stops ...)
    ("slow_write", np.int64, (PAGES,)),
    ("log_only", np.int64),  # 1: they all do so for the log alone
    ("plain_aside", np.int64),  # 1: for the log and stops alone, see bus.read_aside
    ("mem_slots", np.int64, (SLOTS,)), ("mem_count", np.int64),
    ("rclaim", np.int64, (SLOTS, PAGES)), ("wclaim", np.int64, (SLOTS, PAGES)),
    ("slot_wait_m1", np.int64, (SLOTS,)), ("slot_wait_mem", np.int64, (SLOTS,)),
    ("slot_wait_io", np.int64, (SLOTS,)),
    ("cpu_wait_m1", np.int64), ("cpu_wait_mem", np.int64), ("cpu_wait_io", np.int64),
    ("mem_base", np.int64, (SLOTS,)),  # where a card's memory stands in phys
    ("mem_size", np.int64, (SLOTS,)),
    # --- data bus --------------------------------------------------------------------
    ("keeps_last", np.int64),  # 1: an undriven bus keeps its last byte, 0: pull-ups
    ("bus_byte", np.int64),
    ("bus_driver", np.int64),  # who drove the cycle under way (slot + 1, or above)
    # --- ports -----------------------------------------------------------------------
    ("port_slot", np.int64, (256,)),  # slot, -1 empty, -2 see the decode rows
    ("port_reg", np.int64, (256,)),  # register number the card is given
    ("decodes", np.int64, (DECODES, 4)),  # mask, value (16-bit port), slot, register
    ("decode_count", np.int64),
    # --- cards -----------------------------------------------------------------------
    ("slots", np.int64),
    ("card_functions", np.int64, (SLOTS, FUNCTIONS)),  # addresses of the card's functions
    ("plain", np.int64, (SLOTS,)),  # addresses of a plain Python card's objects (plaincards)
    ("fault", np.int64),  # 1: a card in plain Python failed; none is called again
    ("state_offset", np.int64, (SLOTS,)),  # offset of the card's state in the record
    ("event_t", np.int64, (SLOTS,)),  # T-state of the card's next event, FAR: none
    ("medium_wanted", np.int64),  # bit a slot: its card asks the host, see bus.ask_host
    ("reset_wanted", np.int64),  # 1: a card pulls RESET, see bus.ask_reset
    ("medium_t", np.int64),  # when a card last moved data to or from a medium
    ("uid", np.int64),  # number of this machine among the plain-Python ones
    # --- interrupt chain -------------------------------------------------------------
    ("int_kind", np.int64, (SLOTS,)),  # NO_INTERRUPT too where the pin is not wired
    ("vectored", np.int64, (SLOTS,)),  # 1: gives a vector in an acknowledge, its pin wired or not
    ("supplies", np.int64, (SLOTS,)),  # 1: gives all bytes of an instruction in mode 0
    ("ip", np.int64, (SLOTS,)),  # pending sources, bit 0 = highest inside the card
    ("ius", np.int64, (SLOTS,)),  # sources under service
    ("iei", np.int64, (SLOTS,)), ("ieo", np.int64, (SLOTS,)),
    ("chain", np.int64, (SLOTS * 2,)),  # slots from the highest down, or:
    #                                       -1: an open link, -2: IEI high again behind it
    ("chain_len", np.int64),
    ("chained", np.int64, (SLOTS,)),  # 1: stands in the chain
    # --- lines between cards ---------------------------------------------------------
    ("wires", np.int64, (WIRES, 5)),  # from slot, output, to slot, input, 1: a clock input
    ("wire_count", np.int64),
    ("line_kind", np.int64, (SLOTS, OUTPUTS)),  # LEVEL or PERIODIC
    ("line_level", np.int64, (SLOTS, OUTPUTS)),
    ("line_num", np.int64, (SLOTS, OUTPUTS)),  # period in T-states = num / den
    ("line_den", np.int64, (SLOTS, OUTPUTS)),
    ("line_t", np.int64, (SLOTS, OUTPUTS)),  # a falling edge: t + rem/den
    ("line_rem", np.int64, (SLOTS, OUTPUTS)),
    # --- what happened (counters for the verdict) --------------------------------------
    ("int_count", np.int64, (SLOTS,)),  # requests accepted for the card
    ("int_last", np.int64, (SLOTS,)),
    ("reti_count", np.int64, (SLOTS,)),
    ("vector_count", np.int64, (256,)),  # mode-2 acknowledges by vector read
    ("ack_count", np.int64), ("ack_last", np.int64),
    ("ack_empty", np.int64), ("ack_empty_pc", np.int64),
    ("ack_empty_first_t", np.int64),
    ("ack_conflicts", np.int64), ("ack_conflict_t", np.int64),  # T: the first
    ("nmi_count", np.int64), ("nmi_last", np.int64),
    ("rst38_count", np.int64),  # FFh executed
    ("rst38_first_t", np.int64), ("rst38_first_pc", np.int64),
    ("conflicts", np.int64), ("conflict_port", np.int64),
    ("conflict_first_t", np.int64),  # of a port that two cards drove
    ("rom_writes", np.int64), ("rom_write_at", np.int64),
    ("rom_write_pc", np.int64),
    ("empty_reads", np.int64), ("empty_read_at", np.int64),
    ("empty_writes", np.int64),
    ("port_reads", np.int64, (256,)), ("port_writes", np.int64, (256,)),
    ("port_in_last", np.int64, (256,)), ("port_out_last", np.int64, (256,)),
    ("empty_port_writes", np.int64, (EARLY_WRITES, 4)),  # t, pc, port, value
    ("empty_port_write_count", np.int64),  # rows that are kept
    ("slot_reads", np.int64, (SLOTS,)), ("slot_writes", np.int64, (SLOTS,)),
    # --- electrical faults (emu/bus/faulty_bus.py); all zero in a sound machine --------------
    ("faults", np.int64, (FAULTS, 8)),  # hook, low, high address, slot or -1, four parameters
    ("fault_count", np.int64),
    ("faulty", np.int64),  # 1: some of them change memory cycles, which then take the slow path
    ("clock_ps", np.int64),  # a T-state in picoseconds
    ("noise", np.int64),  # the random stream of the faults
    ("noise_every", np.int64),  # mean T-states between falling edges of /NMI, 0: none
    ("noise_t", np.int64),  # the next of them
    ("held", np.int64),  # what holds the CPU still (RESET, WAIT, BUSREQ), 0: nothing ...
    ("held_from", np.int64),  # ... and from when
    ("int_wired", np.int64),  # 1: a wire at the CPU card's input int is low
    ("int_held", np.int64),  # /INT is low whatever the cards do: 1 by a fault, 2 by hand
    ("int_cut", np.int64, (SLOTS,)),  # 1: the card cannot pull /INT low
    ("reti_hidden", np.int64),  # 1: the cards do not see ED 4D
    ("late_reads", np.int64),  # reads that the CPU sampled before the data came
    ("late_first_t", np.int64), ("late_first_at", np.int64),  # the first of them
    ("late_first_kind", np.int64),  # 0: memory, 1: a port
    ("ack_blocked", np.int64),  # vectors that did not reach the CPU
    ("ack_driven", np.int64),  # the last of them, as the card drove it
    ("ack_blocked_t", np.int64),  # the first of them
    # --- the bus log -------------------------------------------------------------------
    ("logging", np.int64), ("log_pos", np.int64), ("log_limit", np.int64),
    ("sampling", np.int64),  # what the run loop does before each step, see emu/bus/rows.py
    # --- card states -------------------------------------------------------------------
    ("pool", np.uint8, (POOL,)),
]

_STOPS = [
    ("stops", np.int64, (STOPS, STOP_WORDS)),  # rows, see emu/bus/stops.py
    ("stop_count", np.int64),
    ("stop_kinds", np.int64),  # bits: the kinds among them
    ("stop_reads", np.int64, (PAGES,)), ("stop_writes", np.int64, (PAGES,)),  # 1: one is there
    ("stop_map", np.uint8, (0x10000,)),  # bits by address: kinds up to STOP_POP
    ("hits", np.int64, (HITS, 5)),  # row, T-state of the cycle, address, data, old byte
    ("hit_count", np.int64),
    ("pass_t", np.int64),  # no stop stands before the instruction that begins here
    ("old_byte", np.int64),  # what a plain memory write under way overwrites
    # while the log is on: changes of lines between cards, (T-state, slot, output, level)
    ("line_changes", np.int64, (LINE_CHANGES, 4)), ("line_change_count", np.int64),
    ("untouched", np.uint8, (PHYSICAL,)),  # 1: RAM never written, as STOP_VIRGIN has it
]

_ROWS = [
    ("hook", np.int64), ("hook_offset", np.int64),  # a function, and its record's distance
    ("row_count", np.int64),
    ("row_limit", np.int64), ("row_log_limit", np.int64),  # leave at so many rows, log entries
    ("rows", np.int64, ((ROWS + 1) * WORDS,)),
]

MACHINE = np.dtype(
    [*_HEAD, ("phys", np.uint8, (PHYSICAL,)), ("log", np.int64, (LOG * 2,)), *_STOPS, *_ROWS],
    align=True)

NAMES = MACHINE.names or ()


def offset(name: str) -> int:
    """Give where a field of the machine record begins, in bytes."""
    fields: Any = MACHINE.fields
    return int(fields[name][1])


HEAD = offset("phys")  # bytes before physical memory
POOL_AT = offset("pool")


def new_record() -> np.recarray:
    """Make one machine record, all zero; ``record[0]`` has the fields as attributes."""
    return np.zeros(1, MACHINE).view(np.recarray)


class Fields:
    """One record's fields as attributes, for the plain Python that looks at a machine.

    A read takes 0.3 us in place of the 4 us of numpy's own record, and a diagnosis makes a
    million of them.  ``m[name]`` is the same as the attribute.
    """

    def __init__(self, record: np.ndarray) -> None:
        plain = record.view(np.ndarray)
        self._arrays = [plain[name] for name in NAMES]

    def __getitem__(self, name: str) -> Any:
        return getattr(self, name)

    def __setitem__(self, name: str, value: Any) -> None:
        setattr(self, name, value)


def _field(number: int) -> property:
    def read(fields: Fields) -> Any:
        return fields._arrays[number][0]

    def write(fields: Fields, value: Any) -> None:
        fields._arrays[number][0] = value

    return property(read, write)


for _number, _name in enumerate(NAMES):
    setattr(Fields, _name, _field(_number))
