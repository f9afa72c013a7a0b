"""A real board's capture beside the simulated boot; the boards here are our own, damaged."""
from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from capture_bench import behind, course, dump, sampled, without, write_csv
from click.testing import CliRunner
from knowngood_bench import FULL, ROMS, patched, place_of

from emu.bus.state import ACK, FETCH, READ, WRITE
from emu.cli import group
from emu.compare import capture, wires
from emu.compare.anchor import rising
from emu.compare.probes import column_map, plain
from emu.compare.stackdata import on_stack
from emu.errors import InputError

SILENT = ROMS / "broken/ports/silent-port.toml"
RATE = 40e6  # samples a second, of a bus at 6.144 MHz


def compare(path: Path, *more: str) -> dict[str, Any]:
    result = CliRunner().invoke(group, ["compare", str(FULL), "--capture", str(path), "--until",
                                        "tw> ", "--limit", "1", "--json", *more])
    assert result.exit_code in (0, 1), result.output
    tree = json.loads(result.stdout)
    assert tree["same"] is (result.exit_code == 0)
    return tree


@pytest.fixture(scope="module")
def boot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two milliseconds of the boot, from 12 ms on: the first lines of the banner."""
    return dump(FULL, tmp_path_factory.mktemp("boot") / "boot.vcd", "12ms", "14ms")


def test_our_own_dump_agrees_to_the_last_cycle(boot: Path) -> None:
    found = compare(boot)
    assert found["same"] and found["agree"] >= found["captured_cycles"] - 1
    assert abs(found["begins"]["t"] - 12e-3 * 6.144e6) < 30
    assert found["clock_hz"] == pytest.approx(6.144e6, rel=1e-3)


def test_swapped_line_lost_samples_unrelated_start(boot: Path, tmp_path: Path) -> None:
    """As few as thirteen lines and four of the address, sampled with jitter."""
    stranger = dump(SILENT, tmp_path / "stranger.vcd", "1ms", "1.5ms")
    samples = without(behind(sampled(course(stranger), RATE, 1), sampled(course(boot), RATE)),
                      (0.4, 0.401), (0.6, 0.605), (0.8, 0.8002))
    path = write_csv(tmp_path / "board.csv", samples, wired={"D3": "D4", "D4": "D3"})
    found = compare(path)
    assert found["aligned"] and found["lines"] == [next(
        line for line in found["lines"] if line.startswith("D3 and D4 are swapped"))]
    assert "difference" not in found, found
    own = len(capture.read(boot).cycles)
    assert 0.97 * own < found["agree"] <= own
    assert abs(found["begins"]["t"] - 12e-3 * 6.144e6) < 60
    assert found["begins"]["captured_cycle"] > 100
    assert 2 <= len(found["lost_samples"]) <= 4
    assert found["clock_hz"] == pytest.approx(6.144e6, rel=0.01)


def test_a_stuck_data_line_and_swapped_address_lines(boot: Path, tmp_path: Path) -> None:
    samples = sampled(course(boot), RATE)
    found = compare(write_csv(tmp_path / "a.csv", samples, stuck={"D5": 0}))
    assert len(found["lines"]) == 1 and found["lines"][0].startswith("D5 is stuck at 0")
    assert "difference" not in found
    found = compare(write_csv(tmp_path / "b.csv", samples, wired={"A1": "A2", "A2": "A1"}))
    assert [line[:22] for line in found["lines"]] == ["A1 and A2 are swapped "]
    assert "difference" not in found


def test_a_slow_clock_and_no_address_lines(boot: Path, tmp_path: Path) -> None:
    times, states = sampled(course(boot), RATE)
    found = compare(write_csv(tmp_path / "slow.csv", (times * 3, states), address=()))
    assert found["same"], found
    assert found["clock_hz"] == pytest.approx(6.144e6 / 3, rel=0.01)


def test_a_wait_state_that_the_file_does_not_have(tmp_path: Path) -> None:
    slow = tmp_path / "slow.toml"
    slow.write_text(f'extends = "{FULL}"\n[slot.sio]\nwaits-io = 1\n')
    board = dump(slow, tmp_path / "slow.vcd", "12ms", "20ms")
    found = compare(board)
    assert "difference" not in found
    assert [line for line in found["waits"] if line.startswith(
        "port writes of sio are 1 T-state longer on the board")] == found["waits"] != []


def test_a_card_that_does_not_answer(tmp_path: Path) -> None:
    silent = tmp_path / "silent.toml"
    silent.write_text(f'extends = "{FULL}"\n[[fault]]\nkind = "card-silent"\nslot = "sio"\n')
    board = dump(silent, tmp_path / "silent.vcd", "10ms", "13ms")
    found = compare(board)
    difference = found["difference"]
    assert difference["simulated"].startswith("in ") and " by sio at T " in difference["simulated"]
    assert "= FFh" in difference["board"] and "sio_echo" in difference["place"]
    assert difference["likely"] == [
        "slot sio does not answer here: the bus reads FFh, as with pull-ups alone."]


def test_another_byte_in_the_rom(tmp_path: Path) -> None:
    """The board has 1.7 where the image says 1.5: one bit of one read."""
    new = patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    place = place_of(b"Tidewater 1.5, harbour") + len("Tidewater 1.")  # below 2000h: as it runs
    found = compare(dump(new, tmp_path / "new.vcd", "12ms", "14ms"))
    difference = found["difference"]
    assert difference["simulated"].startswith(f"read {place:04X}h = 35h by memory at T ")
    assert difference["board"].startswith(f"read {place:04X}h = 37h at 0.01")
    assert "con_puts+1" in difference["place"] and not difference["lost"]
    assert difference["likely"][0].startswith("D1 reads 1 in place of 0 at times")


def test_a_capture_of_something_else(tmp_path: Path) -> None:
    other = dump(SILENT, tmp_path / "other.vcd", "1ms", "1.5ms")
    result = CliRunner().invoke(group, ["compare", str(FULL), "--capture", str(other), "--until",
                                        "tw> "])
    assert result.exit_code == 1 and result.output.startswith("not aligned: nothing of ")


@pytest.mark.parametrize("text", ["data-swapped,line=2,with=6", "address-stuck,line=5,level=1"])
def test_a_board_that_runs_another_program(text: str, tmp_path: Path) -> None:
    """The fault is found by experiment: the capture begins before reset is let go."""
    kind, *pairs = text.split(",")
    broken = tmp_path / "broken.toml"
    broken.write_text(f'extends = "{FULL}"\n[[fault]]\nkind = "{kind}"\n'
                      + "\n".join(pair.replace("=", " = ") for pair in pairs) + "\n")
    board = course(dump(broken, tmp_path / "broken.vcd", "0t", "1ms"))
    before = course(dump(SILENT, tmp_path / "before.vcd", "1ms", "1.1ms"))
    samples = behind(sampled(before, RATE, 1), sampled(board, RATE))
    found = compare(write_csv(tmp_path / "a.csv", samples, [f"A{k}" for k in range(16)]))
    assert not found["aligned"] and found["experiment"]["fault"] == text
    assert found["experiment"]["agree"] > 0.99 * found["experiment"]["of"] > 1000


def refusal(path: Path, columns: str = "") -> str:
    with pytest.raises(InputError) as caught:
        capture.read(path, columns)
    return str(caught.value)


def test_captures_that_are_refused(boot: Path, tmp_path: Path) -> None:
    samples = sampled(course(boot), RATE)
    few = tuple(part[:4000] for part in samples)
    path = write_csv(tmp_path / "a.csv", few)
    text = path.read_text()
    path.write_text(text.replace("nIORQ", "CH7", 1).replace("nM1", "CH8", 1))
    assert refusal(path).startswith(
        f"{path}: shows too few lines: M1, IORQ are missing; its columns are Time [ns], D0, D1,")
    assert len(capture.read(path, "IORQ=CH7,M1=CH8").cycles) > 50
    assert refusal(path, "IORQ=CH9,M1=CH8").startswith(f"{path}: has no column 'CH9' for IORQ;")
    assert "IORQ has the column CH7 already" in refusal(path, "IORQ=CH7,IORQ=CH8")
    assert refusal(path, "CS=CH7").startswith("--columns CS=CH7: write LINE=COLUMN")
    path.write_text(text.replace(",1,", ",up,", 1))
    assert "holds 'up', not 0 or 1; is it the right column?" in refusal(path)
    path.write_text(text[:text.rindex(",")] + "\n")
    assert "has 17 columns, the first row has 18" in refusal(path)
    path.write_text(text.splitlines()[0] + "\n")
    assert "holds no samples" in refusal(path)
    swapped = text.replace("Time [ns],D0", "D0,Time [ns]", 1)
    path.write_text(swapped)
    assert "the time goes back" in refusal(path) or "holds" in refusal(path)
    write_csv(path, tuple(part[:200] for part in samples))
    assert "shows only " in refusal(path) and "check that the strobes" in refusal(path)


def test_dumps_that_are_refused(boot: Path, tmp_path: Path) -> None:
    text = boot.read_text()
    path = tmp_path / "a.vcd"
    path.write_text(text.replace(" RD ", " CH3 ", 1))
    assert "shows too few lines: RD is missing" in refusal(path)
    path.write_text(text.replace("$enddefinitions", "$end"))
    assert "it has no $enddefinitions" in refusal(path)
    path.write_text(text + "\nhello\n")
    assert "'hello' is no value change" in refusal(path)
    path.write_text(text.replace("$var wire 1 ", "$var wire 2 ", 1 + 8))
    assert "2 bits wide" in refusal(path)


def test_buses_in_one_column(boot: Path, tmp_path: Path) -> None:
    """Data and address as hex columns show the same as single lines."""
    times, states = tuple(part[:6000] for part in sampled(course(boot), RATE))
    rows = ["Data,Addr,M1#,/RD,WR_n,nMREQ,~IORQ"]
    for state in states.tolist():
        strobes = ",".join(str(state >> bit & 1) for bit in range(24, 29))
        rows.append(f"{state & 0xFF:02X},{state >> 8 & 0xFFFF:04x},{strobes}")
    path = tmp_path / "bus.csv"
    path.write_text("\n".join(rows))
    lines = write_csv(tmp_path / "lines.csv", (times, states), [f"A{k}" for k in range(16)])
    a, b = capture.read(path), capture.read(lines)
    assert a.mask == b.mask == 0xFFFF and not a.timed
    for name in ("kind", "data", "address"):
        assert (a.cycles[name] == b.cycles[name]).all() and len(a.cycles) > 80


def test_names_of_lines() -> None:
    for name in ("M1", "nM1", "/M1", "M1#", "m1_n", "~M1", "bus.M1", "M1 [V]", "M1BAR"):
        assert plain(name) == "M1", name
    assert plain("Data7") == "D7" and plain("addr_12") == "A12" and plain("CH1") == "CH1"
    assert column_map(" D0 = ch 0 , time=T [s]") == {"D0": "ch 0", "TIME": "T [s]"}


def test_stack_cycles_by_hand() -> None:
    """UM0080: CALL reads two operands and writes two bytes; RETI is ED 4D; ED C9 is none."""
    rows = [(FETCH, 0xCD), (READ, 1), (READ, 2), (WRITE, 3), (WRITE, 4), (FETCH, 0xED),
            (FETCH, 0x4D), (READ, 4), (READ, 3), (FETCH, 0x7E), (READ, 5), (ACK, 0x10),
            (WRITE, 1), (WRITE, 2), (READ, 3), (FETCH, 0xED), (FETCH, 0xC9), (READ, 0)]
    cycles = np.zeros(len(rows), capture.CAPTURED)
    cycles["kind"], cycles["data"] = zip(*rows, strict=True)
    assert np.flatnonzero(on_stack(cycles)).tolist() == [3, 4, 7, 8, 12, 13]


def test_wires_by_hand() -> None:
    random = np.random.default_rng(5)
    want = random.integers(0, 256, 500)
    swapped = want & ~0x18 | (want >> 1 & 8) | (want << 1 & 16)
    found = wires.faults(want, swapped, "D", 8, 0xFF)
    assert wires.words(found) == ["D3 and D4 are swapped (500 of 500 cycles agree so)"]
    assert (wires.mended(swapped, found, 8) == want).all()
    assert wires.words(wires.faults(want, want | 2, "D", 8, 0xFF)) == [
        "D1 is stuck at 1 (500 cycles)"]
    inverted = wires.faults(want, want ^ 4, "D", 8, 0xFF)
    assert wires.words(inverted) == ["D2 shows D2 inverted (500 of 500 cycles)"]
    assert (wires.mended(want ^ 4, inverted, 8) == want).all()
    assert wires.faults(want, want, "D", 8, 0xFF) == []


def test_the_longest_rising_run_is_the_longest() -> None:
    """Held against every subset, for short columns."""
    random = np.random.default_rng(6)
    for _ in range(50):
        column = random.permutation(9)
        pairs = np.column_stack([np.arange(9), column])
        runs = (rows for size in range(10) for rows in itertools.combinations(range(9), size)
                if all(column[a] < column[b] for a, b in itertools.pairwise(rows)))
        best = max(map(len, runs))
        rows = rising(pairs)
        assert len(rows) == best and (np.diff(column[rows]) > 0).all()
