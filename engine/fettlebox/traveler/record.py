"""The record that goes with a part: what came in, what was done to it, what came out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

JobState = Literal["settling", "queued", "working", "done", "held", "rejected"]
StepOutcome = Literal["done", "skipped", "held", "failed"]


@dataclass(frozen=True)
class StepRecord:
    """One step of one job. Everything but `seconds` is the same on every run of the same job.

    made   name → digest of each piece, and of what is to be printed beside the part, that the step made
    collected   `PACKAGE/NAME` → facts that a plugin's collector measured after the step
    """

    id: str
    name: str
    version: int
    params: Mapping[str, Any]
    outcome: StepOutcome
    part_in: str
    part_out: str
    seconds: float = 0.0
    reason: str | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    facts_after: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    pictures: tuple[str, ...] = ()
    made: Mapping[str, str] = field(default_factory=dict)
    collected: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Output:
    """A file that was delivered. `path` is relative to the job's folder."""

    path: str
    format: str
    sha256: str
    bytes: int


@dataclass(frozen=True)
class JobRecord:
    """One job, from the scan as it arrived to the parts as they were delivered.

    scan      name, sha256, bytes, format, unit_mm, up (the last two null where the file is silent); of
              several takes, those of the one that was chosen, with `take`, and `takes` with all grades
    recipe    name, sha256, text
    ticket    sha256, text, values; null when there was none
    versions  fettlebox, python, platform and the libraries that touch geometry
    before    facts of the scan in millimetres; `after` those of the delivered part
    collected `PACKAGE/NAME` → facts that a plugin's collector measured on the finished part
    fidelity  how far the part is from the scan, in life-size mm; null when nothing was compared
    captions  path of a picture → what it shows, in a sentence
    after_is  what `after` and the pictures show: `part`; `surface so far`, if a step stopped the job; or
              nothing, if no step had changed the scan by then
    placement (4 rows of 4) from a point of the file, in its own numbers, to the same point of the part, in mm
    given     what the job was started with: names of scan, ticket and recipe, values from `--set`
    printer   the printer profile, to the last digit; null in records of the first versions, as `given`
    timing    started, finished (RFC 3339, UTC), seconds: the only thing that differs between two runs; with
              `processor`, the kind that worked on it; `host`, if it was not the server's machine; and
              `put_back`, step or hook → what it changed for the whole process, where one did
    """

    job: str
    state: JobState
    reason: str | None
    scan: Mapping[str, Any]
    recipe: Mapping[str, Any]
    ticket: Mapping[str, Any] | None
    versions: Mapping[str, str]
    before: Mapping[str, Any] = field(default_factory=dict)
    after: Mapping[str, Any] = field(default_factory=dict)
    collected: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    fidelity: Mapping[str, Any] | None = None
    steps: tuple[StepRecord, ...] = ()
    outputs: tuple[Output, ...] = ()
    pictures: tuple[str, ...] = ()
    captions: Mapping[str, str] = field(default_factory=dict)
    after_is: str = "part"
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    placement: tuple[tuple[float, ...], ...] | None = None
    given: Mapping[str, Any] | None = None
    printer: Mapping[str, Any] | None = None
    timing: Mapping[str, Any] = field(default_factory=dict)
