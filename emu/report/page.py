"""The report page: one HTML file with everything in it, for light and dark screens."""
from __future__ import annotations

from collections.abc import Callable
from html import escape
from importlib.resources import files
from pathlib import Path

import numpy as np

from emu.card.number_words import time_words
from emu.diagnosis import Verdict
from emu.diagnosis.verdict import REACHED, WAITING
from emu.files.atomic import check_output, write_atomic
from emu.machine.glass import framed
from emu.report.flame import flames
from emu.report.history import BINS, NMI_ROW, History, history
from emu.report.listing import loop
from emu.report.pictures import COLOURS, Row, memory_picture, stack_picture, timeline
from emu.run.console import Channel
from emu.run.session import Session
from emu.usage.profile import Profile, functions, profile
from emu.usage.used import used_again

GOOD = (REACHED, WAITING)
HEAD = '<!DOCTYPE html>\n<html lang="en">'
MOST_FUNCTIONS = 15  # listed, of the program and of interrupts
WORDS = ("executed", "written", "read")


def check(path: Path) -> None:
    """Look before a run whether a report may be written there; InputError if not."""
    check_output(path, "report", HEAD.encode("ascii"))


def write(path: Path, session: Session, verdict: Verdict,
          told: Callable[[float], None] = lambda _: None) -> None:
    """Write the report of a session that has ended; ``told`` is given the share done.

    The run is repeated with its bus log on, and once more to see where the time went.  Raises
    InputError when the file cannot be written.
    """
    found = history(session.so_far(), told)
    text = page(session, verdict, found, profile(used_again(session)))
    write_atomic(path, text.encode("utf-8"), "report")


def page(session: Session, verdict: Verdict, found: History, spent: Profile) -> str:
    """Make the page's text."""
    name = session.machine.description.name or str(session.machine.description.path)
    style = files("emu.report").joinpath("style.css").read_text("utf-8")
    body = "\n".join(filter(None, (
        _answer(session, verdict), _over_time(session, found), _time(spent),
        _memory(session, found), _loop(session), _console(session), _state(verdict),
        _machine(session))))
    return (f'{HEAD}<head><meta charset="utf-8">'
            f'<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{escape(verdict.verdict)}: {escape(name)}</title>"
            f"<style>\n{style}</style></head><body>\n{body}\n</body></html>\n")


