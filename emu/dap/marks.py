"""An editor's breakpoints as stops of the stepper: each request replaces those of its kind."""
from __future__ import annotations

from typing import Any

from emu.dap.inspection import address
from emu.dap.wire import Message
from emu.errors import InputError
from emu.stepper.stepper import Stepper
from emu.stepper.watch import Stop, parse

FILTERS = {"rom-write": "writes to ROM", "conflict": "two cards drive the bus",
           "unwritten": "execution of RAM that was never written"}
ACCESS = {"read": "read", "write": "write", "readWrite": "access"}


class Marks:
    """The breakpoints of one editor, by kind: a source's path, or "function", "data" ..."""

    def __init__(self, stepper: Stepper) -> None:
        self.stepper = stepper
        self._kinds: dict[str, list[Stop]] = {}

    def clear(self) -> None:
        """Take all of them out."""
        for kind in list(self._kinds):
            self._replace(kind)

    def _replace(self, kind: str) -> list[Stop]:
        for stop in self._kinds.pop(kind, []):
            if stop in self.stepper.stops:
                self.stepper.remove(stop)
        return self._kinds.setdefault(kind, [])

    def _add(self, kept: list[Stop], text: str, asked: Message) -> Message:
        """Make a stop with the condition and count that were asked for."""
        if asked.get("condition"):
            text += f" if {asked['condition']}"
        if asked.get("hitCondition"):
            text += f" after {str(asked['hitCondition']).strip()}"
        try:
            stop = self.stepper.add(parse(text, self.stepper.book))
        except InputError as error:
            return {"verified": False, "message": str(error)}
        kept.append(stop)
        return {"verified": True, "id": stop.number}

    def source(self, asked: Message) -> list[Message]:
        """Answer setBreakpoints: lines of one source file."""
        path = asked["source"].get("path") or asked["source"].get("name") or ""
        kept = self._replace(f"source {path}")
        file = self.stepper.book.source_named(path)
        out = []
        for one in asked.get("breakpoints", []):
            made = self._add(kept, f"{file}:{one['line']}", one)
            if made["verified"]:
                line = self.stepper.book.line(kept[-1].targets[0].address)
                made["line"] = line.line if line else one["line"]
            out.append(made)
        return out

    def function(self, asked: Message) -> list[Message]:
        """Answer setFunctionBreakpoints."""
        kept = self._replace("function")
        return [self._add(kept, one["name"], one) for one in asked["breakpoints"]]

    def instruction(self, asked: Message) -> list[Message]:
        """Answer setInstructionBreakpoints."""
        kept = self._replace("instruction")
        out = []
        for one in asked["breakpoints"]:
            at = address(one["instructionReference"]) + one.get("offset", 0) & 0xFFFF
            out.append(self._add(kept, f"0x{at:04x}", one))
        return out

    def data(self, asked: Message) -> list[Message]:
        """Answer setDataBreakpoints."""
        kept = self._replace("data")
        return [self._add(kept, f"{ACCESS[one.get('accessType', 'write')]} {one['dataId']}", one)
                for one in asked["breakpoints"]]

    def data_info(self, asked: Message) -> Message:
        """Answer dataBreakpointInfo: what can be watched, a symbol, an address or a stack word."""
        name = str(asked["name"]).strip()
        try:
            at = self.stepper.book.address(name)
        except InputError as error:
            return {"dataId": None, "description": str(error)}
        size = asked.get("bytes") or self.stepper.book.length(name)
        return {"dataId": f"0x{at:04x} for {size}", "accessTypes": list(ACCESS),
                "description": f"{size} byte{'s' * (size > 1)} from {at:04X}h ({name})"}

    def exceptions(self, asked: Message) -> list[Message]:
        """Answer setExceptionBreakpoints: what should not happen on the bus."""
        kept = self._replace("exception")
        return [self._add(kept, name, {}) for name in asked["filters"]]

    def kind_of(self, stop: Stop | None) -> str:
        """Name the protocol's reason for a stop."""
        for kind, stops in self._kinds.items():
            if stop in stops:
                first = kind.split(" ")[0]
                words = {"function": "function breakpoint", "data": "data breakpoint",
                         "instruction": "instruction breakpoint", "exception": "exception"}
                return words.get(first, "breakpoint")
        return "breakpoint"


def filters() -> list[Any]:
    """List what setExceptionBreakpoints knows."""
    return [{"filter": name, "label": label, "default": False} for name, label in FILTERS.items()]
