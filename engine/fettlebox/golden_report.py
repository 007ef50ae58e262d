"""What the test of golden scans prints; text and JSON from the same results."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .golden_record import Draft
from .golden_run import Tested, came, ended
from .printing import as_json_line
from .text import plain


def tested_as_dict(one: Tested) -> dict[str, Any]:
    """One golden scan as scripts see it."""
    return {
        "golden": one.name,
        "ok": one.ok,
        "recipe": one.recipe,
        "state": one.state,
        "at": one.at or None,
        "reason": one.reason,
        "bounds": one.bounds,
        "problems": [problem.as_dict() for problem in one.out],
        "recorded": one.recorded,
        "since": list(one.since),
        "seconds": one.seconds,
    }


def tested(one: Tested, *, as_json: bool) -> None:
    """A line for a golden scan, then what is not as expected with its place, and what changed since."""
    if as_json:
        as_json_line(tested_as_dict(one))
        return
    counted = f"{one.bounds} {'bound' if one.bounds == 1 else 'bounds'}"
    said = f"as expected ({ended(one.state, one.at)}; {counted})"
    if not one.ok:
        said = f"NOT AS EXPECTED, {len(one.out)} to look at ({ended(one.state, one.at)}; {counted})"
    same = ", as it was recorded" if one.recorded and not one.since else ""
    print(f"{plain(one.name)}: {said}{same}")
    for problem in one.out:
        print(problem.text())
    if one.since:
        print("  since it was recorded:")
        for sentence in one.since:
            print(f"    {plain(sentence)}")


def all_tested(results: Sequence[Tested], *, as_json: bool) -> int:
    """What they come to; the exit status is 4 when one is not as expected."""
    bad = sum(not one.ok for one in results)
    if not as_json:
        scans = f"{len(results)} golden {'scan' if len(results) == 1 else 'scans'}"
        print(f"{scans}: " + (f"{bad} not as expected" if bad else "all as expected"))
    return 4 if bad else 0


def recorded(made: Draft, wrote: bool, *, as_json: bool) -> None:
    """How the job ended, unless it is done; then what was written, or what writing it would change."""
    ran = made.ran
    if as_json:
        end = {"state": ran.state, "at": ran.at or None, "reason": ran.reason}
        as_json_line({"file": str(made.path), "written": wrote, **end, "diff": made.diff})
        return
    if ran.state != "done":
        print(plain(f"{made.path.parent.name}: the job is {came(ran)}; this is what a test will expect"))
    if made.old is not None and made.diff:
        print("\n".join(plain(line) for line in made.diff.splitlines()))
    if wrote:
        print(f"{made.path} is written; look it through, and tighten what matters to the shop")
    elif not made.diff:
        print(f"{made.path} says already what was measured")
