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
  log is off (10 %), and the machine record's type is spelt out once (5 %);
* arrays in records have no owner, so nothing counts references or looks where a variable
  dies (20 % of what was left), and what stands for every function is asked once (10 %).

The collector of the compiling process is off (emu/native/compiler.py): 12 %, for 0.3 GB.
tests/test_emu_native.py guards it.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


def apply() -> None:
    """Change the compiler."""
    _link_late()
    _call_bare()
    _leave_out_passes()
    _remember_types()
    _count_no_references()
    _ask_once()
    _say_where_in_errors_only()


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
    from numba.core.compiler_machinery import PassManager, _pass_registry

    needed = (untyped_passes.TranslateByteCode, untyped_passes.FixupArgs,
              untyped_passes.IRProcessing, untyped_passes.ReconstructSSA,
              typed_passes.NopythonTypeInference, typed_passes.PreLowerStripPhis,
              typed_passes.NativeLowering, typed_passes.NoPythonBackend)

    def pipeline(_state: Any, name: str = "nopython") -> Any:
        manager = PassManager(name)
        for one in needed:
            manager.add_pass(one, one.__name__)
        manager.finalize()
        return manager

    def run(self: Any, state: Any) -> None:
        for one, _ in self.passes:
            _pass_registry.get(one).pass_inst.run_pass(state)

    @contextmanager
    def silent(*_: Any, **__: Any) -> Iterator[None]:
        yield

    compiler.DefaultPassBuilder.define_nopython_pipeline = staticmethod(pipeline)
    event.start_event = event.end_event = lambda *_, **__: None
    event.trigger_event = silent
    PassManager.run = run


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


def _count_no_references() -> None:
    from numba.core import ir, lowering, postproc, transforms
    from numba.core.runtime.context import NRTContext

    def nothing(*_: Any) -> None:
        pass

    def run(self: Any, *_: Any, **__: Any) -> None:
        """Leave out where each variable dies: only a count of references would ask."""
        self.func_ir.blocks = transforms.canonicalize_cfg(self.func_ir.blocks)
        self.func_ir.generator_info = None

    def variables(_: Any, value: Any) -> list[Any]:
        """List the variables of an operand, the common ones first."""
        if value.__class__ is ir.Var:
            return [value]
        if isinstance(value, ir.Inst):
            found: list[Any] = value.list_vars()
            return found
        several = value.values() if isinstance(value, dict) else \
            value if isinstance(value, list | tuple) else ()
        return [one for each in several for one in variables(_, each)]

    for place in (lowering.BaseLower, lowering.Lower, NRTContext):
        place.incref = place.decref = nothing
    postproc.PostProcessor.run = run
    ir.Inst._rec_list_vars = variables


def _ask_once() -> None:
    """Ask once what is the same for every function: registries, settings, signatures."""
    from numba.core import base, codegen, compiler, cpu, utils
    from numba.core.typing.context import Context

    def reuse(kind: Any) -> None:
        load = kind.load_additional_registries
        known: list[Any] = []

        def again(self: Any) -> None:
            install = self.install_registry
            if not known:
                self.install_registry = known.append
                try:
                    load(self)
                finally:
                    del self.install_registry
            for registry in known:
                install(registry)

        kind.load_additional_registries = again

    def optimise(self: Any, module: Any) -> None:
        module.data_layout = self._codegen._data_layout
        manager, builder = self._codegen._function_pass_manager()
        for function in module.functions:
            manager.run(function, builder)

    for kind in (cpu.CPUContext, Context):
        reuse(kind)
    compiler.config.reload_config = lambda: None
    utils.pysignature = cache(utils.pysignature)
    base._has_loc = cache(base._has_loc)
    codegen.CPUCodeLibrary._optimize_functions = optimise


def _say_where_in_errors_only() -> None:
    """Make the words that say where a mistake is only once there is one."""
    from numba.core import errors, lowering, typeinfer

    class Where:
        def __init__(self, words: str, *inner: Any, **named: Any) -> None:
            self.told = words, inner, named

        def __enter__(self) -> None:
            pass

        def __exit__(self, _kind: Any, error: Any, _trace: Any) -> None:
            if isinstance(error, errors.NumbaError):
                error.add_context(errors._format_msg(*self.told))

    modules: tuple[Any, ...] = (errors, lowering, typeinfer)
    for module in modules:
        module.new_error_context = Where
