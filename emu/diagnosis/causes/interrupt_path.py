"""The path of an interrupt, link by link: which one is broken, proved by mending it in a fork.

The links, in order: the source asks; the card's pin reaches the bus; IEI is high; nothing
higher or the source itself is still under service for want of RETI; the CPU allows
interrupts; its mode and its I register lead to the handler.  The loop must be seen to go on
once the link is mended; what is named is the first link that has to be.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from emu.bus.chain import OPEN
from emu.bus.state import CHAINED_INTERRUPT, NO_INTERRUPT
from emu.card.cause import HALTED_OFF, STUCK, WAITS, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.kept_bytes import BLOCKED_TRANSMITTER, keeps
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.own_end import off_on_purpose, stops_with_message
from emu.diagnosis.evidence.response import response_words
from emu.diagnosis.evidence.sources import (
    Source,
    can_ask,
    force,
    pending_words,
    request_of,
    said_of,
    sources,
)
from emu.diagnosis.evidence.vectors import tables
from emu.diagnosis.trials.forks import halts_for_good, read_memory, shown
from emu.diagnosis.trials.proof import Change, Outcome, Profile, Prover, both, typed
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.machine.machine import Machine
from emu.run.console import channels

TIMER_STOPPED = Cause(
    "timer-stopped", "A timer card that never asks for an interrupt",
    "The banner comes, then whatever sleeps or waits sleeps for ever, though a timer is fitted.",
    "The handler that the program waits for hangs on a channel of a fitted card, and that channel "
    "has not asked: it was never set up, its interrupt is not enabled, or it counts an input where "
    "nothing comes.",
    "Set the channel up as the program expects: control word with the interrupt bit, time "
    "constant, vector; or wire its CLK/TRG.", ("T1", "T2"))
NEVER_ASKS = Cause(
    "sender-never-asks", "A transmitter whose interrupt never comes",
    "The first characters of a text are missing, or all of it, and the machine stands still.",
    "The program waits for its transmit handler to empty a buffer. The chip asks when its buffer "
    "BECOMES empty, so after reset it never asks until a first byte has been written.",
    "Write the first byte to the chip by hand and leave the rest to the handler.", ("S5",))
RECEIVER_OFF = Cause(
    "receiver-off", "A receiver that never reports a character",
    "The prompt comes, but typing does nothing.",
    "The program waits for what its receive handler, or a status bit, would bring; a character "
    "typed in a copy of the machine arrives at the chip, and nothing comes of it: the receiver or "
    "its interrupt is not enabled.",
    "Enable the receiver (SIO: WR3 bit 0) and its interrupt (SIO: WR1 bits 4-3; 6850: control "
    "bit 7).", ("S3", "S4"))
INT_NOT_WIRED = Cause(
    "int-not-wired", "A card whose interrupt pin does not reach the bus",
    "Whatever waits for that card waits for ever; all other cards work.",
    "The card has a request pending, and its INT pin is not joined to /INT.",
    "Set the card's interrupt jumper.", ("N2",))
CHAIN_OPEN = Cause(
    "chain-open", "IEI is low because nobody drives it",
    "No interrupts from the cards below an empty slot, or below a card wired wrongly.",
    "A card has a request pending while its IEI is low: no card above it is the reason, but a slot "
    "whose IEI-IEO jumper is open, or a card whose IEI and IEO are exchanged.",
    "Jumper IEI to IEO in the empty slot, or move the card up; each IEI comes from one IEO.",
    ("I3",))
MISSING_RETI = Cause(
    "missing-reti", "A service that no RETI has ended",
    "The first interrupt works, then that card and all below it stay silent.",
    "A source is still under service though its handler has returned, so IEO stays low and the "
    "source may not ask again: no ED 4D was fetched.",
    "End the handler with RETI.", ("I5",))
INTERRUPTS_OFF = Cause(
    "interrupts-off", "A request that the CPU never takes",
    "The machine stands still, though its cards work.",
    "A card holds /INT low, and IFF1 is 0 all the time: no EI has come since reset, the last DI or "
    "the last interrupt.",
    "Put EI where the program begins to wait; end each handler with EI before its RETI.", ("P2",))
WRONG_MODE = Cause(
    "wrong-mode", "An interrupt mode that does not fit the cards",
    "A banner, then nothing; changing a build option cures it.",
    "Interrupts are taken, but in mode 1 they all lead to 0038h, and in mode 0 the vector is run "
    "as an instruction (an empty bus reads FFh, which is RST 38h), while the handler that the "
    "program waits for hangs on a vector.",
    "Put IM 2 before EI, or serve the card from 0038h.", ("I12",))
BAD_VECTOR = Cause(
    "bad-vector", "A vector that leads past its handler",
    "The machine jumps to nonsense or stands still at the first interrupt.",
    "In mode 2 the pointer is read from I*256 + vector. I was never set, or the vector written to "
    "the card is not the one of the table's entry.",
    "Load I with the table's page before EI, and write the entry's offset to the card.",
    ("I8", "I9"))

SERVICE = 0.0005  # seconds after which a service is ended in a trial: cards below get their turn
SERVICES = 8000
SHORT = 0.05  # seconds in which a mended transmitter has sent


@dataclass(frozen=True)
class Link:
    """A link that is broken now, and how a fork mends it."""

    cause: Cause
    slot: int
    mend: Change
    repeat: bool  # True: has to be mended again and again
    what: str  # the summary
    evidence: tuple[str, ...]
    remedy: tuple[str, ...]


def broken_link(case: Case) -> Finding | None:
    """Find the first broken link on the path of an interrupt that would let the loop go on."""
    if looks_at_ports_alone(case) or stops_with_message(case) \
            or halts_for_good(case.machine) and off_on_purpose(case):
        return None
    prover = case.prover
    pending = [k for k in range(int(case.m.slots))
               if int(case.m.ip[k]) and can_ask(case.machine, k)]
    for slot in pending:
        finding = _mended(case, prover, list(_broken(case, slot)), ())
        if finding is not None:
            return finding
    finding = _mended_for_a_key(case, prover)
    if finding is not None:
        return finding
    if int(case.m.im) != 2:
        return _led_astray(case, prover) or _never_asked(case, prover, pending)
    return _never_asked(case, prover, pending) or _led_astray(case, prover)


def _mended_for_a_key(case: Case, prover: Prover) -> Finding | None:
    """Mend the links of the cards that ask once a key has been typed.

    A foreground that waits for a key is not woken by the mending alone.
    """
    for channel in channels(case.machine):
        key = typed(case.session, channel.name)
        with forked(case.machine) as machine:
            key(machine)
            asking = [k for k in range(int(machine.m.slots))
                      if int(machine.m.ip[k]) and can_ask(machine, k)]
            broken = [links for slot in asking if (links := list(_broken(case, slot)))]
        if not broken or prover.goes_on(key) is not None:
            continue
        for links in broken:
            finding = _mended(case, prover, links, (key,))
            if finding is not None:
                finding.evidence.insert(-1, f"A key was typed at {channel.name} in that copy; "
                                            f"without the mending it wakes nobody.")
                return finding
    return None


def blocked_output(case: Case) -> Finding | None:
    """Check whether a machine that waits for a key still owes the terminal a text.

    A card's request stands and a link of its path is broken; with the link mended the
    terminal shows more, which it does not when left alone.
    """
    if case.control.shown:
        return None
    for slot in range(int(case.m.slots)):
        if not int(case.m.ip[slot]) or not case.machine.slots[slot].card.channels:
            continue
        for link in _broken(case, slot):
            with forked(case.machine) as machine:
                before = shown(machine)
                for _ in range(round(SHORT / SERVICE)):
                    link.mend(machine)
                    machine.run(int(machine.m.t) + machine.at(SERVICE))
                more = shown(machine) - before
            if more:
                return Finding(
                    link.cause, HUNG, link.what,
                    [*link.evidence, f"With that mended in a copy of the machine the terminal "
                                     f"showed {more} more characters."],
                    list(link.remedy), {"slot": case.machine.slots[link.slot].name}, TRIED)
    return None


def _mended(case: Case, prover: Prover, links: list[Link],
            asked: tuple[Change, ...]) -> Finding | None:
    """Mend the links one by one, then together, until the fork goes on."""
    for count in range(1, len(links) + 1):
        for chosen in combinations(links, count):
            mend = both(*(link.mend for link in chosen))
            if any(link.repeat for link in chosen):
                done = prover.repeated(mend, both(*asked), SERVICES, SERVICE)
            else:
                done = prover.goes_on(both(*asked, mend), 3)
            if done is not None:
                return _finding(case, chosen, done)
    return None


def _finding(case: Case, chosen: tuple[Link, ...], done: Outcome) -> Finding:
    first = chosen[0]
    evidence = [line for link in chosen for line in link.evidence]
    evidence += [*waited_for(case), proof_line(case, done)]
    return Finding(first.cause, HUNG, first.what, evidence,
                   [line for link in chosen for line in link.remedy],
                   {"slot": case.machine.slots[first.slot].name}, TRIED)


def proof_line(case: Case, done: Outcome) -> str:
    """Say what a trial showed."""
    where = case.names.at(done.resumed[-1] if done.resumed else done.target)
    return (f"With that mended in a copy of the machine, the foreground went on to {where} after "
            f"{case.time(done.t)}.")


def waited_for(case: Case) -> list[str]:
    """Say at which branches the foreground waits, and for what."""
    out = []
    for wait in case.waits[:3]:
        memory = [load for load in wait.memory() if load.direct] or wait.memory()
        looks = [f"{case.names.data(load.address)} = {load.value:02X}h" for load in memory[:4]]
        looks += [f"port {load.address:02X}h = {load.value:02X}h" for load in wait.ports()[:2]]
        if looks:
            out.append(f"The branch at {case.names.at(wait.pc)} looks at {', '.join(looks)} and "
                       f"never goes on.")
    if not out:
        out.append(f"The foreground stays in {case.loop()}.")
    return out


def _broken(case: Case, slot: int) -> Iterator[Link]:
    """List the links that stop a card which asks, from the card to the CPU."""
    m, machine = case.m, case.machine
    who, name = case.slot_words(slot), machine.slots[slot].name
    words = tuple(f"{name}: {line}." for line in pending_words(case.machine, slot))
    if int(m.int_kind[slot]) == NO_INTERRUPT:
        yield Link(INT_NOT_WIRED, slot, _wire(slot), False,
                   f"{who} asks for an interrupt, but its INT pin is not wired to the bus.",
                   (f"{who} has a request pending; its jumper interrupt is false.", *words),
                   (f"Set interrupt = true in slot.{name}.",))
    upstream = _upstream(case, slot)
    if int(m.chained[slot]) and _undriven(upstream):
        yield _open(case, slot, upstream, words)
    yield from _unfinished(case, slot, upstream, words)
    if not int(m.iff1):
        yield _off(case, slot, words)


def _undriven(upstream: list[int]) -> bool:
    """Tell whether the nearest break of the chain above a card lets IEI read low."""
    return next((k == OPEN for k in reversed(upstream) if k < 0), False)


def _open(case: Case, slot: int, upstream: list[int], words: tuple[str, ...]) -> Link:
    """Give the link of a chain that nobody drives: an empty slot, or a card wired wrongly."""
    who, name = case.slot_words(slot), case.machine.slots[slot].name
    chain = list(case.machine.description.chain or ())
    evidence = (f"{who} has a request pending and IEI low; the chain above it is "
                f"{_chain_words(case, upstream)}.", *words)
    if "open" in chain[:chain.index(name)]:
        return Link(CHAIN_OPEN, slot, _close_chain, False,
                    f"{who} asks for an interrupt, but its IEI is low: an empty slot above it has "
                    f"no IEI-IEO jumper.", evidence,
                    ('Set the IEI-IEO jumper of the empty slot (take "open" out of '
                     'backplane.chain).',))
    above = [case.machine.slots[k].name for k in upstream if k >= 0][-1:]
    before = f"the IEO of {above[0]}" if above else "the chain's beginning, which is high"
    return Link(CHAIN_OPEN, slot, _close_chain, False,
                f"{who} asks for an interrupt, but its IEI is low and nobody drives it, though no "
                f"slot above it is empty.", evidence,
                (f"Follow the IEI of {name} to {before}: IEI and IEO exchanged at "
                 f"{' or '.join([*above, name])}, a broken wire, a bent pin.",))


def _unfinished(case: Case, slot: int, upstream: list[int],
                words: tuple[str, ...]) -> Iterator[Link]:
    """Give the link that a service without RETI breaks."""
    m = case.m
    holders = [k for k in (slot, *upstream) if k >= 0 and int(m.ius[k])]
    if not holders:
        return
    k = holders[-1]
    if case.machine.slots[k].card.service_end:
        return  # RETI is nothing to it; the card's own causes tell
    who = case.slot_words(k)
    place = _last_handler(case, k)
    yield Link(MISSING_RETI, k, _end_service, True,
               f"{who} is still under service: its handler has returned without RETI.",
               (f"{who}: {int(m.int_count[k])} interrupts accepted, {int(m.reti_count[k])} ended "
                f"by RETI; the service of the last is still open, so IEO is low.", *words, *place),
               ("End the handler with RETI (ED 4D) in place of RET.",))


def _last_handler(case: Case, slot: int) -> tuple[str, ...]:
    """Name the handler that served a card last."""
    if int(case.m.im) != 2:
        return (f"At its last acknowledge {_last_response(case, slot)}.",)
    found = {s.handler for s in sources(case.machine)
             if s.slot == slot and int(case.m.vector_count[s.vector])}
    return tuple(f"Its handler is {case.names.at(address)}." for address in sorted(found))


def _last_response(case: Case, slot: int) -> str:
    """Say what the CPU did when it answered a card last, in mode 0 or 1."""
    return response_words(case, case.replayed(int(case.m.int_last[slot]) - 1))


def at_0038(mode: int) -> list[str]:
    """Give the other way out of a wrong mode: mode 1 leads to 0038h."""
    return ["Or let the code at 0038h serve that card."] if mode == 1 else []


def _off(case: Case, slot: int, words: tuple[str, ...]) -> Link:
    m = case.m
    who = case.slot_words(slot)
    taken = int(m.ack_count)
    since = ("none was ever accepted" if taken == 0 else
             f"{taken} were accepted, the last at {case.time(int(m.ack_last))}")
    return Link(INTERRUPTS_OFF, slot, _enable, False,
                f"{who} asks for an interrupt, but the CPU has interrupts off (IFF1 = 0) and "
                f"waits in {case.loop()}.",
                (f"{who} holds /INT low since {case.time(int(m.int_since))}; IFF1 = 0; {since}.",
                 *words),
                (f"Put EI before the wait in {case.loop()}.",))


def _upstream(case: Case, slot: int) -> list[int]:
    """List the chain's slots above one, -1 for an open link."""
    chain = [int(case.m.chain[k]) for k in range(int(case.m.chain_len))]
    return chain[:chain.index(slot)] if slot in chain else []


