"""A 765-class floppy controller with output register, data-rate register and drives.

The chip works on one byte at a time: the CPU fetches or brings each byte when RQM asks for
it, or the command ends with an overrun; set up for DMA it asks by DRQ, and a controller, or a
program, moves each byte at the register dack.  Its commands, phases and status bits
follow the 8272 description; the output register, the rate register and the disk-change
input are those of a Super-I/O data sheet.  From memory, and so the first to be doubted: the
pause of 12 us behind each byte, the 1 ms before the ready lines are polled, the early part's
blindness to an overrun at the last byte, and ID fields with a bad CRC that match.

A drive's READY, index and data come from the motor and the disk in it.  The track under the
head is the only one in the card's record; the host brings others (fdc_765_media.py).
"""
from __future__ import annotations

from fractions import Fraction

import numpy as np

from emu.bus.state import FAR, LEVEL, PLAIN_INTERRUPT
from emu.bus.wires import source_of
from emu.native.jit import compiled
from peripherals.card import Card, Jumper, Setup, entry, roles
from peripherals.fdc_765_causes import CAUSES
from peripherals.fdc_765_chip import (
    RUN,
    go_idle,
    note_pause,
    set_event,
    show_drq,
    show_int,
    status,
)
from peripherals.fdc_765_commands import move_by_dma, read_data, write_data
from peripherals.fdc_765_drive import change_line, selected, switch_motors
from peripherals.fdc_765_fifo import set_defaults
from peripherals.fdc_765_format import end_format, late_id, start_format
from peripherals.fdc_765_media import NAMES, fit, place, serve
from peripherals.fdc_765_report import describe, margins, risks
from peripherals.fdc_765_search import begin, disturbed, fetched, look
from peripherals.fdc_765_sectors import end_field, start_track, terminal_count
from peripherals.fdc_765_seek import poll, step
from peripherals.fdc_765_state import (
    AT_DATA,
    AWAIT_INDEX,
    BYTE_INT,
    DACK,
    DATA,
    DRIVES,
    DRQ_OUTPUT,
    EXECUTION,
    FETCHING,
    FIRST_POLL,
    FORMAT,
    FORMATTING,
    INT_OUTPUT,
    LAST_GAP,
    LOAD_UNIT,
    OUTPUT,
    RATE,
    SEARCHING,
    STATE,
    STATUS,
    STEP_UNIT,
    STEPPING,
    TAIL,
    TC_INPUT,
    TC_PORT,
    TRANSFER,
    UNLOAD_UNIT,
    UNUSED,
    units,
)
from peripherals.fdc_765_transfer import at_data, found, too_late
from peripherals.fdc_765_troubles import troubles

TC_NOWHERE, TC_BY_PORT, TC_BY_WIRE = range(3)
TC_SOURCES = ("none", "port", "wire")
RATES = (500, 300, 250, 1000)  # kbit/s by the value of the rate register
AFTER_RESET = 2  # value of the rate register: 250 kbit/s; from memory


# --- events -------------------------------------------------------------------------------
@compiled
def next_stage(m, s, t):
    """Do what the execution phase has due."""
    if s.stage == FETCHING:
        look(m, s, t)
    elif s.stage == SEARCHING:
        found(m, s, t)
    elif s.stage == AT_DATA:
        at_data(m, s, t)
    elif s.stage == TRANSFER:
        too_late(m, s, t)
    elif s.stage == TAIL:
        end_field(m, s, t)
    elif s.stage == AWAIT_INDEX:
        if s.op == FORMAT:
            start_format(m, s, t)
        else:
            start_track(s, t)
    elif s.stage == FORMATTING:
        late_id(m, s, t)
    elif s.stage == LAST_GAP:
        end_format(m, s, t)


