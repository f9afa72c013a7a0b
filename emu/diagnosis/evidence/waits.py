"""What the foreground waits for: the exits of its loop, sliced back to what decides them.

An exit is a branch that only ever went one way while the machine was left alone, and whose
other side is code that did not run.  `exits` finds them in a stretch of the log; the loads
behind each say what would have to change for the program to go on.
"""
from __future__ import annotations

from dataclasses import dataclass, field

from emu.diagnosis.evidence.bus_window import Window
from emu.diagnosis.evidence.trace import Flow, Sources, Step, steps
from emu.isa.effects import Effect

INSTANCES = 12  # of a branch whose loads are joined
LONG_CHAIN = 400  # makings of a value in one slice that stand for a chain without end


@dataclass(frozen=True)
class Load:
    """One value that decides a branch."""

    kind: str  # "memory", "port" or "register"
    address: int  # memory address, port, or -1
    value: int  # as last read
    pc: int  # of the instruction that read it
    driver: int = 0  # of a port: slot + 1, NOBODY, CONFLICT
    direct: bool = True  # False: it only made the address of another load
    place: str = ""  # the register that has not changed


@dataclass
class Wait:
    """An exit that is never taken."""

    pc: int  # the branch
    condition: str  # "nz", "djnz", "repeat", "indirect", "halt" ...
    target: int | None  # where it would go on; None: not known
    loads: list[Load] = field(default_factory=list)
    counting: bool = False  # it depends on a value that every round changes
    handlers: set[int] = field(default_factory=set)  # handler code that changes what it sees
    taken: bool = False  # the way it goes now is the jump, not the next instruction

    def memory(self) -> list[Load]:
        """Give the memory loads, those that decide by value first."""
        found = [load for load in self.loads if load.kind == "memory"]
        return sorted(found, key=lambda load: not load.direct)

    def ports(self) -> list[Load]:
        """Give the port loads."""
        return [load for load in self.loads if load.kind == "port"]


def other_side(step: Step) -> int | None:
    """Give the address where a branch would have gone had its condition been the other."""
    what, code = step.effect, step.code
    after = (step.pc + what.length) & 0xFFFF
    taken = went(step)
    if what.flow == "return":
        return after if taken else None
    if what.condition == "repeat":
        return after
    if what.length == 2:
        target = (after + (code[1] ^ 0x80) - 0x80) & 0xFFFF
    else:
        target = code[1] | code[2] << 8
    return after if taken else target


def went(step: Step) -> bool:
    """Tell whether a branch was made."""
    what = step.effect
    if what.flow == "return":
        return bool(step.reads)
    if what.flow == "call":
        return bool(step.writes)
    return step.jumped


def exits(window: Window, region: set[int]) -> tuple[list[Wait], set[int]]:
    """Find the exits of a region that a window's last part shows, each with its loads.

    The second result are the branches that were seen, exits or not.
    """
    run = steps(window)
    flow = Flow(run)
    last: dict[int, int] = {}
    places: dict[int, list[int]] = {}
    outcomes: dict[int, set[bool]] = {}
    for k, step in enumerate(run):
        if not step.handler and (step.effect.asks or step.effect.flow == "indirect"):
            last[step.pc] = k
            places.setdefault(step.pc, []).append(k)
            outcomes.setdefault(step.pc, set()).add(went(step))
    out = []
    for pc, k in last.items():
        step = run[k]
        if step.effect.flow == "indirect":
            continue
        target = other_side(step)
        if len(outcomes[pc]) > 1 or target in region:
            continue
        out.append(_wait(flow, k, places[pc], target))
    return out, set(last)


def _wait(flow: Flow, k: int, places: list[int], target: int | None) -> Wait:
    step = flow.steps[k]
    sources = flow.slice(k)
    counting = _counts(flow, sources.steps)
    for other in places[-INSTANCES:-1]:  # one scan may look at several processes
        sources.join(flow.slice(other))
    wait = Wait(step.pc, step.effect.condition, target, loads_of(flow, sources),
                counting=counting, taken=went(step))
    wait.handlers = {flow.steps[at].pc for at in sources.steps
                     if flow.steps[at].handler and _changes(flow.steps[at].effect)}
    return wait


def _counts(flow: Flow, inside: set[int]) -> bool:
    """Tell whether a slice holds all that an instruction of the foreground ever made.

    A value which each round makes from the last one's has such a slice; one that is loaded
    anew each round has not.
    """
    made: dict[int, int] = {}
    for at in inside:
        step = flow.steps[at]
        if not step.handler and _changes(step.effect):
            made[step.pc] = made.get(step.pc, 0) + 1
    often = {pc: count for pc, count in made.items() if count > 1}
    if not often:
        return False
    last = max(inside)
    total = dict.fromkeys(often, 0)
    for step in flow.steps[:last + 1]:
        if step.pc in total:
            total[step.pc] += 1
    return any(count >= min(total[pc], LONG_CHAIN) for pc, count in often.items())


def _changes(what: Effect) -> bool:
    """Tell whether an instruction makes a new value and does not only move one."""
    return any(target != "SP" and (len(sources) != 1 or sources[0] == target
                                   or target in ("FC", "FZ") or sources[0] == "P")
               for target, sources in what.moves)


def loads_of(flow: Flow, sources: Sources) -> list[Load]:
    """List the loads of a slice once each, the latest of each place."""
    found: dict[tuple[str, int, str], Load] = {}
    for at, address, value, direct in sorted(sources.memory):
        key = ("memory", address, "")
        direct = direct or (key in found and found[key].direct)
        found[key] = Load("memory", address, value, flow.steps[at].pc, 0, direct)
    for at, direct in sorted(sources.ports):
        step = flow.steps[at]
        if step.port is not None:
            port, value, driver = step.port
            found["port", port & 0xFF, ""] = Load("port", port & 0xFF, value, step.pc, driver,
                                                  direct)
    for name in sorted(sources.registers):
        found["register", -1, name] = Load("register", -1, 0, -1, place=name)
    return list(found.values())
