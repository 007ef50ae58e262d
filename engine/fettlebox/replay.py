"""Do a finished job again, from nothing but its folder, and say whether the same comes out.

What is compared: the scan's and the recipe's digests, every step's outcome and the digest of its part, every
delivered file and picture byte by byte, then the rest of the record. What a run may change is left out:
times, and the versions, which are compared by themselves.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from .errors import UsageError
from .own_steps import VERSION, OwnStep
from .printer import EVERYDAY, Printer
from .recipe import TICKET_SUFFIX, load_shop
from .recipe.shop import SHOP_FILE
from .run_job import ORIGINAL, JobTask, Progress, perform
from .surroundings import shop_of_job
from .traveler.record import JobRecord, StepRecord
from .traveler.writing import TRAVELER, as_document, read_traveler, record_from


@dataclass(frozen=True)
class Difference:
    """One thing that came out otherwise. `place`: `scan`, `step cut`, a file, or a word of the record."""

    place: str
    recorded: str
    again: str

    def __str__(self) -> str:
        return f"{self.place}: {self.recorded} then, {self.again} now"


@dataclass(frozen=True)
class Replay:
    """How a job went the second time. Differences stand in the order of the work, so the first one counts.

    versions  name → (then, now), of those that differ: they may explain a difference, and are none
    """

    job: str
    state: str
    steps: int
    files: int
    differences: tuple[Difference, ...]
    versions: Mapping[str, tuple[str, str]]

    @property
    def same(self) -> bool:
        return not self.differences


def replay(
    folder: Path, progress: Progress = lambda step, fraction: None, shop: Path | None = None
) -> Replay:
    """Run the job of a folder again, in a place of its own; the folder is not touched. `shop`: the one whose
    own steps it had, if that is not the one in which the folder lies.

    Raises UsageError if it is not a job's folder, if the job never came to an end that could be compared, or
    if a shop's own step that it had is not there.
    """
    record = _recorded(folder)
    own = _own_steps(record, folder, shop)
    with TemporaryDirectory(prefix="fettlebox-replay-") as place:
        again = Path(place) / "job"
        again.mkdir()
        shutil.copytree(folder / ORIGINAL, again / ORIGINAL, symlinks=True)
        try:
            task = _task(record, folder, again, own)
        except (KeyError, TypeError, AttributeError) as error:
            raise UsageError(
                f"{folder / TRAVELER} does not say how the job was started: {error!r}"
            ) from error
        result = perform(task, progress)
        second = record_from(as_document(result.record))
        files = [*(out.path for out in second.outputs), *second.pictures]
        found = [*by_record(record, second), *_by_files(record, second, folder, again)]
        found += _by_the_rest(record, second) if not found else []
    versions = changed_versions(record, second)
    return Replay(record.job, second.state, len(second.steps), len(files), tuple(found), versions)


def changed_versions(then: JobRecord, now: JobRecord) -> dict[str, tuple[str, str]]:
    """Of what two jobs were done with, all that differs: name → (then, now), each perhaps `absent`."""
    names = sorted({*then.versions, *now.versions})
    both = {name: (then.versions.get(name, "absent"), now.versions.get(name, "absent")) for name in names}
    return {name: pair for name, pair in both.items() if pair[0] != pair[1]}


def _recorded(folder: Path) -> JobRecord:
    if not (folder / ORIGINAL).is_dir():
        raise UsageError(f"{folder} is not a job's folder: it has no {ORIGINAL}/")
    if not (folder / TRAVELER).is_file():
        raise UsageError(
            f"{folder} has no {TRAVELER}: the job was ended from outside, so there is nothing to compare; "
            "retry it instead"
        )
    try:
        return read_traveler(folder)
    except (ValueError, TypeError, KeyError, OSError) as error:
        raise UsageError(f"{folder / TRAVELER} cannot be read as a traveler: {error}") from error


def _task(record: JobRecord, folder: Path, again: Path, own: tuple[OwnStep, ...]) -> JobTask:
    """The task as it was. For an old record, without `given` or `printer`, by what else is known."""
    given = record.given if record.given is not None else _guessed(record, folder)
    for name in (given["scan"], given["ticket"]):
        if name is not None and not _is_in(again / ORIGINAL, name):
            raise UsageError(f"{folder / ORIGINAL} does not hold {name!r}, which the traveler names")
    return JobTask(
        job=record.job,
        folder=again,
        scan_name=given["scan"],
        recipe_text=record.recipe["text"],
        recipe_name=given["recipe"],
        ticket_name=given["ticket"],
        printer=_printer(record.printer),
        values=given["values"],
        own_steps=own,
    )


def _is_in(original: Path, name: str) -> bool:
    """A scan, or a ticket that came inside a scan's folder; nothing else, wherever links lead."""
    path = original / name
    return path.exists() and path.resolve().is_relative_to(original.resolve()) and path != original


