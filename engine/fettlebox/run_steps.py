"""The steps of a plan, one after the other, on one part; each leaves a record."""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

import numpy as np

from .api import StepContext, StepResult
from .errors import HoldError, StepError
from .fact_names import with_units
from .guarding import bounded
from .mesh import Origin, Part
from .mesh.facts import measure
from .printer import Printer
from .recipe import Plan, PlannedStep
from .step_cache import StepCache, step_key
from .traveler.record import StepOutcome, StepRecord

PIECE_NAME = r"[a-z0-9](?:[a-z0-9 -]{0,62}[a-z0-9])?"


@dataclass
class Run:
    """A part on its way, and what happened to it. `complete`: every step that was to run has run,
    or the last one only withheld its consent. `reused`: the steps whose results had been kept. `put_back`:
    step → what it changed for the whole process, and what was put back.
    """

    part: Part
    reference: Part
    state: Literal["done", "held", "rejected"] = "done"
    reason: str | None = None
    complete: bool = False
    records: tuple[StepRecord, ...] = ()
    warnings: tuple[str, ...] = ()
    pictures: dict[str, bytes] = field(default_factory=dict)
    pieces: dict[str, Part] = field(default_factory=dict)
    extras: dict[str, Part] = field(default_factory=dict)
    reused: tuple[str, ...] = ()
    put_back: dict[str, list[str]] = field(default_factory=dict)


def run_steps(
    part: Part,
    origin: Origin,
    plan: Plan,
    printer: Printer,
    *,
    seed: str,
    scratch: Path,
    progress: Callable[[str, float], None],
    watch: Callable[[PlannedStep, Run], None] = lambda planned, run: None,
    kept: StepCache | None = None,
) -> Run:
    """Run a plan. A step that cannot do its work ends the run as its `otherwise` says.

    `watch` is called after every step; `kept` saves doing again what was done before. Raises whatever
    is neither StepError nor HoldError: that is a defect, and the caller's to report.
    """
    run = Run(part, reference=part)
    wanted = [planned for planned in plan.steps if planned.enabled]
    for planned in plan.steps:
        if not planned.enabled:
            run.records += (_record(planned, "skipped", run.part, reason="its `when` is not met"),)
            continue
        progress(planned.id, 0.0)
        _run_one(planned, run, origin, printer, seed, scratch, progress, kept)
        watch(planned, run)
        if run.state != "done":
            run.complete = planned is wanted[-1] and run.state == "held"
            return run
    run.complete = True
    return run


def _run_one(
    planned: PlannedStep,
    run: Run,
    origin: Origin,
    printer: Printer,
    seed: str,
    scratch: Path,
    progress: Callable[[str, float], None],
    kept: StepCache | None,
) -> None:
    before = run.part
    clock = time.perf_counter()
    with TemporaryDirectory(prefix=".scratch-", dir=scratch) as place:
        ctx = StepContext(
            origin=origin,
            reference=run.reference,
            rng=_generator(seed, planned.id),
            scratch=Path(place),
            printer=printer,
            progress=lambda fraction: progress(planned.id, min(max(float(fraction), 0.0), 1.0)),
            pieces=run.pieces,
            extras=run.extras,
        )
        try:
            result = _result(planned, run, ctx, seed, kept)
            if isinstance(result, StepResult):
                _keep_to_pieces(planned, run, result)
        except (StepError, HoldError) as error:
            _fail(planned, run, error, time.perf_counter() - clock)
            return
    if not isinstance(result, StepResult):
        raise TypeError(f"step {planned.step.name!r} returned {type(result).__name__}; expected StepResult")
    run.part = result.part
    run.pieces = dict(result.pieces) or run.pieces
    run.extras |= result.extras
    run.reference = result.reference if result.reference is not None else run.reference
    shown = {f"{planned.id}-{name}": png for name, png in result.pictures.items()}
    run.pictures.update(shown)
    facts, left_out = with_units(result.facts)
    warnings = (*result.warnings, *(f"its fact {sentence}" for sentence in left_out))
    run.warnings += tuple(f"{planned.id}: {text}" for text in warnings)
    run.records += (
        _record(
            planned,
            "done",
            before,
            run.part,
            seconds=time.perf_counter() - clock,
            facts=facts,
            warnings=warnings,
            evidence=result.evidence,
            pictures=tuple(shown),
            made={**result.pieces, **result.extras},
        ),
    )


