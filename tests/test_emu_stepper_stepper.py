"""Stepping forwards and backwards, changes and their undoing, stops and what they say.

Which instruction follows which, and what it takes, is UM0080's; the commands are our own.
That going back is exact is held against the run itself: each state met on the way forward
is met again, every field of the machine, on the way back.
"""
from __future__ import annotations

import random
import threading

import pytest
from cpu_machine import ASK, Asker, Bare
from stepper_bench import pc, sit, state, stop

from emu.bus.state import STOP_WRITE
from emu.bus.stops import Row
from emu.errors import InputError
from emu.machine.legs import MOST
from emu.run import history
from emu.stepper.frames import back_out, back_over
from emu.stepper.search import Searcher
from emu.stepper.stepper import Spot, Stepper

CALLER = "CD 08 01  3C  18 FA  00 00  06 02  10 FE  C9"  # call 0108; inc a; jr 0100 ... djnz; ret
COUNTER = "21 00 80  34  18 FD"  # ld hl,8000h; inc (hl); jr 0103h


def test_into_over_and_out_follow_a_call() -> None:
    stepper = sit(CALLER)
    assert stepper.into().reason == "step" and pc(stepper) == 0x108
    assert stepper.out().reason == "step" and pc(stepper) == 0x103
    stepper.into(2)
    assert pc(stepper) == 0x100
    assert stepper.over().reason == "step" and pc(stepper) == 0x103


def test_over_a_repeated_instruction_ends_behind_it() -> None:
    stepper = sit("ED B0 00", bc=100, hl=0x4000, de=0x5000)
    stepper.over()
    assert (pc(stepper), stepper.t) == (0x102, 99 * 21 + 16)  # UM0080: LDIR 21, the last 16


def test_over_keeps_to_its_own_frame_when_a_routine_calls_itself() -> None:
    # 0100 ld b,3; call 0107; halt | 0106 nop; 0107 dec b; ret z; call 0107; ret
    stepper = sit("06 03 CD 07 01 76 00 05 C8 CD 07 01 C9")
    stepper.into(4)  # in the outermost call, before the inner one
    assert pc(stepper) == 0x109
    stepper.over()
    assert (pc(stepper), int(stepper.m.sp)) == (0x10C, 0x8FFE)


def test_out_refuses_when_no_return_address_stands_there() -> None:
    with pytest.raises(InputError, match="no return address is found near the top of the stack"):
        sit("00").out()


def test_back_over_and_out_of_a_routine_lead_to_its_call() -> None:
    stepper = sit(CALLER)
    stepper.into(3)  # inside, behind the first djnz
    assert back_out(stepper).reason == "step" and (pc(stepper), stepper.t) == (0x100, 0)
    stepper.over()
    behind = stepper.spot
    assert pc(stepper) == 0x103
    stepper.into(2)
    for wanted in (0x104, 0x103, 0x100):
        back_over(stepper)
        assert pc(stepper) == wanted
    assert stepper.t == 0 < behind.t
    assert back_over(stepper).reason == "beginning"
    with pytest.raises(InputError, match="no return address is found"):
        back_out(sit("00"))


@pytest.mark.parametrize("near", [20, history.NEAR])
def test_every_step_back_meets_the_state_that_was_there(
        near: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history, "NEAR", near)
    stepper = sit(CALLER)
    met = []
    for _ in range(60):
        met.append((stepper.spot, state(stepper)))
        stepper.into()
    for spot, was in reversed(met):
        stepper.back()
        assert stepper.spot == spot
        assert state(stepper) == was
    assert stepper.back().reason == "beginning"


def test_many_steps_back_at_once_are_the_same_steps() -> None:
    stepper = sit(CALLER)
    spots = []
    for _ in range(300):
        spots.append(stepper.spot)
        stepper.into()
    for count in (1, 7, 100):
        spots = spots[:-count] if count > 1 else spots
        stepper.back(count)
        assert stepper.spot == spots[-1]
    assert stepper.back(1000).reason == "beginning" and stepper.spot == Spot(0, 0)


