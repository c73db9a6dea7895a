"""Numba kept from doing things twice while it compiles, with no change to what it makes.

Machine code is made once. Numba makes each function a library of its own: optimised with a copy of all that it
calls, and turned into machine code, though others take no more of it than its LLVM code, with which all of that is
done again. So what stands at the foot of a tall tree of calls is compiled as often as there are functions above it.

What an operator gives for operands of known types is looked up once. Numba tries all forms of it for each place
where it stands.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any, cast

from numba.core.codegen import JITCodeLibrary, RuntimeLinker
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target
from numba.core.runtime.nrt import rtsys

__all__ = ["nothing_twice"]


@contextlib.contextmanager
def nothing_twice() -> Iterator[None]:
    """Spare what Numba does twice, for what is compiled within; a context manager.

    Yields
    ------
    None
        Numba is left as it was.
    """
    context, typing = cast(Any, cpu_target).target_context, cast(Any, cpu_target).typing_context
    rtsys.initialize(context)
    with (
        global_compiler_lock,
        _other(context.codegen(), "_library_class", _Linked),
        _other(typing, "resolve_function_type", _remembered(typing.resolve_function_type)),
    ):
        yield


@contextlib.contextmanager
def _other(owner: Any, name: str, value: object) -> Iterator[None]:
    was = vars(owner).get(name)
    setattr(owner, name, value)
    try:
        yield
    finally:
        delattr(owner, name) if was is None else setattr(owner, name, was)


_known: dict[Any, Any] = {}  # operator and types of its operands: what it gives


def _remembered(resolve: Callable[..., Any]) -> Callable[..., Any]:
    def remembered(function: Any, given: Any, named: Any) -> Any:
        operator = getattr(function, "typing_key", function)
        if named or getattr(operator, "__module__", "") != "_operator":
            return resolve(function, given, named)
        key = function, tuple(given)
        found = _known.get(key)
        if found is None:
            found = _known[key] = resolve(function, given, named)
        return found

    return remembered


_usual: Any = JITCodeLibrary  # without types


class _Linked(JITCodeLibrary):
    """A function's own LLVM code, and the libraries of those that it calls."""

    _has_code = False
    _alone: Any = None

    def __init__(self, codegen: Any, name: str) -> None:
        _usual.__init__(self, codegen, name)
        self._environments: list[tuple[str, object]] = []

    @property
    def codegen(self) -> Any:
        return self._codegen if self._has_code else self

    def set_env(self, name: str, environment: object) -> None:
        """What a function reads from Python's side is kept until there is code that reads it."""
        self._environments.append((name, environment))

    def _optimize_functions(self, module: Any) -> None:
        """Left to the passes over the whole, which do the same to each function once it is inlined."""
        module.data_layout = self._codegen._data_layout

    def finalize(self: Any) -> None:
        """Nothing more comes to it; it is linked and optimised when it is made machine code."""
        self._raise_if_finalized()
        for library in self._linking_libraries:
            if again := getattr(library, "_reload_init", ()):  # Numba 0.60 has none
                self._reload_init.update(again)
        self._finalized = True
        if any(one.name.startswith(RuntimeLinker.PREFIX) for one in self._final_module.global_variables):
            self._make()  # a function that calls itself does so by an address

    def get_pointer_to_function(self: Any, name: str) -> Any:
        self._ensure_finalized()
        if not self._has_code and any(one.name == name for one in self.get_defined_functions()):
            self._make()
        return _usual.get_pointer_to_function(self, name) if self._has_code else 0

    def _make(self: Any) -> None:
        """Machine code of this function with all that it calls."""
        called = self._called()
        for library in called:
            part = library._part() if _without_code(library) else library._get_module_for_linking()
            self._final_module.link_in(part, preserve=True)
        self._optimize_final_module()
        self._final_module.verify()
        self._finalize_final_module()
        for library in (self, *called):
            for name, environment in getattr(library, "_environments", ()):
                self._codegen.set_env(name, environment)

    def _finalize_final_module(self) -> None:
        _usual._finalize_final_module(self)
        self._has_code = True

    def _called(self) -> list[Any]:
        """Libraries that this one needs; one with machine code has its own within it."""
        found: dict[Any, None] = {}
        coming = list(self._linking_libraries)
        while coming:
            library = coming.pop()
            if library not in found:
                found[library] = None
                if _without_code(library):
                    coming += library._linking_libraries
        return list(found)

    def _part(self) -> Any:
        """Its own LLVM code, without that of what it calls."""
        if self._alone is None:
            self._alone, self._shared_module = _usual._get_module_for_linking(self), None
        return self._alone

    def _get_module_for_linking(self: Any) -> Any:
        """All of it, for a library of Numba's usual kind."""
        if not self._has_code:
            self._make()
        return _usual._get_module_for_linking(self)


def _without_code(library: Any) -> bool:
    return isinstance(library, _Linked) and not library._has_code
