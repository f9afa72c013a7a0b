"""Causes on the CPU's control inputs: RESET, WAIT, BUSREQ, /INT and /NMI."""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.backplane.description import CPU_CARD
from emu.bus.chain import asks
from emu.bus.faulty_bus import HELD_BUSREQ, HELD_RESET, HELD_WAIT
from emu.bus.state import (
    CHAINED_INTERRUPT,
    FETCH,
    IN,
    KIND_NAMES,
    NMI_FETCH,
    NO_INTERRUPT,
    OUT,
    READ,
)
from emu.bus.waiting import HELD as HELD_BY_WIRE
from emu.bus.waiting import IDLE_HELD
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import look
from emu.diagnosis.trials.moments import first
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, WAITING, Finding
from emu.isa.opcodes import ED, RET, RETI

_PULL_UP = "Fit a pull-up of 1k to 10k on the line, and look for what pulls it low."

RESET_HELD = Cause(
    "reset-held", "The CPU is held in reset", "Nothing at all.",
    "RESET is low and there is not one opcode fetch.",
    "Look at the reset circuit: its capacitor, its button, the supervisor chip.", ("W4",))
WAIT_HELD = Cause(
    "wait-held", "WAIT stays low", "It stops in the middle of a bus cycle, for ever.",
    "A bus cycle never ends: Tw after Tw with WAIT low.", _PULL_UP, ("N1",))
BUSREQ_HELD = Cause(
    "busreq-held", "BUSREQ stays low", "It stops between two bus cycles, for ever.",
    "BUSACK is low: the CPU has given the bus to somebody who does not use it.", _PULL_UP,
    ("N1",))
INT_LOW = Cause(
    "int-low", "/INT is low though no card pulls it",
    "It is dead, or very slow, as soon as interrupts are on.",
    "/INT is low while every card's request is off; acknowledges that nobody answers.",
    _PULL_UP, ("N1",))
INT_OPEN = Cause(
    "int-open", "A card's request does not reach the CPU",
    "Output works, input or the tick does not.",
    "A card with IEI high wants an interrupt and pulls its /INT output, and the CPU's /INT pin "
    "stays high.",
    "Follow /INT from the card to the CPU; check the pull-up (4k7 to 10k); swap the chip.",
    ("N2",))
STRAY_NMI = Cause(
    "stray-nmi", "NMI without a cause",
    "Random restarts, or it runs for minutes and then goes wild; touching the board changes it.",
    "The CPU fetches from 0066h after a two-byte push, and no card drives /NMI.",
    _PULL_UP + " Put RETN at 0066h.", ("N1", "P6"))
NMI_RETURN = Cause(
    "nmi-return", "An NMI handler that does not end with RETN",
    "Interrupts stop for good, some time after the start.",
    "After an NMI the handler returns by RET or RETI: IFF1 stays 0 although IFF2 is 1.",
    "End the handler at 0066h with RETN (ED 45).", ("P6",))

HELD = {HELD_RESET: (RESET_HELD, "RESET"), HELD_WAIT: (WAIT_HELD, "WAIT"),
        HELD_BUSREQ: (BUSREQ_HELD, "BUSREQ")}
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)


def held(case: Case) -> bool:
    """Tell whether RESET, WAIT or BUSREQ holds the CPU still, or a card that has the bus."""
    if (int(case.m.bus_owner) or by_wire(case)) and not len(case.last.t):
        return True
    return bool(int(case.m.held)) and int(case.m.t) >= int(case.m.held_from)


def by_wire(case: Case) -> bool:
    """Tell whether a wire at WAIT holds a bus cycle."""
    return int(case.m.wait_state) in (HELD_BY_WIRE, IDLE_HELD)


