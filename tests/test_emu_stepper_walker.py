"""Expressions at every instruction against a run by single steps that asks in plain Python."""
from __future__ import annotations

import pytest
from trace_bench import interrupter, machine, place

from emu.machine.machine import Machine
from emu.native import jit
from emu.stepper.expression import evaluate
from emu.stepper.lookup import Lookup
from emu.stepper.program import Walker

END = 9_000 if not jit.plain_python() else 2_000
# ld sp,8000h / ld a,40h / ld i,a / im 2 / ei / loop: inc hl / inc b / ld (9000h),hl / halt /
# jr loop
LOOP = bytes.fromhex("310080 3e40 ed47 ed5e fb 23 04 220090 76 18f8")
HANDLER = bytes.fromhex("d9 dd23 fddd21 3412 d9 fb ed4d")
EXPRESSIONS = (
    "b = 5 and hl & 1", "r & 3 = 1", "t > 4000", "[0x9000] = 3 or [0x9000] = 5", "pc = 0x5000",
    "sp < 0x8000 and not (b & 2)", "ix & 1", "iff1 = 0", "(b = 2 or b = 3) and l > 1",
    "hl - 3 = b + 1", "b", "1", "hl = 2 and (b = 2 and (r > 3 and t > 7))")


def built() -> Machine:
    made = machine(LOOP, interrupter("near", 0x20, 0x10, 110), chain=("near",))
    place(made, 0x4010, bytes.fromhex("0050"))
    place(made, 0x5000, HANDLER)
    return made


def by_walker(text: str) -> list[int]:
    made = built()
    node, found = Lookup(made).expression(text), []
    walker = Walker(made)
    walker.begin([node], [])
    while int(made.m.t) < END:
        if walker.run(END):
            found.append(int(made.m.t))
    return found


def by_steps(text: str) -> list[int]:
    made = built()
    book, found = Lookup(made), []
    node = book.expression(text)
    was = bool(evaluate(node, book.scene({})))
    while int(made.m.t) < END:
        made.run(int(made.m.t) + 1)
        if int(made.m.prefix) == 0:
            now = bool(evaluate(node, book.scene({})))
            if now and not was:
                found.append(int(made.m.t))
            was = now
    return found


@pytest.mark.parametrize("text", EXPRESSIONS)
def test_it_comes_true_at_the_same_boundaries(text: str) -> None:
    assert by_walker(text) == by_steps(text)


def test_the_run_is_the_same_when_it_is_asked() -> None:
    asked, plain = built(), built()
    walker = Walker(asked)
    walker.begin([Lookup(asked).expression("hl = 0xFFFF and b = 1")], [])
    walker.run(END)
    plain.run(END)
    for name in ("r", "alt", "pc", "sp", "t", "refresh", "instructions", "int_count", "q", "wz"):
        assert asked.record[name].tolist() == plain.record[name].tolist()
    assert asked.snapshot().memory.tobytes() == plain.snapshot().memory.tobytes()
