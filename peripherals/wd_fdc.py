"""A floppy controller of the WD177x/279x type, with up to four drives, polled or by interrupts.

From memory of the WD1770/1772 and FD179x data sheets, no copy at hand: status, track, sector and
data registers; restore, seek and steps with verify; read and write sector, multiple too; read
address, read and write track; forced interrupts; a search of five turns; DRQ within a byte's
time.  The 1770 and 1772 run the motor themselves: six index pulses until it counts, nine behind
the last command until it stops; the 1793 has READY, head load, and the side in its commands.
Drives, tracks and disks are those of the 765-class card.  The board has a latch (``control``)
for drive, side, density and motor, whose reading shows DRQ and INTRQ.
"""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR, LEVEL, PLAIN_INTERRUPT
from emu.errors import InputError
from emu.media.bay import Bay
from emu.native.jit import compiled
from peripherals.card import Card, Jumper, Margin, Setup, entry, roles
from peripherals.fdc_765_drive import set_motor
from peripherals.fdc_765_media import NAMES, fit, load, notice, place, store
from peripherals.fdc_765_state import DRIVES
from peripherals.wd_fdc_causes import CAUSES
from peripherals.wd_fdc_commands import (
    begin_command,
    force,
    go_on_moving,
    next_pulse,
    start,
    status_now,
)
from peripherals.wd_fdc_report import describe, risks, troubles
from peripherals.wd_fdc_search import (
    begin_write,
    found,
    go_to_track,
    look,
    not_found,
    read_byte,
    read_whole,
    start_track,
    tail,
    write_byte,
    write_whole,
)
from peripherals.wd_fdc_state import (
    AWAIT_INDEX,
    AWAIT_LOAD,
    CHIPS,
    CONTROL,
    DATA,
    DRQ_LINE,
    FETCHING,
    INTRQ_LINE,
    NMI_FROM,
    READ_WHOLE,
    READING,
    SEARCHING,
    SECTOR,
    SETTLING,
    SPINNING,
    STATE,
    STATUS,
    STEPPING,
    TAIL,
    TRACK,
    WD1793,
    WRITE_WHOLE,
    WRITING,
    set_drq,
    set_event,
    set_intrq,
)

NO_DRIVE = 3  # what no select bit selects; no drive stands there unless it is fitted


@compiled
def step_on(m, s, t):
    """Do what the command has due."""
    stage = s.stage
    s.event_t = FAR
    if stage == SPINNING:
        start(m, s, t)
    elif stage == STEPPING:
        go_on_moving(m, s, t)
    elif stage == SETTLING:
        go_to_track(m, s, t, t)
    elif stage == FETCHING:
        look(s, t)
    elif stage == SEARCHING:
        if s.outcome >= 0:
            found(m, s, t)
        else:
            not_found(m, s, t)
    elif stage == READING:
        read_byte(m, s, t)
    elif stage == AWAIT_LOAD:
        begin_write(m, s, t)
    elif stage == WRITING:
        write_byte(m, s, t)
    elif stage == TAIL:
        tail(m, s, t)
    elif stage == AWAIT_INDEX:
        start_track(m, s, t)
    elif stage == READ_WHOLE:
        read_whole(m, s, t)
    elif stage == WRITE_WHOLE:
        write_whole(m, s, t)


@entry(STATE)
def advance(m, s, t, b):
    """Let everything up to T-state t happen, in order."""
    while m.event_t[s.slot] <= t:
        now = m.event_t[s.slot]
        if s.event_t <= now:
            step_on(m, s, now)
        if s.pulse_t <= now:
            set_intrq(m, s, np.int64(1), now)
            next_pulse(s, now)
        if s.motor_t <= now:
            s.motor_t = FAR
            set_motor(s.drive[s.used], np.int64(0), now)
        set_event(m, s)
    return np.int64(0)


