"""Expressions: held against Python's own arithmetic, and compiled against worked out."""
from __future__ import annotations

import random
import re

import numpy as np
import pytest
from stepper_bench import sit

from emu.errors import InputError
from emu.machine.register_names import FLAGS, REGISTERS, flag_letters
from emu.stepper.expression import Parser, evaluate, facts_of
from emu.stepper.program import Walker
from emu.stepper.stepper import Stepper

BINARY = ("+", "-", "*", "&", "|", "^", "<<", ">>", "==", "!=", "<", "<=", ">", ">=", "and", "or")


def value(stepper: Stepper, text: str, **facts: int) -> int:
    """Work an expression out at a stepper."""
    return evaluate(stepper.book.expression(text), stepper.book.scene(facts))


def random_expression(chance: random.Random, depth: int) -> tuple[str, str]:
    """Make one, all parts in brackets: as we write it, and as Python does."""
    if depth == 0 or chance.random() < 0.2:
        return (str(chance.randrange(300)),) * 2
    ours, theirs = random_expression(chance, depth - 1)
    if chance.random() < 0.15:
        op = chance.choice(("-", "~", "not "))
        return f"({op}{ours})", f"(int({op}{theirs}))"
    op = chance.choice(BINARY)
    right = ((str(chance.randrange(8)),) * 2 if op in ("<<", ">>")
             else random_expression(chance, depth - 1))
    if op in ("and", "or"):
        return f"({ours} {op} {right[0]})", f"int(bool({theirs}) {op} bool({right[1]}))"
    return f"({ours} {op} {right[0]})", f"int({theirs} {op} {right[1]})"


def test_arithmetic_is_that_of_python() -> None:
    chance, stepper = random.Random(3), sit("00")
    for _ in range(300):
        ours, theirs = random_expression(chance, 4)
        assert value(stepper, ours) == eval(theirs, {}), ours


def test_operators_bind_as_the_help_says() -> None:
    stepper = sit("00")
    for text, wanted in (("2 + 3 * 4", 14), ("1 | 2 ^ 3 & 1", 1 | (2 ^ (3 & 1))), ("1 << 2 + 1", 8),
                         ("7 & 3 = 3", 1), ("not 1 = 2 and 1", 1), ("0 or 1 and 0", 0),
                         ("- 2 + 5", 3), ("~0 & 0xFF", 255), ("9 / 2 % 3", 1), ("5 / 0", 0)):
        assert value(stepper, text) == wanted, text


def test_numbers_in_every_form() -> None:
    stepper = sit("00")
    for text in ("254", "0xFE", "$fe", "0FEh", "FEh"):
        assert value(stepper, text) == 254, text
    assert value(stepper, "'A' + '\\n'") == 75


def test_registers_flags_memory_and_facts() -> None:
    stepper = sit("00", bc=0x1234, a=0x80, f=0x41)
    place = stepper.book.place(0x1234)
    stepper.m.phys[place:place + 2] = (0xCD, 0xAB)
    for text, wanted in (("[bc]", 0xCD), ("word[bc]", 0xABCD), ("b", 0x12), ("zero", 1),
                         ("sign", 0), ("carry and a >= 80h", 1), ("value + old", 7),
                         ("bc' = word[bc]", 0)):
        assert value(stepper, text, value=3, old=4) == wanted, text
    assert facts_of(stepper.book.expression("a + [value] + t")) == {"value", "t"}
    assert facts_of(stepper.book.expression("a and 5")) == set()


def test_what_runs_at_every_boundary_gives_what_is_worked_out() -> None:
    """The compiled form against the plain one, over random machine states."""
    chance, stepper = random.Random(11), sit("00")
    walker = Walker(stepper.machine)
    names = [n for n in REGISTERS if n not in ("pc", "sp")]
    for _ in range(60):
        stepper.m.r[:12] = np.array([chance.randrange(256) for _ in range(12)])
        stepper.m.alt[:] = np.array([chance.randrange(256) for _ in range(8)])
        stepper.m.wz, stepper.m.i, stepper.m.im = chance.randrange(65536), chance.randrange(256), 1
        stepper.m.phys[:0x8000] = chance.randrange(256)
        text, _ = random_expression(chance, 3)
        for _ in range(3):
            text = f"({text} {chance.choice(BINARY[:6])} {chance.choice(names)})"
        node = stepper.book.expression(f"{text} + [hl] - word[ix] = {chance.randrange(9)} or a & 1")
        walker.begin([node], [])
        wanted = evaluate(node, stepper.book.scene({}))
        assert int(walker._record[0].was[0]) == int(bool(wanted)), text


def test_mistakes_are_one_line_with_the_mend() -> None:
    stepper = sit("00")
    for text, words in (("", "an expression is missing"), ("a +", "it ends too early"),
                        ("(a", "')' is missing"), ("[hl", "']' is missing"),
                        ("a b", "'b' is one word too many"), ("a ! b", "cannot read '! b'"),
                        ("carri", "no register and no symbol; did you mean carry"),
                        ("FEF8", "no register and no symbol; a number is FEF8h or 0xFEF8"),
                        ("* 3", "'*' stands where a value belongs"),
                        ("12ab", "no number; write 0x12ab or 12abh"),
                        ("-" * 80 + "1", "more than 64 parts")):
        with pytest.raises(InputError, match=re.escape(words)):
            stepper.book.expression(text)


def test_backquotes_name_a_symbol_that_is_called_like_a_register() -> None:
    node = Parser("`a` + a", {"a": 100}.get).whole()
    stepper = sit("00", a=5)
    assert evaluate(node, stepper.book.scene({})) == 105


def test_flags_stand_by_letter() -> None:
    """S Z Y H X P N C from bit 7 down (UM0080, the flag register)."""
    assert flag_letters(0xFF) == "SZYHXPNC" and flag_letters(0x41) == ".Z.....C"
    assert all(flag_letters(1 << bit)[7 - bit] == name[0].upper()
               for name, bit in FLAGS.items() if name != "subtract")
