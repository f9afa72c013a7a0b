"""Mutants: one change each, labels of the catalogue, one rule for the judge, runs that go on."""
from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import pytest
from mutants import (
    backplane_file,
    boots,
    build,
    corpus,
    figures,
    kernel,
    labels,
    page,
    runner,
    show,
    sites,
)
from mutants.burning import burned
from mutants.judge import MISSED, NAMED, NEAR, WRONG, accused, judge, mentions, same_behaviour
from mutants.kernel import CorpusError, Kernel, load, number_of
from mutants.lines import lines_of
from mutants.model import BACKPLANE, BINARY, DELETE, LINK, SOURCE, Burn, Edit, Setting, apply
from mutants.symbols import Symbols

ROOT = Path(__file__).parent.parent
SOURCE_TEXT = """\
        .equ UART, 0x30
start:  ld sp, 0
        ld a, 3
        out (UART), a
        ld a, 0x15
        out (UART), a
        ld a, 0x3E
        out (UART+1), a
        im 1
        ei
loop:   halt
        jr loop
        .org 0x38
tick:   push af                 ; nothing else is used; reti
        in a,(UART)
        and 0x02
        jr z, done
        ld a,0x15
        out (UART), a
done:   pop af
        ei
        reti
"""
SCRIPT = """\
MEMORY { rom (rx) : ORIGIN = 0, LENGTH = 0x8000
         ram (rw) : ORIGIN = 0x8000, LENGTH = 0x8000 }
SECTIONS { .text : { *(.text) } > rom
           .bss (NOLOAD) : { *(.bss) } > ram }
"""
MACHINE = """\
name = "Test"
[backplane]
chain = ["ctc"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "small.elf"
[slot.ctc]
card = "z80-ctc"
base = 0x28
[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
terminal = { baud = 38400, format = "8N1" }
"""
ABOUT = 'title = "Small"\nhalf = "open"\nuntil = ">"\nlimit = 0.1\nends = "still-running"\n'
SITES = """\
[[site]]
operator = "ei-too-early"
file = "small.s"
old = "done:   pop af"
new = "done:"
names = ["done"]
why = "returns to AF"
"""


@pytest.fixture
def small(tmp_path: Path) -> Kernel:
    """A program of a few lines, with a site of its own."""
    folder = tmp_path / "small"
    folder.mkdir()
    recipe = '[[image]]\nname = "small"\nsources = ["small.s"]\nscript = "small.ld"\n'
    for name, text in {"small.s": SOURCE_TEXT, "small.ld": SCRIPT, "machine.toml": MACHINE,
                       "kernel.toml": ABOUT, "build.toml": recipe, "sites.toml": SITES}.items():
        (folder / name).write_text(text)
    (folder / "small.bin").write_bytes(bytes(range(1, 0x60)))
    return load(folder)


def programs() -> list[Kernel]:
    """Every program of the corpus."""
    return kernel.kernels()


def test_there_are_at_least_sixty_operators_with_a_line_about_each() -> None:
    made = corpus.operators()
    assert len(made) >= 60
    assert len({operator.name for operator in made}) == len(made)
    assert all(operator.about.endswith(".") for operator in made)
    assert {operator.kind for operator in made} == {SOURCE, LINK, BINARY, BACKPLANE}


def assert_one_mistake(program: Kernel) -> None:
    """Every mutant is changed in exactly one way, and that changes something."""
    for mutant in corpus.mutants_of(program):
        ways = [bool(mutant.edits), bool(mutant.settings), mutant.burn is not None]
        assert ways.count(True) == 1, mutant.id
        assert mutant.names, mutant.id
        for file in {edit.file for edit in mutant.edits}:
            old = (program.folder / file).read_text()
            new = apply(old, (edit for edit in mutant.edits if edit.file == file))
            assert new != old, mutant.id
        if mutant.settings:
            assert backplane_file.changed(program.tree, mutant.settings) != program.tree, mutant.id
        if mutant.burn:
            data = (program.folder / f"{program.image['name']}.bin").read_bytes()
            assert burned(data, mutant.burn) != data, mutant.id


def test_a_mutant_has_one_mistake(small: Kernel) -> None:
    assert_one_mistake(small)


@pytest.mark.parametrize("program", programs(), ids=lambda program: program.name)
def test_a_mutant_of_the_corpus_has_one_mistake(program: Kernel) -> None:
    assert_one_mistake(program)