def wire_held(case: Case) -> Finding | None:
    """Check for a bus cycle that a card's line at WAIT never lets end."""
    m, machine = case.m, case.machine
    if not by_wire(case) or not held(case):
        return None
    lines = sorted({(int(source), int(output)) for source, output, target, number, _
                    in np.asarray(m.wires[:int(m.wire_count)]).tolist()
                    if machine.slots[target].card.name == CPU_CARD
                    and machine.slots[target].card.inputs[number] == "wait"
                    and not int(m.line_level[source, output])})
    names = ", ".join(f"{machine.slots[s].name}.{machine.slots[s].card.outputs[o]}"
                      for s, o in lines)
    since, at = int(m.wait_from), int(m.wait_address)
    place = f"of port {at & 0xFF:02X}h" if int(m.wait_kind) in (IN, OUT) else f"at {at:04X}h"
    said = [f"{machine.slots[s].name}: {words}" for s in dict.fromkeys(s for s, _ in lines)
            for words in machine.slots[s].card.describe(m, machine.slots[s].state)]
    return Finding(
        WAIT_HELD, HUNG, f"{names} holds WAIT low: the bus cycle under way never ends.",
        [f"{names} is low, and wired to WAIT: the cycle {KIND_NAMES[int(m.wait_kind)]} "
         f"{place} of {case.names.at(int(m.pc))} has been held since {case.time(since)}.", *said],
        [f"Let the program look first whether {machine.slots[lines[0][0]].name} is ready, or turn "
         f"its wait function off; a CPU that waits takes no interrupt."],
        {"line": names, "at": int(m.pc)}, SHOWN, since)


def cpu_held(case: Case) -> Finding | None:
    """Check for a CPU that makes no bus cycle because an input holds it."""
    m = case.m
    if not held(case) or not int(m.held):
        return None
    cause, line = HELD[int(m.held)]
    since = int(m.held_from)
    count = len(case.last.t)
    evidence = [f"{line} is low since {case.time(since)}; {count} bus cycles in the next 20 ms."]
    if int(m.instructions) == 0:
        evidence.append("Not one opcode was fetched.")
    else:
        evidence.append(f"The last instruction ended before {case.names.at(int(m.pc))}; nothing "
                        f"is wrong with the program there.")
    return Finding(cause, HUNG, f"{line} stays low: the CPU stands still.", evidence,
                   [f"{line}: " + cause.remedy[0].lower() + cause.remedy[1:]],
                   {"line": line}, SHOWN, since)


def requests(m: Any) -> list[int]:
    """List the slots whose card has a request and is joined to /INT."""
    return [k for k in range(int(m.slots)) if int(m.int_kind[k]) != NO_INTERRUPT
            and int(m.ip[k])]


def int_low(case: Case) -> Finding | None:
    """Check for /INT low with nobody asking."""
    m = case.m
    first_empty = int(m.ack_empty_first_t)
    then = case.replayed(max(first_empty - 1, 0)).m if int(m.ack_empty) else m
    if (not int(then.int_line) or requests(then) or int(then.int_wired)
            or not int(m.ack_count)):
        return None
    return Finding(
        INT_LOW, RUNAWAY if case.condition == WILD else HUNG,
        "/INT is low although no card asks.",
        [f"/INT is low since {case.time(int(then.int_since))}, and none of the "
         f"{len(case.machine.slots)} cards had a request at {case.time(int(then.t))}.",
         f"The CPU made {int(m.ack_count)} acknowledges; "
         f"{int(m.ack_empty)} of them found nobody to answer."],
        ["Fit a pull-up of 1k to 10k from /INT to +5 V, and look for a short or an output that "
         "pulls it."], {"acknowledges": int(m.ack_count)}, SHOWN, int(then.int_since))


def int_open(case: Case) -> Finding | None:
    """Check for a card whose request does not pull /INT low."""
    m = case.m
    for k in range(int(m.slots)):
        kind = int(m.int_kind[k])
        wants = int(m.ip[k]) if kind != CHAINED_INTERRUPT else asks(m, k) and int(m.iei[k])
        if kind == NO_INTERRUPT or not wants or int(m.int_line) or int(m.irq_dirty):
            continue
        who = case.slot_words(k)
        t = int(m.int_last[k])
        pin = " with IEI high" if kind == CHAINED_INTERRUPT else ""
        return Finding(
            INT_OPEN, HUNG, f"{who} asks for an interrupt, and the CPU's /INT stays high.",
            [f"{who} has a pending request{pin}, and /INT reads high at the CPU.",
             f"The CPU has taken {int(m.int_count[k])} interrupts of this card; IFF1 = "
             f"{int(m.iff1)}, mode {int(m.im)}."],
            [f"Follow the /INT line from {who} to the CPU: jumper, socket, trace, pull-up; swap "
             f"the chip if the line is sound."], {"slot": case.machine.slots[k].name}, SHOWN, t)
    return None


