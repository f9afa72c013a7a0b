"""Look-ups by address and by name, and the symbol lists of several tools."""

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from emu.errors import InputError
from emu.files.symbol_loading import load_symbols
from emu.files.symbols import REACH, LineSpan, Place, SourceLine, Symbol, SymbolTable

IMAGES = Path(__file__).parent / "data/images"


def table(*symbols: Symbol, lines=(), extents=()) -> SymbolTable:
    return SymbolTable(symbols, tuple(lines), tuple(extents))


def span(virtual: int, end: int, line: int, physical=None, file="src/main.s") -> LineSpan:
    return LineSpan(virtual, physical, end, SourceLine(file, line))


def test_the_nearest_name_at_or_below_is_given_with_its_offset():
    names = table(Symbol("start", 0), Symbol("console_init", 0x120))
    assert names.name_at(0x120) == "console_init"
    assert names.name_at(0x124) == "console_init+4"
    assert names.name_at(0x13C) == "console_init+0x1c"
    assert names.name_at(0x11F) == "start+0x11f"


def test_a_name_speaks_no_further_than_its_section_or_its_reach():
    names = table(Symbol("known", 0x100, end=0x180), Symbol("unknown", 0x4000))
    assert names.name_at(0x17F) == "known+0x7f"
    assert names.name_at(0x180) is None
    assert names.name_at(0x4000 + REACH - 1) == "unknown+0x3ff"
    assert names.name_at(0x4000 + REACH) is None
    assert names.name_at(0x00FF) is None


def test_equates_name_no_address_but_can_be_found():
    names = table(Symbol("PORT", 0x20, kind="abs"), Symbol("start", 0))
    assert names.name_at(0x20) == "start+0x20"
    assert names.find("PORT").value == 0x20


def test_of_several_names_the_most_telling_is_shown():
    names = table(Symbol("_main", 0x100), Symbol("main", 0x100), Symbol("loop", 0x100, local=True))
    assert names.name_at(0x100) == "main"
    assert table(*names.symbols, Symbol("run", 0x100, kind="func")).name_at(0x100) == "run"


def test_names_in_pages_answer_only_for_their_page():
    names = table(
        Symbol("first", 0x4000, 0x10000),
        Symbol("second", 0x4000, 0x14000),
        Symbol("ram", 0x8000),
        extents=[(0x10000, 0x18000)],
    )
    assert names.name_at(0x4002, 0x10002) == "first+2"
    assert names.name_at(0x4002, 0x14002) == "second+2"
    assert names.name_at(0x4002, 0x12002) is None
    assert names.name_at(0x8001, 0x81234) == "ram+1"
    assert names.name_at(0x4002) in ("first+2", "second+2")
    assert names.name_at(0x4002, 0x80002) in ("first+2", "second+2")  # copied to RAM
    assert names.shifted(0x1000).name_at(0x4002, 0x15002) == "second+2"


def test_find_prefers_what_other_files_can_see():
    names = table(Symbol("wait", 0x10, local=True), Symbol("wait", 0x20))
    assert names.find("wait").value == 0x20
    assert [symbol.value for symbol in names.find_all("wait")] == [0x10, 0x20]
    assert names.find("Wait") is None


def test_merged_tables_answer_for_both():
    one, two = table(Symbol("one", 0x100)), table(Symbol("two", 0x200), lines=[span(2, 4, 7)])
    both = one.merge(two)
    assert (both.name_at(0x100), both.name_at(0x200)) == ("one", "two")
    assert str(both.line_at(3)) == "src/main.s:7"
    assert one.name_at(0x200) == "one+0x100"


