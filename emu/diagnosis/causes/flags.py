"""A loop that waits for a byte of memory which nobody is left to change.

No handler brings it (those are tried before, emu/diagnosis/causes/uncalled_handler.py): it is a
flag, a semaphore or a lock of the program's own.  Who wrote it last, and which code could change
it, come from the run and from the program's bytes.
"""
from __future__ import annotations

from emu.card.cause import STUCK, Cause
from emu.card.roles import RECEIVES
from emu.diagnosis.case import Case
from emu.diagnosis.causes.judging import has_spoken
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.reach import reach
from emu.diagnosis.evidence.run_again import LastWrite, last_write
from emu.diagnosis.evidence.sources import sources
from emu.diagnosis.evidence.vectors import visible
from emu.diagnosis.evidence.waits import Load, Wait
from emu.diagnosis.evidence.ways_out import ways_out
from emu.diagnosis.trials.forks import write_memory
from emu.diagnosis.trials.proof import Outcome
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.isa.disassembler import disassemble
from emu.isa.opcodes import DD, ED, ED_LD_NN_FROM_RR, FD, LD_NN_A, LD_NN_HL, LD_RR_NN
from emu.machine.machine import Machine
from emu.machine.places import place

LOCK_HELD = Cause(
    "lock-held", "A lock that is never released",
    "The machine stands still in the middle of its work, often after an error path was taken.",
    "A loop spins on a byte that its own next instructions set when they get it: a lock. It was "
    "taken and the code that clears it was not reached afterwards.",
    "Release the lock on every path out of the critical section.", ())
STUCK_FLAG = Cause(
    "stuck-flag", "Waiting for a variable that nobody changes",
    "The machine stands still though its cards work.",
    "A loop looks at a byte of memory that no interrupt handler and no code that still runs "
    "changes.",
    "Look for the code that should change it (listed in the evidence) and why it is not reached.",
    (), symptom=True)
LEVELS = 3  # returns behind the taking of a lock that are told
MODE1 = 0x38
NEAR = 24  # bytes behind an exit in which a lock is taken
MOST = 6  # bytes of memory that are tried


def stuck_flag(case: Case) -> Finding | None:
    """Check for a byte of memory that, changed in a fork, lets the loop go on."""
    if listens(case):
        return None
    tried: set[int] = set()
    looked = {(load.pc, load.address) for wait in case.waits for load in wait.memory()}
    walks = [pc for pc, _ in looked]
    for wait in case.waits:
        for load in wait.memory():
            if walks.count(load.pc) > 1:
                continue  # a walk over a table: a scheduler's, of which each byte tells nothing
            if load.address in tried or len(tried) >= MOST or case.budget.left() <= 0:
                continue
            if case.session.missed is None and by_what_is_received(case, load.address):
                return None
            tried.add(load.address)
            found = _releasing(case, load)
            if found is not None:
                value, done = found
                return _finding(case, wait, load, value, done)
    return None


def listens(case: Case) -> bool:
    """Tell whether it has spoken and may be interrupted by what is typed, and nothing was to be
    typed in this run: it may wait for a key that nobody knows."""
    return not case.session.asked and has_spoken(case) \
        and bool(int(case.m.iff1)) and any(
            request.reports == RECEIVES and request.enabled for slot in case.machine.slots
            if slot.card.channels for request in slot.card.requests(case.m, slot.state))


def by_what_is_received(case: Case, address: int) -> bool:
    """Tell whether a live receive handler can come to code that changes a byte: who types what
    that code waits for changes it."""
    machine, handlers = case.machine, set()
    given = {(s.slot, s.bit): s.handler for s in sources(machine)} if int(case.m.im) == 2 else {}
    for slot in machine.slots:
        for request in slot.card.requests(case.m, slot.state) if slot.card.channels else ():
            if request.reports == RECEIVES and request.enabled and int(case.m.iff1):
                handlers.add(given.get((slot.number, request.bit), MODE1))
    changing = set(mentions(machine, address))
    return bool(changing) and any(changing & reach(machine, handler) for handler in handlers)