def _drives_nmi(case: Case) -> bool:
    return any(slot.card.drives_nmi(case.m, slot.state) for slot in case.machine.slots)


def nmi(case: Case) -> Finding | None:
    """Check for NMIs: stray ones, and handlers that come back the wrong way."""
    m = case.m
    if not int(m.nmi_count):
        return None
    t = first(case, lambda machine: int(machine.m.nmi_count) > 0, int(m.t))
    if t is None:
        return None
    machine = case.session.replay(t)
    on = int(machine.m.iff1)
    window = look(machine, machine.at(0.005))
    back = _return(window)
    if back == "RETN":
        return None
    if back and on and not int(m.iff1) and int(m.iff2):
        return _wrong_return(case, t, back)
    return None if _drives_nmi(case) or back else _stray(case, t, window)


def _return(window: object) -> str:
    """Say how the handler of the window's NMI came back: RETN, RETI, RET, or not: ""."""
    w = window
    nmis = w.where(NMI_FETCH)  # type: ignore[attr-defined]
    kind, address, data = w.kind, w.address, w.data  # type: ignore[attr-defined]
    if not len(nmis) or nmis[0] + 2 >= len(kind):
        return ""
    low = int(address[nmis[0] + 2])
    reads = np.nonzero((kind == READ) & (address == low))[0]
    reads = reads[reads > nmis[0]]
    if not len(reads):
        return ""
    fetches = np.nonzero(kind[:reads[0]] == FETCH)[0]
    if int(data[fetches[-1]]) == RET or len(fetches) < 2:
        return "RET"
    if int(data[fetches[-2]]) != ED:
        return ""
    return "RETI" if int(data[fetches[-1]]) == RETI else "RETN"


def _wrong_return(case: Case, t: int, back: str) -> Finding:
    return Finding(
        NMI_RETURN, HUNG, f"the NMI handler at 0066h returns by {back}, so interrupts stay off.",
        [f"At {case.time(t)} an NMI was accepted with interrupts on (IFF1 = 1); its handler "
         f"came back by {back}, and IFF1 stayed 0 while IFF2 is 1.",
         f"{int(case.m.nmi_count)} NMIs came in this run; the last interrupt was taken at "
         f"{case.time(int(case.m.ack_last))}."],
        ["End the handler at 0066h with RETN (ED 45), which brings IFF1 back."],
        {"return": back}, SHOWN, t)


def _stray(case: Case, t: int, window: object) -> Finding:
    names = case.names
    starts = window.starts()  # type: ignore[attr-defined]
    after = starts[starts > window.where(NMI_FETCH)[0]][:4]  # type: ignore[attr-defined]
    path = " > ".join(names.at(int(window.address[k])) for k in after)  # type: ignore[attr-defined]
    verdict = {WAITS: WAITING, STUCK: HUNG, HALTED_OFF: HUNG}.get(case.condition, RUNAWAY)
    return Finding(
        STRAY_NMI, verdict, "the CPU was pulled away by NMI, which no card drives.",
        [f"At {case.time(t)} the CPU took an NMI ({int(case.m.nmi_count)} in this run); no "
         f"fitted card drives /NMI.",
         f"What stands at 0066h is no handler that returns: {path}."],
        ["Tie /NMI high with a pull-up of 1k to 10k.",
         "Put a handler at 0066h that ends with RETN (ED 45)."], {"nmis": int(case.m.nmi_count)},
        SHOWN, t)


CHECKS = (
    Check(cpu_held, RESET_HELD, when=FAILED,
          others=(WAIT_HELD, BUSREQ_HELD,)),
    Check(wire_held, WAIT_HELD, when=FAILED),
    Check(int_low, INT_LOW, when=FAILED),
    Check(int_open, INT_OPEN, when=FAILED),
    Check(nmi, STRAY_NMI, when=(*FAILED, WAITS),
          others=(NMI_RETURN,)),
)
