"""Hot loops as plain Python functions, compiled at their first call where numba is there.

A kernel is an ordinary function over scalars and arrays; nothing in its source knows about compilation, so the same
text runs without numba and gives the same numbers. `GASWITNESS_NO_NUMBA=1` switches compilation off. Importing a
module full of kernels costs nothing: numba itself is imported when the first kernel is called.

Compiled code is kept on disk beside the source. Numba notices a changed file, but not a changed callee in another
file, whose code it has taken in. So the name under which a kernel is kept carries a digest of all that it calls and of
the constants it reads: whatever changes there, it is compiled anew.
"""

from __future__ import annotations

import functools
import hashlib
import os
import types
from collections.abc import Callable
from typing import Any, Generic, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")

NO_NUMBA = "GASWITNESS_NO_NUMBA"
"""Environment variable that switches compilation off when set to anything but `0`."""


def compiling() -> bool:
    """Whether kernels will be compiled: numba is wanted, and there."""
    if os.environ.get(NO_NUMBA, "0") not in ("", "0"):
        return False
    try:
        import numba  # noqa: F401  slow to import, so only here
    except ImportError:
        return False
    return True


class Kernel(Generic[P, R]):
    """A function that is compiled at its first call; `plain` is the Python function itself."""

    def __init__(self, plain: Callable[P, R]) -> None:
        self.plain = plain
        self._compiled: Callable[P, R] | None = None
        functools.update_wrapper(self, plain)

    @property
    def compiled(self) -> Callable[P, R]:
        """The compiled function, or the plain one where there is no numba."""
        if self._compiled is None:
            self._compiled = self._compile()
        return self._compiled

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it, compiled."""
        return self.compiled(*args, **kwargs)

    def _compile(self) -> Any:
        # The compiler knows nothing of this class: names that mean other kernels must mean their compiled functions.
        plain: Any = self.plain
        names = {n: v.compiled for n, v in plain.__globals__.items() if isinstance(v, Kernel) and n in _called(plain)}
        bound: Any = types.FunctionType(plain.__code__, {**plain.__globals__, **names}, plain.__name__)
        bound.__qualname__ = f"{plain.__qualname__}_{digest(self)[:8]}"
        bound.__module__ = plain.__module__
        if not compiling():
            return bound
        import numba

        return numba.njit(cache=True, nogil=True)(bound)


def _called(plain: types.FunctionType) -> tuple[str, ...]:
    return tuple(name for name in plain.__code__.co_names if name != plain.__name__)


def digest(one: Kernel[Any, Any]) -> str:
    """Hexadecimal SHA-256 of what a kernel does: its own code, its constants, and the same of all kernels it calls.

    >>> @kernel
    ... def half(value: float) -> float:
    ...     return 0.5 * value
    >>> digest(half) == digest(Kernel(half.plain))
    True
    """
    plain: Any = one.plain
    told = hashlib.sha256()
    _take(told, plain.__code__)
    for name in _called(plain):
        meant = plain.__globals__.get(name)
        if isinstance(meant, Kernel):
            told.update(digest(meant).encode())
        elif isinstance(meant, bool | int | float | tuple):
            told.update(f"{name}={meant!r}".encode())
    return told.hexdigest()


def _take(told: Any, code: types.CodeType) -> None:
    told.update(code.co_code)
    told.update(repr((code.co_names, code.co_varnames)).encode())
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            _take(told, constant)
        else:
            told.update(repr(constant).encode())


def kernel(plain: Callable[P, R]) -> Kernel[P, R]:
    """Make a kernel of a plain function.

    >>> @kernel
    ... def total(values: list[float]) -> float:
    ...     return sum(values)
    >>> total.plain([1.0, 2.0])
    3.0
    """
    return Kernel(plain)