def _keep_to_pieces(planned: PlannedStep, run: Run, result: StepResult) -> None:
    """What was made to be printed must stay true of the part: StepError for a step that comes too late.

    Names become those of files: TypeError, a defect of the step, for one that could lead elsewhere.
    """
    for name in (*result.pieces, *result.extras):
        if re.fullmatch(PIECE_NAME, name) is None:
            raise TypeError(
                f"{name!r} cannot be a piece's name; expected small letters, digits, blanks and -"
            )
    changed = result.part is not run.part and result.part.digest() != run.part.digest()
    if run.pieces and (changed or result.pieces):
        raise StepError(
            f"The part was already cut into {len(run.pieces)} pieces, and what {planned.id} does would not "
            f"reach them; put {planned.id} before the step that cuts the part into pieces."
        )
    if run.extras and result.part.life_scale != run.part.life_scale:
        raise StepError(
            f"{', '.join(run.extras)} were made to fit the part at its present size; put {planned.id} before "
            "the step that makes them."
        )
    twice = set(run.extras) & set(result.extras)
    if twice:
        raise StepError(f"An earlier step already made {', '.join(sorted(twice))}; one such step is enough.")


def _result(
    planned: PlannedStep, run: Run, ctx: StepContext, seed: str, kept: StepCache | None
) -> StepResult:
    """What the step makes of the part, from what was kept if it made it before."""
    part = run.part

    def perform() -> StepResult:
        with bounded(lambda changed: run.put_back.setdefault(planned.id, []).append(changed)):
            return planned.step.run(part, planned.params, ctx)

    if kept is None:
        return perform()
    key = step_key(planned.step, planned.params_as_written, part, ctx, f"{seed}/{planned.id}")
    result = kept.get(key)
    if result is not None:
        run.reused += (planned.id,)
    else:
        result = perform()
        if isinstance(result, StepResult):
            kept.put(key, result)
    return result


def _fail(planned: PlannedStep, run: Run, error: StepError | HoldError, seconds: float) -> None:
    said = f"{planned.id}: {error}"
    hold = isinstance(error, HoldError)
    outcome: StepOutcome = "held" if hold or planned.otherwise == "hold" else "failed"
    if planned.otherwise == "skip":
        outcome = "skipped"
        run.warnings += (f"{said} (skipped, as the recipe allows)",)
    else:
        run.state = "held" if outcome == "held" else "rejected"
        run.reason = said
    evidence, shown = {}, {}
    if isinstance(error, HoldError):
        evidence = error.evidence
        shown = {f"{planned.id}-{name}": png for name, png in error.pictures.items()}
        run.pictures.update(shown)
    run.records += (
        _record(
            planned,
            outcome,
            run.part,
            seconds=seconds,
            reason=str(error),
            evidence=evidence,
            pictures=tuple(shown),
        ),
    )


def _record(
    planned: PlannedStep,
    outcome: StepOutcome,
    before: Part,
    after: Part | None = None,
    *,
    seconds: float = 0.0,
    reason: str | None = None,
    facts: Mapping[str, Any] | None = None,
    warnings: tuple[str, ...] = (),
    evidence: Mapping[str, Any] | None = None,
    pictures: tuple[str, ...] = (),
    made: Mapping[str, Part] | None = None,
) -> StepRecord:
    came = before.digest()
    changed = after is not None and after is not before
    return StepRecord(
        id=planned.id,
        name=planned.step.name,
        version=planned.step.version,
        params=planned.params_as_written,
        outcome=outcome,
        part_in=came,
        part_out=after.digest() if after is not None and changed else came,
        seconds=round(seconds, 4),
        reason=reason,
        facts=dict(facts or {}),
        facts_after=measure(after, witness=False) if after is not None and changed else {},
        warnings=warnings,
        evidence=dict(evidence or {}),
        pictures=pictures,
        made={name: one.digest() for name, one in (made or {}).items()},
    )


def _generator(seed: str, step_id: str) -> np.random.Generator:
    """Random numbers that depend on the job's inputs and the step, on nothing else."""
    digest = hashlib.sha256(f"{seed}/{step_id}".encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:16], "big"))
