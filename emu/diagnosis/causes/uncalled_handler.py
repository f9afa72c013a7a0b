"""A handler that would wake the foreground, and that no card ever calls.

Each handler of the vector table (or at 0038h) is called once in a fork; those that write
what the foreground's loop looks at are then called every 10 ms, with and without a key
typed first, until the loop goes on.
"""
from __future__ import annotations

from dataclasses import dataclass

from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT
from emu.card.cause import STUCK, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import (
    NEVER_ASKS,
    RECEIVER_OFF,
    TIMER_STOPPED,
    hope,
    looks_at_ports_alone,
    waited_for,
    wanted_places,
)
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked, windows
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.executed import code_of
from emu.diagnosis.evidence.silent_ports import (
    SilentPort,
    ports_fact,
    silent_ports,
    timer_ports,
    written_words,
)
from emu.diagnosis.evidence.sources import Source, sources, state_words
from emu.diagnosis.evidence.vectors import straight, uncalled
from emu.diagnosis.trials.forks import interrupt
from emu.diagnosis.trials.proof import Change, Outcome, Profile, typed
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.machine.address_names import Names
from emu.machine.places import place
from emu.run.console import channels

NO_TICK = Cause(
    "no-tick", "Waiting for a timer tick that no card gives",
    "The prompt or the banner comes, then whatever sleeps or waits sleeps for ever.",
    "A process sleeps until an interrupt handler changes a variable, and no card ever supplies "
    "that handler's vector.",
    "Fit the timer the program expects (for example a Z80 CTC at the ports it writes to), or "
    "build the program for a polled or missing tick.", ("T1",))

PATH = 60  # instructions before the idle loop that tell how it was entered
MODE1 = 0x38
STEPS = 60  # instructions of a handler
MOST_TRIED = 12  # handlers called again and again


@dataclass(frozen=True)
class Woken:
    """A handler that, called in a fork as a card would call it, lets the foreground go on."""

    handler: int
    vector: int | None  # None: 0038h, in mode 1
    page: int  # of the vector table
    variables: tuple[int, ...]  # what it writes and the foreground looks at
    done: Outcome
    key: str | None = None  # the channel at which a character had to be typed first
    serial: str = ""  # "receives" or "sends": it serves a card with a terminal


def missing_handler(case: Case) -> Woken | None:
    """Find a handler that nothing calls and that would let the foreground go on."""
    if looks_at_ports_alone(case) or not _interruptible(case):
        return None
    candidates = _candidates(case)
    wanted = wanted_places(case)
    for channel in (None, *(c.name for c in channels(case.machine))):
        also = typed(case.session, channel) if channel else None
        known = {h: case.profile(h) if also is None else case.prover.profile(h, also)
                 for h in candidates}
        ranked = sorted(candidates, key=lambda h: -hope(known[h], wanted))
        for handler in [h for h in ranked if hope(known[h], wanted)][:MOST_TRIED]:
            woken = _tried(case, handler, candidates[handler], known[handler], also, channel)
            if woken is not None:
                return woken
            if case.budget.left() <= 0:
                case.budget.cut = True
                return None
    return None


def _candidates(case: Case) -> dict[int, tuple[int | None, int]]:
    """List the handlers that nothing has called: address -> (vector, page of its table)."""
    found: dict[int, tuple[int | None, int]] = {}
    if int(case.m.im) != 2:
        found[MODE1] = (None, 0)
    within = {step.address for source in sources(case.machine)
              for step in straight(case.machine, source.handler, STEPS)
              if step.address != source.handler}  # of handlers that cards call
    within |= {int(case.m.i) << 8 | source.vector + k for source in sources(case.machine)
               for k in (0, 1)}  # and of their pointers
    for handler, entry in uncalled(case.machine).items():
        # RAM in which nothing ever ran may hold bytes that look like code by chance.
        # So may a page of the table that holds code, too.
        pointer = entry[1] << 8 | entry[0]
        if (place(case.machine, handler, True) < 0 or chronicle(case).ran_about(handler)) \
                and not code_of(case).ran[pointer] and not code_of(case).begins[handler] \
                and handler not in within:
            found.setdefault(handler, entry)
    return found


def asleep(case: Case) -> str:
    """Say what sleeps on a dead tick in a machine that a key wakes; empty when nothing shows it.

    Asked where the program has set up a card that is not there: a foreground that polls its
    keys looks alive, although a branch of it waits for a handler that nobody calls.
    """
    wanted = wanted_places(case)
    if not wanted or not silent_ports(case) or not _interruptible(case):
        return ""
    given = {s.vector for s in sources(case.machine)}
    for handler, entry in _candidates(case).items():
        if entry[0] in given or case.budget.left() <= 0:
            continue
        known = case.profile(handler)
        if hope(known, wanted) < 2 or any(known.serial_data(case.machine)):
            continue
        woken = _tried(case, handler, entry, known, None, None)
        if woken is not None:
            where = case.names.at(woken.done.target)
            return (f"a process sleeps on ticks that never come: with {case.names.at(handler)} "
                    f"called every 10 ms in a copy of the machine, which no card does, it goes on "
                    f"to {where}.")
    return ""