@compiled
def run(m, s, t):
    """Let everything up to T-state t happen, in order."""
    set_event(m, s)
    while m.event_t[s.slot] <= t:
        now = m.event_t[s.slot]
        if s.int_t <= now:
            s.int_t = FAR
            s.int_cause |= BYTE_INT
            show_int(m, s, now)
        for number in range(DRIVES):
            if s.drive[number].step_t <= now:
                step(m, s, number, now)
        if s.stage == STEPPING and s.drive[s.unit_drive].ended != 0:
            s.drive[s.unit_drive].ended = 0  # an implied seek has nothing to tell
            begin(m, s, now)
        if s.drq_t <= now:
            s.drq_t = FAR
            show_drq(m, s, np.int64(1), now)
        if s.poll_t <= now:
            poll(m, s, now)
        if s.event_t <= now:
            if s.stage == FETCHING and not fetched(s):
                s.event_t = t + 1  # the host comes at the end of the instruction
            else:
                next_stage(m, s, now)
        set_event(m, s)


# --- registers ----------------------------------------------------------------------------
@compiled
def hold(m, s, t):
    """Hold the chip in reset: whatever it did has ended; SPECIFY's times stay."""
    for number in range(DRIVES):
        d = s.drive[number]
        d.step_t = FAR
        d.ended = d.ready = d.ready_event = d.pcn = 0
    set_defaults(s)
    s.int_cause = 0
    s.poll_t = FAR
    s.ready_t = 0
    go_idle(m, s, t)
    note_pause(s, t)


@compiled
def set_output(m, s, byte, t):
    """Write the output register: motors, drive select, the chip's reset, the INT gate."""
    old = s.output
    d = s.drive[selected(s, s.unit_drive)]
    spun = d.spun_t
    s.output = byte
    switch_motors(s, t)
    if (byte & RUN) == 0:
        if (old & RUN) != 0:
            if s.phase == EXECUTION and spun != FAR and spun > t:
                s.cut += 1
                s.cut_t = t
            hold(m, s, t)
    elif (old & RUN) == 0:
        s.poll_t = t + units(s, np.int64(FIRST_POLL))
    elif s.ready_tied == 0 and ((old ^ byte) & 0xF0) != 0:
        s.poll_t = min(s.poll_t, t + units(s, np.int64(FIRST_POLL)))
    if s.phase == EXECUTION and (s.used != selected(s, s.unit_drive) or d.spun_t != spun):
        disturbed(m, s, t)
    show_int(m, s, t)
    if s.drq == 1:
        show_drq(m, s, s.drq, t)


@compiled
def set_rate(m, s, code, t):
    """Write the data-rate register."""
    if s.fixed_rate >= 0 or code == s.rate:
        return
    s.rate = code
    if s.phase == EXECUTION:
        disturbed(m, s, t)


@compiled
def count_out(m, s, source, t):
    """TC comes from the port or the wire; it counts only during an execution phase."""
    if s.tc_from == source and s.phase == EXECUTION:
        terminal_count(m, s, t)


@compiled
def wire_rises(m, s, t):
    """TC rises at the wire: with DACK wired the chip sees it only while that is low."""
    if s.tc_gated == 1 and t > s.dack_t + 1:
        s.tc_missed += 1 if s.phase == EXECUTION else 0
    else:
        count_out(m, s, np.int64(TC_BY_WIRE), t)


@compiled
def at_dack(m, s, byte, t):
    """Move a byte while DACK is low; TC counts with it if it is high meanwhile."""
    value = move_by_dma(m, s, byte, t)
    s.dack_t = t
    if s.tc_gated == 1 and s.tc_level == 1:
        count_out(m, s, np.int64(TC_BY_WIRE), t)
    return value


