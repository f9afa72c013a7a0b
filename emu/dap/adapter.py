"""One editor's session: requests in, the machine run or looked at, answers and events out.

A thread reads; the run under way looks for what came, it is answered, and the run goes on.
So everything that touches the machine happens in one thread.
"""
from __future__ import annotations

import _thread
import queue
import threading
from collections.abc import Callable
from fractions import Fraction
from typing import Any, BinaryIO

from emu.bus.state import FAR
from emu.dap import inspection
from emu.dap.marks import Marks, filters
from emu.dap.steps import STEPS
from emu.dap.wire import Broken, Message, read, write
from emu.diagnosis.verdict import HALTED, HUNG, RUNAWAY, Verdict
from emu.errors import Ended, InputError, one_line
from emu.files.numbers import LONGEST
from emu.run.player import Spot
from emu.stepper.as_session import verdict as verdict_of
from emu.stepper.stepper import Event, Stepper
from emu.stepper.word_reader import Leave, WordReader

QUIET = 10  # emulated seconds without a character before it is asked whether the machine hangs
LEG = 0.5  # emulated seconds of a run after which messages are looked for anyway
URGENT = ("pause", "disconnect", "terminate")  # end a step that does not come to its end
THREAD = 1
CAPABILITIES: Message = {
    "supportsConfigurationDoneRequest": True, "supportsFunctionBreakpoints": True,
    "supportsConditionalBreakpoints": True, "supportsHitConditionalBreakpoints": True,
    "supportsEvaluateForHovers": True, "supportsStepBack": True, "supportsSetVariable": True,
    "supportsDataBreakpoints": True, "supportsReadMemoryRequest": True,
    "supportsWriteMemoryRequest": True, "supportsDisassembleRequest": True,
    "supportsSteppingGranularity": True, "supportsInstructionBreakpoints": True,
    "supportsExceptionInfoRequest": True, "supportsRestartRequest": True,
    "supportsTerminateRequest": True}


