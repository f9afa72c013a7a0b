"""The verdict knows no card: not by its name, and not because it happens to be fitted.

Machines of the zoo are told the same cause with every card renamed, and with an idle card of
each kind in a free place.  A sample is run; with PREBURN_GUARDS=all in the environment, all.
"""
from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import accuracy
import numpy as np
import pytest

from emu.backplane.card_catalogue import cards
from emu.backplane.description import Description, load, load_tree
from emu.bus.state import CHAINED_INTERRUPT, SLOTS
from emu.diagnosis import explain
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session

ROMS = Path(__file__).parent.parent / "roms"
ROWS = {(kind, name): row for kind in ("broken", "healthy")
        for name, row in accuracy.machines(ROMS / kind).items()}
ALL = os.environ.get("PREBURN_GUARDS") == "all"
RENAMED = ("unset-page", "handler-paged-out", "flash-locked", "tick-flood", "acia-for-sio",
           "sleepers-not-enabled", "cts-high")
IDLE = ("sleepers-no-timer", "stray-nmi", "tick-flood", "no-receiver", "sleepers-open-chain")
# Programs that drive a timer at 28h, where none stands: one that is idle elsewhere is misplaced.
MISPLACED = ("gives-up-halt", "gives-up-loop")
# What stands idle when nobody addresses it: all but the CPU and the memory cards.
KINDS = tuple(name for name, card in cards().items() if card.registers and not card.memory_size(
    {jumper.name: jumper.default for jumper in card.jumpers}))


def chosen(sample: tuple[str, ...]) -> list[tuple[str, str]]:
    return [key for key in ROWS if ALL or key[1] in sample]


def place(kind: str, name: str) -> Path:
    return next((ROMS / kind).rglob(f"{name}.toml"))


def run(description: Description, row: dict[str, Any]) -> Session:
    session = Session(
        Machine(description), row.get("until"), Fraction(row.get("limit", 3)),
        sends_of(tuple(row.get("send", ())), tuple(row.get("after", ())), SILENCE))
    session.run()
    return session


def check(description: Description, row: dict[str, Any]) -> None:
    verdict = explain(run(description, row), math.inf)
    assert accuracy.judge(row, verdict.as_dict()) == accuracy.RIGHT, verdict.lines()


def renamed(description: Description) -> Description:
    slots = tuple(replace(slot, card=replace(slot.card, name=f"board-{number}"))
                  for number, slot in enumerate(description.slots))
    return replace(description, slots=slots)


def free_bases(machine: Machine) -> Iterator[int]:
    """Give bases of sixteen ports that no card decodes and that the run did not touch."""
    m = machine.m
    taken = (np.asarray(m.port_slot) != -1) | (np.asarray(m.port_reads) > 0) | (
        np.asarray(m.port_writes) > 0)
    yield from (base for base in range(0xF0, -1, -16) if not taken[base:base + 16].any())


def with_idle(path: Path, kinds: tuple[str, ...], row: dict[str, Any], place: Path) -> Description:
    """Describe a machine with idle cards, in a file of its own: second runs read the file again."""
    chain = load_tree(path).get("backplane", {}).get("chain")
    machine = run(load(path), row).machine
    room = SLOTS - len(machine.slots)
    lines = []
    for kind, base in zip(kinds[:room], free_bases(machine), strict=False):
        lines.append(f'[slot.idle-{kind}]\ncard = "{kind}"\nbase = {base}\n')
        if chain is not None and cards()[kind].interrupt == CHAINED_INTERRUPT:
            chain.append(f"idle-{kind}")
    if chain is not None:
        lines.append(f"[backplane]\nchain = {json.dumps(chain)}\n")
    file = place / path.name
    file.write_text(f"extends = {json.dumps(str(path))}\n" + "".join(lines))
    return load(file)


@pytest.mark.parametrize(("kind", "name"), chosen(RENAMED))
def test_renamed_cards_are_told_the_same(kind: str, name: str) -> None:
    check(renamed(load(place(kind, name))), ROWS[kind, name])


@pytest.mark.parametrize("idle", [KINDS[::2], KINDS[1::2]], ids=["even", "odd"])
@pytest.mark.parametrize(("kind", "name"), chosen(IDLE))
def test_idle_cards_change_nothing(
        kind: str, name: str, idle: tuple[str, ...], tmp_path: Path) -> None:
    """Half of all kinds at once, as far as there are free places."""
    row = ROWS[kind, name]
    if name in MISPLACED:
        row = {**row, "verdict": "hung", "cause": "wrong-base", "evidence": ["28h"]}
    check(with_idle(place(kind, name), idle, row, tmp_path), row)


@pytest.mark.parametrize("idle", KINDS)
def test_one_idle_card_beside_a_missing_timer(idle: str, tmp_path: Path) -> None:
    """An idle PIO, DMA chip or clock is not the timer that the program waits for."""
    row = ROWS["broken", "sleepers-no-timer"]
    check(with_idle(place("broken", "sleepers-no-timer"), (idle,), row, tmp_path), row)
