"""What fuzzing found once stays found: every file in `found/` is read like any input from outside."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from fuzz_readers import KINDS, survive  # noqa: E402

FOUND = sorted((HERE / "found").iterdir())


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_a_finding_of_old_is_survived(path: Path, tmp_path: Path) -> None:
    survive(path.read_bytes(), tmp_path)


def test_every_kind_of_input_has_a_seed() -> None:
    assert {path.read_bytes()[0] % len(KINDS) for path in FOUND} == set(range(len(KINDS)))
