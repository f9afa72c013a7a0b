"""The chronicle of a run: its anomalies in the order in which they first showed, in words."""
from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from emu.chronicle import shadow
from emu.chronicle.watched import WatchedMachine
from emu.machine.address_names import Names

REGISTERS = ("B", "C", "D", "E", "H", "L", "F", "A", "IX", "IX", "IY", "IY", "", "", "", "",
             "B'", "C'", "D'", "E'", "H'", "L'", "F'", "A'")


@dataclass(frozen=True)
class Anomaly:
    """Something that a sound program on a sound machine seldom does.

    ``kind`` is one of `KINDS`; ``t`` the T-state of the first, ``pc`` its instruction; ``a``
    and ``b`` are what the kind says (an address, a value, a slot ...).
    """

    kind: str
    t: int
    pc: int
    a: int
    b: int
    count: int
    last_t: int
    text: str
    facts: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"kind": self.kind, "t": self.t, "pc": f"{self.pc:04X}", "count": self.count,
                "last_t": self.last_t, "text": self.text, **self.facts}


# kind -> how the first one is told.  {pc} and {a}, {b} as code addresses, {da}, {db} as data,
# {xa}, {xb} as bytes, {na}, {nb} plain; {slot} the card in slot a; {what} is worked out.
KINDS: dict[int, tuple[str, str]] = {
    shadow.NOISE_READ: ("unwritten-read", "{pc} read {da}, which nobody had written: RAM noise"),
    shadow.NOISE_BRANCH: ("noise-decides", "the branch at {pc} hung on RAM that nobody had "
                                           "written"),
    shadow.NOISE_ADDRESS: ("noise-points", "{pc} used an address that came from RAM which nobody "
                                           "had written"),
    shadow.NOISE_JUMP: ("noise-jump", "{pc} jumped to {a} through a pointer in RAM that nobody "
                                      "had written"),
    shadow.NOISE_OUT: ("noise-out", "{pc} sent RAM noise to port {xa}"),
    shadow.NOISE_CODE: ("unwritten-code", "the CPU fetched {a} from RAM that nobody had written; "
                                          "the instruction before it stands at {b}"),
    shadow.EMPTY_CODE: ("empty-code", "the CPU fetched {a}, where no memory answers; the "
                                      "instruction before it stands at {b}"),
    shadow.EMPTY_READ: ("empty-read", "{pc} read {da}, where no memory answers"),
    shadow.EMPTY_WRITE: ("empty-write", "{pc} wrote to {da}, where no memory answers"),
    shadow.ROM_WRITE: ("rom-write", "{pc} wrote to {da}, which is read only"),
    shadow.CODE_WRITE: ("code-written", "{pc} wrote over {da}, which had been executed"),
    shadow.CODE_PUSH: ("push-over-code", "the stack ran into code: {pc} pushed over {a}"),
    shadow.VECTOR_WRITE: ("vector-written", "{pc} wrote over {da}, a pointer of the vector table "
                                            "in use"),
    shadow.RETURN_WRITE: ("return-written", "{pc} wrote over a return address on the stack at "
                                            "{da}, pushed by {b}"),
    shadow.RETURN_STRANGE: ("return-unpushed", "{pc} returned to {a}, which no call had pushed "
                                               "(written by {b})"),
    shadow.PUSH_LOST: ("push-lost", "{pc} pushed to {da}, where no RAM answers: what was pushed "
                                    "is lost"),
    shadow.PUSH_OVER_DATA: ("push-over-data", "{pc} pushed over {da}, data that {b} had written "
                                              "and that had been read"),
    shadow.RESTART: ("restart", "the program started over: 0000h was reached from {a} without "
                                "RESET"),
    shadow.FF_EXECUTED: ("ff-executed", "FFh (RST 38h) was executed at {pc}; the instruction "
                                        "before it stands at {a}"),
    shadow.PAGE_UNDER_PC: ("page-under-code", "{pc} switched the page that it runs in"),
    shadow.PAGE_UNDER_SP: ("page-under-stack", "{pc} switched the page that the stack lies in "
                                               "(SP = {db})"),
    shadow.PORT_EMPTY_READ: ("port-read-empty", "{pc} read port {xa}, where no card stands"),
    shadow.PORT_EMPTY_WRITE: ("port-write-empty", "{pc} wrote {xb} to port {xa}, where no card "
                                                  "stands"),
    shadow.ACK_EMPTY: ("ack-unanswered", "no card gave a vector at an acknowledge in mode {nb}; "
                                         "the CPU took {xa}"),
    shadow.ACK_CONFLICT: ("ack-conflict", "two cards answered one acknowledge"),
    shadow.REGISTER_LOST: ("register-lost", "the handler {b} came back with {what} changed, "
                                            "through {pc}"),
    shadow.PAGE_LOST: ("page-lost", "the handler {b} came back with another page at {what}, "
                                    "through {pc}"),
    shadow.RETURN_NOT_RETI: ("no-reti", "the handler {b} of slot {slot} ended at {pc} without "
                                        "RETI: the card keeps its interrupt under service"),
    shadow.INTERRUPTS_OFF: ("interrupts-off", "interrupts went off at {pc} and stayed off"),
    shadow.REQUEST_WAITS: ("request-waits", "slot {slot} asked for an interrupt and was not "
                                            "answered"),
    shadow.VECTOR_ODD: ("vector-odd", "a card gave the odd vector {xa}: the pointer is read from "
                                      "the middle of two"),
    shadow.RAM_CHANGED: ("ram-changed", "{pc} read {xb} from {da}, and something else had been "
                                        "written there"),
    shadow.HANDLER_AGAIN: ("handler-again", "the handler {a} was entered again, from {pc}, before "
                                            "it had ended"),
    shadow.HANDLER_NOISE: ("vector-unwritten", "an interrupt took its pointer from {da}, which "
                                               "nobody had written"),
}
NAMES = tuple(name for name, _ in KINDS.values())