def test_each_operator_for_sources_changes_one_line_or_a_pair(small: Kernel) -> None:
    by_operator = {m.operator: m for m in corpus.mutants_of(small) if m.kind == SOURCE}
    for name, old, new in [("ret-for-reti", "        reti\n", "        ret\n"),
                           ("handler-ei-missing", "af\n        ei\n", "af\n        \n"),
                           ("im-missing", "        im 1\n", "        \n"),
                           ("wrong-status-bit", "and 0x02", "and 0x04"),
                           ("poll-turned-round", "jr z, done", "jr nz,done"),
                           ("sp-in-rom", "ld sp, 0\n", "ld sp,0x0400\n")]:
        changed = apply(SOURCE_TEXT, by_operator[name].edits)
        assert changed == SOURCE_TEXT.replace(old, new), name
    pair = apply(SOURCE_TEXT, by_operator["register-not-saved"].edits)
    gone = Counter(SOURCE_TEXT.split()) - Counter(pair.split())
    assert gone == Counter(["push", "pop", "af", "af"])
    assert "; nothing else is used; reti" in pair  # comments are no code


def test_every_code_of_a_label_is_in_the_catalogue() -> None:
    said = subprocess.run([sys.executable, "-m", "emu.cli", "causes", "--json"], cwd=ROOT,
                          capture_output=True, text=True, check=True)
    known = set(json.loads(said.stdout))
    table = labels.table()
    used = {code for codes in table["group"].values() for code in labels.expand(codes)}
    for rows in [table["operator"], *table["card"].values()]:
        used |= {code for codes in rows.values() for code in labels.expand(codes)}
    used |= {code for row in table["kind"] for code in labels.expand(row["codes"])}
    used |= {code for program in programs() for mutant in corpus.mutants_of(program)
             for code in labels.codes(mutant)}
    assert used <= known


def test_every_operator_has_a_label(small: Kernel) -> None:
    table = labels.table()["operator"]
    for mutant in corpus.mutants_of(small):
        assert mutant.operator in table or mutant.codes or mutant.key.startswith("site"), mutant.id
    assert set(table) <= {operator.name for operator in corpus.operators()}


SYMBOLS = Symbols({"tick": 0x0038, "done": 0x0046, "main": 0x0100}, (0x38, 0x46, 0x100))
ANSWER = {"cause": "missing-reti", "summary": "slot ctc is still under service.",
          "evidence": ["Its handler is 003Ah."], "remedy": ["End it with RETI."]}


@pytest.mark.parametrize(("answer", "codes", "names", "hints", "wanted"), [
    (ANSWER, ["missing-reti"], ["tick"], [], NAMED),  # by an address in the routine
    (ANSWER, ["missing-reti"], ["ctc"], [], NAMED),
    (ANSWER, ["missing-reti"], ["other"], ["ctc"], NAMED),  # a hint, with an acceptable cause
    (ANSWER, ["interrupts-off"], ["tick"], [], NEAR),  # the right thing, another cause
    (ANSWER, ["interrupts-off"], ["other"], ["ctc"], WRONG),  # a hint is not enough
    (ANSWER, ["missing-reti"], ["main", "0x50"], [], WRONG),  # the cause, of something else
    ({**ANSWER, "cause": None}, ["missing-reti"], ["tick"], [], MISSED),
    ({}, ["missing-reti"], ["tick"], [], MISSED),  # no answer in time
])
def test_the_judge_has_one_rule(answer: dict, codes: list[str], names: list[str],
                                hints: list[str], wanted: str) -> None:
    assert judge(answer, codes, names, hints, SYMBOLS) == wanted


@pytest.mark.parametrize(("text", "name", "wanted"), [
    ("port 28h was read", "0x28", True), ("port 028h", "0x28", True),
    ("at 1028h", "0x28", False), ("at 0028h", "0x0028", True), ("0028h", "0x28", False),
    ("set it to 28", "0x28", False), ("ticks", "tick", False), ("TICK+2", "tick", True),
    ("data line D3 is stuck", "D3", True), ("the byte D3h", "D3", False),
    ("tick (small.s:44)", "small.s:43", True), ("small.s:48", "small.s:43", False),
    ("at 9F00h", "@0x8000-0x9FFF", True), ("at A000h", "@0x8000-0x9FFF", False),
    ("at 0103h", "main", True), ("at 0045h", "done", False),
])
def test_a_text_mentions_a_thing(text: str, name: str, wanted: bool) -> None:
    assert mentions(text, name, SYMBOLS) is wanted


def test_a_healthy_program_is_accused_by_a_cause_or_a_bad_verdict() -> None:
    assert accused({"cause": "stuck-flag", "verdict": "hung"})
    assert accused({"cause": None, "verdict": "hung"})
    assert accused({})  # refused, or no answer in time
    assert not accused({"cause": None, "verdict": "still-running"})


