"""The chronicle of a session's run: it is run again beside a shadow, with the same inputs."""
from __future__ import annotations

from emu.chronicle.anomalies import Anomaly, anomalies
from emu.chronicle.watched import WatchedMachine
from emu.run.session import Session


def watched(session: Session, most: int | None = None) -> WatchedMachine:
    """Run a session's machine again from power-on to where it stands, beside a shadow.

    ``most``: T-states after which it is left, however far the session has come.
    """
    run = session.so_far()
    machine = WatchedMachine(run.description, run.seed)
    player = run.on(machine)
    player.after_input = machine.take_input
    player.run_to(run.end if most is None else min(run.end, most))
    return machine


def story_of(session: Session) -> list[Anomaly]:
    """List a run's anomalies, the earliest first."""
    return anomalies(watched(session))