# --- the bus ----------------------------------------------------------------------------------
@compiled
def set_latch(s, byte, t):
    """Take the board's latch: drive, side, density, motor."""
    s.latch = byte
    s.used = byte & 3
    if s.one_hot == 1:
        s.used = np.int64(NO_DRIVE)
        for k in range(DRIVES):
            if (byte >> (DRIVES - 1 - k)) & 1 == 1:
                s.used = np.int64(DRIVES - 1 - k)
    s.side = (byte >> s.side_bit) & 1 if s.side_bit >= 0 else np.int64(0)
    s.fm = 0
    if s.density_bit >= 0:
        s.fm = 1 if ((byte >> s.density_bit) & 1) != s.mfm_level else 0
    if s.chip == WD1793:
        on = (byte >> s.motor_bit) & 1 if s.motor_bit >= 0 else np.int64(1)
        for k in range(DRIVES):
            set_motor(s.drive[k], on, t)


@entry(STATE)
def reset(m, s, a, t):
    """Take MR: the command register gets 03h, a restore; the latch is cleared."""
    set_drq(m, s, np.int64(0), t)
    set_intrq(m, s, np.int64(0), t)
    s.busy = 0
    s.stage = 0
    s.event_t = FAR
    s.pulse_t = FAR
    s.motor_t = FAR
    s.status = 0
    s.sector = 1
    set_latch(s, np.int64(0), t)
    begin_command(m, s, np.int64(0x03), t)
    set_event(m, s)
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Read a register; the status takes INTRQ back, the data DRQ."""
    register = a & 0xFF
    if register == STATUS:
        value = status_now(s, t)
        if s.held_intrq == 0:
            set_intrq(m, s, np.int64(0), t)
    elif register == TRACK:
        value = s.track
    elif register == SECTOR:
        value = s.sector
    elif register == DATA:
        set_drq(m, s, np.int64(0), t)
        value = s.dr
    else:
        value = np.int64(0)
        if s.drq_bit >= 0:
            value |= s.drq << s.drq_bit
        if s.intrq_bit >= 0:
            value |= s.intrq << s.intrq_bit
    set_event(m, s)
    return value


@entry(STATE)
def write(m, s, a, t):
    """Write a register; a command begins."""
    register = a & 0xFF
    byte = (a >> 8) & 0xFF
    if register == STATUS:
        if (byte & 0xF0) == 0xD0:
            force(m, s, byte, t)
        else:
            begin_command(m, s, byte, t)
    elif register == CONTROL:
        set_latch(s, byte, t)
    elif register == DATA:
        s.dr = byte
        set_drq(m, s, np.int64(0), t)
    elif s.busy == 0 and register == TRACK:
        s.track = byte
    elif s.busy == 0 and register == SECTOR:
        s.sector = byte
    set_event(m, s)
    return np.int64(0)


# --- media, power-on ------------------------------------------------------------------------
def serve(m: Any, s: Any, bays: Mapping[str, Bay]) -> None:
    """Store the track that has changed, load the one that is wanted, notice other disks."""
    changed = notice(s, bays)
    store(s, bays)
    load(s, bays)
    if s.busy and s.kind > 1 and int(s.used) in changed:
        go_to_track(m, s, np.int64(m.t), np.int64(m.t))
        set_event(m, s)


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
    """Set the jumpers, fit the drives."""
    s, settings = setup.state, setup.settings
    s.chip = CHIPS.index(settings["chip"])
    if s.chip != WD1793 and settings["data-rate"] == 500:
        raise InputError(f"slot.{setup.name}: a WD{CHIPS[int(s.chip)]} makes 250 kbit/s and no "
                         f"more; take data-rate = 250, or chip = \"1793\".")
    s.one_hot = int(settings["select"] == "one-hot")
    for name in ("side", "density", "motor", "drq", "intrq"):
        s[f"{name}_bit"] = settings[f"{name}-bit"]
    s.mfm_level = int(settings["mfm-level"] == "high")
    s.wired_int = int(settings["interrupt"])
    s.nmi_from = NMI_FROM.index(settings["nmi"])
    s.doubled = int(settings["data-rate"] == 500)
    for k in range(4):
        s.unit_num[k], s.unit_den[k] = setup.period(Fraction(settings["data-rate"] * 2000))
    s.ms_num, s.ms_den = setup.cpu_hz.numerator, setup.cpu_hz.denominator * 1000
    s.event_t = s.motor_t = s.pulse_t = FAR
    for output in (DRQ_LINE, INTRQ_LINE):
        setup.machine.line_kind[setup.slot, output] = LEVEL
        setup.machine.line_level[setup.slot, output] = 0
    for number in range(DRIVES):
        _fit_drive(setup, number)
    fit(s, setup.bays)


def set_nmi(m: Any, s: Any, value: str) -> None:
    """Move the plug that leads to /NMI."""
    s.nmi_from = NMI_FROM.index(value)


def margins(_: Any, s: Any) -> list[Margin]:
    """A byte must be moved before the next one comes."""
    if not s.tight:
        return []
    byte = 16 * int(s.unit_num[s.rate]) / int(s.unit_den[s.rate])
    return [Margin("a byte of a sector", byte * (2 if s.fm else 1), int(s.tight))]


CARD = Card(
    name="fdc-wd17xx",
    summary="floppy controller of the WD177x/279x type, with up to four drives",
    source="WD1770/1772 and FD179x data sheets, from memory; drives as the 765-class card's",
    unmodelled=(
        "HLT, write precompensation and the analogue read channel",
        "the ready conditions of a forced interrupt",
        "sector lengths other than those of the ID",
    ),
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance},
    jumpers=(
        Jumper("chip", "choice", "1793", "the part; a 2793 is a 1793 to programs", choices=CHIPS),
        Jumper("data-rate", "choice", 250, "kbit/s in MFM: the clock of the chip, 1 or 2 MHz",
               choices=(250, 500)),
        Jumper("select", "choice", "binary", "bits of control that select the drive: 0 and 1 as a "
               "number, or one of 0 to 3", choices=("binary", "one-hot")),
        Jumper("side-bit", "int", 4, "bit of control that is the side; -1: none", -1, 7),
        Jumper("density-bit", "int", 5, "bit of control that is the density; -1: always MFM", -1,
               7),
        Jumper("mfm-level", "choice", "low", "level of that bit that means MFM",
               choices=("low", "high")),
        Jumper("motor-bit", "int", 6, "bit of control that runs the motors, with a 1793; -1: they "
               "always run", -1, 7),
        Jumper("drq-bit", "int", 7, "bit of control, read, that is DRQ; -1: none", -1, 7),
        Jumper("intrq-bit", "int", 6, "bit of control, read, that is INTRQ; -1: none", -1, 7),
        Jumper("interrupt", "flag", False, "INTRQ pulls /INT (without a vector)"),
        Jumper("nmi", "choice", "none", "whose rise pulls /NMI", choices=NMI_FROM),
        Jumper("drive-a", "drive", {}, "the first drive and its disk"),
        *(Jumper(name, "drive", None, "a further drive and its disk") for name in NAMES[1:]),
    ),
    registers=("status", "track", "sector", "data", "control"),
    kinds={"status": (roles.STATUS, roles.CONTROL), "track": (roles.CONTROL,),
           "sector": (roles.CONTROL,), "data": (roles.DATA,),
           "control": (roles.CONTROL, roles.STATUS)},
    interrupt=PLAIN_INTERRUPT,
    sources=1,
    outputs=("drq", "intrq"),
    margins=margins,
    risks=risks,
    power_on=power_on,
    describe=describe,
    drives_nmi=lambda m, s: bool(s.nmi_from),
    causes=CAUSES,
    troubles=troubles,
    place=place,
    serve=serve,
    live={"nmi": set_nmi},
)
