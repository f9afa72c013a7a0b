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
from emu.stepper.frames import back_out, back_over
from emu.stepper.search import Searcher
from emu.stepper.sitting import Sitting, Spot

CALLER = "CD 08 01  3C  18 FA  00 00  06 02  10 FE  C9"  # call 0108; inc a; jr 0100 ... djnz; ret
COUNTER = "21 00 80  34  18 FD"  # ld hl,8000h; inc (hl); jr 0103h


def test_into_over_and_out_follow_a_call() -> None:
    sitting = sit(CALLER)
    assert sitting.into().reason == "step" and pc(sitting) == 0x108
    assert sitting.out().reason == "step" and pc(sitting) == 0x103
    sitting.into(2)
    assert pc(sitting) == 0x100
    assert sitting.over().reason == "step" and pc(sitting) == 0x103


def test_over_a_repeated_instruction_ends_behind_it() -> None:
    sitting = sit("ED B0 00", bc=100, hl=0x4000, de=0x5000)
    sitting.over()
    assert (pc(sitting), sitting.t) == (0x102, 99 * 21 + 16)  # UM0080: LDIR 21, the last 16


def test_over_keeps_to_its_own_frame_when_a_routine_calls_itself() -> None:
    # 0100 ld b,3; call 0107; halt | 0106 nop; 0107 dec b; ret z; call 0107; ret
    sitting = sit("06 03 CD 07 01 76 00 05 C8 CD 07 01 C9")
    sitting.into(4)  # in the outermost call, before the inner one
    assert pc(sitting) == 0x109
    sitting.over()
    assert (pc(sitting), int(sitting.m.sp)) == (0x10C, 0x8FFE)


def test_out_refuses_when_no_return_address_stands_there() -> None:
    with pytest.raises(InputError, match="no return address is found near the top of the stack"):
        sit("00").out()


def test_back_over_and_out_of_a_routine_lead_to_its_call() -> None:
    sitting = sit(CALLER)
    sitting.into(3)  # inside, behind the first djnz
    assert back_out(sitting).reason == "step" and (pc(sitting), sitting.t) == (0x100, 0)
    sitting.over()
    behind = sitting.spot
    assert pc(sitting) == 0x103
    sitting.into(2)
    for wanted in (0x104, 0x103, 0x100):
        back_over(sitting)
        assert pc(sitting) == wanted
    assert sitting.t == 0 < behind.t
    assert back_over(sitting).reason == "beginning"
    with pytest.raises(InputError, match="no return address is found"):
        back_out(sit("00"))


def test_every_step_back_meets_the_state_that_was_there() -> None:
    sitting = sit(CALLER)
    met = []
    for _ in range(60):
        met.append((sitting.spot, state(sitting)))
        sitting.into()
    for spot, was in reversed(met):
        sitting.back()
        assert sitting.spot == spot
        assert state(sitting) == was
    assert sitting.back().reason == "beginning"


def test_many_steps_back_at_once_are_the_same_steps() -> None:
    sitting = sit(CALLER)
    spots = []
    for _ in range(300):
        spots.append(sitting.spot)
        sitting.into()
    for count in (1, 7, 100):
        spots = spots[:-count] if count > 1 else spots
        sitting.back(count)
        assert sitting.spot == spots[-1]
    assert sitting.back(1000).reason == "beginning" and sitting.spot == Spot(0, 0)


def test_many_instructions_end_at_a_stop() -> None:
    sitting = sit(COUNTER)
    sitting.add(stop(sitting, "0x104 after 3"))
    assert sitting.into(100).reason == "stop"
    assert (pc(sitting), sitting.t) == (0x104, 10 + 2 * 23 + 11)


def test_going_to_and_fro_with_changes_is_the_same_run(seed: int = 7) -> None:
    """Seeded walk: what a spot held when it was first met it holds whenever it is met again."""
    chance = random.Random(seed)
    sitting = sit(COUNTER, iff1=1, im=1, askers=[Asker(at=[(k * 97, ASK) for k in (1, 5, 9)])])
    known: dict[tuple[object, ...], dict[str, bytes]] = {}
    for _ in range(150):
        choice = chance.randrange(5)
        if choice < 2:
            sitting.into(chance.randrange(1, 9))
        elif choice == 2:
            sitting.back(chance.randrange(1, 9))
        elif choice == 3:
            sitting.change("register", "a", chance.randrange(256))
        else:
            sitting.jump(Spot(chance.randrange(sitting.t + 1), sitting.main.made))
        key = (sitting.spot, tuple(sitting.history.inputs[:sitting.main.made]))
        assert known.setdefault(key, state(sitting)) == state(sitting)


