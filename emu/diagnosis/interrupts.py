"""Causes on the interrupt path: a vector that nobody gives, a tick that never comes."""
from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

from emu.diagnosis.case import Case
from emu.diagnosis.check import BUSY, HALTED_OFF, STUCK, WILD, Check
from emu.diagnosis.names import Names
from emu.diagnosis.trials import Activity, activity, alone, interrupt, nudged
from emu.diagnosis.vectors import returns, uncalled
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, TRIED, Cause, Finding
from emu.diagnosis.window import Window, forked, look, windows
from emu.machine import Machine
from emu.state import CHAINED_INTERRUPT, FETCH, PLAIN_INTERRUPT, READ, WRITE

FLOATING_VECTOR = Cause(
    "floating-vector", "A mode-2 acknowledge that nobody answers",
    "The machine hangs or runs wild at the first key or the first character sent.",
    "In mode 2 the CPU reads a vector byte from the card that interrupts. A plain serial chip "
    "(6850 type) pulls /INT but has no vector, so the bus floats: with pull-ups the CPU reads "
    "FFh, takes a pointer from I*256+FFh and jumps wherever it says.",
    "Let such a card interrupt in mode 1 with no mode-2 card beside it, poll it, or put a "
    "catch-all pointer at I:FFh.", ("I1",))

NO_TICK = Cause(
    "no-tick", "Waiting for a timer tick that no card gives",
    "The prompt or the banner comes, then whatever sleeps or waits sleeps for ever.",
    "A process sleeps until an interrupt handler changes a variable, and no card ever supplies "
    "that handler's vector.",
    "Fit the timer the program expects (for example a Z80 CTC at the ports it writes to), or "
    "build the program for a polled or missing tick.", ("T1",))

TICK = 0.01  # seconds between the interrupts of a trial
TRIAL_TICKS = 400
PATH = 60  # instructions before the idle loop that tell how it was entered
MOST_TRIED = 12  # handlers that return as handlers do
ASTRAY = frozenset((0x00, 0x38, 0x66))  # RESET, RST 38h and NMI: nobody wakes there


def floating_vector(case: Case) -> Finding | None:
    """Check for an unanswered acknowledge in mode 2, and follow where it led."""
    m = case.m
    if int(m.ack_empty) == 0 or int(m.vector_count.sum()) == 0:
        return None
    t = int(m.ack_empty_first_t)
    replayed = case.session.replay(max(t - 1, 0))
    if int(replayed.m.im) != 2:
        return None
    names = Names(replayed)
    asking = [k for k in range(int(replayed.m.slots))
              if int(replayed.m.ip[k]) and int(replayed.m.int_kind[k]) == PLAIN_INTERRUPT]
    window = look(replayed, 40)
    pointer, target = _pointer(window)
    who = ", ".join(case.slot_words(k) for k in asking) or "no card that is still asking"
    evidence = [
        f"At {case.time(t)} the CPU acknowledged an interrupt in mode 2 at "
        f"{names.at(int(m.ack_empty_pc))} and no card drove the bus "
        f"({int(m.ack_empty)} such acknowledges in the run); /INT was pulled by {who}, which "
        f"has no vector.",
        f"The bus read as {pointer & 0xFF:02X}h, so the pointer came from {pointer:04X}h and "
        f"led to {names.at(target)}.",
        *_other_kind(case)]
    runs_wild = int(m.rst38_count) > 0 or int(m.empty_reads) > 0
    return Finding(
        FLOATING_VECTOR, RUNAWAY if runs_wild else HUNG,
        f"{who} interrupts in mode 2 without giving a vector; the CPU jumped through "
        f"{pointer:04X}h to {target:04X}h.", evidence,
        _floating_remedy(case, asking),
        {"pointer": f"{pointer:04X}", "target": f"{target:04X}",
         "slots": [case.machine.slots[k].name for k in asking]}, SHOWN, t)


