"""Several takes of one subject, as a ticket lists them: each is graded, the best one is worked on.

Takes lie side by side under `original/`, or together in one folder or zip. All of them stay there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .api import Grade, Grader
from .errors import ScanError
from .mesh import Part, Scan, read_scan
from .mesh.formats.source import shown


@dataclass(frozen=True)
class Chosen:
    """The best take: what was read, where it lies, and what is told of all takes.

    path     the file, or the folder or zip that holds it
    name     the take as the ticket names it
    account  one mapping a take, in the ticket's order, for the record
    as_told  the ticket says which one
    """

    scan: Scan
    path: Path
    name: str
    account: tuple[dict[str, Any], ...]
    as_told: bool = False

    @property
    def sentence(self) -> str:
        told = ", ".join(f"{take['take']} {take.get('grade', 'unreadable')}" for take in self.account)
        how = "worked on as the ticket says" if self.as_told else "chosen as the best"
        return f"of {len(self.account)} takes {self.name} was {how} ({told})"


def holds_its_takes(scan: Path) -> bool:
    """Whether takes are looked for in a scan, not beside it."""
    return scan.is_dir() or scan.suffix.lower() == ".zip"


def best_take(
    scan: Path,
    takes: Sequence[str],
    graders: Sequence[Grader],
    as_declared: Callable[[Scan], Part],
    told: str | None = None,
    read_one: Callable[..., Scan] = read_scan,
) -> Chosen:
    """Read and grade every take; of equally good ones the first in the ticket is chosen, unless the ticket
    says which is `told`.

    `read_one` reads as `read_scan` does; `as_declared` applies the unit and up axis that are known. A take
    that cannot be read is passed over and accounted for. Raises ScanError if a take is missing, or if none
    can be used.
    """
    inside = holds_its_takes(scan)
    if told is not None and told not in takes:
        raise ScanError(f"the ticket wants the take {shown(told)}; its takes are {', '.join(takes)}")
    if not inside:
        _all_there(scan, takes)
    if not graders:
        raise ScanError("the ticket lists takes, but no plugin here can grade scans; send the best one alone")
    account: list[dict[str, Any]] = []
    best: tuple[Grade, Scan, Path, str] | None = None
    for take in takes:
        path = scan if inside else scan.parent / take
        try:
            read = read_one(path, mesh=take if inside else None)
        except ScanError as error:
            account.append({"take": take, "grade": "unreadable", "reasons": [str(error)]})
            continue
        grade = graders[-1].grade(as_declared(read), read.origin)
        account.append(
            {
                "take": take,
                "sha256": read.origin.sha256,
                "grade": grade.word,
                "rank": list(grade.rank),
                "reasons": list(grade.reasons),
                "facts": dict(grade.facts),
            }
        )
        if told == take or (told is None and (best is None or grade.rank > best[0].rank)):
            best = (grade, read, path, take)
    if best is None and told is not None:
        (why,) = (take["reasons"][0] for take in account if take["take"] == told)
        raise ScanError(f"the take that the ticket wants cannot be read: {why}")
    if best is None:
        raise ScanError("no take can be read: " + "; ".join(take["reasons"][0] for take in account))
    _, read, path, name = best
    accounts = tuple({**take, "chosen": take["take"] == name} for take in account)
    return Chosen(read, path, name, accounts, as_told=told is not None)


def _all_there(scan: Path, takes: Sequence[str]) -> None:
    if scan.name not in takes:
        raise ScanError(
            f"the ticket of {shown(scan.name)} lists takes, and it is none of them; a ticket that lists "
            "scans beside it is called NAME.takes.ticket.yaml"
        )
    missing = [take for take in takes if "/" in take or not (scan.parent / take).exists()]
    if missing:
        raise ScanError(
            f"the ticket lists {len(takes)} takes, but {', '.join(shown(take) for take in missing)} did not "
            "come with the others; put all of them into the inbox again, with their ticket, called "
            "NAME.takes.ticket.yaml"
        )
