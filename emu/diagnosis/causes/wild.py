"""Running wild: executing what no program put there, and how it came to that."""
from __future__ import annotations

from dataclasses import dataclass, replace

from emu.bus.state import STOP_EXECUTE, STOPS
from emu.bus.stops import Row
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD, Cause
from emu.chronicle.anomalies import Anomaly
from emu.diagnosis.case import Case
from emu.diagnosis.causes.judging import healthy, spoiled
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import last_before
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.run_again import last_write, run_to_stop
from emu.diagnosis.evidence.trace import Flow, Step, steps
from emu.diagnosis.evidence.waits import loads_of
from emu.diagnosis.trials.forks import read_memory
from emu.diagnosis.verdict import HALTED, HINT, HUNG, RUNAWAY, STATE, Finding
from emu.isa.opcodes import BRANCHES, CALL, JP, JP_HL, RELATIVE, RETURNS
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.machine.places import place

RUNS_WILD = Cause(
    "runs-wild", "Executing what no program put there",
    "The machine hangs, prints garbage or starts over, now and then differently.",
    "Opcodes are fetched from RAM that nobody has written since power-on, or from addresses where "
    "no memory stands: a return, a jump or a bank switch went to the wrong place.",
    "See what the evidence says of the instruction that left the program, and who spoilt the "
    "address that it used.", ("W5", "B1", "B2"), symptom=True)
RESTARTS = 3  # without RESET: it starts over again and again
REACH = 400  # instructions before the departure in which the ways are looked for
LATELY = 1.0  # seconds before the end of a run
STORM = 64  # RST 38h executed: that is told as such
NEAR = 8  # instructions before the departure in which its jump is looked for
ENDS = {HALTED_OFF: HALTED, WILD: RUNAWAY}
SHARE = 0.5  # of the executed addresses that have to be noise


def noise(case: Case, addresses: set[int], then: Machine | None = None) -> set[int]:
    """Give the addresses where no memory stands, or RAM that nobody has filled."""
    m = case.m if then is None else then.m
    return {a for a in addresses if not int(m.owner[a >> 12]) or case.unwritten(a, then)}


def wild(case: Case) -> bool:
    """Tell whether the foreground executes mostly noise."""
    code = case.control.code or {(int(case.m.pc) - int(case.m.halted)) & 0xFFFF}
    in_ram = {a for a in code if place(case.machine, a, True) >= 0
              or not int(case.m.owner[a >> 12])}
    if len(in_ram) <= SHARE * len(code):
        return False
    return len(noise(case, in_ram)) > SHARE * len(code)


