"""Hold a machine against a known-good record inside a test, or make the record anew."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from emu.backplane.description import Description, load
from emu.diagnosis import explain
from emu.errors import InputError
from emu.knowngood import recordfile
from emu.knowngood.hold import CONSOLE, MILESTONES, STRICT, tolerance
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.record import record
from emu.knowngood.report import verify
from emu.knowngood.rerun import rerun
from emu.run.session import Session

ASPECTS = {"strict": STRICT, CONSOLE: (CONSOLE,), MILESTONES: (MILESTONES,)}


def differences(file: Path, good: Path, same: str, allowed: str) -> list[str]:
    """Run the machine of a backplane file as the record was made; say what differs, if anything.

    ``same`` is a key of ASPECTS, ``allowed`` the tolerance of milestones, as "1%".  Raises
    InputError for a record that is missing or broken.
    """
    if same not in ASPECTS:
        raise InputError(f"known_good takes same={' or '.join(map(repr, ASPECTS))}, not {same!r}.")
    found = verify(load(file), recordfile.read(good), good, ASPECTS[same], tolerance(allowed))
    return [] if found.same else found.lines()


def update(file: Path, good: Path, until: str | None, limit: float, seed: int | None) -> str:
    """Record the machine's boot: as the record there was made, or else until a text shows.

    Gives in words what has become of the record.
    """
    before = good.read_bytes() if good.exists() else None
    description = load(file)
    if before is not None:
        session, tree = rerun(description, recordfile.read(good), good)
    else:
        session = _boot(description, until, limit, seed)
        tree = record(session)
    tree["end"]["verdict"] = explain(session).verdict
    recordfile.write(good, tree)
    if before is None:
        return "made"
    same = good.read_bytes() == before
    return f"made anew, {'the same as before' if same else 'and it differs'}"


def _boot(description: Description, until: str | None, limit: float,
          seed: int | None) -> Session:
    session = Session(MeteredMachine(description, seed), until, Fraction(limit))
    session.run()
    return session
