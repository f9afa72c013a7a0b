"""The chronicle of a session's run: it is run again beside a shadow, with the same inputs."""
from __future__ import annotations

from emu.chronicle.anomalies import Anomaly, anomalies
from emu.chronicle.watched import WatchedMachine
from emu.run.session import Session


def watched(session: Session) -> WatchedMachine:
    """Run a session's machine again from power-on to where it stands, beside a shadow."""
    machine = WatchedMachine(session.machine.description, session.machine.seed)
    again = Session(machine)
    for when, name, what in session.inputs:
        again.run_to(when)
        again.again(name, what, when)
    again.run_to(int(session.machine.m.t))
    return machine


def story_of(session: Session) -> list[Anomaly]:
    """List a run's anomalies, the earliest first."""
    return anomalies(watched(session))