def astray(case: Case) -> bool:
    """Tell whether code that no program put there was executed to the end of the run, again and
    again: what wakes such a foreground wakes nobody."""
    if not int(case.m.rst38_count) and not int(case.m.empty_reads):
        return False
    story = chronicle(case)
    end = int(story.machine.m.t)
    late = end - min(case.machine.at(LATELY), end // 4)
    return any(one.last_t >= late for one in story.of(*ASTRAY))


def strays_to_start(case: Case) -> list[Anomaly]:
    """List how a run came to 0000h without RESET, but for jumps that the program means."""
    return [one for one in chronicle(case).of("restart")
            if not BRANCHES[code := read_memory(case.machine, one.a)] and code not in (JP, CALL)
            and code not in RELATIVE or RETURNS[code]]


@dataclass(frozen=True)
class Departure:
    """The instruction that left the program."""

    t: int  # when the first noise was executed
    place: int  # where
    nothing: bool  # no memory stands there
    blank: bool  # FFh of a ROM
    lines: tuple[str, ...]


def runs_wild(case: Case) -> Finding | None:
    """Say how the program came to execute noise."""
    left = _departure(case)
    if left is None:
        return None
    what = ("0000h, without RESET: it starts over" if not left.place else
            f"{left.place:04X}h, where no memory stands" if left.nothing else
            f"{left.place:04X}h, which is FFh" if left.blank else
            f"{left.place:04X}h, RAM that nobody has written")
    return Finding(
        RUNS_WILD, ENDS.get(case.condition, HUNG),
        f"the program left its code: it executes {what}.",
        [*left.lines, f"Now it runs in {case.loop()}."],
        ["Mend what led there: the last instructions and the address that they used are in the "
         "evidence."], {"first": f"{left.place:04X}"}, STATE, left.t)


def left_its_code(case: Case) -> Finding | None:
    """Say how a program came to noise of which it shows nothing any more, where all else is
    sound: it stands still, or its text does not come."""
    found = None if healthy(case) or spoiled(case) else runs_wild(case)
    return None if found is None else replace(found, strength=HINT)


def _departure(case: Case) -> Departure | None:
    """Find the first instruction of the wild run and what led into it; None when there is none."""
    seen = chronicle(case).of(*ASTRAY)
    if seen:
        one = seen[0]
        if one.kind != "ff-executed":
            return _before(case, one.t, one.a)
        blank = read_memory(case.machine, (one.pc + 1) & 0xFFFF) == 0xFF  # no RST 38h that is meant
        return _before(case, one.t, one.pc) if blank and int(case.m.rst38_count) < STORM else None
    again = strays_to_start(case)
    if sum(one.count for one in again) >= RESTARTS:
        return _before(case, again[0].t, 0)
    if not wild(case):
        return None
    code = case.control.code or {(int(case.m.pc) - int(case.m.halted)) & 0xFFFF}
    places = sorted(noise(case, code))[:STOPS]
    there = run_to_stop(case.session, [Row(STOP_EXECUTE, a, a) for a in places],
                        int(case.m.t) + 1)
    return None if there is None else _before(case, int(there.m.t), int(there.m.pc))


def _steps_before(case: Case, t: int) -> tuple[Machine, list[Step]]:
    """Give the last instructions before a T-state, and the machine that ran them again."""
    machine = case.session.replay(max(t - case.machine.at(0.01), 0))
    return machine, [s for s in steps(last_before(machine, t + 1)) if s.t < t]


def _before(case: Case, t: int, there: int) -> Departure | None:
    """Tell how the run came to the instruction that it executed at a T-state."""
    machine, run = _steps_before(case, t)
    return _left(case, machine, Flow(run), len(run) - 1, t, there) if run else None


def _left(case: Case, machine: Machine, flow: Flow, k: int, t: int, there: int) -> Departure:
    names, last = Names(machine), flow.steps[k]
    path = " > ".join(names.at(s.pc) for s in flow.steps[max(k - 3, 0):k + 1])
    lines = [f"It came there at T-state {t}; the instructions before: {path}."]
    if last.effect.flow == "return" and last.reads:
        maker = flow.steps[link] if (link := last.links.get("M0")) is not None else None
        lines.append(_taken(last, maker, names))
    lines += _ways(flow.steps[max(k - REACH, 0):k + 1], names)
    lines += _pointer_words(case, flow, k, names)
    blank = place(machine, there, True) < 0 and read_memory(machine, there) == 0xFF
    return Departure(t, there, not int(machine.m.owner[there >> 12]), blank, tuple(lines))


def ways_into(case: Case, t: int) -> list[str]:
    """Tell of the interrupt and the jump through a register that led to what ran at a T-state."""
    machine, run = _steps_before(case, t)
    return _ways(run[-REACH:], Names(machine)) if run else []


def _ways(run: list[Step], names: Names) -> list[str]:
    """Tell of the interrupt and of the jump through a register that came last on the way."""
    out = []
    entries = [k for k in range(1, len(run)) if run[k].handler and not run[k - 1].handler]
    if entries and run[-1].handler:
        before, first = run[entries[-1] - 1], run[entries[-1]]
        out.append(f"An interrupt came behind {names.at(before.pc)} and went to "
                   f"{names.at(first.pc)}, {len(run) - entries[-1]} instructions before.")
    jumps = [k for k, step in enumerate(run[:-1]) if step.code[-1] == JP_HL and step.jumped]
    if jumps:
        jump, to = run[jumps[-1]], run[jumps[-1] + 1]
        out.append(f"{names.at(jump.pc)} jumped through a register to {names.at(to.pc)}, "
                   f"{len(run) - jumps[-1] - 1} instructions before.")
    return out


def _pointer_words(case: Case, flow: Flow, k: int, names: Names) -> list[str]:
    """Say which bytes a jump through a register took its address from, and who wrote them."""
    jumps = [at for at in range(max(k - NEAR, 0), k + 1)
             if flow.steps[at].code[-1] == JP_HL and flow.steps[at].jumped]
    if not jumps:
        return []
    out = []
    for load in [load for load in loads_of(flow, flow.slice(jumps[-1]))
                 if load.kind == "memory" and load.direct][-2:]:
        written = last_write(case.session, load.address)
        who = "nobody wrote it" if written is None else \
            f"written last by {names.at(written.pc)} at {case.time(written.t)}"
        out.append(f"The address came from {names.data(load.address)} = {load.value:02X}h, {who}.")
    return out


def _taken(last: Step, maker: Step | None, names: Names) -> str:
    """Say where a return took its address from, and who wrote that."""
    address = last.reads[0][0]
    word = last.reads[0][1] | (last.reads[1][1] << 8 if len(last.reads) > 1 else 0)
    text = f"The return at {names.at(last.pc)} took {word:04X}h from the stack at {address:04X}h"
    if maker is None:
        return text + ", which was not pushed in the 10 ms before."
    how = "pushed" if "SP" in maker.effect.pointer else "overwritten"
    return text + f", {how} by {names.at(maker.pc)}."


CHECKS = (Check(runs_wild, RUNS_WILD, (WILD, HALTED_OFF)),)
LATE_CHECKS = (Check(left_its_code, RUNS_WILD, (STUCK, BUSY, WAITS), trial=True),)
