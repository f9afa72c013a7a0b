"""Compare two machines: run both, find where they part, and measure both."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from emu.backplane.description import Description
from emu.backplane.differences import differences
from emu.compare import measures
from emu.compare.divergence import Divergence, Point, Timing, first
from emu.compare.measures import Stack
from emu.compare.story import Story, Vocabulary, tell
from emu.knowngood.hold import parting
from emu.logs.setting import setting_of
from emu.logs.traced import TracedMachine
from emu.run.script import Step
from emu.run.session import Session


@dataclass
class Comparison:
    """Two runs side by side."""

    names: tuple[str, str]
    sessions: tuple[Session, Session]
    stories: tuple[Story, Story]
    differing: list[str]  # of the descriptions
    divergence: Divergence | None
    timing: Timing

    @property
    def same(self) -> bool:
        """Whether nothing that matters differs."""
        return self.divergence is None and not self.console()

    def console(self) -> list[str]:
        """Say for each terminal where the texts part."""
        out = []
        left, right = (s.console.channels for s in self.sessions)
        for name in {**left, **right}:
            texts = [side[name].text.decode("latin-1") if name in side else ""
                     for side in (left, right)]
            at = parting(*texts)
            if at is not None:
                line = texts[0].count("\n", 0, at) + 1
                out.append(f"{name}: the texts part in line {line}: {texts[0][at:at + 30]!r} / "
                           f"{texts[1][at:at + 30]!r}")
        return out

    def stacks(self) -> list[tuple[Stack, Stack]]:
        """Pair the stacks by the order of their first use."""
        return list(zip(*(measures.stacks(story.sp) for story in self.stories), strict=False))

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        found = self.divergence
        left, right = (measures.time_by_function(story) for story in self.stories)
        return {
            "same": self.same, "left": self.names[0], "right": self.names[1],
            "descriptions": self.differing,
            "divergence": None if found is None else {
                "what": found.what, "t": found.t, "left": _point(found.left),
                "right": _point(found.right)},
            "timing": {"stretches": self.timing.stretches,
                       "instructions": self.timing.instructions, "places": self.timing.places},
            "console": self.console(),
            "milestones": {name: [None if s is None else float(s) for s in pair]
                           for name, pair in self._milestones().items()},
            "t_states": [int(story.t[-1]) if len(story.t) else 0 for story in self.stories],
            "time_by_function": [list(row) for row in measures.moved(left, right)],
            "interrupts": {name: list(pair) for name, pair in self._interrupts().items()},
            "stacks": [[{"top": s.top, "depth": s.depth} for s in pair]
                       for pair in self.stacks()],
        }

    def _milestones(self) -> dict[str, tuple[Fraction | None, Fraction | None]]:
        return measures.side_by_side(*(measures.milestones(s) for s in self.sessions))

    def _interrupts(self) -> dict[str, tuple[int | None, int | None]]:
        return measures.side_by_side(*(measures.interrupts(s) for s in self.sessions))

    def lines(self) -> list[str]:
        """Give it as text; the first line is the answer."""
        left, right = self.names
        out = [f"left: {left}", f"right: {right}", *(f"differs: {d}" for d in self.differing)]
        if self.divergence is None:
            head = ["same: no divergence that matters, to the end of the shorter run."
                    if self.same else "differs: only the consoles."]
        else:
            head = [f"differs: {self.divergence.what}:"]
            for name, where in (("left", self.divergence.left), ("right", self.divergence.right)):
                hz = self.sessions[name == "right"].machine.hz
                head.append(f"  {name}: " + ("(not at all)" if where is None else
                            f"T {where.t} ({float(where.t / hz):.6f} s): {where.words}"))
        return head + out + self._tables()

    def _tables(self) -> list[str]:
        out = [f"console: {line}" for line in self.console()]
        if self.timing.stretches:
            out.append(f"timing only: {self.timing.stretches} stretches, "
                       f"{self.timing.instructions} instructions that one side runs more often, "
                       f"most in {', '.join(self.timing.places)}.")
        table = [("milestone", "left", "right")]
        table += [(name, _seconds(a), _seconds(b)) for name, (a, b) in self._milestones().items()]
        table += [(f"interrupts of {name}", str(a or 0), str(b or 0))
                  for name, (a, b) in self._interrupts().items()]
        table += [(f"bytes of stack {k}", f"{a.depth} below {a.top:04X}h",
                   f"{b.depth} below {b.top:04X}h")
                  for k, (a, b) in enumerate(self.stacks(), 1)]
        left, right = (measures.time_by_function(story) for story in self.stories)
        table += [(f"T-states in {name}", str(a), str(b))
                  for name, a, b in measures.moved(left, right)]
        wide = [max(len(row[k]) for row in table) for k in range(3)]
        return out + ["  ".join(w.ljust(n) for w, n in zip(row, wide, strict=True)).rstrip()
                      for row in table]


def _point(where: Point | None) -> dict[str, Any] | None:
    return None if where is None else {"t": where.t, "words": where.words}


def _seconds(value: Fraction | None) -> str:
    return "-" if value is None else f"{float(value):.6f} s"


def compare(left: Description, right: Description, names: tuple[str, str], until: str | None,
            limit: Fraction, steps: list[Step], seed: int | None = None,
            progress: Callable[[str], None] | None = None,
            run: Callable[[Session], None] = Session.run) -> Comparison:
    """Run two machines alike and compare them; ``run`` runs a session.

    When the second run is broken off, they are compared so far as it came; KeyboardInterrupt
    when the first is.
    """
    vocabulary = Vocabulary()
    sessions, stories = [], []
    for description in (left, right):
        machine = TracedMachine(description, seed, progress)
        session = Session(machine, until, limit, list(steps))
        stories.append(tell(session, setting_of(machine), vocabulary, run))
        sessions.append(session)
        if session.interrupted and len(sessions) == 1:
            raise KeyboardInterrupt
    divergence, timing = first(*stories)
    return Comparison(names, (sessions[0], sessions[1]), (stories[0], stories[1]),
                      differences(left, right), divergence, timing)