def test_lines_by_address_and_addresses_by_line():
    names = table(
        Symbol("start", 0x100, 0x100),
        lines=[
            span(0x100, 0x103, 4), span(0x103, 0x105, 4), span(0x105, 0x106, 6),
            span(0x106, 0x108, 4), span(0x4000, 0x4002, 9, 0x10000),
        ],
    )  # fmt: skip
    assert names.line_at(0x104) == SourceLine("src/main.s", 4)
    assert names.line_at(0x108) is None
    assert names.line_at(0x4001, 0x10001) == SourceLine("src/main.s", 9)
    assert names.line_at(0x4001, 0x4001) is None
    assert names.places("main.s:4") == (Place(0x100), Place(0x106))
    assert names.places("src/main.s:5") == (Place(0x105),)
    assert names.places("main.s:9") == (Place(0x4000, 0x10000),)
    assert names.places("start+4") == (Place(0x104, 0x104),)
    assert names.places("0x1234") == names.places("1234h") == (Place(0x1234),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("console_int", ("console_int: no such symbol or source file in the images; "
         "did you mean console_init?")),
        ("console_init+x", ("console_init+x: no such symbol or source file in the images; "
         "did you mean console_init?")),
        ("qqq", "qqq: no such symbol or source file in the images; see the names in the image."),
        ("mein.s:4", ("mein.s: no such symbol or source file in the images; "
         "did you mean main.s?")),
        ("main.s:40", "main.s:40: no code from here on; its last line of code is 7; "
             "name one up to it."),
    ],
)  # fmt: skip
def test_places_that_do_not_exist_say_what_does(text, message):
    names = table(Symbol("console_init", 0), lines=[span(0, 2, 7, file="main.s")])
    with pytest.raises(InputError) as caught:
        names.places(text)
    assert str(caught.value) == message


def test_a_thing_of_known_size_names_nothing_behind_it() -> None:
    names = table(Symbol("code", 0x100, end=0x200), Symbol("ring", 0x110, None, 16, "object"),
                  Symbol("inner", 0x114, None, 2, "object"))
    assert [names.name_at(at) for at in (0x10F, 0x115, 0x116, 0x11F, 0x120)] == [
        "code+0xf", "inner+1", "ring+6", "ring+0xf", None]


def naive_name(symbols, virtual: int, physical: int) -> set[str]:
    """Every name that may be given, found by looking at all symbols."""
    fits = [
        symbol
        for symbol in symbols
        if symbol.value <= virtual < (symbol.end or symbol.value + REACH)
        and symbol.physical in (None, physical - virtual + symbol.value)
    ]
    top = max((symbol.value for symbol in fits), default=0)
    return {symbol.name for symbol in fits if symbol.value == top}


def test_look_ups_agree_with_a_naive_search():
    rng = random.Random(7)
    sections = [(start, start + 0x800) for start in range(0, 0x10000, 0x800)]
    symbols = []
    for number in range(600):
        start, end = rng.choice(sections)
        value = rng.randrange(start, end)
        page = rng.choice([0, 0x10000, 0x14000]) if start < 0x8000 else None
        physical = None if page is None else value + page
        symbols.append(Symbol(f"s{number}", value, physical, end=end))
    names = table(*symbols)
    for _ in range(4000):
        virtual = rng.randrange(0x10000)
        physical = virtual + rng.choice([0, 0x10000, 0x14000, 0x18000])
        found = names.symbol_at(virtual, physical)
        expected = naive_name(symbols, virtual, physical)
        assert (found.name in expected) if found else not expected


def test_sdcc_files_give_c_names_and_lines():
    # written by SDCC 4.2: sdcc --debug, with show() in a bank linked at 14000h
    for suffix in ("noi", "map", "cdb"):
        names = load_symbols(IMAGES / f"tide.{suffix}")
        main, show = names.find("main"), names.find("show")
        assert main.value == 0x212
        assert main.physical is None
        assert (show.value, show.physical) == (0x4000, 0x14000)
        assert names.find("read_level").local
        assert str(names.line_at(0x21A)) == "tide.c:19"
        assert str(names.line_at(0x4008, 0x14008)) == "show.c:7"
        assert names.line_at(0x4008, 0x18008) is None
        assert names.name_at(0x4008, 0x14008) == "show+8"
        assert names.places("show.c:6") == (Place(0x4000, 0x14000),)


