"""Why a scan was rejected, always in one order: the file, what was being done, what was found, what to do."""

from __future__ import annotations

from .errors import FettleboxError, RecipeError, ScanError
from .text import plain

ANOTHER_SCAN = "Export the scan again as STL, PLY, OBJ or 3MF, look at it, and drop it anew"
ANOTHER_RECIPE = "Scan again, or change the recipe or the ticket and retry the job"
MEND_TICKET = "Put the ticket or the recipe right and retry the job"
A_DEFECT = "The step has a defect: report it with failure.log, and try another recipe"
SMALLER = "Make the scan smaller, or raise 'limits' in shop.yaml and retry the job"
CRASHED = "Try another recipe; if it fails there too, export the scan again"
ANOTHER_MACHINE = "Serve the shop on a machine that has it, or with such a cluster, and retry the job"
WITHOUT_PLUGIN = "Uninstall that plugin, or have it mended, and retry the job"
MOST_PROBLEMS = 3  # in one line; `fettlebox check` shows all of them
READING = "reading"


def reason(file: str, step: str, found: str, do: str) -> str:
    """One line: `bust.stl: repair: found …. Do …`. A part that `found` begins with is not said twice."""
    name = plain(file)
    text = without_name(plain(" ".join(found.split())), name)
    text = text.removeprefix(f"{step}: ") if step else text
    text = ": ".join(part for part in (name, step, text) if part)
    text = text.rstrip(". ")
    return f"{text}{'' if text.endswith('?') else '.'} {do}".rstrip()


def without_name(text: str, name: str) -> str:
    """What a sentence says after the name of a scan, or of a folder or zip that a file lies in."""
    for after in (": ", ", ", "/"):
        text = text.removeprefix(f"{name}{after}") if name else text
    return text


def advice(error: FettleboxError) -> str:
    """What a shop hand can do about an expected failure."""
    if isinstance(error, ScanError):
        return ANOTHER_SCAN
    return MEND_TICKET if isinstance(error, RecipeError) else ANOTHER_RECIPE


def after_crash(step: str) -> str:
    """What to do when a worker died at `step`. Facts and pictures are what only a plugin adds."""
    return WITHOUT_PLUGIN if step.startswith(("facts ", "picture ")) else CRASHED


def in_one_line(error: FettleboxError) -> str:
    """An error's sentence; of a recipe's or ticket's problems each with its place, without the excerpts."""
    if not isinstance(error, RecipeError):
        return str(error)
    said = []
    for problem in error.problems[:MOST_PROBLEMS]:
        place = f"{problem.file}:{problem.line}" if problem.line else problem.file
        wanted = f"expected {problem.expected}" if problem.expected else ""
        told = "; ".join(part for part in (problem.found, wanted, problem.hint) if part)
        said.append(": ".join(part for part in (place, problem.place, told) if part))
    more = len(error.problems) - MOST_PROBLEMS
    return "; ".join([*said, *([f"and {more} more"] if more > 0 else [])])