def _section(title: str, content: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{content}</section>" if content else ""


def _list(rows: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(row)}</li>" for row in rows) + "</ul>" if rows else ""


def _answer(session: Session, verdict: Verdict) -> str:
    good = " good" if verdict.verdict in GOOD else ""
    cause = f", cause {verdict.cause}" if verdict.cause else ""
    name = session.machine.description.name or "machine"
    parts = [f'<section class="answer{good}"><h1>{escape(verdict.verdict + cause)}</h1>'
             f"<p>{escape(verdict.summary)}</p>"
             f'<p class="soft">{escape(name)}, {time_words(verdict.emulated_seconds)} emulated</p>']
    for title, rows in (("Evidence", verdict.evidence), ("Remedy", verdict.remedy),
                        ("Risks", verdict.risks)):
        if rows:
            parts.append(f"<h2>{title}</h2>{_list(rows)}")
    return "".join([*parts, "</section>"])


def _over_time(session: Session, found: History) -> str:
    machine = session.machine
    seconds = float(machine.seconds(found.end))
    names = ["nobody", *(slot.name for slot in machine.slots)]
    rows = [_shown(channel, found) for channel in session.console.channels.values()
            if channel.text]
    for k, counts in enumerate(found.interrupts):
        if counts.any():
            name = "NMI" if k == NMI_ROW else f"interrupts {names[k]}" if k else "unanswered"
            rows.append(Row(name, f"{counts.sum()} accepted", counts,
                            "bar" if k else "unanswered"))
    for k, counts in enumerate(found.ports):
        if counts.any():
            name = f"ports of {names[k]}" if k else "empty ports"
            rows.append(Row(name, f"{counts.sum()} accesses", counts,
                            "bar" if k else "unanswered"))
    share = found.halted.sum() / max(found.cycles.sum(), 1)
    rows.append(Row("HALT", f"{share * 100:.3g} % of bus cycles", found.halted, "idle"))
    done = [(float(machine.seconds(change.t)), change.words()) for change in session.inputs]
    return _section("Over time", timeline(rows, seconds, done)
                    + stack_picture(found.stack_low, found.stack_high, seconds))


def _time(spent: Profile) -> str:
    """Draw where the time went, and list the functions that took most themselves."""
    rows = "".join(
        f'<tr{" class=handler" if apart else ""}><td class="code">{escape(f.name)}</td>'
        f"<td>{'' if f.line is None else escape(str(f.line))}</td><td>{spent.words(f.own)}</td>"
        f"<td>{spent.words(f.whole - f.idle)}</td><td>{f.calls}</td></tr>"
        for trees, apart in ((spent.program, False), (spent.interrupts, True))
        for f in functions(trees)[:MOST_FUNCTIONS])
    off = "" if spent.off is None else (
        f"; interrupts were off for {spent.words(spent.off.length)} at most, from "
        f"{spent.off.start} to {spent.off.end}")
    return _section("Where the time went", f'<p class="soft">Idle in HALT: '
                    f"{spent.words(spent.idle)}, {spent.share(spent.idle):.3g} %"
                    f"{escape(off)}. Pale: called by interrupts.</p>"
                    + flames(spent, spent.program, "Program")
                    + flames(spent, spent.interrupts, "Interrupts")
                    + "<table><tr><th>function</th><th>line</th><th>own</th><th>with calls</th>"
                    f"<th>calls</th></tr>{rows}</table>")


def _shown(channel: Channel, found: History) -> Row:
    times = np.array(list(channel.times), np.int64)
    counts = np.bincount(found.column(times), minlength=BINS) if len(times) else np.zeros(
        BINS, np.int64)
    return Row(f"console {channel.name}", f"{len(channel.times)} characters", counts, "console")


def _memory(session: Session, found: History) -> str:
    machine = session.machine
    owners = [machine.slots[int(owner) - 1].name if owner else "-"
              for owner in machine.m.owner.tolist()]
    key = "".join(f'<span class="key" style="background:rgb{colour}"></span>{word}'
                  for word, (_, colour) in zip(WORDS, COLOURS, strict=True))
    used = [int((found.memory & bit != 0).sum()) for bit, _ in COLOURS]
    words = ", ".join(f"{n} bytes {word}" for n, word in zip(used, WORDS, strict=True))
    return _section("Memory, 256 bytes a line",
                    f'<p class="soft">{key}; clear: untouched. {words}; what is executed hides '
                    f"what is written, and that what is read. Who answers is as at the end.</p>"
                    + memory_picture(found.memory, owners))


def _loop(session: Session) -> str:
    rows = loop(session.machine)
    if not rows:
        return ""
    cells = "".join(
        f'<tr{" class=handler" if r.handler else ""}><td class="code">{r.address:04X}h</td>'
        f'<td class="code">{escape(r.text)}</td><td>{escape(r.name)}</td><td>{escape(r.line)}'
        f'</td><td class="code">{escape(r.source)}</td><td>{r.count}</td></tr>' for r in rows)
    return _section("What runs at the end, within 20 ms",
                    '<p class="soft">Pale: inside interrupt handlers.</p><table><tr><th>at</th>'
                    "<th>instruction</th><th>name</th><th>line</th><th>source</th><th>times</th>"
                    f"</tr>{cells}</table>")


def _console(session: Session) -> str:
    out = []
    for channel in session.console.channels.values():
        if channel.text:
            text = channel.text.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
            shown = "".join(c if c in "\n\t" or c.isprintable() else "\ufffd" for c in text)
            out.append(f"<h2>{escape(channel.name)}</h2><pre>{escape(shown)}</pre>")
    if glass := "\n".join(framed(session.machine)):
        out.append(f"<h2>What the displays show</h2><pre>{escape(glass)}</pre>")
    return f"<section>{''.join(out)}</section>" if out else ""


def _state(verdict: Verdict) -> str:
    cpu = "".join(f'<tr><th>{escape(name)}</th><td class="code">{escape(value)}</td></tr>'
                  for name, value in verdict.cpu.items())
    cards = "".join(f"<h2>{escape(name)}</h2>{_list(words)}"
                    for name, words in verdict.cards.items() if words)
    return (f"<section><h2>At the end: {escape(verdict.where)}</h2>"
            f'<div class="split"><div><table>{cpu}</table></div><div>{cards}</div></div>'
            f"</section>")


def _machine(session: Session) -> str:
    d = session.machine.description
    rows = [f"backplane file {d.path}, seed {session.machine.seed}"]
    rows += [f"fault: {fault}" for fault in d.faults]
    for slot in d.slots:
        images = "".join(f", {image.path.name} (SHA-256 {image.digest[:16]}...)"
                         for image in slot.images.values())
        rows.append(f"slot {slot.name}: {slot.card.name}{images}")
    return _section("The machine", _list(rows))