def _chain_words(case: Case, upstream: list[int]) -> str:
    return ", ".join("open" if k < 0 else case.machine.slots[k].name for k in upstream)


def _wire(slot: int) -> Change:
    def change(machine: Machine) -> bool:
        machine.m.int_kind[slot] = machine.slots[slot].card.interrupt
        return _look_again(machine)

    return change


def _close_chain(machine: Machine) -> bool:
    m = machine.m
    links = [int(m.chain[k]) for k in range(int(m.chain_len)) if int(m.chain[k]) >= 0]
    m.chain[:len(links)] = links
    m.chain_len = len(links)
    return _look_again(machine)


def _end_service(machine: Machine) -> bool:
    machine.m.ius[:] = 0
    return _look_again(machine)


def _enable(machine: Machine) -> bool:
    machine.m.iff1 = machine.m.iff2 = 1
    return _look_again(machine)


def _look_again(machine: Machine) -> bool:
    machine.m.irq_dirty = 1
    machine.m.next_event = 0
    return True


def _never_asked(case: Case, prover: Prover, pending: list[int]) -> Finding | None:
    """Let each source that does not ask do so; name the one that lets the loop go on."""
    wanted = wanted_places(case)
    silent = [s for s in sources(case.machine) if not int(case.m.ip[s.slot]) >> s.bit & 1
              and not (int(case.m.vector_count[s.vector])
                       and not case.machine.slots[s.slot].card.timer)]  # that one does ask
    for source in hopeful(case, silent, wanted):
        ask = force(source)
        done = prover.repeated(ask)
        links: tuple[Link, ...] = ()
        if done is None and not pending:
            links = tuple(_broken(case, source.slot))
            done = prover.repeated(both(ask, *(link.mend for link in links))) if links else None
        if done is not None:
            return _silent_source(case, source, done, links)
        if case.budget.left() <= 0:
            break
    return None


