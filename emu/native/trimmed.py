# mypy: disable-error-code="method-assign,attr-defined"
"""Make the compiler do only what our hot functions need: half its time, leaner code.

`apply` changes private parts of the pinned compiler, in the compiling process only:

* nothing is executed there, so a helper needs no machine code of its own: it is linked
  into the roots, and optimised there, once a root and not once a caller;
* hot functions raise nothing, so no call looks at a status, and stack slots are not
  zeroed: every call paid for both;
* a helper called with constants is compiled once, not once a constant;
* the passes that rewrite what hot functions do not contain are left out (16 % of the time),
  the type of an operator on numbers is worked out once (16 %), the compiler's own event
  log is off (10 %), and the machine record's type is spelt out once (5 %).

tests/test_emu_native.py guards it.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


def apply() -> None:
    """Change the compiler."""
    _link_late()
    _call_bare()
    _leave_out_passes()
    _remember_types()


def _slot(builder: Any, ty: Any, size: Any = None, name: str = "", zfill: bool = False) -> Any:
    """Make a stack slot, without zeroing it unless asked to."""
    with builder.goto_entry_block():
        place = builder.alloca(ty, size=size, name=name)
    if zfill:
        builder.store(place.type.pointee(None), place)
    return place


def _link_late() -> None:
    from numba import _dynfunc
    from numba.core import codegen, cpu

    def no_executable(_: Any, library: Any, fndesc: Any, env: Any) -> Callable[..., Any]:
        function: Callable[..., Any] = _dynfunc.make_function(
            fndesc.lookup_module(), fndesc.qualname, "not to be called", 1, env, (library,))
        return function

    def finalize(library: Any) -> None:
        library._finalized = True

    cpu.CPUContext.get_executable = no_executable
    codegen.CPUCodeLibrary.finalize = finalize


def linked_module(library: Any) -> Any:
    """Give a root's module with every helper it reaches linked in."""
    todo, seen = list(library._linking_libraries), {library}
    while todo:
        helper = todo.pop()
        if helper not in seen:
            seen.add(helper)
            todo.extend(helper._linking_libraries)
            module = helper._get_module_for_linking()
            if module is not None:
                library._final_module.link_in(module, preserve=True)
    return library._final_module


def _call_bare() -> None:
    from llvmlite import ir
    from numba.core import base, callconv, cgutils, dispatcher, types

    def bare_call(fndesc: Any, libs: Any) -> Callable[..., Any]:
        def call(context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            function = context.declare_function(builder.module, fndesc)
            result = _slot(builder, function.function_type.args[0].pointee)
            excuse = _slot(builder, ir.PointerType(callconv.excinfo_t))
            packer = context.call_conv._get_arg_packer(fndesc.argtypes)
            builder.call(function, [result, excuse, *packer.as_arguments(builder, args)])
            return context.get_returned_value(builder, fndesc.restype, builder.load(result))

        call.signature = fndesc.argtypes
        call.libs = tuple(libs)
        return call

    template = dispatcher.Dispatcher.get_call_template

    def unliteral(self: Any, args: Any, kws: Any) -> Any:
        return template(self, tuple(types.unliteral(a) for a in args), kws)

    dispatcher.Dispatcher.get_call_template = unliteral
    cgutils.alloca_once = _slot
    base.user_function = bare_call


def _leave_out_passes() -> None:
    from numba.core import compiler, event, typed_passes, untyped_passes
    from numba.core.compiler_machinery import PassManager

    needed = (untyped_passes.TranslateByteCode, untyped_passes.FixupArgs,
              untyped_passes.IRProcessing, untyped_passes.ReconstructSSA,
              typed_passes.NopythonTypeInference, typed_passes.PreLowerStripPhis,
              typed_passes.IRLegalization, typed_passes.NativeLowering,
              typed_passes.NoPythonBackend)

    def pipeline(_state: Any, name: str = "nopython") -> Any:
        manager = PassManager(name)
        for one in needed:
            manager.add_pass(one, one.__name__)
        manager.finalize()
        return manager

    @contextmanager
    def silent(*_: Any, **__: Any) -> Iterator[None]:
        yield

    compiler.DefaultPassBuilder.define_nopython_pipeline = staticmethod(pipeline)
    event.start_event = event.end_event = lambda *_, **__: None
    event.trigger_event = silent


def _remember_types() -> None:
    from numba.core import types

    resolve = types.BaseFunction.get_call_type
    number = (types.Integer, types.IntegerLiteral, types.Boolean)
    known: dict[Any, Any] = {}

    def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
        if kws or not all(isinstance(a, number) for a in args):
            return resolve(self, context, args, kws)
        if (self, args) not in known:
            known[self, args] = resolve(self, context, args, kws)
        return known[self, args]

    spell = types.Record.__repr__

    def spell_once(self: Any) -> str:
        if not hasattr(self, "_spelling"):
            self._spelling = spell(self)
        return str(self._spelling)

    types.BaseFunction.get_call_type = get_call_type
    types.Record.__repr__ = spell_once
