"""Causes in the acknowledge and its end: blocked vectors, two answers, RETI that nobody sees."""
from __future__ import annotations

from emu.bus.state import CHAINED_INTERRUPT, FETCH
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import Window, windows
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding
from emu.isa.opcodes import ED, RETI

BLOCKED_VECTOR = Cause(
    "blocked-vector", "A vector that does not reach the CPU",
    "Every card with a vector ends up at the handler of FFh, or nowhere.",
    "In the acknowledge a card drives its vector on its own side, and the CPU reads what the "
    "bus floats at; RD is high in that cycle, so a buffer that follows RD points outwards.",
    "Turn the data buffer inward for M1 with IORQ as well as for RD.", ("I2",))
TWO_ANSWERS = Cause(
    "two-answers", "Two cards answer one acknowledge",
    "A wrong handler runs now and then.",
    "Two cards drive the bus in one acknowledge; what the CPU reads is the AND of their "
    "vectors.",
    "Give every IEI exactly one IEO; no IEI may be left open.", ("I4", "I7"))
UNSEEN_RETI = Cause(
    "unseen-reti", "RETI that the cards do not see",
    "The first interrupt works, then that card and all below it stay silent.",
    "The CPU fetches ED 4D, and the card keeps its service latch: it does not see the fetch.",
    "Run the M1 cycles of RETI on the common bus and clock.", ("I6",))

FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def _ending(case: Case) -> str:
    return RUNAWAY if case.condition in (WILD, BUSY) else HUNG


def blocked_vector(case: Case) -> Finding | None:
    """Check for a vector that a card drove and the CPU did not read."""
    m = case.m
    if int(m.ack_blocked) == 0:
        return None
    t = int(m.ack_blocked_t)
    machine = case.replayed(max(t - 1, 0))
    asking = [k for k in range(int(m.slots)) if int(machine.m.ip[k])]
    who = case.slot_words(asking[0]) if asking else "the card"
    seen = next((v for v in range(256) if int(m.vector_count[v])), 0xFF)
    return Finding(
        BLOCKED_VECTOR, _ending(case),
        f"{who} gives vector {int(m.ack_driven):02X}h, and the CPU reads {seen:02X}h.",
        [f"At {case.time(t)} {who} drove {int(m.ack_driven):02X}h in the acknowledge; at the "
         f"CPU the bus read {seen:02X}h, as an undriven bus does.",
         f"{int(m.ack_blocked)} acknowledges went that way."],
        ["Let the data buffer between the cards and the CPU point inward for M1 with IORQ, not "
         "only for RD."], {"vector": f"{int(m.ack_driven):02X}", "read": f"{seen:02X}"}, SHOWN, t)


def two_answers(case: Case) -> Finding | None:
    """Check for acknowledges that two cards answered."""
    m = case.m
    if int(m.ack_conflicts) == 0:
        return None
    t = int(m.ack_conflict_t)
    machine = case.replayed(max(t - 1, 0))
    both = [k for k in range(int(m.slots)) if int(machine.m.ip[k]) and int(machine.m.iei[k])
            and int(m.int_kind[k]) == CHAINED_INTERRUPT]
    who = " and ".join(case.slot_words(k) for k in both) or "two cards"
    return Finding(
        TWO_ANSWERS, _ending(case), f"{who} answer the same acknowledge.",
        [f"At {case.time(t)} {who} had IEI high and a request each, and both drove the bus; the "
         f"CPU read the AND of their vectors.",
         f"{int(m.ack_conflicts)} acknowledges went that way."],
        ["Wire the chain so that each card's IEI comes from the IEO of exactly one other card, "
         "and only the first has IEI tied high.",
         f"Look at IEI and IEO of {who}: exchanged, or not connected."],
        {"slots": [case.machine.slots[k].name for k in both]}, SHOWN, t)


def unseen_reti(case: Case) -> Finding | None:
    """Check for ED 4D fetched while a card goes on waiting for it."""
    m = case.m
    serving = [k for k in range(int(m.slots)) if int(m.ius[k]) and int(m.int_last[k])
               and not int(m.reti_count[k]) and int(m.int_kind[k]) == CHAINED_INTERRUPT]
    if not serving:
        return None
    k = min(serving, key=lambda slot: int(m.int_last[slot]))
    t = int(m.int_last[k])
    machine = case.session.replay(t + 1)
    end = min(int(m.t), t + machine.at(0.05))
    if end <= int(machine.m.t) or not int(machine.m.ius[k]):
        return None
    seen = int(machine.m.reti_count.sum())
    fetched = [row for window in windows(machine, end - int(machine.m.t)) for row in _retis(window)]
    unseen = len(fetched) - (int(machine.m.reti_count.sum()) - seen)
    if unseen <= 0 or not int(machine.m.ius[k]):
        return None
    first_t, at = fetched[0]
    who = case.slot_words(k)
    return Finding(
        UNSEEN_RETI, HUNG, f"{who} does not see RETI: it stays under service for ever.",
        [f"{who} was acknowledged at {case.time(t)}; RETI was fetched at {case.names.at(at)} at "
         f"{case.time(first_t)}, and the card's service latch is still set.",
         f"{unseen} RETI that no card saw were fetched while it stood; IEO of the card is low, so "
         f"it and all cards below it are shut out."],
        ["Let the cards see every opcode fetch with M1: no private bus, cache or faster clock "
         "between them and the CPU while it runs RETI."],
        {"slot": case.machine.slots[k].name, "reti": f"{at:04X}"}, SHOWN, t)


def _retis(window: Window) -> list[tuple[int, int]]:
    """List the RETI fetched: T-state and address."""
    fetches = window.where(FETCH)
    return [(int(window.t[a]), int(window.address[a]))
            for a, b in zip(fetches[:-1], fetches[1:], strict=True)
            if window.data[a] == ED and window.data[b] == RETI and b == a + 1]


CHECKS = (
    Check(blocked_vector, BLOCKED_VECTOR, when=FAILED),
    Check(two_answers, TWO_ANSWERS, when=(*FAILED, WAITS)),  # no sound machine has them
    Check(unseen_reti, UNSEEN_RETI, when=FAILED),
)
