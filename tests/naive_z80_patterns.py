"""Decoding by bit patterns: rows of (pattern, mnemonic, handler), the first match wins.

A pattern is eight characters, "0"/"1" fixed, a letter for each bit of a field:
d, s an 8-bit register code; p a pair code (last one SP); q a pair code (last one AF);
c a condition; b a bit number; t a restart; o an accumulator operation; k a rotate; v an IM code;
x any bit of no meaning.
"""

from collections.abc import Callable, Sequence

from naive_z80_flags import ALU_NAMES, ROTATE_NAMES

Handler = Callable[..., None]
Row = tuple[str, str, Handler]

FIELD_NAMES = {
    "d": ("B", "C", "D", "E", "H", "L", "(HL)", "A"),
    "s": ("B", "C", "D", "E", "H", "L", "(HL)", "A"),
    "p": ("BC", "DE", "HL", "SP"),
    "q": ("BC", "DE", "HL", "AF"),
    "c": ("NZ", "Z", "NC", "C", "PO", "PE", "P", "M"),
    "b": tuple("01234567"),
    "t": tuple(f"{code * 8:02X}h" for code in range(8)),
    "o": ALU_NAMES,
    "k": ROTATE_NAMES,
    "v": ("0", "0", "1", "2", "0", "0", "1", "2"),
}


def match(pattern: str, opcode: int) -> dict[str, int] | None:
    """Give the fields of an opcode by the pattern's letters, or None when fixed bits differ."""
    fields: dict[str, int] = {}
    for place, letter in enumerate(pattern):
        bit = (opcode >> (7 - place)) & 1
        if letter in "01":
            if bit != int(letter):
                return None
        elif letter != "x":
            fields[letter] = fields.get(letter, 0) * 2 + bit
    return fields


def find(rows: Sequence[Row], opcode: int) -> tuple[Handler, dict[str, int], str]:
    """Find the handler, its fields and the mnemonic of an opcode; LookupError when none matches."""
    for pattern, mnemonic, handler in rows:
        fields = match(pattern, opcode)
        if fields is not None:
            names = {letter: FIELD_NAMES[letter][value] for letter, value in fields.items()}
            return handler, fields, mnemonic.format(**names)
    raise LookupError(f"no row matches opcode {opcode:02X}h")


def build_table(rows: Sequence[Row]) -> list[tuple[Handler, dict[str, int], str]]:
    """Find all 256 opcodes once."""
    return [find(rows, opcode) for opcode in range(256)]
