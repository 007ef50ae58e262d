"""Expected failures. Each is one sentence for a shop hand and is shown without a traceback.

Anything that is not one of these is a defect of ours or of a plugin, and is reported as such.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class FettleboxError(Exception):
    """Base of all expected failures; `str()` of it is the sentence that a person reads."""

    exit_status = 1


class UsageError(FettleboxError):
    """The command line asks for something that cannot be: a missing file, an unknown name."""

    exit_status = 2


class RecipeError(FettleboxError):
    """A recipe, ticket or shop file is wrong. Carries every problem found, not just the first."""

    exit_status = 2


class ScanError(FettleboxError):
    """A scan cannot be read: damaged, empty, not a mesh. The scan goes to `rejects/` untouched."""

    exit_status = 4


class StepError(FettleboxError):
    """A step cannot do what was asked of it. The recipe's `otherwise` decides what follows."""

    exit_status = 4


class HoldError(FettleboxError):
    """A step could go on only by guessing. The job waits in `hold/` for a person.

    `evidence` is what the person needs to decide: plain JSON values, units in the names.
    """

    exit_status = 3

    def __init__(self, sentence: str, evidence: Mapping[str, Any] | None = None) -> None:
        super().__init__(sentence)
        self.evidence = dict(evidence or {})

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (str(self), self.evidence)
