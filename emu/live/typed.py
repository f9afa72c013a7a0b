"""What was done at a console, written so that it can be done again: a script, or a pytest test.

Keys are taken line by line, as they were typed; in front of each stands the text that the
terminal showed last, so that the machine is waited for, and behind the last one what it ended
with.  Times are those of the session, with room.
"""
from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from emu.errors import InputError
from emu.files.atomic import check_output, write_atomic
from emu.run.console import Console
from emu.run.hands import ERRORS
from emu.run.inputs import AT_TERMINALS, Input
from emu.run.texts import typed_form
from emu.stepper.stepper import Stepper

MARK = "typed at preburn console"
LONGEST = 24  # characters of a text that is waited for
ROOM = 2  # times what it took, and
SPARE = 1.0  # seconds more
BEHIND_SEND = {kind: words for words, kind in ERRORS.items()}  # of an input's kind
PULLED = {("nmi", 1): "press nmi", ("reset", 1): "press reset", ("int", 1): "hold int",
          ("int", 0): "release int"}  # a line's name and level


@dataclass
class Step:
    """A thing to do again: a statement of a script, or "note" of what no script can do.

    ``inputs`` are what it is made of, for a test; "hand" is a line of emu/run/hands.py.
    """

    kind: str
    where: str = ""
    text: bytes = b""
    seconds: float = 0.0
    inputs: tuple[Input, ...] = ()


def check(path: Path) -> None:
    """Look whether a session may be written there; InputError if not."""
    if not path.suffix:
        raise InputError(f"{path}: call it {path}.script for --script, or test_{path.name}.py for "
                         f"pytest.")
    if path.suffix == ".py" and not path.stem.startswith("test_"):
        raise InputError(f"{path}: pytest finds files whose name begins with test_; call it "
                         f"test_{path.name}, or end it in .script.")
    check_output(path, "session that was typed", MARK.encode())


def write(path: Path, stepper: Stepper) -> str:
    """Write what was done so far, and give the command that does it again.

    A file that ends in .py is a pytest test, others are scripts.
    """
    check(path)
    found = [*steps(stepper)]
    machine = stepper.machine.description.path.absolute()
    as_test = path.suffix == ".py"
    text = _as_test(found, machine, path) if as_test else _as_script(found, machine)
    write_atomic(path, text.encode(), "session that was typed")
    named = stepper.machine.description.path
    return f"pytest {path}" if as_test else f"preburn boot {named} --script {path}"


def steps(stepper: Stepper) -> Iterator[Step]:
    """Give what to do, in the order of time."""
    seconds = stepper.machine.seconds
    main = stepper.console.main
    channel, since = main or "", 0
    for group in _groups(stepper.history.inputs[:stepper.main.made]):
        first = group[0]
        t = first.t
        name = first.where if first.kind in AT_TERMINALS else channel
        if name:
            yield from _waited(stepper.console, name, since, t, seconds)
        channel, since = name, t
        if first.kind == "typed":
            yield Step("send", name, b"".join(one.value for one in group))
            since = group[-1].t
        elif first.kind == "medium":
            yield Step("insert" if first.value else "eject", first.where,
                       str(first.value or "").encode())
        elif first.kind in ("card", "jumper"):
            value = first.value if first.kind == "card" else json.dumps(first.value)
            yield Step("do" if first.kind == "card" else "set", first.where, str(value).encode())
        elif (line := _hand(first)) is not None:
            at = first.where if first.kind in AT_TERMINALS else ""
            yield Step("hand", at, line.encode("latin-1"), inputs=(first,))
        else:
            yield Step("note", "", f"{first.kind} {first.where} {first.value!r}".encode())
    if channel and stepper.main.made:
        yield from _waited(stepper.console, channel, since, stepper.t, seconds)