class Adapter:
    """Serves one editor on a pair of byte streams; `serve` returns when it has gone."""

    def __init__(self, stepper: Stepper, incoming: BinaryIO, outgoing: BinaryIO) -> None:
        self.stepper = stepper
        self.reader = WordReader(stepper)
        self.marks = Marks(stepper)
        self._incoming, self._outgoing = incoming, outgoing
        self._came: queue.Queue[Message | None | Broken] = queue.Queue()
        self._seq = 0
        self._running = self._gone = False
        self._by_entry = True
        self._takes_invalidated = False
        self._quiet_t = 0  # emulated T-states without a character, 0: never asked
        self._asked_t = -1  # when it was last asked
        self._verdict: Verdict | None = None
        self._cutting = threading.Lock()
        self._explaining = False
        self._later: list[Callable[[], None]] = []  # events behind the answer under way
        stepper.echo = self._echo

    # --- messages ---------------------------------------------------------------------
    def serve(self) -> None:
        """Answer requests until the editor disconnects or its stream ends."""
        threading.Thread(target=self._listen, daemon=True).start()
        self.stepper.ends = self._wanted
        try:
            while not self._gone:
                if self._running:
                    self._run()
                    continue
                self._take(self._came.get())
        finally:
            self.stepper.ends = lambda: False
            self.marks.clear()

    def _listen(self) -> None:
        while True:
            try:
                message = read(self._incoming)
            except Broken as error:
                self._came.put(error)
                message = None
            except (OSError, ValueError):
                message = None
            self._came.put(message)
            with self._cutting:
                if self._explaining and self._wanted():
                    _thread.interrupt_main()  # the one way to end what has no slices
            if message is None:
                return

    def _wanted(self) -> bool:
        """Tell whether a message has come that what is done now must end for."""
        with self._came.mutex:
            waiting = tuple(self._came.queue)
        return any(self._running or not isinstance(message, dict)
                   or message.get("command") in URGENT for message in waiting)

    def _take(self, message: Message | None | Broken) -> None:
        if message is None:
            self._gone = True
        elif isinstance(message, Broken):
            self.output("stderr", f"preburn: {message}; the connection is closed.\n")
        elif message.get("type") == "request":
            self._answer(message)

    def _send(self, message: Message) -> None:
        self._seq += 1
        try:
            write(self._outgoing, {"seq": self._seq, **message})
        except (OSError, ValueError):
            self._gone = True

    def event(self, name: str, body: Message | None = None) -> None:
        """Send an event."""
        self._send({"type": "event", "event": name, **({"body": body} if body else {})})

    def output(self, category: str, text: str) -> None:
        """Send text for the editor's console."""
        self.event("output", {"category": category, "output": text})

    def _echo(self, _: str, new: bytes) -> None:
        self.output("stdout", new.decode("latin-1").replace("\r", ""))

    def _answer(self, request: Message) -> None:
        command = str(request.get("command"))
        number = request.get("seq")
        answer: Message = {"type": "response", "request_seq": number if type(number) is int else 0,
                           "command": command, "success": True}
        handler = REQUESTS.get(command)
        try:
            if handler is None:
                raise InputError(f"the request {command!r} is not known here.")
            body = handler(self, request.get("arguments") or {})
            if body is not None:
                answer["body"] = body
        except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
            said = str(error) if isinstance(error, InputError) else (
                f"{one_line(command)}: its arguments are not as the protocol has them "
                f"({one_line(repr(error))}).")
            answer["success"], answer["message"] = False, said
            answer["body"] = {"error": {"id": 1, "format": said.replace("{", "(")}}
            self._later.clear()
        self._send(answer)
        later, self._later = self._later, []
        for act in later:
            act()

    # --- running ----------------------------------------------------------------------
    def _run(self) -> None:
        """Run until a stop, or a request comes."""
        while not self._came.empty():
            self._take(self._came.get())
            if not self._running or self._gone:
                return
        end = self._quiet_end()
        event = self.stepper.go(min(end, self.stepper.t + self.stepper.machine.at(LEG)))
        if event.reason == "interrupted":
            return
        if event.reason == "time":
            if self.stepper.t >= end:
                self._ask_verdict()
            return
        self._stopped("pause" if event.reason == "limit" else self.marks.kind_of(event.stop),
                      event)

    def _quiet_end(self) -> int:
        """Give the T-state at which the machine has been silent for long."""
        if not self._quiet_t:
            return FAR
        last = max(self.stepper.console.last_shown(), self._asked_t, self._typed_t())
        return max(last + self._quiet_t, self.stepper.t + 1)

    def _typed_t(self) -> int:
        made = self.stepper.history.inputs[:self.stepper.main.made]
        return made[-1].t if made else 0

    def _explain(self) -> Verdict | None:
        """Give the verdict; None when a message that is wanted came meanwhile."""
        try:
            try:
                self._explaining = True
                return None if self._wanted() else verdict_of(self.stepper)
            finally:
                with self._cutting:
                    self._explaining = False
        except Ended:
            raise
        except KeyboardInterrupt:
            if not self._wanted():
                raise
            return None

    def _ask_verdict(self) -> None:
        """Stop when the silent machine hangs; else let it go on."""
        before, self._asked_t = self._asked_t, self.stepper.t
        verdict = self._explain()
        if verdict is None:
            self._asked_t = before
            return
        if verdict.verdict not in (HUNG, HALTED, RUNAWAY):
            return
        self._verdict = verdict
        self.output("console", "\n".join(verdict.lines()) + "\n")
        self._running = False
        self.event("stopped", {"reason": "exception", "description": verdict.lines()[0],
                               "text": verdict.cause or verdict.verdict, "threadId": THREAD,
                               "allThreadsStopped": True})

    def _stopped(self, reason: str, event: Event | None = None) -> None:
        self._running = False
        body: Message = {"reason": reason, "threadId": THREAD, "allThreadsStopped": True}
        if event is not None and event.words:
            body["description"] = event.words
        if event is not None and event.stop is not None and event.stop.number:
            body["hitBreakpointIds"] = [event.stop.number]
        self.event("stopped", body)

    def _step(self, arguments: Message, kind: str) -> None:
        """Do a step behind its answer: its event must come after it."""
        granularity = arguments.get("granularity", "statement")

        def act() -> None:
            self.event("continued", {"threadId": THREAD, "allThreadsContinued": True})
            event = STEPS[kind](self.stepper, granularity)
            if event.reason == "stop":
                self._stopped(self.marks.kind_of(event.stop), event)
            else:
                reason = {"beginning": "entry", "interrupted": "pause"}.get(event.reason, "step")
                self._stopped(reason, event)

        self._later.append(act)

    # --- requests ---------------------------------------------------------------------
    def initialize(self, arguments: Message) -> Message:
        """Tell what this adapter can do."""
        self._takes_invalidated = bool(arguments.get("supportsInvalidatedEvent"))
        self._later.append(lambda: self.event("initialized"))
        return {**CAPABILITIES, "exceptionBreakpointFilters": filters()}

    def launch(self, arguments: Message) -> None:
        """Take the settings: stopOnEntry, quiet (emulated seconds, 0: never ask)."""
        self._by_entry = bool(arguments.get("stopOnEntry", True))
        quiet = arguments.get("quiet", QUIET)
        if isinstance(quiet, bool) or not isinstance(quiet, int | float) \
                or not 0 <= quiet <= LONGEST:
            raise InputError(f"quiet takes emulated seconds from 0, not {quiet!r}.")
        self._quiet_t = self.stepper.machine.at(Fraction(quiet))

    def configuration_done(self, _: Message) -> None:
        """Begin: stop where the machine stands, or run."""
        if self._by_entry:
            self._later.append(lambda: self._stopped("entry"))
        else:
            self._running = True

    def restart(self, _: Message) -> None:
        """Go back to power-on and forget what was done."""
        self._running = False
        self.stepper.jump(Spot(0, 0))
        self.stepper.history.cut(Spot(0, 0), -1)
        self._asked_t = -1
        self._later.append(lambda: self._stopped("entry"))

    def disconnect(self, _: Message) -> None:
        """End the session."""
        self._running, self._gone = False, True

    def terminate(self, _: Message) -> None:
        """End, and say so."""
        self._running = False
        self._later += [lambda: self.event("exited", {"exitCode": 0}),
                        lambda: self.event("terminated")]

    def threads(self, _: Message) -> Message:
        """There is one CPU."""
        return {"threads": [{"id": THREAD, "name": "CPU"}]}

    def stack_trace(self, arguments: Message) -> Message:
        """Give the frames."""
        found = inspection.frames(self.stepper)
        first, count = arguments.get("startFrame") or 0, arguments.get("levels") or len(found)
        return {"stackFrames": found[first:first + count], "totalFrames": len(found)}

    def evaluate(self, arguments: Message) -> Message:
        """Work an expression out; in the debug console all words of the stepper are known."""
        text = str(arguments["expression"])
        if arguments.get("context") == "repl":
            return {"result": "\n".join(self._words(text)), "variablesReference": 0}
        value = self.stepper.book.work_out(text)
        return {"result": f"{value:04X}h ({value})", "variablesReference": 0,
                "memoryReference": f"0x{value & 0xFFFF:04x}"}

    def _words(self, text: str) -> list[str]:
        before = self.stepper.spot
        try:
            told = self.reader.do(text)
        except Leave:
            return ["the editor ends the session."]
        if self.stepper.t != before.t:
            self._later.append(lambda: self._stopped("step"))
        elif self.stepper.spot != before and self._takes_invalidated:
            self._later.append(lambda: self.event("invalidated", {"areas": ["all"]}))
        return told

    def carry_on(self, _: Message) -> Message:
        """Run; the answer comes first."""
        self._running = True
        return {"allThreadsContinued": True}

    def reverse(self, _: Message) -> None:
        """Run back to the last stop."""

        def act() -> None:
            event = self.stepper.back_to_stop()
            met = event.reason == "stop"
            self._stopped("breakpoint" if met else "entry", event)

        self._later.append(act)

    def pause(self, _: Message) -> None:
        """End the run under way; a step that was interrupted has said so itself."""
        if self._running:
            self._later.append(lambda: self._stopped("pause"))
        self._running = False

    def exception_info(self, _: Message) -> Message:
        """Tell the verdict that stopped it, or how it stands."""
        verdict = self._verdict or self._explain()
        if verdict is None:
            raise InputError("the editor has asked for something else meanwhile.")
        return {"exceptionId": verdict.cause or verdict.verdict, "breakMode": "always",
                "description": "\n".join(verdict.lines())}