def _silent_source(case: Case, source: Source, done: Outcome,
                   links: tuple[Link, ...]) -> Finding:
    slot = case.machine.slots[source.slot]
    receives, sends = case.profile(source.handler).serial_data(case.machine) \
        if slot.card.channels else (False, False)
    who = case.slot_words(source.slot)
    said = said_of(case.machine, source)
    handler = case.names.at(source.handler)
    asked = int(case.m.vector_count[source.vector])
    evidence = [f"Vector {source.vector:02X}h of {who} leads to {handler}; it was supplied {asked} "
                f"times.", f"{slot.name}: {said}.", *waited_for(case),
                f"In a copy of the machine {done.ticks} requests of that source, 10 ms apart, let "
                f"the foreground go on to {case.names.at(done.target)}."]
    evidence += [line for link in links for line in link.evidence]
    remedy = [f"Set {slot.name} up so that it asks: now it is \"{said}\"."]
    cause = RECEIVER_OFF if receives else NEVER_ASKS if sends else TIMER_STOPPED
    request = request_of(case.machine, source)
    kept = keeps(case, slot, request.part) if sends and request is not None else None
    if kept is not None:
        return Finding(
            BLOCKED_TRANSMITTER, HUNG,
            f"the foreground waits for {handler}, which hangs on {who}, and {kept.words}.",
            evidence, [kept.remedy], {"slot": slot.name}, TRIED)
    if receives:
        remedy = [f"Enable the receiver and its interrupt in {slot.name}."]
    elif sends:
        remedy = [f"Write the first byte to {slot.name} by hand, with its transmit interrupt "
                  f"enabled; the chip asks only when its transmitter becomes empty."]
    return Finding(cause, HUNG,
                   f"the foreground waits for {handler}, which hangs on {who}, and that source "
                   f"never asks: {said}.", evidence,
                   remedy + [line for link in links for line in link.remedy],
                   {"slot": slot.name, "vector": f"{source.vector:02X}", "handler":
                    f"{source.handler:04X}"}, TRIED)