def test_a_stop_is_met_before_its_instruction_and_names_itself() -> None:
    sitting = sit(COUNTER)
    sitting.add(stop(sitting, "0x103"))
    for t in (10, 10 + 23, 10 + 46):  # inc (hl) 11, jr 12: UM0080
        event = sitting.go()
        assert (event.reason, event.words, sitting.t) == ("stop", "stop 1: at 0103h", t)


def test_stops_count_sleep_and_go_after_once() -> None:
    sitting = sit(COUNTER)
    third = sitting.add(stop(sitting, "write 0x8000 after 3"))
    sitting.go()
    assert sitting.book.work_out("[0x8000]") == 3
    once = sitting.add(stop(sitting, "change 0x8000 if value = 0x10 once"))
    third.asleep = True
    event = sitting.go()
    assert event.words == "stop 2: change 8000h: 10h, was 0Fh"
    assert once not in sitting.stops and third in sitting.stops


def test_conditions_see_registers_memory_and_what_the_cycle_carried() -> None:
    sitting = sit(COUNTER)
    event = sitting.until(stop(sitting, "write 0x8000 if value & 7 = 0 and [0x8000] > 20"))
    assert event.hit is not None and event.hit.data == 24


def test_an_expression_stops_when_it_comes_true_not_while_it_is() -> None:
    sitting = sit(COUNTER)
    wanted = stop(sitting, "when [0x8000] >= 5 and pc = 0x104")
    assert sitting.until(wanted).words == "when [0x8000] >= 5 and pc = 0x104 came true"
    assert sitting.book.work_out("[0x8000]") == 5
    sitting.until(wanted)
    assert sitting.book.work_out("[0x8000]") == 6


def test_back_to_stop_finds_the_last_one_and_power_on_when_there_is_none() -> None:
    sitting = sit(COUNTER)
    sitting.go(1000)
    sitting.add(stop(sitting, "write 0x8000 if value = 20"))
    event = sitting.back_to_stop()
    assert event.words == "stop 1: write 8000h: 14h, was 13h"
    assert sitting.book.work_out("[0x8000]") == 20
    assert sitting.back_to_stop().reason == "beginning" and sitting.t == 0


def test_back_to_stop_stands_before_the_instruction_as_a_run_forwards_does() -> None:
    sitting = sit(COUNTER)
    sitting.add(stop(sitting, "0x103"))
    forwards = []
    for _ in range(6):
        sitting.go()
        forwards.append(sitting.spot)
    for spot in reversed(forwards[:-1]):
        assert sitting.back_to_stop().reason == "stop"
        assert sitting.spot == spot


def test_back_to_an_expression() -> None:
    sitting = sit(COUNTER)
    wanted = sitting.add(stop(sitting, "when [0x8000] = 9"))
    sitting.go()
    spot = sitting.spot
    wanted.asleep = True
    sitting.go(2000)
    wanted.asleep = False
    sitting.back_to_stop()
    assert sitting.spot == spot


def test_who_wrote_last_and_when_it_changed() -> None:
    # 0100 ld a,7; ld (8000),a; ld a,7; ld (8000),a; jr $
    sitting = sit("3E 07 32 00 80 3E 07 32 00 80 18 FE")
    sitting.go(500)
    place = sitting.book.place(0x8000)
    assert place is not None
    written, changed = sitting.last_write(place), sitting.last_write(place, changing=True)
    assert written is not None and changed is not None
    assert written.spot.t == 27 and changed.spot.t == 7  # ld a,n 7, ld (nn),a 13: UM0080
    assert written.t == 27 + 10 and written.data == 7
    sitting.change("memory", str(place), b"\x09")
    by_hand = sitting.last_write(place)
    assert by_hand is not None and by_hand.by_hand and by_hand.data == 9


