"""Write the committed opcode cases: run `python tests/naive_z80_make_cases.py` after a change here.

What to try on each kind of instruction is chosen below; the outcome is worked out by the naive
twin, which test_naive_z80.py holds against the published vectors. Needs write access to
tests/data/opcodes; nothing in the tests calls this file.
"""

import csv
import re
from collections.abc import Callable, Iterable, Iterator

import naive_z80
from naive_z80_base import MEMORY
from naive_z80_cases import COLUMNS, FOLDER, TABLES, Case, format_changes, format_ports

Trial = tuple[str, tuple[int, ...]]  # items of `before`, bytes that ports supply

ALU_FULL = ((0x7F, 0x01, 0x00), (0x00, 0x01, 0xFF), (0x95, 0x6B, 0x01), (0xA8, 0x28, 0x00),
            (0x30, 0xF0, 0x00), (0x0C, 0x04, 0x01), (0xF0, 0x0F, 0x00))
STEP_FULL = ((0x7F, 0x01), (0xFF, 0x00), (0x80, 0x00), (0x00, 0xFF), (0x0F, 0x28), (0x10, 0x00))
ROTATE_FULL = ((0x81, 0x00), (0x7E, 0x01), (0x80, 0xFE), (0x2C, 0xFF))
DAA_TRIALS = ((0x3C, 0x00), (0x9A, 0x00), (0x00, 0x01), (0x32, 0x10), (0x8F, 0x10), (0xA7, 0x00),
              (0x66, 0x11), (0x7A, 0x02), (0x0A, 0x12), (0xF9, 0x03), (0x66, 0x13), (0x42, 0xD6),
              (0x12, 0x13))
PAIRS_ADD = ((0x0FFF, 0x0001, 0xFF), (0xFFFF, 0x8001, 0x00), (0x7FFF, 0x0001, 0x01),
             (0x8000, 0x8000, 0x00), (0x1F00, 0x00FF, 0x01))
PAIRS_SUB = ((0x8000, 0x7FFF, 0x01), (0x0000, 0x0001, 0x00), (0x7FFF, 0x8000, 0x00),
             (0x1234, 0x1234, 0x00), (0x2180, 0x0100, 0x01))
# With C (or L) A5h: no carry, carry with a low and a high byte, each H path, the sums at the edge.
IO_TRIALS = ((0x02, 0xFF), (0x11, 0x81), (0x10, 0x7F), (0x21, 0xF9), (0x01, 0x30), (0x00, 0x59),
             (0xA1, 0x5A), (0x40, 0x5B), (0xF3, 0x5C))
INDEX_VALUES = {"ix": 0xB5C8, "iy": 0xC69A}
DISPLACEMENT = 0xFB  # -5
OPERANDS = {"e": [DISPLACEMENT], "n": [0x3C], "nn": [0x54, 0x76]}


def cell(code: int, index: str, value: int) -> str:
    """Write the item that puts a byte where the 8-bit register code finds it."""
    if code == MEMORY:
        address = 0x8134 if index == "hl" else INDEX_VALUES[index] - 5
        return f"[{address:04X}]={value:02X}"
    if code in (4, 5) and index != "hl":
        word = INDEX_VALUES[index]
        return f"{index}={value:02X}{word % 256:02X}" if code == 4 else \
            f"{index}={word // 256:02X}{value:02X}"
    return f"{'bcdehl?a'[code]}={value:02X}"


def alu_trials(code: int | None, index: str) -> Iterator[Trial]:
    chosen = ALU_FULL if code in (0, MEMORY, None) else ALU_FULL[::2]
    for a, value, f in chosen:
        if code == 7:
            yield f"a={value:02X} f={f:02X}", ()
        else:
            operand = "" if code is None else " " + cell(code, index, value)
            yield f"a={a:02X} f={f:02X}{operand}", ()


def step_trials(code: int, index: str) -> Iterator[Trial]:
    for value, f in STEP_FULL if code in (0, MEMORY) else STEP_FULL[:3]:
        yield f"{cell(code, index, value)} f={f:02X}", ()


def pair_trials(p: int, index: str, trials: Iterable[tuple[int, int, int]]) -> Iterator[Trial]:
    for left, right, f in trials:
        other = "" if p == 2 else f" {('bc', 'de', '', 'sp')[p]}={right:04X}"
        yield f"{index}={left:04X}{other} f={f:02X}", ()