def test_many_instructions_end_at_a_stop() -> None:
    stepper = sit(COUNTER)
    stepper.add(stop(stepper, "0x104 after 3"))
    assert stepper.into(100).reason == "stop"
    assert (pc(stepper), stepper.t) == (0x104, 10 + 2 * 23 + 11)


@pytest.mark.parametrize("near", [20, history.NEAR])
def test_going_to_and_fro_with_changes_is_the_same_run(
        near: int, monkeypatch: pytest.MonkeyPatch, seed: int = 7) -> None:
    """Seeded walk: what a spot held when it was first met it holds whenever it is met again."""
    monkeypatch.setattr(history, "NEAR", near)
    chance = random.Random(seed)
    stepper = sit(COUNTER, iff1=1, im=1, askers=[Asker(at=[(k * 97, ASK) for k in (1, 5, 9)])])
    known: dict[tuple[object, ...], dict[str, bytes]] = {}
    for _ in range(150):
        choice = chance.randrange(5)
        if choice < 2:
            stepper.into(chance.randrange(1, 9))
        elif choice == 2:
            stepper.back(chance.randrange(1, 9))
        elif choice == 3:
            stepper.change("register", "a", chance.randrange(256))
        else:
            stepper.jump(Spot(chance.randrange(stepper.t + 1), stepper.main.made))
        key = (stepper.spot, tuple(stepper.history.inputs[:stepper.main.made]))
        assert known.setdefault(key, state(stepper)) == state(stepper)


def test_a_stop_is_met_before_its_instruction_and_names_itself() -> None:
    stepper = sit(COUNTER)
    stepper.add(stop(stepper, "0x103"))
    for t in (10, 10 + 23, 10 + 46):  # inc (hl) 11, jr 12: UM0080
        event = stepper.go()
        assert (event.reason, event.words, stepper.t) == ("stop", "stop 1: at 0103h", t)


def test_stops_count_sleep_and_go_after_once() -> None:
    stepper = sit(COUNTER)
    third = stepper.add(stop(stepper, "write 0x8000 after 3"))
    stepper.go()
    assert stepper.book.work_out("[0x8000]") == 3
    once = stepper.add(stop(stepper, "change 0x8000 if value = 0x10 once"))
    third.asleep = True
    event = stepper.go()
    assert event.words == "stop 2: change 8000h: 10h, was 0Fh"
    assert once not in stepper.stops and third in stepper.stops


def test_conditions_see_registers_memory_and_what_the_cycle_carried() -> None:
    stepper = sit(COUNTER)
    event = stepper.until(stop(stepper, "write 0x8000 if value & 7 = 0 and [0x8000] > 20"))
    assert event.hit is not None and event.hit.data == 24


def test_an_expression_stops_when_it_comes_true_not_while_it_is() -> None:
    stepper = sit(COUNTER)
    wanted = stop(stepper, "when [0x8000] >= 5 and pc = 0x104")
    assert stepper.until(wanted).words == "when [0x8000] >= 5 and pc = 0x104 came true"
    assert stepper.book.work_out("[0x8000]") == 5
    stepper.until(wanted)
    assert stepper.book.work_out("[0x8000]") == 6


def test_back_to_stop_finds_the_last_one_and_power_on_when_there_is_none() -> None:
    stepper = sit(COUNTER)
    stepper.go(1000)
    stepper.add(stop(stepper, "write 0x8000 if value = 20"))
    event = stepper.back_to_stop()
    assert event.words == "stop 1: write 8000h: 14h, was 13h"
    assert stepper.book.work_out("[0x8000]") == 20
    assert stepper.back_to_stop().reason == "beginning" and stepper.t == 0


