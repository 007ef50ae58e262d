"""Expected failures. Each is one sentence for a shop hand and is shown without a traceback.

Anything that is not one of these is a defect of ours or of a plugin, and is reported as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal


class FettleboxError(Exception):
    """Base of all expected failures; `str()` of it is the sentence that a person reads."""

    exit_status = 1


class UsageError(FettleboxError):
    """The command line asks for something that cannot be: a missing file, an unknown name."""

    exit_status = 2


def printable(text: str) -> str:
    """A line of someone's file made safe for a terminal: what cannot be printed becomes a dot."""
    return "".join(c if c.isprintable() else "\N{MIDDLE DOT}" for c in text)


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in a recipe, ticket or shop file.

    file      as the person named it, or where else a value came from (`--set size`)
    line, column  from 1; 0 where there is no such place
    place     where in the recipe, such as `steps[6] cut › tilt`
    found, expected, hint   phrases; the last two may be empty
    source    the line as it stands in the file
    """

    file: str
    line: int
    column: int
    place: str
    found: str
    expected: str = ""
    hint: str = ""
    source: str = ""
    level: Literal["error", "warning"] = "error"

    def text(self) -> str:
        """As a person reads it, with the source line and a caret below the spot."""
        head = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        parts = [head, "warning" if self.level == "warning" else "", self.place, self.found]
        lines = [": ".join(part for part in parts if part)]
        advice = [f"expected {self.expected}" if self.expected else "", self.hint]
        if any(advice):
            lines.append("  " + "; ".join(part for part in advice if part))
        if self.line and self.source.strip():
            lines += self._excerpt()
        return "\n".join(printable(line) for line in lines)

    def _excerpt(self, width: int = 96) -> list[str]:
        start = max(0, self.column - width // 2) if len(self.source) > width else 0
        shown = self.source[start : start + width]
        number = f"{self.line:>5}"
        caret = " " * (self.column - 1 - start) + "^"
        return [f"{number} | {shown.rstrip()}", f"{'':>{len(number)}} | {caret}"]

    def as_dict(self) -> dict[str, Any]:
        """For `--json`: plain values only; `message` is what `text` says, in one line."""
        said = [self.place, self.found]
        advice = [f"expected {self.expected}" if self.expected else "", self.hint]
        message = "; ".join(part for part in (": ".join(filter(None, said)), *advice) if part)
        return {**asdict(self), "message": printable(message)}


class RecipeError(FettleboxError):
    """A recipe, ticket or shop file is wrong. Carries every problem found, not just the first."""

    exit_status = 2

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.text() for problem in self.problems))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.problems,)


class ScanError(FettleboxError):
    """A scan cannot be read: damaged, empty, not a mesh. The scan goes to `rejects/` untouched."""

    exit_status = 4


class StepError(FettleboxError):
    """A step cannot do what was asked of it. The recipe's `otherwise` decides what follows."""

    exit_status = 4


class HoldError(FettleboxError):
    """A step could go on only by guessing. The job waits in `hold/` for a person.

    `evidence` is what the person needs to decide: plain JSON values, units in the names; `pictures` are
    what they should look at, name → PNG bytes.
    """

    exit_status = 3

    def __init__(
        self,
        sentence: str,
        evidence: Mapping[str, Any] | None = None,
        pictures: Mapping[str, bytes] | None = None,
    ) -> None:
        super().__init__(sentence)
        self.evidence = dict(evidence or {})
        self.pictures = dict(pictures or {})

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (str(self), self.evidence, self.pictures)