def _pointer(window: Window) -> tuple[int, int]:
    """Find the pointer read of the first acknowledge in a window: its address, its word."""
    reads = window.where(READ)
    if len(reads) < 2:
        return 0, 0
    pairs = [k for k in reads[:-1] if window.kind[k + 1] == READ]
    k = pairs[0] if pairs else reads[0]
    return int(window.address[k]), int(window.data[k]) | int(window.data[k + 1]) << 8


def _other_kind(case: Case) -> list[str]:
    chained = [case.slot_words(k) for k in range(int(case.m.slots))
               if int(case.m.int_kind[k]) == CHAINED_INTERRUPT and int(case.m.int_count[k])]
    if not chained:
        return []
    return [f"Beside it {', '.join(chained)} interrupts with vectors, so the program needs "
            f"mode 2: the two kinds do not fit together as they are."]


def _floating_remedy(case: Case, asking: list[int]) -> list[str]:
    names = ", ".join(case.machine.slots[k].name for k in asking) or "the plain card"
    return [f"Take {names} off /INT (jumper interrupt = false) and poll it, or replace it by a "
            f"serial card with a vector (Z80 SIO).",
            "Or run all cards in mode 1 with a handler that polls every source and ends with "
            "RETI.",
            "Or fill the vector table so that the pointer at I:FFh leads to the plain card's "
            "handler."]


@dataclass
class Woken:
    """A handler that, called in a fork as a card would call it, lets a process go on."""

    vector: int
    page: int  # of the vector table
    handler: int
    ticks: int
    before: Activity  # the machine with nobody calling
    changed: set[int]  # written by the handler each time
    flipped: set[int]  # written by the handler, read by the foreground
    resumed: list[int]  # addresses where the process goes on, innermost first


def no_tick(case: Case) -> Finding | None:
    """Check whether a handler that no card has ever called would let the program go on."""
    woken = find_missing_handler(case)
    if woken is None:
        return None
    names = case.names
    asleep = sleeper(case, woken)
    variable = _variable(case, woken)
    evidence = [
        f"The CPU idles: {case.loop()}; {asleep}.",
        f"It waits on {variable}, which the handler {names.at(woken.handler)} changes; the "
        f"handler's vector is {woken.vector:02X}h (pointer at "
        f"{(woken.page << 8 | woken.vector):04X}h).",
        f"No card has supplied vector {woken.vector:02X}h in "
        f"{case.time(int(case.m.t))} of running.",
        f"In a copy of the machine, {woken.ticks} calls of that handler, 10 ms apart, let the "
        f"process go on.",
        *port_writes(case)]
    remedy = _timer_remedy(case, woken)
    return Finding(
        NO_TICK, HUNG,
        f"a process sleeps until {names.at(woken.handler)} changes {variable}, and no card "
        f"ever calls that handler.", evidence, remedy,
        {"vector": f"{woken.vector:02X}", "handler": names.symbol(woken.handler),
         "variable": variable, "sleeper": asleep}, TRIED)


def find_missing_handler(case: Case) -> Woken | None:
    """Call each never-called handler in a fork; give the one that wakes the foreground."""
    machine = case.machine
    control = alone(machine, machine.at(0.5))
    sound = (item for item in uncalled(machine).items()
             if returns(machine, item[0], TICK / 2))
    for target, (vector, page) in islice(sound, MOST_TRIED):
        ticks = _ticks_to_wake(case, target, control)
        if ticks:
            return _explain_wake(case, target, vector, page, ticks, control)
    return None


def _drive(machine: Machine, handler: int, ticks: int) -> bool:
    for _ in range(ticks):
        if not interrupt(machine, handler):
            return False
        machine.run(int(machine.m.t) + machine.at(TICK))
    return True


def _ticks_to_wake(case: Case, handler: int, control: Activity) -> int:
    """Count the calls of a handler up to the one that wakes code which did not run before.

    0: none of TRIAL_TICKS calls does, or the machine goes astray.
    """
    quiet = _quiet_code(case, handler, control)
    machine = case.machine
    look_for, rest = machine.at(TICK / 5), machine.at(TICK * 4 / 5)
    with forked(machine):
        for tick in range(1, TRIAL_TICKS + 1):
            if not interrupt(machine, handler):
                return 0
            woken = activity(machine, look_for, int(machine.m.sp)).code - quiet
            if woken & ASTRAY:
                return 0
            if woken:
                return tick
            machine.run(int(machine.m.t) + rest)
    return 0