def looks_at_ports_alone(case: Case) -> bool:
    """Tell whether all that decides the loop is read from ports."""
    return bool(case.waits) and all(w.ports() and not w.memory() for w in case.waits)


def wanted_places(case: Case) -> set[int]:
    """Give the memory bytes that the foreground's exits look at."""
    return {load.address for wait in case.waits for load in wait.memory()}


def hope(known: Profile, wanted: set[int]) -> int:
    """Say how likely a handler is to wake the foreground: 0 not, 2 writes what it looks at.

    1: it writes something; a count may have to run out before it writes what is looked at.
    """
    if not known.returned:
        return 0
    if not wanted or not known.writes.isdisjoint(wanted):
        return 2
    return 1 if known.writes else 0


def hopeful(case: Case, found: list[Source], wanted: set[int]) -> list[Source]:
    """List the sources whose handlers may wake the foreground, the likeliest first.

    Of equals a timer comes first: a terminal's source asks in vain while nothing is typed.
    """
    coded = [s for s in found if read_memory(case.machine, s.handler) not in (0x00, 0xFF)]
    ranked = [(hope(case.profile(s.handler), wanted), s) for s in coded]
    return [s for rank, s in sorted(ranked, key=lambda pair: (
        -pair[0], not case.machine.slots[pair[1].slot].card.timer)) if rank]