def test_changes_are_inputs_and_undo_takes_the_last_one_back() -> None:
    sitting = sit(COUNTER)
    sitting.into(3)
    before = state(sitting)
    sitting.change("register", "hl", 0x8100)
    sitting.into(2)
    after = state(sitting)
    sitting.jump(Spot(0, 0))
    sitting.go(sitting.history.inputs[0].t)
    sitting.into(2)
    assert state(sitting) == after, "the change is made again at its time"
    last = sitting.undo()
    assert last is not None and last.where == "hl"
    assert state(sitting) == before and sitting.history.inputs == []
    assert sitting.undo() is None


def test_a_change_in_the_past_forgets_the_future_that_was() -> None:
    sitting = sit(COUNTER)
    sitting.into(4)
    sitting.change("register", "a", 1)
    sitting.into(4)
    sitting.change("register", "a", 2)
    sitting.jump(Spot(20, 0))
    sitting.change("register", "a", 3)
    assert [i.value for i in sitting.history.inputs] == [3]


def test_the_interrupt_line_is_pulled_and_let_go_at_its_time() -> None:
    sitting = sit("FB 00 18 FD", im=1)  # ei; nop; jr $-1
    sitting.into(3)
    sitting.change("line", "int", 1)
    sitting.change("line", "int", 0, after=40)
    sitting.change("register", "a", 9)  # what is to come still comes
    sitting.into()
    assert pc(sitting) == 0x38 and int(sitting.m.int_line) == 1
    sitting.go(sitting.t + 60)
    assert int(sitting.m.int_line) == 0
    sitting.undo()
    sitting.undo()
    assert [i.where for i in sitting.history.inputs] == []


def test_nmi_and_reset_are_pressed() -> None:
    sitting = sit("00 18 FD")
    sitting.into(2)
    sitting.change("line", "nmi", 1)
    sitting.into()
    assert pc(sitting) == 0x66  # UM0080 p.17
    sitting.change("line", "reset", 1)
    assert pc(sitting) == 0


def test_what_cannot_be_changed_is_refused_in_a_line() -> None:
    sitting = sit("00")
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
            sitting.change(kind, where, value)
    assert sitting.history.inputs == []


def test_waits_are_a_live_jumper() -> None:
    sitting = sit("00 00 00")
    sitting.change("jumper", "ram.waits-m1", 3)
    sitting.into()
    assert sitting.t == 4 + 3


def test_another_thread_can_end_a_run() -> None:
    sitting = sit("18 FE")
    timer = threading.Timer(0.05, sitting.interrupt)
    timer.start()
    event = sitting.go()
    timer.join()
    assert event.reason == "interrupted" and pc(sitting) == 0x100


def test_ram_that_was_never_written_is_told_from_ram_that_was() -> None:
    # the code copies three bytes to 8000h and runs on there: 8003h was never written
    bare = Bare("21 0F 01 11 00 80 01 03 00 ED B0 C3 00 80 00 00 00 00", sp=0x9000)
    base = int(bare.m.rb_true[8])
    bare.m.phys[base] = bare.m.phys[base + 1] = 0  # as at power-on by chance
    sitting = Sitting(bare.machine)
    sitting.add(stop(sitting, "unwritten if pc >= 0x8000"))
    event = sitting.go(10_000)
    assert (event.reason, pc(sitting)) == ("stop", 0x8003)
    assert event.words == "stop 1: at 8003h, in RAM that was never written"
    spot = sitting.spot
    sitting.stops[0].asleep = True
    sitting.go(sitting.t + 100)
    sitting.stops[0].asleep = False
    assert sitting.back_to_stop().words.endswith("in RAM that was never written")
    met = [(pc(sitting), sitting.spot)]
    while sitting.back_to_stop().reason == "stop":
        met.append((pc(sitting), sitting.spot))
    assert [at for at, _ in met] == list(range(met[0][0], 0x8002, -1))
    assert met[-1] == (0x8003, spot)


def test_a_search_can_be_broken_off() -> None:
    sitting = sit(COUNTER)
    sitting.go(5000)
    row, now = Row(STOP_WRITE, 0x8000, 0x8000), sitting.spot
    assert Searcher(sitting.history, lambda: False).last([row], now) is not None
    assert Searcher(sitting.history, lambda: True).last([row], now) is None