# --- entries ------------------------------------------------------------------------------
@entry(STATE)
def reset(m, s, a, t):
    """RESET clears the output register, which holds the chip; the rate goes to 250 kbit/s."""
    if s.fixed_rate < 0:
        s.rate = AFTER_RESET
    s.locked = 0
    source = source_of(m, s.slot, TC_INPUT)
    if source >= 0:
        s.tc_level = m.line_level[source >> 8, source & 0xFF]
    if a == 0:
        hold(m, s, t)
    set_output(m, s, np.int64(0), t)
    set_output(m, s, s.output_reset, t)
    set_event(m, s)
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen."""
    run(m, s, t)
    return np.int64(0)


@entry(STATE)
def line(m, s, number, t):
    """Notice an edge of the TC wire."""
    source = source_of(m, s.slot, TC_INPUT)
    level = m.line_level[source >> 8, source & 0xFF]
    if level == 1 and s.tc_level == 0:
        run(m, s, t)
        wire_rises(m, s, t)
        set_event(m, s)
        m.next_event = 0
    s.tc_level = level
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read status, data, or the disk-change line; an access of the TC port counts out."""
    register = a & 0xFF
    value = np.int64(-1)
    if register == STATUS:
        return status(s, t)
    if register == DATA:
        value = read_data(m, s, t)
    elif register == RATE:
        return change_line(s) if s.has_change == 1 else np.int64(-1)
    elif register == DACK:
        value = at_dack(m, s, np.int64(-1), t)
    elif register == TC_PORT:
        count_out(m, s, np.int64(TC_BY_PORT), t)
    set_event(m, s)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write data, the output register or the rate; an access of the TC port counts out."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register == DATA:
        write_data(m, s, byte, t)
    elif register == OUTPUT:
        set_output(m, s, byte, t)
    elif register == RATE:
        set_rate(m, s, byte & 3, t)
    elif register == DACK:
        at_dack(m, s, byte, t)
    elif register == TC_PORT:
        count_out(m, s, np.int64(TC_BY_PORT), t)
    set_event(m, s)
    return np.int64(0)