def test_sdcc_ports_and_area_lengths_name_no_address():
    assert load_symbols(IMAGES / "tide.cdb").find("console").kind == "abs"
    assert load_symbols(IMAGES / "tide.map").find("console").kind == "abs"
    assert load_symbols(IMAGES / "tide.noi").find("l__CODE").kind == "abs"
    assert load_symbols(IMAGES / "tide.cdb").find("main").kind == "func"
    assert load_symbols(IMAGES / "tide.cdb").find("level").kind == "object"


def test_lines_of_assembler_modules_stand_in_where_there_is_no_c(tmp_path):
    path = tmp_path / "rom.noi"
    path.write_text("DEF A$boot$12 0x0\nDEF A$boot$13 0x3\nDEF _boot 0x0\n")
    assert str(load_symbols(path).line_at(2)) == "boot.asm:12"


def test_gnu_lists_and_elf_files_name_the_same_addresses():
    for name in ("gauge.nm", "gauge.map", "gauge-dwarf4.elf"):
        names = load_symbols(IMAGES / name)
        assert names.name_at(0x8000) == "level"
        assert names.name_at(0) == "start"
    assert load_symbols(IMAGES / "gauge.nm").find("CONSOLE").kind == "abs"
    assert load_symbols(IMAGES / "gauge.nm").find("read_level").local


@pytest.mark.parametrize(
    "text",
    [
        "putc = 0x1234", "putc equ 1234h", "putc: EQU $1234", "putc:\tequ\t4660 ; decimal",
        "1234 putc", "putc 1234", "0x1234 putc", "putc 0x1234", "00001234 T putc",
        "# list\n\nputc .equ 0x1234",
    ],
)  # fmt: skip
def test_plain_lists_of_many_shapes(tmp_path, text):
    path = tmp_path / "rom.sym"
    path.write_text(text + "\n")
    assert load_symbols(path).find("putc").value == 0x1234


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.sym", "putc = 0x10\nwhat is this?\n", ('2: cannot read "what is this?" as a symbol; '
         'write "name = 0x1234" or "1234 name".')),
        ("a.sym", "face dead\n", ('1: cannot read "face dead" as a symbol; '
         "either word may be the number; put 0x before it.")),
        ("a.noi", "DEF main 0x10\nDEF main ten\n", ('2: cannot read "DEF main ten" as a symbol; '
         'it should read "DEF name 0x1234".')),
        ("a.cdb", "M:tide\nL:G$main$0$0\n", ('2: cannot read "L:G$main$0$0" as a symbol; '
         'it should read "L:name:address".')),
        ("a.cdb", "M:tide\nQ:1\n", ('2: cannot read "Q:1" as a symbol; '
         "a .cdb line starts with M:, F:, S:, T: or L:.")),
    ],
)  # fmt: skip
def test_bad_lines_are_named(tmp_path, name, text, message):
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        load_symbols(path)
    assert str(caught.value) == f"{path}:{message}"


def test_files_without_symbols_are_refused(tmp_path):
    path = tmp_path / "rom.map"
    path.write_text("ASxxxx Linker V03.00\n")
    with pytest.raises(InputError, match="holds no symbols; link again"):
        load_symbols(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"is no text \(byte 0\); give a symbol list"):
        load_symbols(path)


LISTS = ("tide.noi", "tide.map", "tide.cdb", "gauge.nm", "gauge.map")


@settings(
    deadline=None,
    derandomize=True,
    max_examples=300,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.sampled_from(LISTS), st.data())
def test_damaged_lists_raise_nothing_but_a_clear_refusal(tmp_path, name, data):
    content = bytearray((IMAGES / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(content)))
        content[at : at + data.draw(st.integers(0, 8))] = data.draw(st.binary(max_size=8))
    path = tmp_path / name
    path.write_bytes(content)
    try:
        names = load_symbols(path)
    except InputError as error:
        assert str(path) in str(error)
        assert "\n" not in str(error)
    else:
        assert names.symbols or names.lines