def _hand(one: Input) -> str | None:
    """Give the statement of a script that is this input, if one is."""
    if one.kind in BEHIND_SEND:
        return f'send "{typed_form(one.value)}" with {BEHIND_SEND[one.kind]}'
    if one.kind == "break":
        return f"break {float(Fraction(one.value)) * 1000:g} ms"
    if one.kind == "line":
        return PULLED.get((one.where, int(one.value)))
    return None


def _groups(inputs: list[Input]) -> Iterator[list[Input]]:
    """Put the keys of a line together; everything else stands alone."""
    line: list[Input] = []
    for one in inputs:
        if line and (one.kind != "typed" or one.where != line[0].where):
            yield line
            line = []
        if one.kind != "typed":
            yield [one]
            continue
        line.append(one)
        if one.value.endswith((b"\r", b"\n")):
            yield line
            line = []
    if line:
        yield line


def _waited(console: Console, name: str, since: int, t: int,
            seconds: Callable[[int], Fraction]) -> Iterator[Step]:
    """Wait for what the terminal showed last between two T-states, or for as long as it was."""
    channel = console.channels[name]
    shown = bytes(byte for byte, at in zip(channel.text, channel.times, strict=True)
                  if since < at <= t)
    took = float(seconds(t - since))
    last = shown.replace(b"\r", b"\n").split(b"\n")
    wanted = next((line for line in reversed(last) if line.strip()), b"")[-LONGEST:]
    if wanted:
        yield Step("expect", name, wanted, round(ROOM * took + SPARE, 1))
    elif took >= 0.05:
        yield Step("wait", name, seconds=round(took, 3))


def _as_script(found: list[Step], machine: Path) -> str:
    out = [f"# {MARK}, {machine.name}; run it with: preburn boot {machine.name} --script FILE"]
    channel = None
    for one in found:
        if one.kind in ("send", "expect", "hand") and one.where and one.where != channel:
            if channel is not None or len(_terminals(found)) > 1:
                out.append(f"channel {one.where}")
            channel = one.where
        text = typed_form(one.text)
        out.append({"send": f'send "{text}"', "expect": f'expect "{text}" within {one.seconds} s',
                    "wait": f"wait {one.seconds} s", "insert": f'insert {one.where} "{text}"',
                    "eject": f"eject {one.where}", "do": f'do {one.where} "{text}"',
                    "set": f"set {one.where} = {one.text.decode('latin-1')}",
                    "hand": one.text.decode("latin-1"),
                    "note": f"# no script does this: {text}"}[one.kind])
    return "\n".join(out) + "\n"


def _terminals(found: list[Step]) -> set[str]:
    """Give the terminals at which something was done."""
    return {one.where for one in found if one.kind in ("send", "hand") and one.where}


def _python(text: str) -> str:
    return repr(json.loads(text)) if text else "None"


def _as_test(found: list[Step], machine: Path, path: Path) -> str:
    where = Path(os.path.relpath(machine, path.absolute().parent)).as_posix()
    out = [f'"""A session that was {MARK}."""', "import pytest", "", "",
           f"@pytest.mark.backplane({where!r})", "def test_session(rig):"]
    several = len(_terminals(found)) > 1
    for one in found:
        text = one.text.decode("latin-1")
        value = _python(text) if one.kind == "set" else ""
        at = f", channel={one.where!r}" if several else ""
        out.append("    " + {
            "send": f"rig.send({text!r}{at})",
            "expect": f"rig.expect({text!r}, within={one.seconds}{at})",
            "wait": f"rig.run({one.seconds})",
            "insert": f"rig.session.do('medium', {one.where!r}, {text!r})",
            "eject": f"rig.session.do('medium', {one.where!r}, None)",
            "set": f"rig.session.do('jumper', {one.where!r}, {value})",
            "do": f"rig.session.do('card', {one.where!r}, {text!r})",
            "hand": "".join(f"rig.session.do({i.kind!r}, {i.where!r}, {i.value!r})"
                            for i in one.inputs),
            "note": f"# no test does this yet: {text}"}[one.kind])
    return "\n".join(out if found else [*out, "    pass"]) + "\n"