def _quiet_code(case: Case, handler: int, control: Activity) -> set[int]:
    """Give the code that runs in any case: alone, or in the handler's first call."""
    quiet = control.code | nudged(case.machine, case.machine.at(TICK))
    with forked(case.machine):
        if interrupt(case.machine, handler):
            quiet |= activity(case.machine, case.machine.at(TICK / 4)).code
    return quiet


def _explain_wake(case: Case, handler: int, vector: int, page: int, ticks: int,
                  control: Activity) -> Woken:
    machine = case.machine
    quiet = _quiet_code(case, handler, control)
    with forked(machine):
        interrupt(machine, handler)
        first = look(machine, machine.at(TICK / 4))
        changed = _handler_writes(first)
    with forked(machine):
        _drive(machine, handler, ticks - 1)
        interrupt(machine, handler)
        flipped: set[int] = set()
        resumed: list[int] = []
        for window in windows(machine, machine.at(3 * TICK), int(machine.m.sp)):
            flipped |= _handler_writes(window)
            resumed = resumed or _resumption(window, quiet)
    return Woken(vector, page, handler, ticks, control, changed, (flipped - changed), resumed)


def _handler_writes(window: Window) -> set[int]:
    """Give what the code from the window's start to its first return from interrupt writes,
    but for the stack."""
    stop = len(window.t)
    fetches = window.where(FETCH)
    for a, b in zip(fetches[:-1], fetches[1:], strict=True):
        if window.data[a] == 0xED and (window.data[b] & 0xC7) == 0x45 or window.data[a] == 0xC9:
            stop = int(b)
            break
    writes = [k for k in window.where(WRITE) if k < stop]
    pushes = _stack_writes(window)
    return {int(window.address[k]) for k in writes if k not in pushes}


def _stack_writes(window: Window) -> set[int]:
    """Index the writes of PUSH, CALL, RST and EX (SP): two writes going down by one."""
    out = set()
    writes = window.where(WRITE)
    starts = window.starts()
    for k in writes:
        start = starts[starts < k]
        if not len(start):
            continue
        opcode = int(window.data[start[-1]])
        if opcode in (0xDD, 0xFD) and start[-1] + 1 < len(window.t):
            opcode = int(window.data[start[-1] + 1])
        if opcode & 0xCB == 0xC1 and opcode & 4 or opcode & 0xC7 in (0xC4, 0xC7) \
                or opcode in (0xCD, 0xE3):
            out.add(int(k))
    return out


def _resumption(window: Window, quiet: set[int]) -> list[int]:
    """Find where a woken process goes on: the return addresses that it takes, inmost first.

    Before them runs the scheduler, which has the process's stack again at its first return.
    """
    starts = window.starts()
    fresh = [k for k in starts
             if not window.depth[k] and int(window.address[k]) not in quiet]
    if not fresh:
        return []
    out = []
    for k in starts[starts >= fresh[0]]:
        at = k + 1 if window.data[k] == 0xED else k
        if window.depth[k] or at + 2 >= len(window.t) or not _is_return(window, int(k)):
            continue
        if (window.kind[at + 1:at + 3] == READ).all():
            out.append(int(window.data[at + 1]) | int(window.data[at + 2]) << 8)
        if len(out) >= 4:
            break
    return out or [int(window.address[fresh[0]])]


def _is_return(window: Window, k: int) -> bool:
    opcode = int(window.data[k])
    if opcode == 0xED:
        return int(window.data[k + 1]) & 0xC7 == 0x45
    return opcode == 0xC9 or opcode & 0xC7 == 0xC0