def condition_trials(c: int) -> Iterator[Trial]:
    mask = (0x40, 0x01, 0x04, 0x80)[c // 2]
    yield f"f={mask:02X}", ()
    yield f"f={255 - mask:02X}", ()


def count_pair_trials(p: int, index: str) -> Iterator[Trial]:
    name = ("bc", "de", index, "sp")[p]
    for value in (0x00FF, 0xFFFF, 0x0000):
        yield f"{name}={value:04X} f=FF", ()


def bit_trials(b: int, code: int, index: str) -> Iterator[Trial]:
    yield f"{cell(code, index, 1 << b)} f=00", ()
    yield f"{cell(code, index, 255 - (1 << b))} f=FF", ()


def block_trials(mnemonic: str) -> Iterator[Trial]:
    """Try the block group: a pass with more to come, a last pass, and the odd flag paths."""
    if mnemonic.startswith("LD"):
        yield "bc=0002 f=FF [8134]=A7", ()
        yield "bc=0001 f=00 a=F8 [8134]=12", ()
    elif mnemonic.startswith("CP"):
        yield "bc=0002 f=01 [8134]=60", ()
        yield "bc=0002 f=00 [8134]=5B", ()
        yield "bc=0001 f=00 a=80 [8134]=7F", ()
    elif mnemonic.startswith("IN"):
        for b, value in IO_TRIALS:
            yield f"bc={b:02X}A5 f=00", (value,)
        yield "bc=2100 f=00", (0x02,)  # C-1 and C+1 wrap
        yield "bc=21FF f=00", (0x02,)
    else:
        for b, value in IO_TRIALS:
            yield f"bc={b:02X}A5 hl=81A5 f=00 [81A5]={value:02X}", ()


def q_trials() -> Iterator[Trial]:
    """Try SCF and CCF: Y and X from A alone after a flag-setting instruction, else A or F."""
    for a, f, q in ((0x00, 0x28, 0x00), (0x00, 0xFF, 0xFF), (0x28, 0x01, 0x00), (0x20, 0xC4, 0xC4)):
        yield f"a={a:02X} f={f:02X} q={q:02X}", ()


def trials(kind: str, mnemonic: str, fields: dict[str, int], index: str) -> list[Trial]:
    """List what to try on one opcode; `kind` is the name of the twin's handler."""
    code = fields.get("d", fields.get("s", -1))  # -1: no such field, none looks
    families: dict[str, Callable[[], Iterable[Trial]]] = {
        "alu_r": lambda: alu_trials(code, index),
        "alu_n": lambda: ((f"a={a:02X} f={f:02X}", ()) for a, f in ((0xC4, 0), (0x3C, 0xFF))),
        "inc_r": lambda: step_trials(code, index),
        "dec_r": lambda: step_trials(code, index),
        "inc_pair": lambda: count_pair_trials(fields["p"], index),
        "dec_pair": lambda: count_pair_trials(fields["p"], index),
        "add_hl_pair": lambda: pair_trials(fields["p"], index, PAIRS_ADD),
        "adc_hl": lambda: pair_trials(fields["p"], "hl", PAIRS_ADD),
        "sbc_hl": lambda: pair_trials(fields["p"], "hl", PAIRS_SUB),
        "rotate_a": lambda: ((f"a={a:02X} f={f:02X}", ()) for a, f in ROTATE_FULL),
        "decimal_adjust": lambda: ((f"a={a:02X} f={f:02X}", ()) for a, f in DAA_TRIALS),
        "scf": q_trials, "ccf": q_trials,
        "djnz": lambda: ((f"b={b:02X}", ()) for b in (2, 1, 0)),
        "jr_cc": lambda: condition_trials(fields["c"]),
        "jp_cc": lambda: condition_trials(fields["c"]),
        "call_cc": lambda: condition_trials(fields["c"]),
        "ret_cc": lambda: condition_trials(fields["c"]),
        "rotate_r": lambda: ((f"{cell(code, index, v)} f={f:02X}", ()) for v, f in
                             (ROTATE_FULL if code in (0, MEMORY) else ROTATE_FULL[:2])),
        "rotate_indexed": lambda: ((f"{cell(MEMORY, index, v)} f={f:02X}", ()) for v, f in
                                   (ROTATE_FULL if code in (0, MEMORY) else ROTATE_FULL[:2])),
        "bit_r": lambda: bit_trials(fields["b"], code, index),
        "bit_indexed": lambda: bit_trials(fields["b"], MEMORY, index),
        "res_r": lambda: ((cell(code, index, 0xFF) + " f=FF", ()),),
        "set_r": lambda: ((cell(code, index, 0x00) + " f=00", ()),),
        "res_indexed": lambda: ((cell(MEMORY, index, 0xFF) + " f=FF", ()),),
        "set_indexed": lambda: ((cell(MEMORY, index, 0x00) + " f=00", ()),),
        "in_r_c": lambda: ((f"f={f:02X}", (byte,)) for f, byte in
                           ((0xFF, 0x00), (0x00, 0xAC), (0x01, 0x07), (0x00, 0x24))),
        "in_a_n": lambda: (("f=FF", (0xA5,)),),
        "out_c_r": lambda: (("f=FF", ()),),
        "neg": lambda: ((f"a={a:02X}", ()) for a in (0x00, 0x80, 0x5B)),
        "ld_a_i": lambda: (("i=A0 iff2=0 f=FF", ()), ("i=00 iff2=1 f=00", ())),
        "ld_a_r": lambda: (("r=A0 iff2=0 f=FF", ()), ("r=7E iff2=1 f=00", ())),
        "rld": lambda: (("a=7A [8134]=31 f=FF", ()), ("a=05 [8134]=06 f=00", ())),
        "rrd": lambda: (("a=84 [8134]=20 f=FF", ()), ("a=05 [8134]=60 f=00", ())),
        "retn": lambda: (("iff1=0 iff2=1", ()), ("iff1=1 iff2=0", ())),
        "di": lambda: (("iff1=1 iff2=1", ()),),
        "cpl": lambda: (("f=FF", ()), ("a=FF f=00", ())),
    }
    if re.match(r"(LD|CP|IN|OT|OUT)[ID]R?$", mnemonic):
        return list(block_trials(mnemonic))
    if kind in families:
        return list(families[kind]())
    return [("", ())]


def indexed_name(mnemonic: str, index: str) -> str:
    """Rename HL, H, L and (HL) as a DD or FD prefix does."""
    name = index.upper()
    if mnemonic.startswith("EX DE"):
        return mnemonic
    if "(HL)" in mnemonic and not mnemonic.startswith("JP"):
        return mnemonic.replace("(HL)", f"({name}+e)")
    mnemonic = re.sub(r"\bHL\b(?!')", name, mnemonic)
    return re.sub(r"\b([HL])\b", rf"{name}\1", mnemonic)


def work_out(table: str, code: list[int], mnemonic: str, trial: Trial) -> Case:
    """Run the twin on one trial; bytes it reads and the trial does not give are listed too."""
    before, inputs = trial
    while True:
        case = Case(table, bytes(code), mnemonic, before, "", "", 0)
        initial = case.initial()
        got = naive_z80.run_one(initial, inputs)
        listed = {address for address, _ in initial["ram"]}
        wanted = sorted({cycle[0] for cycle in got["cycles"] if cycle[2] == "r-m-"} - listed)
        if not wanted:
            break
        items = [f"[{address:04X}]={(address * 37 + 0x4D) % 256:02X}" for address in wanted]
        before = " ".join([*before.split(), *items])
    return Case(table, bytes(code), mnemonic, before, format_changes(initial, got["final"]),
                format_ports(got["ports"]), len(got["cycles"]))


def plain_cases(table: str) -> Iterator[Case]:
    """Work out base, CB, ED, DD and FD."""
    prefix = [] if table == "base" else [int(table, 16)]
    index = {"DD": "ix", "FD": "iy"}.get(table, "hl")
    rows = {"CB": naive_z80.CB, "ED": naive_z80.ED}.get(table, naive_z80.BASE)
    for opcode, (handler, fields, mnemonic) in enumerate(rows):
        if mnemonic == "prefix":
            continue
        if index != "hl":
            mnemonic = indexed_name(mnemonic, index)
        if handler.__name__ in ("in_r_c", "out_c_r"):
            mnemonic = mnemonic.replace("IN (HL),", "IN F,").replace("C),(HL)", "C),0")
        operands = [byte for name in re.findall(r"\b(?:e|nn|n)\b", mnemonic)
                    for byte in OPERANDS[name]]
        code = [*prefix, opcode, *operands]
        for trial in trials(handler.__name__, mnemonic, fields, index):
            yield work_out(table, code, mnemonic, trial)


def indexed_cb_cases(table: str) -> Iterator[Case]:
    """Work out DDCB and FDCB."""
    index = {"DDCB": "ix", "FDCB": "iy"}[table]
    for opcode, (handler, fields, mnemonic) in enumerate(naive_z80.INDEXED_CB):
        mnemonic = mnemonic.replace("IX", index.upper()).replace(",(HL)", "")
        code = [int(table[:2], 16), 0xCB, DISPLACEMENT, opcode]
        for trial in trials(handler.__name__, mnemonic, fields, index):
            yield work_out(table, code, mnemonic, trial)


def chain_cases(table: str) -> Iterator[Case]:
    """Work out chains of prefixes: the last of DD and FD rules, ED drops both."""
    first = int(table, 16)
    other = 0xDD + 0xFD - first
    last, this = ("IY", "IX") if first == 0xDD else ("IX", "IY")
    chains = (
        ([first, first, 0x23], f"INC {this}"),
        ([first, other, 0x23], f"INC {last}"),
        ([other, first, first, 0x7E, DISPLACEMENT], f"LD A,({this}+e)"),
        ([first, other, 0xCB, DISPLACEMENT, 0xC6], f"SET 0,({last}+e)"),
        ([first, 0xED, 0x6A], "ADC HL,HL"),
        ([first, 0xED, 0x44], "NEG"),
        ([other, first, 0xED, 0x57], "LD A,I"),
        ([first, 0xED, 0x00], "no operation"),
        ([first, first, 0x37], "SCF"),
    )
    for code, mnemonic in chains:
        yield work_out(table, code, mnemonic, ("f=28 q=28", ()))


def write_tables() -> None:
    for table in TABLES:
        cases = list(indexed_cb_cases(table) if len(table) == 4 and table != "base"
                     else plain_cases(table))
        if table in ("DD", "FD"):
            cases += chain_cases(table)
        with open(FOLDER / f"{table.lower()}.csv", "w", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(COLUMNS)
            for case in cases:
                writer.writerow([case.code.hex(" ").upper(), case.mnemonic, case.before,
                                 case.after, case.ports, case.t])


if __name__ == "__main__":
    write_tables()