def lost_registers(mask: int) -> str:
    """Name the registers of a mask: "A, HL and IX"."""
    names = list(dict.fromkeys(
        name for bit, name in enumerate(REGISTERS) if mask >> bit & 1 and name))
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1]))) if names else ""


def _pages(mask: int) -> str:
    first = next(page for page in range(16) if mask >> page & 1)
    return f"{first << 12:04X}h"


def anomalies(machine: WatchedMachine) -> list[Anomaly]:
    """List what the shadow holds, the earliest first."""
    names, record = Names(machine), machine.shadow
    rows = [[int(x) for x in record.row[k]] for k in range(int(record.count))]
    return [_told(machine, names, row) for row in sorted(rows, key=lambda row: row[1])]


def _told(machine: WatchedMachine, names: Names, row: list[int]) -> Anomaly:
    number, t, pc, a, b, count, last_t, _ = row
    kind, text = KINDS[number]
    facts: dict[str, Any] = {}
    if kind in ("register-lost", "page-lost", "no-reti"):
        facts["handler"] = f"{b:04X}"
    if kind in ("no-reti", "request-waits"):
        facts["slot"] = machine.slots[a].name
    if kind.startswith("port-"):
        facts["port"] = f"{a:02X}"
    what = (lost_registers(a) if kind == "register-lost" else _pages(a)
            if kind == "page-lost" else "")
    return Anomaly(kind, t, pc, a, b, count, last_t, text.format(
        pc=names.at(pc), a=names.at(a & 0xFFFF), b=names.at(b & 0xFFFF),
        da=names.data(a & 0xFFFF), db=names.data(b & 0xFFFF), xa=f"{a & 0xFF:02X}h",
        xb=f"{b & 0xFF:02X}h", na=a, nb=b, what=what, slot=facts.get("slot", "")) + ".", facts)
