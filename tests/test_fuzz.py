"""A short slice of each family of hostile inputs, and the tool that throws them."""
from __future__ import annotations

import json
import os
import random
from pathlib import Path

import fuzz
import pytest
from fuzzing import act, mutate, pool, table, toml_text
from fuzzing.case import FOLDER, Case, Family, Link, Result, Told
from fuzzing.families import FAMILIES, warm_up
from fuzzing.ledger import Figures, Finding, Ledger, packed, read, unpacked

SLICE = 3  # inputs a family


@pytest.fixture(scope="module", autouse=True)
def warm() -> None:
    warm_up()


@pytest.mark.parametrize("name", FAMILIES)
def test_nothing_breaks(name: str) -> None:
    figures = Figures()
    fuzz.batch(FAMILIES[name], figures, 2031, SLICE)
    assert [(one.kind, one.mark, one.told) for one in figures.found] == []
    assert figures.next == SLICE == figures.accepted + figures.refused


@pytest.mark.parametrize("name", FAMILIES)
def test_an_input_is_the_same_again(name: str) -> None:
    family = FAMILIES[name]
    assert packed(family.case(5, 17)) == packed(family.case(5, 17))
    assert any(packed(family.case(5, 17)) != packed(family.case(seed, k))
               for seed, k in ((5, 18), (5, 19), (6, 17)))


# --- the checks find what they are to find -------------------------------------------------
def breaking(words: str) -> Family:
    """A family of our own whose actor does what the words say."""
    def do(case: Case) -> Told:
        word = case.words[0]
        if word == "raise":
            raise ZeroDivisionError
        if word == "kill":
            os.kill(os.getpid(), 9)
        if word == "eat":
            bytearray(3 << 30)
        if word == "spin":
            while True:
                pass
        if word == "wait":
            os.read(os.pipe()[0], 1)
        if word == "write":
            Path("mine").write_text("yours")
        if word == "outside":
            Path("../beside.txt").write_text("yours")
        return {"status": Told(3), "lines": Told(2, "", "preburn: a\nb\n"),
                "escape": Told(0, "\x1b[2J"), "long": Told(2, "", "preburn: " + "x" * 2000)}.get(
                    word, Told(0))

    def make(_: random.Random) -> Case:
        return Case({"mine": b"mine", "link": Link("mine"), "inner": FOLDER}, (words,))

    return Family("planted", "", make, do, seconds=1)


@pytest.mark.parametrize(("word", "kind", "mark"), [
    ("raise", "traceback", "ZeroDivisionError"), ("kill", "signal", "SIGKILL"),
    ("eat", "traceback", "MemoryError"), ("spin", "time", "more than 1 s of processor time"),
    ("write", "file", "here/mine"), ("outside", "file", "beside.txt"), ("status", "status", "3"),
    ("lines", "message", "2 lines"), ("escape", "escape", "x1b"), ("long", "message", "a long"),
    ("well", "", "")])
def test_what_is_planted_is_found(word: str, kind: str, mark: str) -> None:
    family = breaking(word)
    found = pool.alone(family, family.case(1, 1))
    assert found.kind == kind and mark in found.mark, found


def test_what_waits_for_ever_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "IDLE", 0.4)
    family = breaking("wait")
    found = pool.alone(family, family.case(1, 1))
    assert (found.kind, found.mark) == ("time", "it waits for ever")


def test_a_case_behind_one_that_ends_the_process_is_done_too() -> None:
    def make(r: random.Random) -> Case:
        return Case({}, ("kill" if r.random() < 0.5 else "well",))

    family = Family("planted", "", make, breaking("").act)
    figures = Figures()
    fuzz.batch(family, figures, 1, 5)
    kills = [n for n in range(5) if family.case(1, n).words == ("kill",)]
    assert 0 < len(kills) < 5 and figures.next == 5
    assert [(one.mark, one.count) for one in figures.found] == [("ended by SIGKILL", len(kills))]


def test_what_breaks_is_made_small() -> None:
    def do(case: Case) -> Told:
        if b"needle" in Path("f").read_bytes() and "b" in case.words:
            raise KeyError("planted")
        return Told(0)

    family = Family("planted", "", lambda r: Case({}), do, words_shrink=True)
    whole = Case({"f": b"".join(b"line %d\n" % k for k in range(40)) + b"a needle\nmore\n"},
                 ("a", "b", "c", "d"))
    small = pool.shrink(family, whole, pool.alone(family, whole))
    assert small.words == ("b",)
    assert small.files == {"f": b"a needle\n"}


# --- keeping count --------------------------------------------------------------------------
def test_a_ledger_is_gone_on_from(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = tmp_path / "l.json"
    for count in (3, 2):
        assert fuzz.main(["--family", "harbour", "--count",
                          str(count), "--resume", str(at), "--seed", "9"]) == 0
    ledger = read(at)
    assert ledger.seed == 9 and ledger.of("harbour").next == 5
    assert "| harbour |" in capsys.readouterr().out
    assert fuzz.main(["--family", "harbour", "--count", "0", "--resume", str(at), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["families"]["harbour"]["next"] == 5


def test_a_case_keeps_its_form_in_a_ledger() -> None:
    case = Case({"a": b"\0\xff", "b": Link("a"), "c": FOLDER}, ("x", "y"), b"\1", ("a",))
    assert unpacked(json.loads(json.dumps(packed(case)))) == case


def test_what_is_mended_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger = Ledger(1)
    case = packed(FAMILIES["harbour"].case(1, 0))
    ledger.of("harbour").found = [Finding("traceback", "x", 0, "", case=case)]
    ledger.of("harbour").add(0, Result(True, seconds=0.25))
    at = tmp_path / "l.json"
    ledger.save(at)
    assert fuzz.main(["--count", "0", "--resume", str(at)]) == 1
    assert fuzz.main(["--count", "0", "--resume", str(at), "--recheck"]) == 0
    assert read(at).of("harbour").found[0].mended
    page = table.filled("a\n<!-- table fuzz -->\nold\n<!-- end -->\nb\n", read(at), FAMILIES)
    assert "old" not in page and "| harbour |" in page and page.endswith("<!-- end -->\nb\n")


def test_the_laid_out_case_is_the_case(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = FAMILIES["tracks"].case(1, 3)
    assert fuzz.main(["--lay", "tracks", "3", str(tmp_path / "x")]) == 0
    assert json.loads(capsys.readouterr().out)["words"] == list(case.words)
    assert (tmp_path / "x" / "d.tracks").read_bytes() == case.files["d.tracks"]


def test_toml_is_written_as_it_is_read() -> None:
    import tomllib

    r = random.Random(3)
    for _ in range(200):
        tree = {"name": "m", "slot": {"a": {"card": "x", "v": mutate.value(r)}},
                "wire": [{"from": "a", "to": "b"}], "backplane": {"seed": 1}}
        text = toml_text.document(tree)
        try:
            again = tomllib.loads(text.encode("utf-8", "surrogatepass").decode("utf-8"))
        except (ValueError, UnicodeDecodeError):
            continue  # what TOML cannot hold: lone surrogates, numbers of thousands of digits
        assert repr(again) == repr(tree)


def test_a_traceback_has_a_mark() -> None:
    text = ('Traceback (most recent call last):\n  File "/x/emu/a.py", line 3, in one\n'
            '  File "/y/numpy/b.py", line 4, in two\nValueError: x\npreburn: this is a mistake\n')
    assert act.mark_of(text) == "ValueError in emu/a.py:one"