def _releasing(case: Case, load: Load) -> tuple[int, Outcome] | None:
    """Find a value for a byte with which the loop goes on."""
    if place(case.machine, load.address, True) < 0:
        return None
    now = load.value
    values = [0, 1, 0xFF, (now + 1) & 0xFF, (now - 1) & 0xFF, *(now ^ 1 << k for k in range(8))]
    for value in dict.fromkeys(v for v in values if v != now):

        def change(machine: Machine, value: int = value) -> bool:
            write_memory(machine, load.address, value)
            return True

        done = case.prover.goes_on(change, 0.2)
        if done is not None:
            return value, done
    return None


def _finding(case: Case, wait: Wait, load: Load, value: int, done: Outcome) -> Finding:
    names = case.names
    variable = names.data(load.address)
    written = last_write(case.session, load.address)
    lock = written is not None and wait.target is not None \
        and 0 <= written.pc - wait.target <= NEAR \
        and len({one.address for one in wait.memory() if one.direct}) <= 1  # else it compares two
    others = [a for a in mentions(case.machine, load.address)
              if a not in case.progress.region and (written is None or a != written.pc)]
    evidence = [
        f"The branch at {names.at(wait.pc)} looks at {variable}, which holds {load.value:02X}h.",
        _written_words(case, written),
        f"In a copy of the machine, {value:02X}h at that place let the foreground go on to "
        f"{names.at(done.target)}."]
    if others:
        evidence.append("Code that names it and is not in the loop: "
                        + ", ".join(names.at(a) for a in others[:4])
                        + (f" and {len(others) - 4} more." if len(others) > 4 else "."))
    if lock and written is not None:
        left = [names.at(pc) for pc in ways_out(case.session.replay(written.t), LEVELS)]
        if left:
            evidence.append(f"From there the program returned at {', then at '.join(left)}, and "
                            f"kept it.")
        return Finding(
            LOCK_HELD, HUNG,
            f"{names.at(wait.pc)} spins on the lock {variable}, which {names.at(written.pc)} took "
            f"at {case.time(written.t)} and nobody released.", evidence,
            [f"Release {variable} on every path that leaves what follows {names.at(written.pc)}"
             + (f", the one through {left[-1]} among them." if left else ".")],
            {"variable": f"{load.address:04X}", "pc": f"{wait.pc:04X}"}, TRIED, written.t)
    return Finding(
        STUCK_FLAG, HUNG,
        f"{names.at(wait.pc)} waits for {variable} to change from {load.value:02X}h, and nothing "
        f"that still runs changes it.", evidence,
        [f"See why the code that changes {variable} is not reached (the evidence lists it)."
         if others else f"Nothing in the program names {variable} but the loop: see who should "
                        f"change it."],
        {"variable": f"{load.address:04X}", "pc": f"{wait.pc:04X}"}, TRIED)


def _written_words(case: Case, written: LastWrite | None) -> str:
    if written is None:
        return "Nothing has written it in the whole run: it holds what it had at power-on."
    times = "once" if written.times == 1 else f"{written.times} times"
    return (f"It was written {times}, the last time at {case.time(written.t)} by "
            f"{case.names.at(written.pc)} with {written.value:02X}h.")


def mentions(machine: Machine, address: int) -> list[int]:
    """List instructions that name an address: LD A,(nn) does not count, LD HL,nn does.

    The bytes are looked through for the address; those where an instruction that has it as
    operand and may change it begins one or two bytes before.
    """
    memory = visible(machine)
    low, high = address & 0xFF, address >> 8
    out = []
    hits = ((memory[:-1] == low) & (memory[1:] == high)).nonzero()[0]
    for at in hits.tolist():
        for start in (at - 2, at - 1):
            if start < 0:
                continue
            step = disassemble(lambda a: int(memory[a & 0xFFFF]), start)
            if start + step.length == at + 2 and step.data[0] in CHANGING and (
                    start == at - 1 or step.data[1] in (*ED_LD_NN_FROM_RR, LD_RR_NN[2], LD_NN_HL)):
                out.append(start)
                break
    return out


# What stores to or points at an address; the second byte behind ED, DD and FD is looked at too.
CHANGING = (LD_NN_A, LD_NN_HL, *LD_RR_NN, ED, DD, FD)

CHECKS = (Check(stuck_flag, STUCK_FLAG, (STUCK,), trial=True, others=(LOCK_HELD,)),)
