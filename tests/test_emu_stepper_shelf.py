"""Snapshots on the shelf: exact, shared page by page, and within the budget."""
from __future__ import annotations

import random

import pytest
from cpu_machine import Bare
from stepper_bench import sit, state

from emu.errors import InputError
from emu.run.history import History
from emu.run.player import Spot
from emu.run.snapshot_shelf import ENTRY, PAGE, Shelf, put_back

BUDGET = 3 << 20


def scribble(bare: Bare, chance: random.Random) -> None:
    """Write here and there and let some time pass."""
    for _ in range(3):
        bare.m.phys[chance.randrange(0x10000)] = chance.randrange(256)
    bare.m.t += chance.randrange(4, 400)


def really(shelf: Shelf) -> int:
    """Count the bytes of all different pages, and the references to them."""
    pages = {id(page) for entry in shelf.kept for page in entry.pages}
    return len(pages) * PAGE + sum(len(entry.pages) for entry in shelf.kept) * ENTRY


def test_what_was_put_on_the_shelf_comes_back() -> None:
    bare, other, chance, shelf = Bare("00"), Bare("00"), random.Random(5), Shelf()
    kept = []
    for _ in range(12):
        scribble(bare, chance)
        kept.append((shelf.keep(bare.machine, 0, 0.0), bare.machine.snapshot()))
    for entry, was in chance.sample(kept, len(kept)):
        put_back(other.machine, entry)
        now = other.machine.snapshot()
        assert (now.memory == was.memory).all() and now.t == was.t
        assert int(other.m.instructions) == int(bare.m.instructions)


def test_pages_that_did_not_change_are_shared() -> None:
    bare, shelf = Bare("00"), Shelf()
    first = shelf.keep(bare.machine, 0, 0.0)
    bare.m.phys[0x5000] ^= 1
    bare.m.t += 4
    second = shelf.keep(bare.machine, 0, 0.1)
    assert first.fresh == len(first.pages)
    assert second.fresh == 2, "the page with the byte, and the one with the time"
    assert shelf.bytes == really(shelf)


def test_the_budget_holds_and_distances_grow_with_age() -> None:
    bare, chance, shelf = Bare("00"), random.Random(9), Shelf(BUDGET)
    for k in range(400):
        scribble(bare, chance)
        shelf.keep(bare.machine, 0, k * 0.025)
        assert shelf.bytes <= BUDGET
        assert shelf.bytes == really(shelf)
    times = [entry.effort for entry in shelf.kept]
    assert times[0] == 0 and times[-1] == 399 * 0.025
    gaps = [b - a for a, b in zip(times, times[1:], strict=False)]
    half = len(gaps) // 2
    assert min(gaps[:half // 2]) > max(gaps[-3:]), gaps
    assert sum(gaps[:half]) > 3 * sum(gaps[half:]), gaps


def test_what_comes_behind_a_place_is_cut_off() -> None:
    bare, chance, shelf = Bare("00"), random.Random(1), Shelf()
    for k in range(6):
        scribble(bare, chance)
        shelf.keep(bare.machine, k, 0.0)
    place = shelf.kept[3].place
    shelf.cut_behind(*place)
    assert shelf.kept[-1].place == place and shelf.bytes == really(shelf)
    scribble(bare, chance)
    shelf.keep(bare.machine, 9, 0.0)
    assert shelf.bytes == really(shelf)
    assert shelf.before(*place) is shelf.kept[3]
    assert shelf.before(place[0], place[1] - 1) is shelf.kept[2]


def test_a_budget_that_cannot_do_is_refused() -> None:
    with pytest.raises(InputError, match="1 MiB are too little to go back with; give at least 16"):
        History(Bare("00").machine, 1 << 20)


def test_a_long_run_in_a_small_budget_still_goes_back_exactly() -> None:
    stepper = sit("21 00 10  34  23  18 FC")  # inc (hl); inc hl; round and round
    history = stepper.history
    history.shelf.budget = 300_000
    spots = []
    for k in range(40):
        stepper.go(stepper.t + 5000)
        history.shelf.keep(stepper.machine, 0, 1.0 + k)
        spots.append((stepper.spot, state(stepper)))
    assert history.shelf.bytes <= 300_000 and len(history.shelf.kept) < 30
    for spot, was in reversed(spots[::7]):
        stepper.jump(spot)
        assert stepper.spot == spot == Spot(spot.t, 0) and state(stepper) == was
