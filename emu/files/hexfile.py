"""Read Intel HEX and S-record files; every fault names its line."""

import io
import re
from pathlib import Path

import intelhex

from emu.errors import InputError
from emu.files.segment import Segment, join

SREC_ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
REBUILD = "write the file again"
HEX_FAULTS: dict[type[intelhex.IntelHexError], str] = {
    intelhex.RecordLengthError: "the line is longer or shorter than its length byte says",
    intelhex.RecordTypeError: "the record type is none of 00 to 05",
    intelhex.EOFRecordError: "an end record (type 01) carries no data",
    intelhex.ExtendedSegmentAddressRecordError: "a type 02 record has address 0000 and two bytes",
    intelhex.ExtendedLinearAddressRecordError: "a type 04 record has address 0000 and two bytes",
    intelhex.StartSegmentAddressRecordError: "a type 03 record has address 0000 and four bytes",
    intelhex.StartLinearAddressRecordError: "a type 05 record has address 0000 and four bytes",
    intelhex.DuplicateStartAddressRecordError: "a start address was given before",
}


def text_lines(path: Path, data: bytes) -> list[str]:
    """Split a text file; raise InputError at the first line that is no ASCII."""
    lines = data.removesuffix(b"\x1a").splitlines()
    for number, line in enumerate(lines, 1):
        if not line.isascii():
            raise _fault(path, number, "it holds bytes that are no text")
    return [line.decode("ascii").strip() for line in lines]


def read_hex(path: Path, data: bytes) -> tuple[tuple[Segment, ...], int | None]:
    """Read Intel HEX (types 00 to 05) into segments and the start address, if any.

    Raises InputError with file, line and mend.
    """
    lines = text_lines(path, data)
    _check_hex(path, lines)
    reader = intelhex.IntelHex()
    try:
        reader.loadhex(io.StringIO("\n".join(lines)))
    except intelhex.AddressOverlapError as error:
        raise _fault(
            path, error.line, f"address {error.address:04X}h was filled before",
            "remove one of the two, or link them apart",
        ) from None  # fmt: skip
    except intelhex.RecordChecksumError as error:
        raise _fault(path, error.line, _hex_checksum(lines[error.line - 1])) from None
    except intelhex.IntelHexError as error:
        what = HEX_FAULTS.get(type(error), str(error))
        raise _fault(path, getattr(error, "line", len(lines)), what) from None
    pieces = [
        (start, reader.tobinstr(start=start, size=end - start)) for start, end in reader.segments()
    ]
    return join(pieces), _hex_entry(reader.start_addr)


def _check_hex(path: Path, lines: list[str]) -> None:
    """Find what the library does not tell apart: bad digits, missing or early end record."""
    ended = 0
    for number, line in enumerate(lines, 1):
        if not line:
            continue
        if ended:
            raise _fault(path, number, f"data follows the end record in line {ended}")
        if line[0] != ":":
            raise _fault(path, number, 'it does not start with ":"')
        _check_digits(path, number, line[1:])
        if len(line) < 11:
            raise _fault(path, number, "the line is cut short")
        if line[7:9] == "01":
            ended = number
    if not ended:
        raise _fault(
            path, len(lines), "the file ends without an end record, so it may be cut short",
            "write it again, or add the line :00000001FF if it is whole",
        )  # fmt: skip


def _check_digits(path: Path, number: int, digits: str) -> None:
    if bad := re.search("[^0-9A-Fa-f]", digits):
        raise _fault(path, number, f'"{bad[0]}" is no hexadecimal digit')
    if len(digits) % 2:
        raise _fault(path, number, "the line has an odd number of digits")


def _hex_checksum(line: str) -> str:
    record = bytes.fromhex(line[1:])
    return f"the checksum is {record[-1]:02X}, the line adds up to {-sum(record[:-1]) & 0xFF:02X}"


def _hex_entry(start: dict[str, int] | None) -> int | None:
    if start is None:
        return None
    return start["EIP"] if "EIP" in start else start["CS"] * 16 + start["IP"]


def read_srec(path: Path, data: bytes) -> tuple[tuple[Segment, ...], int | None]:
    """Read S-records (S0 to S9) into segments and the start address.

    Raises InputError with file, line and mend.
    """
    pieces: list[tuple[int, bytes, int]] = []
    entry, ended, lines = None, 0, text_lines(path, data)
    for number, line in enumerate(lines, 1):
        if not line:
            continue
        if ended:
            raise _fault(path, number, f"data follows the end record in line {ended}")
        kind, address, content = _srec_record(path, number, line)
        if kind in "123":
            pieces.append((address, content, number))
        elif kind in "56" and address != len(pieces):
            raise _fault(path, number, f"it counts {address} data lines, there are {len(pieces)}")
        elif kind in "789":
            entry, ended = address, number
    if not ended:
        raise _fault(
            path, len(lines), "the file ends without an S7, S8 or S9 line, so it may be cut short",
            "write it again, or add the line S9030000FC if it is whole",
        )  # fmt: skip
    _check_overlap(path, pieces)
    return join((address, content) for address, content, _ in pieces), entry


def _srec_record(path: Path, number: int, line: str) -> tuple[str, int, bytes]:
    """Check one line; give its type digit, address and data."""
    kind = line[1:2]
    if line[0] != "S" or kind not in SREC_ADDRESS_BYTES:
        raise _fault(path, number, "it does not start with S0 to S3 or S5 to S9")
    _check_digits(path, number, line[2:])
    record = bytes.fromhex(line[2:])
    width = SREC_ADDRESS_BYTES[kind]
    if not record or len(record) != record[0] + 1:
        raise _fault(path, number, "the line is longer or shorter than its length byte says")
    if record[0] < width + 1:
        raise _fault(path, number, "the line is too short for its address")
    if (total := ~sum(record[:-1]) & 0xFF) != record[-1]:
        what = f"the checksum is {record[-1]:02X}, the line adds up to {total:02X}"
        raise _fault(path, number, what)
    return kind, int.from_bytes(record[1 : 1 + width], "big"), record[1 + width : -1]


def _check_overlap(path: Path, pieces: list[tuple[int, bytes, int]]) -> None:
    top = 0
    for address, content, number in sorted(pieces, key=lambda piece: (piece[0], piece[2])):
        if address < top and content:
            raise _fault(
                path, number, f"address {address:04X}h is filled by another line too",
                "remove one of the two, or link them apart",
            )  # fmt: skip
        top = max(top, address + len(content))


def _fault(path: Path, number: int, what: str, mend: str = REBUILD) -> InputError:
    return InputError(f"{path}:{number}: {what}; {mend}.")