def _interruptible(case: Case) -> bool:
    """Tell whether the CPU would take an interrupt some time soon."""
    with forked(case.machine):
        return interrupt(case.machine, MODE1)


def _tried(case: Case, handler: int, place: tuple[int | None, int], known: Profile,
           also: Change | None, channel: str | None) -> Woken | None:
    vector, page = place
    variables = tuple(sorted(known.writes & wanted_places(case)))
    done = case.prover.ticking(handler, also, 400 if also is None else 3)
    if done is None:
        return None
    receives, sends = known.serial_data(case.machine)
    serial = "receives" if receives else "sends" if sends else ""
    return Woken(handler, vector, page, variables, done, channel, serial)


def no_tick(case: Case) -> Finding | None:
    """Check whether a handler that no card has ever called would let the program go on."""
    woken = case.once(missing_handler)
    if woken is None or woken.key or woken.serial or \
            _idle_timer(case, woken) is not None:
        return None
    if woken.vector is not None and any(_could_give(case, s, woken.vector)
                                        for s in sources(case.machine)):
        return None  # a fitted card would call it
    names, variable = case.names, variable_words(case, woken)
    asleep = sleeper(case, woken)
    ports = timer_ports(case, woken.handler, woken.vector, woken.page)
    evidence = [
        f"The CPU idles: {case.loop()}; {asleep}.",
        f"It waits on {variable}, which the handler {names.at(woken.handler)} changes; "
        f"{_hangs_on(woken)}.",
        f"{_supplied(woken)} in {case.time(int(case.m.t))} of running.",
        f"In a copy of the machine, {woken.done.ticks} calls of that handler, 10 ms apart, let the "
        f"process go on.",
        *port_writes(case)]
    return Finding(
        NO_TICK, HUNG,
        f"a process sleeps until {names.at(woken.handler)} changes {variable}, and no card "
        f"ever calls that handler.", evidence, _timer_remedy(woken, ports),
        {**_vector_fact(woken), "handler": names.symbol(woken.handler), "variable": variable,
         "sleeper": asleep, **ports_fact(ports)}, TRIED)


def _could_give(case: Case, source: Source, vector: int) -> bool:
    """Tell whether a fitted card gives a vector, or would with its status in it: a serial chip has
    a block of sixteen."""
    block = ~0xF if case.machine.slots[source.slot].card.channels else ~0
    return bool(source.vector & block == vector & block)


def timer_stopped(case: Case) -> Finding | None:
    """Check for a fitted timer card that was never set up to call the handler."""
    woken = case.once(missing_handler)
    if woken is None or woken.key or woken.serial:
        return None
    number = _idle_timer(case, woken)
    if number is None:
        return None
    slot = case.machine.slots[number]
    who, variable = case.slot_words(number), variable_words(case, woken)
    written = int(case.m.slot_writes[number])
    state = [f"{slot.name}: {line}." for line in state_words(case.machine, number)]
    return Finding(
        TIMER_STOPPED, HUNG,
        f"the foreground waits until {case.names.at(woken.handler)} changes {variable}; {who} is "
        f"fitted but never asks.",
        [f"{who} was written {written} times; no interrupt of it was ever accepted.", *state,
         f"{_hangs_on(woken).capitalize()}.", *waited_for(case),
         f"In a copy of the machine, {woken.done.ticks} calls of that handler, 10 ms apart, let "
         f"the foreground go on.", *port_writes(case)],
        [f"Have the program set {slot.name} up at its ports, with the interrupt enabled"
         + (f" and vector {woken.vector:02X}h." if woken.vector is not None else "."),
         *([f"It writes to other ports: set base in slot.{slot.name} so that they agree."]
           if port_writes(case) else [])],
        {**_vector_fact(woken), "slot": slot.name,
         **ports_fact(timer_ports(case, woken.handler, woken.vector, woken.page))}, TRIED)


def _idle_timer(case: Case, woken: Woken) -> int | None:
    """Find a fitted timer that could call the handler and has not interrupted once.

    One that the program never wrote to is not meant while it sets up a card that is not there, nor
    is one that asks and is not answered.
    """
    for k, slot in enumerate(case.machine.slots):
        fits = slot.card.interrupt == CHAINED_INTERRUPT if woken.vector is not None else \
            slot.card.interrupt != NO_INTERRUPT
        if slot.card.timer and fits and not int(case.m.int_count[k] or case.m.ip[k]) and (
                int(case.m.slot_writes[k]) or not silent_ports(case)):
            return k
    return None


