"""Which kind of processor works here, as far as the last digits of a result may depend on it.

Compilers at run time (numba's is LLVM) and BLAS choose wider or fused instructions where a processor has
them. A fused multiply-add rounds once where two instructions round twice, and a sum over eight lanes adds in
another order than one over four (Goldberg, "What Every Computer Scientist Should Know About Floating-Point
Arithmetic", 1991). OpenBLAS has code for each family of processors, and two families may have the same
instructions: so what it chose belongs to the kind, as far as it can be asked. Clock and cores change nothing;
that nothing else does is not proven.
"""

from __future__ import annotations

import contextlib
import ctypes
import platform
from collections.abc import Iterable
from functools import cache
from importlib.util import find_spec
from pathlib import Path

DISPATCHED_X86 = (
    "sse4_2", "avx", "fma", "avx2", "avx512f", "avx512dq", "avx512cd", "avx512bw", "avx512vl", "avx512_vnni",
    "avx512_bf16", "amx_bf16",
)  # fmt: skip
DISPATCHED_ARM = ("asimd", "asimdhp", "asimddp", "bf16", "sve", "sve2")
"""As Linux names them: what numpy, OpenBLAS and LLVM ask for when they choose code for floating point."""

CPU_INFO = Path("/proc/cpuinfo")
CORE_NAMES = tuple(f"{prefix}openblas_get_corename{end}" for prefix in ("scipy_", "") for end in ("64_", ""))
"""What the function is called in the library that numpy brings, and was in older ones."""


@cache
def processor_here() -> str:
    """The machine, what of `DISPATCHED_…` its processor has, and whom OpenBLAS takes it for, where that is
    known: "x86_64 with sse4_2, avx, fma, avx2, OpenBLAS for Haswell".
    """
    try:
        told = CPU_INFO.read_text("utf-8", "replace")
    except OSError:
        told = ""
    return kind_of_processor(platform.machine(), told, blas_here())


@cache
def blas_here() -> str | None:
    """The family of processors whose code numpy's OpenBLAS chose; None where numpy has another BLAS, or one
    that is not beside it.
    """
    spec = find_spec("numpy")
    for place in (spec.submodule_search_locations or ()) if spec is not None else ():
        for library in sorted(Path(place).with_name("numpy.libs").glob("*openblas*")):
            with contextlib.suppress(OSError):
                opened = ctypes.CDLL(str(library))
                for name in CORE_NAMES:
                    if (ask := getattr(opened, name, None)) is not None:
                        ask.argtypes, ask.restype = [], ctypes.c_char_p
                        told: bytes | None = ask()
                        return told.decode("ascii", "replace") if told else None
    return None


def kind_of_processor(machine: str, told: str, blas: str | None = None) -> str:
    """`told` as Linux has it in /proc/cpuinfo; elsewhere only the machine is known, and `blas`."""
    flags = next((line for line in told.splitlines() if line.lower().startswith(("flags", "features"))), "")
    has = set(flags.partition(":")[2].split())
    found = [name for name in (*DISPATCHED_X86, *DISPATCHED_ARM) if name in has]
    found += [f"OpenBLAS for {blas}"] if blas else []
    return f"{machine} with {', '.join(found)}" if found else machine


def unlike(ours: str, theirs: str) -> str | None:
    """None if both are of one kind; else what `theirs` has otherwise, as the end of a sentence."""
    if ours == theirs:
        return None
    (machine, has), (other, others) = _split(ours), _split(theirs)
    if machine != other:
        return f"its processor is {other or 'unknown'} where the server's is {machine}"
    said = [
        f"{word} {', '.join(names)}"
        for word, names in (("lacks", _less(has, others)), ("has also", _less(others, has)))
        if names
    ]
    return f"its processor {' and '.join(said)}"


def _split(kind: str) -> tuple[str, list[str]]:
    machine, _, names = kind.partition(" with ")
    return machine, names.split(", ") if names else []


def _less(these: Iterable[str], those: list[str]) -> list[str]:
    return [name for name in these if name not in those]