def test_back_to_stop_stands_before_the_instruction_as_a_run_forwards_does() -> None:
    stepper = sit(COUNTER)
    stepper.add(stop(stepper, "0x103"))
    forwards = []
    for _ in range(6):
        stepper.go()
        forwards.append(stepper.spot)
    for spot in reversed(forwards[:-1]):
        assert stepper.back_to_stop().reason == "stop"
        assert stepper.spot == spot


def test_back_to_an_expression() -> None:
    stepper = sit(COUNTER)
    wanted = stepper.add(stop(stepper, "when [0x8000] = 9"))
    stepper.go()
    spot = stepper.spot
    wanted.asleep = True
    stepper.go(2000)
    wanted.asleep = False
    stepper.back_to_stop()
    assert stepper.spot == spot


def test_who_wrote_last_and_when_it_changed() -> None:
    # 0100 ld a,7; ld (8000),a; ld a,7; ld (8000),a; jr $
    stepper = sit("3E 07 32 00 80 3E 07 32 00 80 18 FE")
    stepper.go(500)
    place = stepper.book.place(0x8000)
    assert place is not None
    written, changed = stepper.last_write(place), stepper.last_write(place, changing=True)
    assert written is not None and changed is not None
    assert written.spot.t == 27 and changed.spot.t == 7  # ld a,n 7, ld (nn),a 13: UM0080
    assert written.t == 27 + 10 and written.data == 7
    stepper.change("memory", str(place), b"\x09")
    by_hand = stepper.last_write(place)
    assert by_hand is not None and by_hand.by_hand and by_hand.data == 9


def test_changes_are_inputs_and_undo_takes_the_last_one_back() -> None:
    stepper = sit(COUNTER)
    stepper.into(3)
    before = state(stepper)
    stepper.change("register", "hl", 0x8100)
    stepper.into(2)
    after = state(stepper)
    stepper.jump(Spot(0, 0))
    stepper.go(stepper.history.inputs[0].t)
    stepper.into(2)
    assert state(stepper) == after, "the change is made again at its time"
    last = stepper.undo()
    assert last is not None and last.where == "hl"
    assert state(stepper) == before and stepper.history.inputs == []
    assert stepper.undo() is None


def test_a_change_in_the_past_forgets_the_future_that_was() -> None:
    stepper = sit(COUNTER)
    stepper.into(4)
    stepper.change("register", "a", 1)
    stepper.into(4)
    stepper.change("register", "a", 2)
    stepper.jump(Spot(20, 0))
    stepper.change("register", "a", 3)
    assert [i.value for i in stepper.history.inputs] == [3]


def test_the_interrupt_line_is_pulled_and_let_go_at_its_time() -> None:
    stepper = sit("FB 00 18 FD", im=1)  # ei; nop; jr $-1
    stepper.into(3)
    stepper.change("line", "int", 1)
    stepper.change("line", "int", 0, after=40)
    stepper.change("register", "a", 9)  # what is to come still comes
    stepper.into()
    assert pc(stepper) == 0x38 and int(stepper.m.int_line) == 1
    stepper.go(stepper.t + 60)
    assert int(stepper.m.int_line) == 0
    stepper.undo()
    stepper.undo()
    assert [i.where for i in stepper.history.inputs] == []


def test_nmi_and_reset_are_pressed() -> None:
    stepper = sit("00 18 FD")
    stepper.into(2)
    stepper.change("line", "nmi", 1)
    stepper.into()
    assert pc(stepper) == 0x66  # UM0080 p.17
    stepper.change("line", "reset", 1)
    assert pc(stepper) == 0


def test_what_cannot_be_changed_is_refused_in_a_line() -> None:
    stepper = sit("00")
    for kind, where, value, words in (
            ("register", "q", 1, "q: no register; known are a, f,"),
            ("register", "a", 256, "a holds 0 to FFh, not 256"),
            ("line", "wait", 1, "wait: no line that can be pulled"),
            ("jumper", "cpu.clock", "1 MHz", "cannot change while it runs"),
            ("jumper", "cpu.waits-io", 300, "waits-io = 300 lies outside 0 to 255"),
            ("card", "cpu.kick", "", "cpu.kick: no such thing can be done"),
            ("medium", "cpu.a", None, "no drive or socket for a medium"),
            ("out", "70000", 1, "a port is 0 to FFFFh")):
        with pytest.raises(InputError, match=words):
            stepper.change(kind, where, value)
    assert stepper.history.inputs == []