def serial_silent(case: Case) -> Finding | None:
    """Check for a serial handler that would work, if only it were called."""
    woken = case.once(missing_handler)
    if woken is None or not (woken.key or woken.serial):
        return None
    number = _serial_card(case, woken)
    slot, who = case.machine.slots[number], case.slot_words(number)
    sends = woken.serial == "sends"
    if not sends and _reports(case, number, woken):
        return None
    what = "sends on" if sends else "brings a character"
    trial = (f"In a copy of the machine a character was typed at {woken.key}: no interrupt came. "
             f"With the handler called by hand after it the foreground went on." if woken.key else
             f"In a copy of the machine, {woken.done.ticks} calls of that handler let the "
             f"foreground go on.")
    remedy = [f"Enable the {'transmitter' if sends else 'receiver'} and its interrupt in "
              f"{slot.name}."]
    if sends:
        remedy.append("Write the first byte by hand: the chip asks when it BECOMES empty.")
    if int(case.m.int_kind[number]) == NO_INTERRUPT:
        remedy = [f"Set interrupt = true in slot.{slot.name}: its pin does not reach the bus."]
    return Finding(
        NEVER_ASKS if sends else RECEIVER_OFF, HUNG,
        f"the foreground waits until {case.names.at(woken.handler)} {what}, and {who} never calls "
        f"it.",
        [f"It waits on {variable_words(case, woken)}, which the handler changes; "
         f"{_hangs_on(woken)}.",
         *[f"{slot.name}: {line}." for line in state_words(case.machine, number)],
         *waited_for(case),
         trial], remedy, {**_vector_fact(woken), "slot": slot.name}, TRIED)


def _reports(case: Case, number: int, woken: Woken) -> bool:
    """Tell whether a card asks with the handler's vector once a character has come."""
    m, name = case.m, case.machine.slots[number].name
    own = [s for s in sources(case.machine) if s.slot == number and s.vector == woken.vector]
    for channel in channels(case.machine):
        if channel.name.partition(".")[0] == name and int(m.int_kind[number]) != NO_INTERRUPT:
            with forked(case.machine):
                typed(case.session, channel.name)(case.machine)
                if any(int(m.ip[number]) >> s.bit & 1 for s in own) or (
                        not own and int(m.ip[number])):
                    return True
    return False


def _serial_card(case: Case, woken: Woken) -> int:
    """Give the slot of the serial card that a handler serves."""
    if woken.key:
        return next(k for k, s in enumerate(case.machine.slots)
                    if s.name == woken.key.partition(".")[0])
    ports = case.profile(woken.handler).ports
    slots = [int(case.m.port_slot[port]) for port, _ in sorted(ports)]
    return next(k for k in slots if k >= 0 and case.machine.slots[k].card.channels)


def _vector_fact(woken: Woken) -> dict[str, str]:
    return {} if woken.vector is None else {"vector": f"{woken.vector:02X}"}


def _hangs_on(woken: Woken) -> str:
    if woken.vector is None:
        return "it stands at 0038h, where mode 1 leads"
    return (f"the handler's vector is {woken.vector:02X}h (pointer at "
            f"{(woken.page << 8 | woken.vector):04X}h)")


def _supplied(woken: Woken) -> str:
    if woken.vector is None:
        return "No card has asked for an interrupt"
    return f"No card has supplied vector {woken.vector:02X}h"


def variable_words(case: Case, woken: Woken) -> str:
    """Name the variable that the handler changes: one with a symbol if there is one."""
    found = woken.variables or tuple(sorted(case.profile(woken.handler).writes))
    exact = [a for a in found if "+" not in (case.names.symbol(a) or "+")]
    for group in (exact, found):
        if group:
            return case.names.data(group[0])
    return "a register"


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
    path = way_to_sleep(case, case.progress.region)
    text = "a process sleeps"
    if path:
        text += " in " + " > ".join(names.at(a) for a in path)
    resumed = woken.done.resumed[0] if woken.done.resumed else woken.done.target
    return text + f"; woken, it goes on at {names.at(resumed)}"


def port_writes(case: Case) -> list[str]:
    """List the writes to ports where no card stands, by the code that made them."""
    return [written_words(case, silent)
            for silent in sorted(silent_ports(case), key=lambda s: s.port)]


def _timer_remedy(woken: Woken, ports: list[SilentPort]) -> list[str]:
    """Say which card to fit where, by the likeliest of the silent ports."""
    best = ports[0] if ports else None
    if woken.vector is None:
        return [f"Fit the timer that the program sets up at port {best.port:02X}h." if best else
                "Fit a card that interrupts in mode 1, and have the program set it up."]
    if best is None:
        return [f"Fit a timer that supplies vector {woken.vector:02X}h and have the program set "
                f"it up: no write to an empty port looks like a timer's set-up."]
    written = best.vector(woken.vector)
    fit = (f"Fit the timer that the program sets up at port {best.port:02X}h, so that it "
           f"supplies vector {woken.vector:02X}h." if written is None else
           f"Fit a counter/timer (Z80 CTC) at base {best.port:02X}h, in the interrupt chain: the "
           f"program writes its vector {written:02X}h to port {best.port:02X}h and nothing is "
           f"there.")
    return [fit, "Or build the program without a tick, with waits that poll."]


CHECKS = (Check(no_tick, NO_TICK, (STUCK,), trial=True),
          Check(timer_stopped, TIMER_STOPPED, (STUCK,), trial=True),
          Check(serial_silent, RECEIVER_OFF, (STUCK,), trial=True, others=(NEVER_ASKS,)))
