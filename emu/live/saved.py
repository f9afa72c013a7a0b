"""Save a machine to a file and bring it back: what was done to it, run again to the T-state.

The file is text: the machine's settings and digests, every input with its T-state, and a
digest of the state that the run must come to.  So it is small, can be read, and the run
can be gone back through after loading.
"""
from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.errors import InputError
from emu.files.atomic import check_output, write_atomic
from emu.files.inputfile import read_limited
from emu.files.shape import misfit
from emu.knowngood.hold import values
from emu.knowngood.record import images_table, machine_table, made_with, media_table
from emu.knowngood.recordfile import seal_of
from emu.machine.machine import Machine
from emu.run.inputs import Input, checked
from emu.stepper.stepper import Stepper

FORMAT, VERSION = "preburn saved machine", 1
LIMIT = 64 << 20  # bytes of a file
SHAPE = {"machine": {"seed": int}, "images": dict, "media": dict, "inputs": [dict], "t": int,
         "state": str}
STRETCH = 0.5  # emulated seconds between looks at the progress of a load
KEYS = ("pc", "sp", "i", "im", "iff1", "iff2", "halted", "wz", "t")


def state_digest(machine: Machine) -> str:
    """Give the SHA-256 of the CPU's registers, the time and all memory, in hex."""
    m = machine.m
    registers = [*m.r[:12].tolist(), *m.alt[:8].tolist(), *(int(m[key]) for key in KEYS)]
    digest = hashlib.sha256(repr(registers).encode())
    used = int((m.mem_base + m.mem_size).max())
    digest.update(np.asarray(m.phys[:used]).tobytes())
    return digest.hexdigest()


def check(path: Path) -> None:
    """Look whether a machine may be saved there; InputError if not."""
    check_output(path, "saved machine", FORMAT.encode("ascii"))


def save(path: Path, stepper: Stepper) -> None:
    """Save the machine as it stands; InputError when the file cannot be written."""
    machine = stepper.machine
    made = stepper.history.inputs[:stepper.main.made]
    tree: dict[str, Any] = {
        "version": VERSION, "preburn": made_with(),
        "machine": machine_table(machine.description, machine.seed),
        "images": images_table(machine.description), "media": media_table(machine.description),
        "t": stepper.t, "state": state_digest(machine), "inputs": [i.as_dict() for i in made]}
    text = json.dumps({"format": FORMAT, **tree, "seal": seal_of(tree)}, indent=1)
    check(path)
    write_atomic(path, text.encode("ascii"), "saved machine")


def load(path: Path, stepper: Stepper, told: Callable[[float], None] = lambda _: None) -> None:
    """Bring a stepper at power-on to where a saved one stood; ``told`` is given the share done.

    Raises InputError for a damaged file, one of another machine or a newer preburn, and when
    the run does not come to the saved state.
    """
    tree = _read(path)
    machine = stepper.machine
    _compare(path, tree, machine)
    try:
        stepper.load([checked(machine, Input.from_dict(row)) for row in tree["inputs"]])
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    step = machine.at(STRETCH)
    while stepper.t < tree["t"]:
        stepper.go(min(stepper.t + step, tree["t"]))
        told(stepper.t / tree["t"])
    if state_digest(machine) != tree["state"]:
        raise InputError(f"{path}: run again, the machine does not come to the saved state; it "
                         f"was saved by preburn {tree.get('preburn')}, this is {made_with()}: "
                         f"boot it afresh.")


def seed_of(path: Path) -> int:
    """Give the seed of the saved machine's power-on noise."""
    seed: int = _read(path)["machine"]["seed"]
    if not 0 <= seed < 1 << 63:
        raise InputError(f"{path}: {seed} is no seed of a machine; save it again.")
    return seed


def _read(path: Path) -> dict[str, Any]:
    data = read_limited(path, "saved machine", LIMIT)
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        raise InputError(f"{path}: is no saved machine, or a damaged one; save it again.") from None
    if not isinstance(tree, dict) or tree.get("format") != FORMAT:
        raise InputError(f"{path}: is no saved machine; make one with preburn console --save.")
    version = tree.get("version")
    if version != VERSION:
        raise InputError(f"{path}: is of version {version}, made by preburn "
                         f"{tree.get('preburn')}; this preburn reads version {VERSION}.")
    if tree.get("seal") != seal_of(tree) or misfit(tree, SHAPE) or not 0 <= tree["t"] < FAR:
        raise InputError(f"{path}: is damaged, or was edited: its checksum does not fit; take a "
                         f"copy, or save the machine again.")
    return tree


def _compare(path: Path, tree: dict[str, Any], machine: Machine) -> None:
    ours = {"machine": machine_table(machine.description, machine.seed),
            "images": images_table(machine.description),
            "media": media_table(machine.description)}
    for key, table in ours.items():
        plain = json.loads(json.dumps(table))
        if plain != tree[key]:
            where = "; ".join(values(key, tree[key], plain)[:2])
            raise InputError(f"{path}: was saved of another machine ({where}); load it with its "
                             f"own backplane file, images and media.")