def _run(text: str, halted: str = "0", iff1: str = "1", verdict: str = "hung") -> dict:
    return {"console": {"sio.a": text}, "glass": {}, "verdict": verdict, "cause": "stuck-flag",
            "cpu": {"halted": halted, "iff1": iff1}}


def test_harmless_is_told_by_behaviour_and_not_by_the_verdict() -> None:
    sound = _run("ready\r\n> ", verdict="waiting-for-input")
    assert same_behaviour(_run("ready\r\n> "), sound)
    assert same_behaviour(_run("ready\r\n> xy"), sound, 2)  # a clock that is a little ahead
    assert not same_behaviour(_run("ready\r\n> xy"), sound)
    assert not same_behaviour(_run("ready\r\n> xyz"), sound, 2)
    assert not same_behaviour(_run("ready\r\n"), _run("ready\r\n" + 20 * "tick "))
    assert not same_behaviour(_run("reedy\r\n> "), sound)
    assert not same_behaviour(_run("ready\r\n> ", "1", "0"), sound)


def test_edits_that_overlap_are_refused() -> None:
    with pytest.raises(ValueError, match="edits of a.s overlap at character 0"):
        apply("abcdef", [Edit("a.s", 0, 3, ""), Edit("a.s", 2, 4, "")])


@pytest.mark.parametrize(("burn", "wanted"), [
    (Burn("late", 2), b"\xff\xffabcde"), (Burn("skip", 3), b"de"), (Burn("cut", 2), b"ab"),
    (Burn("halves", 4), b"e\xff\xff\xffabcd"), (Burn("bytes"), b"badc\xffe"),
    (Burn("blank"), b"\xff" * 5), (Burn("flip", 1, 2), b"a`cde"),
])
def test_bytes_are_burned_wrongly(burn: Burn, wanted: bytes) -> None:
    assert burned(b"abcde", burn) == wanted


def test_a_backplane_file_is_written_as_it_was_read(small: Kernel) -> None:
    assert tomllib.loads(backplane_file.write(small.tree)) == small.tree
    without = backplane_file.changed(small.tree, [Setting(("slot", "ctc", "base"), DELETE)])
    assert "base" not in without["slot"]["ctc"] and "base" in small.tree["slot"]["ctc"]


def test_lines_know_their_routine_and_their_place() -> None:
    reti = next(line for line in lines_of("small.s", SOURCE_TEXT) if line.op == "reti")
    assert (reti.routine, reti.place) == ("tick", "small.s:22")
    inside = list(lines_of("a.c", "void f(void) {\n__asm\n  ei ; on\n__endasm;\n}\n"))
    assert [(line.op, line.number, line.routine) for line in inside if line.op] == [("ei", 3, "f")]


@pytest.mark.parametrize(("text", "wanted"), [
    ("0x20 + 2", 0x22), ("#0A4h", 0xA4), ("BASE|1", 0x31), ("$1F", 0x1F), ("x+1", None),
    ("call(2)", None)])
def test_constants_are_worked_out(text: str, wanted: int | None) -> None:
    assert number_of(text, {"BASE": 0x30}) == wanted


def test_a_site_that_does_not_fit_is_refused_in_one_line(small: Kernel) -> None:
    (small.folder / "sites.toml").write_text(SITES.replace("done:   pop af", "af"))
    with pytest.raises(CorpusError, match=r"site 1 \(ei-too-early\): its `old` stands 2 times"):
        sites.mutants(small)


def test_a_sample_is_the_same_for_the_same_seed() -> None:
    ids = [f"m{n}" for n in range(100)]
    assert corpus.sample(ids, 10, 3) == corpus.sample(reversed(ids), 10, 3)
    assert corpus.sample(ids, 10, 3) != corpus.sample(ids, 10, 4)
    assert corpus.sample(ids, 1000, 3) == sorted(ids)


def _row(name: str, kind: str, truth: str = "broken", cause: str | None = "stuck-flag") -> dict:
    run = {"class": kind, "accused": cause is not None, "cause": cause, "verdict": "hung",
           "processor_seconds": 1.0, "t_states": 5, "timed_out": False}
    return {"id": name, "kernel": "small", "half": "open", "operator": "ei-missing",
            "kind": SOURCE, "truth": truth, "runs": {"symbols": run, "bare": run}}


HEALTHY = [{"id": "small/healthy", "kernel": "small", "half": "open", "image": "bare",
            "run": "seed 1", "accused": True, "cause": "stuck-flag", "verdict": "hung",
            "came": True, "processor_seconds": 3.0, "t_states": 7}]


