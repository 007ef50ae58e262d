"""The kind of a processor, from what Linux tells of it."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from fettlebox.processor import blas_here, kind_of_processor, processor_here, unlike

# Shortened from the forms that proc_cpuinfo(5) describes: one block a core, flags in a line of their own.
X86 = (
    "processor\t: 0\nmodel name\t: Some CPU\nflags\t\t: fpu sse2 fma sse4_2 avx avx2 bmi1\n\nprocessor\t: 1\n"
)
ARM = "processor\t: 0\nBogoMIPS\t: 50\nFeatures\t: fp asimd evtstrm aes asimdhp sve\nCPU part\t: 0xd40\n"


def test_only_what_floating_point_is_chosen_by_is_named_and_in_a_fixed_order() -> None:
    assert kind_of_processor("x86_64", X86) == "x86_64 with sse4_2, avx, fma, avx2"
    assert kind_of_processor("aarch64", ARM) == "aarch64 with asimd, asimdhp, sve"
    assert kind_of_processor("arm64", "") == "arm64"
    assert kind_of_processor("x86_64", X86, "Zen") == "x86_64 with sse4_2, avx, fma, avx2, OpenBLAS for Zen"


def test_what_differs_is_said() -> None:
    one = kind_of_processor("x86_64", X86)
    assert unlike(one, one) is None
    assert unlike(one, "x86_64 with sse4_2, avx") == "its processor lacks fma, avx2"
    assert unlike("x86_64 with avx", one) == "its processor has also sse4_2, fma, avx2"
    assert unlike("x86_64 with avx, fma", "x86_64 with avx, avx2") == (
        "its processor lacks fma and has also avx2"
    )
    assert unlike(one, "aarch64 with asimd") == "its processor is aarch64 where the server's is x86_64"
    ours, theirs = (kind_of_processor("x86_64", X86, blas) for blas in ("Haswell", "Zen"))
    assert unlike(ours, theirs) == "its processor lacks OpenBLAS for Haswell and has also OpenBLAS for Zen"
    assert unlike(one, "") == "its processor is unknown where the server's is x86_64"


@pytest.mark.skipif(
    not Path("/proc/cpuinfo").exists(), reason="what numpy finds is compared with Linux's word"
)
def test_this_machines_processor_is_as_numpy_finds_it() -> None:
    """numpy asks the processor itself (CPUID), not Linux."""
    machine, _, names = processor_here().partition(" with ")
    assert machine == platform.machine()
    found = np._core._multiarray_umath.__cpu_features__  # type: ignore[attr-defined]
    words = {
        "avx": "AVX",
        "avx2": "AVX2",
        "fma": "FMA3",
        "avx512f": "AVX512F",
        "asimd": "ASIMD",
        "sve": "SVE",
    }
    for name, numpys in words.items():
        assert (name in names.split(", ")) == bool(found.get(numpys, False)), name


@pytest.mark.skipif(blas_here() is None, reason="numpy brings no OpenBLAS that can be asked")
def test_what_openblas_takes_a_processor_for_is_as_it_is_told_to() -> None:
    """OPENBLAS_CORETYPE chooses another family's code (OpenBLAS, user manual, runtime variables)."""
    code = "from fettlebox.processor import processor_here; print(processor_here())"
    core = "Nehalem" if platform.machine() == "x86_64" else "ARMV8"
    env = {**os.environ, "OPENBLAS_CORETYPE": core}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env)
    assert done.stdout.strip().lower().endswith(f", openblas for {core.lower()}")
    assert processor_here().endswith(f", OpenBLAS for {blas_here()}")