def test_waits_are_a_live_jumper() -> None:
    stepper = sit("00 00 00")
    stepper.change("jumper", "ram.waits-m1", 3)
    stepper.into()
    assert stepper.t == 4 + 3


def test_another_thread_can_end_a_run() -> None:
    stepper = sit("18 FE")
    timer = threading.Timer(0.05, stepper.interrupt)
    timer.start()
    event = stepper.go()
    timer.join()
    assert event.reason == "interrupted" and pc(stepper) == 0x100


def test_ram_that_was_never_written_is_told_from_ram_that_was() -> None:
    # the code copies three bytes to 8000h and runs on there: 8003h was never written
    bare = Bare("21 0F 01 11 00 80 01 03 00 ED B0 C3 00 80 00 00 00 00", sp=0x9000)
    base = int(bare.m.read_base_true[8])
    bare.m.phys[base] = bare.m.phys[base + 1] = 0  # as at power-on by chance
    stepper = Stepper(bare.machine)
    stepper.add(stop(stepper, "unwritten if pc >= 0x8000"))
    event = stepper.go(10_000)
    assert (event.reason, pc(stepper)) == ("stop", 0x8003)
    assert event.words == "stop 1: at 8003h, in RAM that was never written"
    spot = stepper.spot
    stepper.stops[0].asleep = True
    stepper.go(stepper.t + 100)
    stepper.stops[0].asleep = False
    assert stepper.back_to_stop().words.endswith("in RAM that was never written")
    met = [(pc(stepper), stepper.spot)]
    while stepper.back_to_stop().reason == "stop":
        met.append((pc(stepper), stepper.spot))
    assert [at for at, _ in met] == list(range(met[0][0], 0x8002, -1))
    assert met[-1] == (0x8003, spot)


def test_a_search_can_be_broken_off() -> None:
    stepper = sit(COUNTER)
    stepper.go(5000)
    row, now = Row(STOP_WRITE, 0x8000, 0x8000), stepper.spot
    assert Searcher(stepper.history, lambda: False).last([row], now) is not None
    assert Searcher(stepper.history, lambda: True).last([row], now) is None


def test_single_steps_do_not_lengthen_the_legs_of_a_run() -> None:
    """A leg is left only at its end, so Ctrl-C waits for as long as one may take."""
    stepper = sit(COUNTER)
    first = stepper._slice
    for _ in range(60):
        stepper.into()
    assert stepper._slice == first
    stepper.go(stepper.t + 50 * first)
    assert stepper._slice > first


def test_no_run_goes_past_the_limit() -> None:
    stepper = sit(COUNTER)
    stepper.limit_t = 5000
    for event in (stepper.go(), stepper.go(), stepper.into(), stepper.over()):
        assert (event.reason, stepper.t >= 5000, stepper.t < 5023) == ("limit", True, True)
    assert event.words.startswith("the limit of ")
    stepper.back()
    assert stepper.into().reason == "step"


def test_what_ends_a_run_is_asked_before_it_begins() -> None:
    """A request that came a moment before must not be lost."""
    stepper = sit("18 FE")
    stepper.ends = lambda: True
    assert stepper.go().reason == "interrupted" and stepper.t == 0
    stepper.ends = lambda: stepper.t > 1_000_000
    assert stepper.go().reason == "interrupted" and stepper.t > 1_000_000
    assert not stepper.heeding


def test_a_slice_never_grows_past_the_most() -> None:
    stepper = sit("76")  # HALT takes no time at all
    stepper.go(200 * MOST)
    assert stepper._slice == MOST