def test_figures_count_what_is_broken_and_keep_the_harmless_apart(tmp_path: Path) -> None:
    rows = [_row("a", NAMED), _row("b", NEAR), _row("c", "harmless", "harmless"),
            {**_row("d", NAMED), "truth": "unbuildable", "runs": {}}]
    sums = figures.figures(rows, HEALTHY)
    assert sums["classes"]["both"] == {"answers": 4, NAMED: 2, NEAR: 2, WRONG: 0, MISSED: 0}
    assert (sums["broken"], sums["harmless"], sums["unbuildable"]) == (2, 1, 1)
    assert (sums["harmless_runs"], sums["harmless_accused"]) == (2, 2)
    assert sums["healthy"]["accused"] == 1 and sums["t_states"]["worst"] == 7
    path = tmp_path / "accuracy.md"
    path.write_text(f"before\n{page.BEGIN}old\n{page.END}\nafter\n")
    page.write(path, sums, "Now.")
    text = path.read_text()
    assert text.startswith("before\n") and text.endswith(f"{page.END}\nafter\n")
    assert "| all | 4 | 2 | 2 | 0 | 0 | 50.0 | 50.0 |" in text and "old" not in text


def test_a_measurement_goes_on_where_it_was_cut_off(small: Kernel, tmp_path: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def of_mutant(_kernel: Kernel, mutant: object, _baselines: object) -> list:
        asked.append(mutant.id)  # type: ignore[attr-defined]
        if len(asked) == 3:
            raise KeyboardInterrupt
        return [_row(mutant.id, NAMED)]  # type: ignore[attr-defined]

    monkeypatch.setattr(runner.measure, "of_mutant", of_mutant)
    monkeypatch.setattr(runner.measure, "of_healthy", lambda *_: HEALTHY)
    path = tmp_path / "rows.jsonl"
    chosen, _ = runner.choose({"small": small}, 4, 1)
    healthy_runs = {"small/healthy/seed 1": (small, "seed 1")}

    def go() -> tuple[list, list]:
        return runner.run({"small": small}, chosen, healthy_runs, runner.Kept(path), 1,
                          lambda *_: None)

    with pytest.raises(KeyboardInterrupt):
        go()
    assert len(path.read_text().splitlines()) in (3, 4)  # and what ran meanwhile is kept, too
    path.write_text(path.read_text() + '{"key": "cut')  # as a power cut leaves it
    rows, healthy = go()
    assert [row["id"] for row in rows] == list(chosen) and healthy == HEALTHY
    assert len(asked) == 5 and len(set(asked)) == 4  # only the one that was cut off came twice
    (small.folder / "small.s").write_text(SOURCE_TEXT + "\n")
    assert runner.Kept(path).get(next(iter(chosen)), "other sources") is None


def test_the_keys_of_a_program_are_typed_as_boot_takes_them(tmp_path: Path) -> None:
    about = {"send": ["a\r", "b"], "after": ["> "]}
    assert boots.keys(about, tmp_path) == ["--after", "> ", "--send", "a\\r", "--send", "b"]


def test_a_boot_that_takes_too_long_is_ended(roms: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(boots, "TIMEOUT", 1)
    run = boots.boot(next(roms.rglob("busy-delay.toml")), 100_000)
    assert run.timed_out and not run.told and not run.refused


def test_a_file_that_is_refused_is_no_answer(tmp_path: Path) -> None:
    run = boots.boot(tmp_path / "none.toml", 1)
    assert "no such file" in run.refused and not run.told


def test_a_closed_mutant_is_not_shown(small: Kernel, tmp_path: Path) -> None:
    (small.folder / "kernel.toml").write_text(ABOUT.replace("open", "closed"))
    closed = load(small.folder)
    with pytest.raises(CorpusError, match="is closed: it is measured and not looked into"):
        show.show(closed, corpus.mutants_of(closed)[0], tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_mutant_is_built_booted_and_judged(small: Kernel, tmp_path: Path) -> None:
    """The whole way, with the cross tools."""
    if not (build.build_roms.toolchain_folder() / "bin").exists():
        pytest.skip("needs the cross assembler: python tools/build_roms.py --toolchain-only")
    mutant = next(m for m in corpus.mutants_of(small) if m.operator == "fault-reset-held")
    (row,) = runner.measure.of_mutant(small, mutant, runner.measure.Baselines())
    assert row["truth"] == "broken"
    assert {image: run["class"] for image, run in row["runs"].items()} == \
        {"symbols": NAMED, "bare": NAMED}
    (tmp_path / "made").mkdir()
    machines = build.make(small, None, tmp_path / "made")
    assert machines.symbols.at["tick"] == 0x38
    lines = show.show(small, mutant, tmp_path / "shown")
    assert lines[0] == mutant.id and "causes: reset-held" in lines
    assert (tmp_path / "shown" / "small" / "bare.toml").exists()