def _own_steps(record: JobRecord, folder: Path, named: Path | None) -> tuple[OwnStep, ...]:
    """Those of the shop that is named, else of the one in which the job lies; the versions tell if they
    changed. Raises UsageError for a file that the job had and the shop has not.
    """
    had = {
        name.removeprefix(VERSION): digest
        for name, digest in record.versions.items()
        if name.startswith(VERSION)
    }
    if not had:
        return ()
    shop = named or shop_of_job(folder)
    own = load_shop(shop).own_steps if shop is not None else ()
    there = {one.file for one in own}
    missing = [f"{file} (SHA-256 {digest})" for file, digest in had.items() if file not in there]
    if missing:
        without = "there is no shop around its folder"
        if shop is not None:
            without = f"{shop / SHOP_FILE} does not name it"
        raise UsageError(
            f"the job was done with a shop's own {', '.join(missing)}, and {without}; say which shop has it: "
            "--shop SHOP"
        )
    return own


def _guessed(record: JobRecord, folder: Path) -> dict[str, Any]:
    tickets = sorted(path.name for path in (folder / ORIGINAL).glob(f"*{TICKET_SUFFIX}"))
    values = record.ticket["values"] if record.ticket is not None else {}
    return {"scan": record.scan["name"], "ticket": tickets[0] if tickets else None,
            "recipe": record.recipe["name"], "values": values}  # fmt: skip


def _printer(recorded: Mapping[str, Any] | None) -> Printer:
    from pydantic import TypeAdapter, ValidationError

    if recorded is None:
        return EVERYDAY
    try:
        return TypeAdapter(Printer).validate_python(dict(recorded))
    except ValidationError as error:
        raise UsageError(f"the traveler's printer profile cannot be read: {error}") from error


def by_record(then: JobRecord, now: JobRecord) -> list[Difference]:
    """What differs in what went in, in the first step that came out otherwise, and in the end."""
    found = []
    for what, one, other in (
        ("scan", then.scan.get("sha256"), now.scan.get("sha256")),
        ("recipe", then.recipe.get("sha256"), now.recipe.get("sha256")),
        ("ticket", (then.ticket or {}).get("sha256"), (now.ticket or {}).get("sha256")),
    ):
        if one != other:
            found.append(Difference(what, _shown(one), _shown(other)))
    for number in range(max(len(then.steps), len(now.steps))):
        difference = _by_step(
            then.steps[number] if number < len(then.steps) else None,
            now.steps[number] if number < len(now.steps) else None,
        )
        if difference is not None:
            found.append(difference)
            break  # what follows started from another part
    for what, one, other in (("state", then.state, now.state), ("reason", then.reason, now.reason)):
        if one != other:
            found.append(Difference(what, _shown(one), _shown(other)))
    return found


def _by_step(then: StepRecord | None, now: StepRecord | None) -> Difference | None:
    if then is None or now is None:
        one = then or now
        assert one is not None
        return Difference(f"step {one.id}", *(("ran", "did not run") if then else ("did not run", "ran")))
    place = f"step {then.id}"
    if (then.id, then.name) != (now.id, now.name):
        return Difference(place, f"{then.id} ({then.name})", f"{now.id} ({now.name})")
    compared = ("version", "params", "outcome", "part_in", "part_out", "made", "reason", "facts", "evidence")
    for what in compared:
        one, other = getattr(then, what), getattr(now, what)
        if one != other:
            return Difference(place, f"{_WORDS.get(what, what)} {_shown(one)}", _shown(other))
    return None


PARAMETERS = "parameters"
_WORDS = {"part_in": "it got the part", "part_out": "it made the part", "params": PARAMETERS}


def _by_files(then: JobRecord, now: JobRecord, folder: Path, again: Path) -> list[Difference]:
    """Delivered files and pictures, as they lie in the folder, against those made now."""
    found = []
    recorded = {out.path: out.sha256 for out in then.outputs}
    made = {out.path: out.sha256 for out in now.outputs}
    for path in dict.fromkeys([*recorded, *made]):
        if recorded.get(path) != made.get(path):
            found.append(Difference(path, _shown(recorded.get(path)), _shown(made.get(path))))
    for path in dict.fromkeys([*recorded, *then.pictures, *now.pictures]):
        inside = (folder / path).resolve().is_relative_to(folder.resolve())
        lies, new = _digest(folder / path) if inside else None, _digest(again / path)
        expected = recorded.get(path, new)
        if lies != expected and not any(one.place == path for one in found):
            found.append(Difference(path, f"in the folder {_shown(lies)}", _shown(expected)))
    return found


def _by_the_rest(then: JobRecord, now: JobRecord) -> list[Difference]:
    bare = [replace(record, versions={}, timing={}) for record in (then, now)]
    if then.given is None:
        bare[1] = replace(bare[1], given=None, printer=None)
    one, other = (as_document(record) for record in bare)
    return [
        Difference(name, _shown(one.get(name)), _shown(other.get(name)))
        for name in (f.name for f in fields(JobRecord))
        if name != "timing" and one.get(name) != other.get(name)
    ]


def _digest(path: Path) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


def _shown(value: Any) -> str:
    """A value in one line: a digest by its first twelve digits, long ones cut."""
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return value[:12] if len(value) == 64 and " " not in value else value[:160]
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 160 else f"{text[:157]}..."
