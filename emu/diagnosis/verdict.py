"""The verdict: how a run ended, why, the evidence, and what to change."""
from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from emu.card.cause import Cause

REACHED = "reached"
WAITING = "waiting-for-input"
HALTED = "halted"
HUNG = "hung"
RUNAWAY = "runaway"
RUNNING = "still-running"


# How strong a finding's proof is; between several the strongest is the answer.
TRIED = 4  # a change made in a forked copy of the machine let it go on
SHOWN = 3  # bus cycles of this run show the broken link, and that it led here
STATE = 2  # the end state says what happened, but not why
HINT = 1  # it happened in this run; no proof that it matters


@dataclass
class Finding:
    """A cause found in this run."""

    cause: Cause
    verdict: str
    summary: str
    evidence: list[str]
    remedy: list[str]
    facts: dict[str, Any] = field(default_factory=dict)  # for machines: vector, port ...
    strength: int = SHOWN
    t: int | None = None  # T-state of the first broken link: of equals the earliest wins


@dataclass
class Verdict:
    """How a run ended.  Keys of `as_dict` stay stable; additions only."""

    verdict: str
    summary: str
    cause: str | None = None
    evidence: list[str] = field(default_factory=list)
    remedy: list[str] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    risks: list[str] = field(default_factory=list)
    t_states: int = 0
    emulated_seconds: float = 0.0
    cpu: dict[str, str] = field(default_factory=dict)
    where: str = ""
    unclaimed_ports: list[dict[str, Any]] = field(default_factory=list)
    cards: dict[str, list[str]] = field(default_factory=dict)
    second_runs: list[dict[str, Any]] = field(default_factory=list)  # changed backplanes that boot

    def as_dict(self) -> dict[str, Any]:
        """Give the verdict as JSON takes it."""
        return {
            "verdict": self.verdict, "cause": self.cause, "summary": self.summary,
            "evidence": self.evidence, "remedy": self.remedy, "facts": self.facts,
            "t_states": self.t_states, "emulated_seconds": self.emulated_seconds,
            "cpu": self.cpu, "where": self.where, "risks": self.risks,
            "unclaimed_ports": self.unclaimed_ports, "cards": self.cards,
            "second_runs": self.second_runs,
        }

    def exit_status(self, wanted_text: bool) -> int:
        """Give the exit status of ``boot``: 0 when it went as asked."""
        good = self.verdict == REACHED or (self.verdict == WAITING and not wanted_text)
        return 0 if good else 1

    def lines(self) -> list[str]:
        """Give the verdict as text; the first line is the answer."""
        head = self.verdict + (f", cause {self.cause}" if self.cause else "")
        out = [f"verdict: {head}: {self.summary}"]
        for title, rows in (("evidence", self.evidence), ("remedy", self.remedy),
                            ("risks", self.risks)):
            if rows:
                out.append(f"{title}:")
                out.extend(f"  - {row}" for row in rows)
        return out