def way_to_sleep(case: Case, idle: set[int]) -> list[int]:
    """Find how the foreground went idle: run again from its last sign of life.

    Gives an address in each routine on the last stretch before the idle loop, outermost
    first; empty when it never went idle.
    """
    session = case.session
    machine = session.replay(max(session.last_activity() - case.machine.at(0.02), 0))
    trail: list[int] = []
    for window in windows(machine, machine.at(0.3)):
        starts = window.starts()
        outside = starts[~window.depth[starts]]
        trail = (trail + window.address[outside].tolist())[-20000:]
    busy = [k for k, address in enumerate(trail) if address not in idle]
    if not busy:
        return []
    names, path, last = Names(machine), [], ""
    for address in trail[max(busy[-1] - PATH, 0):busy[-1] + 1]:
        routine = (names.symbol(address) or f"{address:04X}h").partition("+")[0]
        if routine != last:
            path.append(address)
            last = routine
        else:
            path[-1] = address
    return path[-4:]


def sleeper(case: Case, woken: Woken) -> str:
    """Say where a process sleeps: the routines through which it went, and who goes on."""
    names = case.names
    path = way_to_sleep(case, woken.before.code | nudged(case.machine, case.machine.at(TICK)))
    text = "a process sleeps"
    if path:
        text += " in " + " > ".join(names.at(a) for a in path)
    if woken.resumed:
        text += f"; woken, it goes on at {names.at(woken.resumed[0])}"
    return text


def _variable(case: Case, woken: Woken) -> str:
    """Name the variable that the handler changes: one with a symbol if there is one."""
    named = [a for a in sorted(woken.changed) if case.names.known(a)]
    exact = [a for a in named if "+" not in (case.names.symbol(a) or "+")]
    for group in (exact, named, sorted(woken.changed)):
        if group:
            return case.names.data(group[0])
    return "a variable"


def port_writes(case: Case) -> list[str]:
    """List the writes to ports where no card stands, by the code that made them."""
    m = case.m
    rows = [tuple(int(x) for x in m.empty_port_writes[k])
            for k in range(min(int(m.empty_port_write_count), len(m.empty_port_writes)))]
    ports: dict[int, list[tuple[int, int]]] = {}
    for _, pc, port, value in rows:
        ports.setdefault(port & 0xFF, []).append((pc, value))
    out = []
    for port, writes in sorted(ports.items()):
        values = " ".join(f"{value:02X}" for _, value in writes[:6])
        out.append(f"Port {port:02X}h, where no card stands, was written {values} "
                   f"by {case.names.at((writes[0][0] - 2) & 0xFFFF)}.")
    return out


def _timer_remedy(case: Case, woken: Woken) -> list[str]:
    """Say which card to fit where: the ports that were written with timer-like bytes."""
    m = case.m
    ports = sorted({int(m.empty_port_writes[k, 2]) & 0xFF
                    for k in range(min(int(m.empty_port_write_count),
                                       len(m.empty_port_writes)))})
    vector = woken.vector & 0xF8
    programmed = [int(m.empty_port_writes[k, 2]) & 0xFF
                  for k in range(min(int(m.empty_port_write_count), len(m.empty_port_writes)))
                  if int(m.empty_port_writes[k, 3]) == vector]
    if programmed:
        base = programmed[0]
        return [f"Fit a counter/timer (Z80 CTC) at base {base:02X}h, in the interrupt chain: "
                f"the program writes its vector {vector:02X}h to port {base:02X}h and nothing "
                f"is there.",
                "Or build the program without a tick, with waits that poll."]
    if ports:
        return [f"Fit the timer that the program sets up at port {ports[0]:02X}h, so that it "
                f"supplies vector {woken.vector:02X}h.",
                "Or build the program without a tick, with waits that poll."]
    return [f"Fit a timer that supplies vector {woken.vector:02X}h and have the program set it "
            f"up: no write to an empty port looks like a timer's set-up."]


CHECKS = (Check(floating_vector, FLOATING_VECTOR, (STUCK, WILD, HALTED_OFF, BUSY)),
          Check(no_tick, NO_TICK, (STUCK,), trial=True))
