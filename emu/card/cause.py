"""A cause that a verdict may name: its page for a builder, and when a card's own one is asked."""
from __future__ import annotations

from dataclasses import dataclass

# What a machine is found doing at the end of its run.
WAITS = "waits"  # a key typed in a copy of it reached the foreground
HALTED_OFF = "halted"  # in HALT with interrupts off
WILD = "wild"  # executing what no program put there: FFh, empty addresses, noise
STUCK = "stuck"  # the foreground stands or goes round, and nothing it looks at changes
BUSY = "busy"  # its state keeps changing
CONDITIONS = (WAITS, HALTED_OFF, WILD, STUCK, BUSY)


@dataclass(frozen=True)
class Cause:
    """One entry of the catalogue of causes: a code, and its page for a builder.

    The last three are for a card's own causes (`Card.causes`): they say how a `Trouble` with
    this code is judged.
    """

    code: str
    title: str
    seen: str  # what the builder sees; whole sentences, as the next two
    evidence: str  # what on the bus proves it
    remedy: str
    entries: tuple[str, ...] = ()  # the failure modes that it covers, such as "T1"
    when: tuple[str, ...] = (STUCK, BUSY)  # what the machine is doing when it is asked
    # registers: that one of them made the test which led the program here is a proof, too
    decides: tuple[str, ...] = ()
    only_decided: bool = False  # the only one
    symptom: bool = False  # what is seen, not why: whatever else is found comes before it

    @property
    def page(self) -> str:
        """Give the whole page as one text."""
        return f"{self.seen} {self.evidence} {self.remedy}"