# --- power-on -----------------------------------------------------------------------------
def _fit_drive(setup: Setup, number: int) -> None:
    """Set up a drive from its table: its times in T-states, the head and disk anywhere."""
    table, d = setup.settings[NAMES[number]], setup.state.drive[number]
    d.step_t = d.spun_t = FAR
    d.turn_num, d.turn_den = setup.period(Fraction(5))
    if table is None:
        return
    d.fitted = 1
    d.tracks, d.sides = table["tracks"], table["sides"]
    d.wide_head = int(table["size"] == "5.25")
    d.turn_num, d.turn_den = setup.period(Fraction(table["rpm"], 60))
    one = setup.cpu_hz / 1000
    d.spin, d.settle, d.min_step = (int(one * table[k]) for k in ("spin-up", "settle", "step"))
    d.off_t = -d.spin
    d.stepped_t = -d.settle
    d.position = setup.random.integers(0, d.tracks)
    d.phase = setup.random.integers(0, d.turn_num // d.turn_den)


def power_on(setup: Setup) -> None:
    """Set the jumpers, fit the drives; what SPECIFY sets is noise until it comes."""
    s, settings = setup.state, setup.settings
    s.version_b = int(settings["chip"] != "765a")
    s.has_fifo = int(settings["chip"] == "82077")
    s.busy_until_sensed = int(settings["busy-bits"] == "sensed")
    s.head_sent = int(settings["seek-head"] == "as-sent")
    s.wired_int, s.wired_nmi = int(settings["interrupt"]), int(settings["nmi"])
    wires = setup.machine.wires[:int(setup.machine.wire_count)]
    s.watched = int(s.wired_int or s.wired_nmi
                    or any(w[0] == setup.slot and w[1] == INT_OUTPUT for w in wires))
    s.has_dma = int(settings["dma"])
    setup.machine.line_kind[setup.slot, DRQ_OUTPUT] = LEVEL
    setup.machine.line_level[setup.slot, DRQ_OUTPUT] = 0
    s.tc_from = TC_SOURCES.index(settings["terminal-count"])
    s.tc_level = 1
    s.tc_gated = int(settings["dma"] and settings["tc-gate"] == "dack"
                     and s.tc_from == TC_BY_WIRE)
    s.dack_t = -FAR
    setup.machine.line_kind[setup.slot, INT_OUTPUT] = LEVEL  # low, so that its first rise counts
    setup.machine.line_level[setup.slot, INT_OUTPUT] = 0
    s.ready_tied = int(settings["ready"] == "tied")
    s.has_change = int(settings["disk-change"])
    s.select_by_chip = int(settings["select"] == "chip")
    s.output_reset = settings["output-reset"]
    s.fixed_rate = -1
    if settings["data-rate"] != "register":
        s.fixed_rate = s.rate = RATES.index(int(settings["data-rate"]))
    for code, rate in enumerate(RATES):
        s.unit_num[code], s.unit_den[code] = setup.period(Fraction(rate * 2000))
    noise = setup.random.integers(1, 16, 3)
    s.step_rate, s.unload, s.load = noise * (STEP_UNIT, UNLOAD_UNIT, LOAD_UNIT)
    s.no_dma = setup.random.integers(0, 2)
    s.doing = UNUSED
    s.event_t = s.int_t = s.poll_t = s.drq_t = FAR
    for number in range(DRIVES):
        _fit_drive(setup, number)
    fit(s, setup.bays)


CARD = Card(
    name="fdc-765",
    summary="765-class floppy controller, with up to four drives",
    source="8272 description; Super-I/O data sheets FDC37N769 and FDC37B770; drives: common "
           "practice, no source",
    unmodelled=(
        "the pins for two-sided drives and write fault",
        "precompensation and the analogue read channel",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance, "line": line},
    jumpers=(
        Jumper("chip", "choice", "765a", "the part: the early one answers VERSION with 80h, the "
               "last has a FIFO", choices=("765a", "765b", "82077")),
        Jumper("busy-bits", "reading", "sensed", "when a drive's busy bit falls: as SENSE "
               "INTERRUPT takes the end of its seek, or with the last step",
               choices=("sensed", "stepping")),
        Jumper("seek-head", "reading", "zero", "the head in ST0 behind a seek of a 765A or B: 0, "
               "or as the seek was given it (unsettled)", choices=("zero", "as-sent"),
               counts_with=("chip", ("765a", "765b"))),
        Jumper("dma", "flag", False, "DRQ is the output drq, and the register dack, a port of "
               "its own, makes DACK: for a DMA controller, or a program that polls the line"),
        Jumper("interrupt", "flag", False, "INT pulls /INT (without a vector)"),
        Jumper("nmi", "flag", False, "the rising edge of INT pulls /NMI"),
        Jumper("terminal-count", "choice", "port", "where TC comes from: any access of the "
               "register tc, a wire to the input tc, or nowhere", choices=TC_SOURCES),
        Jumper("tc-gate", "reading", "dack", "when TC by wire counts: only while DACK is low, as "
               "on the 765A, or at any time", choices=("dack", "open"),
               counts_with=("dma", (True,))),
        Jumper("ready", "choice", "tied", "where the RDY pin goes: high, or to the drives",
               choices=("tied", "drive")),
        Jumper("select", "choice", "output", "what selects the drive: bits 0 and 1 of the output "
               "register, or the chip's own pins", choices=("output", "chip")),
        Jumper("disk-change", "flag", True, "bit 7 of the register rate reads the disk-change "
               "line"),
        Jumper("data-rate", "choice", "register", "kbit/s (MFM): set by the register rate, or "
               "fixed", choices=("register", "500", "300", "250")),
        Jumper("output-reset", "int", 0, "what RESET leaves in the output register; 0 holds the "
               "chip until a program writes it"),
        Jumper("drive-a", "drive", {}, "the first drive and its disk"),
        *(Jumper(name, "drive", None, "a further drive and its disk") for name in NAMES[1:]),
    ),
    registers=("status", "data", "output", "rate", "tc", "dack"),
    order=lambda settings: ("status", "data", "output", "rate", "tc",
                            *(["dack"] if settings["dma"] else [])),
    kinds={"status": (roles.STATUS,), "data": (roles.DATA, roles.CONTROL, roles.STATUS),
           "output": (roles.CONTROL,), "rate": (roles.CONTROL, roles.STATUS),
           "tc": (roles.CONTROL,), "dack": (roles.DATA,)},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    outputs=("int", "drq"),
    inputs=("tc",),
    margins=margins,
    risks=risks,
    power_on=power_on,
    describe=describe,
    drives_nmi=lambda m, s: bool(s.wired_nmi),
    causes=CAUSES,
    troubles=troubles,
    place=place,
    serve=serve,
)
