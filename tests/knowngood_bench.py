"""Runs for the tests of known-good records: quick boots, and images with one byte changed."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from emu.backplane.description import Description, load
from emu.files.image import load_image
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.record import Tree, record
from emu.run.session import Session

ROMS = Path(__file__).parent.parent / "roms"
TIDEWATER = ROMS / "tidewater"
FULL = TIDEWATER / "full.toml"


def booted(description: Description, until: str | None = "tw> ", limit: float = 1,
           seed: int | None = None) -> tuple[Session, Tree]:
    """Boot a machine and record it."""
    session = Session(MeteredMachine(description, seed), until, Fraction(limit))
    session.run()
    return session, record(session)


def patched(folder: Path, old: bytes, new: bytes, machine: Path = FULL) -> Path:
    """Write a machine whose Tidewater image has some bytes changed; its backplane file."""
    assert len(old) == len(new)
    data = (TIDEWATER / "tidewater.elf").read_bytes()
    assert data.count(old) == 1
    (folder / "tidewater.elf").write_bytes(data.replace(old, new))
    path = folder / "patched.toml"
    path.write_text(f'extends = "{machine}"\n[slot.memory]\nimage = "tidewater.elf"\n')
    return path


def place_of(text: bytes) -> int:
    """Give where some bytes of Tidewater lie in its flash."""
    flash = load_image(TIDEWATER / "tidewater.elf").flatten(524_288)
    assert flash.count(text) == 1
    return flash.index(text)


def full() -> Description:
    """The machine with every card."""
    return load(FULL)
