"""What a boot was asked for besides the verdict: chronicle, page, kept console, coverage.

The run is done once more for most of them.  Ctrl-C leaves out what is still to come, so that
what is known so far is told all the same.
"""
from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emu.cli.running import Display
from emu.errors import Ended, InputError, say_where

if TYPE_CHECKING:
    from emu.diagnosis.verdict import Verdict
    from emu.run.session import Session


@dataclass
class AfterRun:
    """What is wanted, and what became of it: lines of text, and facts as JSON takes them."""

    chronicle: bool
    report: Path | None
    console: Path | None
    coverage: Path | None
    story: list[str] = field(default_factory=list)
    covered: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    failed: InputError | None = None  # the first file that could not be written
    stopped: KeyboardInterrupt | None = None

    def check(self) -> None:
        """Look before the run whether its files may be written; InputError if not."""
        if self.report is not None:
            from emu.report import page

            page.check(self.report)
        if self.console is not None:
            from emu.run import console_file

            console_file.check(self.console)
        if self.coverage is not None:
            from emu.usage import lcov

            lcov.check(self.coverage)

    def make(self, session: Session, verdict: Verdict, display: Display) -> None:
        """Make all that is wanted of a session that has ended."""
        tasks = [("the terminals' text was kept", self.console, self._keep_console),
                 ("the chronicle was made", self.chronicle or None, self._chronicle),
                 ("the report was made", self.report, self._report),
                 ("what ran was counted", self.coverage, self._cover)]
        for what, wanted, task in tasks:
            if wanted is None:
                continue
            try:
                with display.doing(f"the verdict is known; {what.replace(' was ', ' is ')}"):
                    task(session, verdict, display)
            except InputError as error:
                self.failed = self.failed or error
            except Ended:
                raise
            except KeyboardInterrupt as stop:
                say_where(stop, f"while {what}")
                self.stopped = stop
                return

    def _keep_console(self, session: Session, _: Verdict, __: Display) -> None:
        from emu.run import console_file

        assert self.console is not None
        console_file.write(self.console, session)

    def _chronicle(self, session: Session, _: Verdict, __: Display) -> None:
        from emu.chronicle.story import story_of

        found = story_of(session)
        self.facts["chronicle"] = [one.as_dict() for one in found]
        self.story = ["chronicle:", *(
            f"  {float(session.machine.seconds(one.t)):.6f} s  {one.kind}: {one.text}"
            + (f" ({one.count} times)" if one.count > 1 else "") for one in found)]

    def _report(self, session: Session, verdict: Verdict, display: Display) -> None:
        from emu.report import page

        assert self.report is not None
        page.write(self.report, session, verdict, display.share)
        self.written.append(f"report: {self.report}")

    def _cover(self, session: Session, _: Verdict, __: Display) -> None:
        from emu.usage import coverage, lcov
        from emu.usage.used import used_again

        assert self.coverage is not None
        found = coverage.coverage(used_again(session))
        self.facts["coverage"] = [row.as_dict() for row in coverage.totals(found)]
        self.covered = ["coverage:", *(f"  {row}" for row in coverage.table(found))]
        lcov.write(self.coverage, [found], coverage.sources(session.machine))
        self.covered.append(f"  {self.coverage}")