def _led_astray(case: Case, prover: Prover) -> Finding | None:
    """Try the mode, then the table, where interrupts are taken but lead elsewhere."""
    m, machine = case.m, case.machine
    taking = [k for k in range(int(m.slots))
              if int(m.int_kind[k]) == CHAINED_INTERRUPT and int(m.int_count[k])]
    if not taking:
        return None
    if int(m.im) == 2 and any(int(m.reti_count[k]) for k in taking):
        return None  # its table works
    who = case.slot_words(taking[0])
    pages = [int(m.i), *(page for page, _ in tables(machine)[:6])]
    for mode, page in [(2, page) for page in dict.fromkeys(pages)]:
        if mode == int(m.im) and page == int(m.i):
            continue

        def change(fork: Machine, mode: int = mode, page: int = page) -> bool:
            fork.m.im, fork.m.i = mode, page
            return True

        done = prover.goes_on(change, 3)
        if done is None:
            continue
        counted = f"{who} was answered {int(m.int_count[taking[0]])} times in mode {int(m.im)}"
        if int(m.im) != 2:
            return Finding(
                WRONG_MODE, HUNG,
                f"the CPU is in mode {int(m.im)}, but {who} interrupts with vectors, and the "
                f"handler that is waited for hangs on one.",
                [f"{counted}; at the last {_last_response(case, taking[0])}.",
                 *waited_for(case), proof_line(case, done)],
                ["Put IM 2 before the EI" + (f", and load I with {page:02X}h." if page != int(m.i)
                                            else "."),
                 *at_0038(int(m.im))],
                {"mode": int(m.im), "i": f"{page:02X}"}, TRIED)
        return Finding(
            BAD_VECTOR, HUNG,
            f"the I register is {int(m.i):02X}h, but the vector table stands at {page:02X}00h.",
            [f"{counted}, through pointers on page {int(m.i):02X}h.", *waited_for(case),
             proof_line(case, done)],
            [f"Load I with {page:02X}h before EI."],
            {"i": f"{int(m.i):02X}", "table": f"{page:02X}"}, TRIED)
    return None


CHECKS = (Check(broken_link, INTERRUPTS_OFF, (STUCK, HALTED_OFF), trial=True, others=(
    INT_NOT_WIRED, CHAIN_OPEN, MISSING_RETI, TIMER_STOPPED, NEVER_ASKS, RECEIVER_OFF, WRONG_MODE,
    BAD_VECTOR, BLOCKED_TRANSMITTER)),
          Check(blocked_output, MISSING_RETI, (WAITS,), trial=True,
                others=(INT_NOT_WIRED, CHAIN_OPEN, INTERRUPTS_OFF)))