Handler = Callable[[Adapter, Message], Any]
REQUESTS: dict[str, Handler] = {
    "initialize": Adapter.initialize, "launch": Adapter.launch, "attach": Adapter.launch,
    "configurationDone": Adapter.configuration_done, "restart": Adapter.restart,
    "disconnect": Adapter.disconnect, "terminate": Adapter.terminate,
    "threads": Adapter.threads, "stackTrace": Adapter.stack_trace,
    "evaluate": Adapter.evaluate, "continue": Adapter.carry_on, "pause": Adapter.pause,
    "reverseContinue": Adapter.reverse, "exceptionInfo": Adapter.exception_info,
    "next": lambda a, x: a._step(x, "over"), "stepIn": lambda a, x: a._step(x, "into"),
    "stepOut": lambda a, x: a._step(x, "out"), "stepBack": lambda a, x: a._step(x, "back"),
    "scopes": lambda a, _: {"scopes": inspection.scopes()},
    "variables": lambda a, x: {
        "variables": inspection.variables(a.stepper, x["variablesReference"])},
    "setVariable": lambda a, x: {"value": inspection.set_variable(
        a.stepper, x["variablesReference"], x["name"], x["value"])},
    "readMemory": lambda a, x: inspection.read_memory(a.stepper, x["memoryReference"],
                                                x.get("offset", 0), x["count"]),
    "writeMemory": lambda a, x: {"bytesWritten": inspection.write_memory(
        a.stepper, x["memoryReference"], x.get("offset", 0), x["data"])},
    "disassemble": lambda a, x: {"instructions": inspection.disassembly(
        a.stepper, x["memoryReference"], x.get("offset", 0), x.get("instructionOffset", 0),
        x["instructionCount"])},
    "setBreakpoints": lambda a, x: {"breakpoints": a.marks.source(x)},
    "setFunctionBreakpoints": lambda a, x: {"breakpoints": a.marks.function(x)},
    "setInstructionBreakpoints": lambda a, x: {"breakpoints": a.marks.instruction(x)},
    "setDataBreakpoints": lambda a, x: {"breakpoints": a.marks.data(x)},
    "dataBreakpointInfo": lambda a, x: a.marks.data_info(x),
    "setExceptionBreakpoints": lambda a, x: {"breakpoints": a.marks.exceptions(x)},
}
