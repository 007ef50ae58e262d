"""The plugin contract, as checks of one step. Each raises ContractError with a sentence."""

from __future__ import annotations

import contextlib
import json
import math
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ValidationError

from ..api import Step, StepResult
from ..mesh import Part
from ..params import kind_of
from ..printer import EVERYDAY, Printer
from ..quantities import Kind, parse_quantity, write_quantity
from .check import UNSAID, Check, Unmeasured, checks_for, require_facts, require_units, told_of
from .shapes import brick, odd_parts, usual_parts
from .trial import Cancelled, Refusal, Trial, digest_of
from .watching import ContractError, confined, otherwise_the_same, silence, unchanged_world

MOST_GROWTH = 1.6
"""Most that time may grow, as a power of the triangles: n·log n is 1.1 where this is measured, n² is 2. The
rest is for a machine that has other things to do.
"""

SLOW_ENOUGH_S = 0.1
"""A run that is over sooner says nothing about growth."""

LONG_S = 2.0
"""Processor time after which people begin to wonder whether anything goes on, and want to be able to cancel:
common practice, no published source.
"""


def contract(
    step: Step[Any],
    settings: Mapping[str, Any] | None = None,
    parts: Mapping[str, Part] | None = None,
    printer: Printer = EVERYDAY,
) -> list[Check]:
    """The checks of a step. `settings` are its parameters, as in a recipe; without them its defaults.

    `parts` replace the shapes that it is tried on, `shapes.usual_parts`. The step has to be able to work on
    one of them, or most checks have nothing to look at.
    """
    tried = usual_parts() if parts is None else parts
    trial = Trial(step, dict(settings or {}), dict(tried), printer)
    return checks_for(trial, CHECKS, step.run)


def its_words_explain_it(trial: Trial) -> str:
    """The step and every parameter have a description. The remark says where it is still the placeholder."""
    if len(trial.step.summary.split()) < 2 or not trial.step.summary.endswith("."):
        raise ContractError(f"its summary is {trial.step.summary!r}; expected a sentence")
    for name, about in _described(trial.step.params.model_json_schema(by_alias=True)):
        if not about:
            raise ContractError(f"its parameter {name!r} has no description")
    if trial.step.summary.startswith(UNSAID):
        return f"its summary is still {trial.step.summary!r}; people choose steps by it"
    return ""


def its_schema_is_good(trial: Trial) -> None:
    """The JSON Schema of its parameters says what they accept, and takes part in a recipe's."""
    from ..catalog import Catalog
    from ..recipe import compose_schema

    step = trial.step
    params = trial.params()
    if not step.params.model_config.get("extra") == "forbid":
        raise ContractError("its parameters accept keys that they do not have; expected extra='forbid'")
    json.dumps(compose_schema("recipe", Catalog({step.name: step}, {step.name: "a trial"})), allow_nan=False)
    written = params.model_dump(mode="json", by_alias=True, exclude_unset=True)
    if step.params.model_validate(written) != params:
        raise ContractError("its parameters, written out and read again, are others")


def it_works_on_something(trial: Trial) -> str:
    """With these settings, one of the parts can be worked on. The remark names those that were refused."""
    refusals = {name: outcome for name in trial.parts if isinstance(outcome := trial.outcome(name), Refusal)}
    said = "; ".join(f"{name} ({refusal.error})" for name, refusal in refusals.items())
    if len(refusals) == len(trial.parts):
        raise ContractError(
            f"it refuses every part that it was tried on: {said}. Give it settings that suit one of them, or "
            "a part of its own, which is a file with --sample or, in a test, "
            f'contract({trial.step.name.replace("-", "_")}, parts={{"a shell": a_shell()}})'
        )
    return f"refused: {said}" if refusals else ""


def bad_values_are_refused(trial: Trial) -> None:
    """A key that it does not have, a number without a unit, a value out of bounds, another type."""
    params = trial.step.params
    _must_refuse(params, {**trial.settings, "no such key": 1}, "a key that it does not have")
    for name, field in params.model_fields.items():
        key = field.alias or name
        _must_refuse(params, {**trial.settings, key: {"no such key": []}}, f"{key!r} as an odd mapping")
        kind = kind_of(field.metadata, field.annotation)
        if kind is None:
            if _looks_like_a_quantity(name) and field.annotation in (int, float):
                raise ContractError(f"its parameter {key!r} is a bare number; expected Length, Angle, …")
            continue
        _must_refuse(params, {**trial.settings, key: 12.5}, f"{key!r} without a unit")
        extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
        for word, sign in (("x-at-least", -1.0), ("x-at-most", 1.0)):
            if isinstance(bound := extra.get(word), str):
                size = parse_quantity(bound, kind)
                beyond = write_quantity(size + sign * (abs(size) * 0.5 + 1.0), kind)
                _must_refuse(params, {**trial.settings, key: beyond}, f"{key!r} beyond {bound}")


def units_are_honoured(trial: Trial) -> None:
    """The same length in inches is the same length."""
    for name, field in trial.step.params.model_fields.items():
        key, kind = field.alias or name, kind_of(field.metadata, field.annotation)
        value = trial.settings.get(key, field.default)
        if kind is None or not isinstance(value, str) or re.fullmatch(kind.pattern, value) is None:
            continue
        try:
            first = getattr(trial.params({**trial.settings, key: value}), name)
        except ContractError:
            continue  # it may not be said beside the others
        for other in _otherwise_written(value, kind):
            second = getattr(trial.params({**trial.settings, key: other}), name)
            if not math.isclose(first, second, rel_tol=1e-9):
                raise ContractError(f"{key!r} of {value} is not the same as of {other}")


def its_input_stays_as_it_was(trial: Trial) -> None:
    """The part, its arrays and the parameters are not changed."""
    for name, part in trial.parts.items():
        loose = _writable_copy(part)
        before = digest_of(loose)
        trial.run(loose)
        if digest_of(loose) != before:
            raise ContractError(f"it changes the part that it is given ({name})")
    trial.require_a_result()


def the_same_comes_out_again(trial: Trial) -> None:
    """Twice the same input is twice the same bytes, facts and warnings, whatever the random state."""
    for name, part, first in trial.results():
        with otherwise_the_same():
            second = trial.run(part)
        if isinstance(second, Refusal):
            raise ContractError(f"it refuses the second time ({name}): {second.error}")
        for what in ("facts", "warnings", "evidence", "pictures"):
            if _plain(getattr(first, what)) != _plain(getattr(second, what)):
                raise ContractError(f"its {what} differ between two runs on the same part ({name})")
        if first.part.digest() != second.part.digest():
            raise ContractError(f"two runs on the same part ({name}) give different parts")


def its_facts_are_named_with_units(trial: Trial) -> None:
    """Facts and evidence are JSON values; a fact that measures says in its name what it counts in."""
    for _, _, result in trial.results():
        require_facts(result.facts)
        require_facts(result.evidence, "evidence")
        require_units(result.facts)


def a_sound_part_stays_sound(trial: Trial) -> str:
    """What was a sound solid is one still, unless the step says that it need not be."""
    from ..mesh.facts import measure

    tried = 0
    for name, part, result in trial.results():
        if not trial.step.keeps_sound:
            return Unmeasured("not asked of it: it declares keeps_sound=False")
        if not measure(part)["sound"]:
            continue
        tried += 1
        if result.part is part:
            continue
        facts = measure(result.part)
        if not facts["sound"]:
            raise ContractError(
                f"of a sound solid ({name}) it makes one that is not; mend it, or declare keeps_sound=False"
            )
    return "" if tried else Unmeasured("not tried: none of the parts that it worked on is a sound solid")


def where_it_came_from_can_be_told(trial: Trial) -> None:
    """A step that only moves the part says so in its placement."""
    for name, part, result in trial.results():
        moved = result.part
        if moved.vertices.shape != part.vertices.shape or not np.array_equal(moved.faces, part.faces):
            continue
        at_rest = np.array_equal(moved.placement, part.placement)
        step = moved.placement @ np.linalg.inv(part.placement)
        mapped = part.vertices @ step[:3, :3].T + step[:3, 3]
        as_a_whole = _best_map_error_mm(part.vertices, moved.vertices) < 1e-6
        if as_a_whole and np.abs(mapped - moved.vertices).max() > 1e-6:
            how = "keeps the old placement" if at_rest else "records another placement"
            raise ContractError(f"it moves the part ({name}) and {how}; expected part.moved or part.scaled")


def it_can_be_asked_about_printers(trial: Trial) -> None:
    """What a step says of printers, of either kind and however small, are sentences."""
    ask = trial.step.unsuited
    if ask is None:
        return
    for kind in ("filament", "resin"):
        for side in (1.0, 250.0):
            printer = replace(EVERYDAY, kind=kind, build_volume_mm=(side, side, side))
            for later in ((), [(trial.step.name, trial.params())]):
                try:
                    said = list(ask(trial.params(), printer, later))
                except Exception as error:
                    raise ContractError(
                        f"asked about a {kind} printer it fails: {told_of(error, ask)}"
                    ) from error
                if not all(isinstance(one, str) and one for one in said):
                    raise ContractError(f"asked about a {kind} printer it says {said!r}; expected sentences")


def progress_is_told_and_heeded(trial: Trial) -> str:
    """Fractions run from 0 to 1, and what progress raises goes through. Who takes long has to tell."""
    ever = False
    for name, part, _ in trial.results():
        told: list[float] = []
        trial.run(part, progress=told.append)
        if any(not 0.0 <= fraction <= 1.0 for fraction in told) or told != sorted(told):
            raise ContractError(f"its progress ({name}) is {told}; expected to rise from 0 to 1")
        if told:
            ever = True
            _must_cancel(trial, name, part)
    if ever:
        return ""
    grown = trial.grown()
    if not grown:
        return "none is told, and it refuses larger busts that would show whether it takes long"
    if grown[-1].told:
        return f"told only where there is much to do, such as {grown[-1].triangles:,} triangles"
    if grown[-1].seconds > LONG_S:
        raise ContractError(
            f"it works {grown[-1].seconds:.1f} s on a bust of {grown[-1].triangles:,} triangles and tells no "
            "progress; call ctx.progress(0.4) now and then, by which a job is cancelled, too"
        )
    return "none is told, and it is too quick to need it"


def it_keeps_to_itself(trial: Trial) -> None:
    """Nothing is printed, written outside the scratch folder, sent, or changed for the whole process."""
    with tempfile.TemporaryDirectory() as home:

        @contextlib.contextmanager
        def watched() -> Iterator[None]:
            with unchanged_world(), silence(), confined(Path(home)):
                yield

        for part in trial.parts.values():
            trial.run(part, scratch_below=home, around=watched)
    trial.require_a_result()


def odd_parts_get_a_sentence(trial: Trial) -> None:
    """Nothing, one triangle, a flat sheet, a huge and a tiny part: a result, or StepError, or HoldError."""
    sheet = brick().faces[:2], brick().vertices
    odd = {
        **odd_parts(),
        "a flat sheet": Part(sheet[1], sheet[0]),
        "points without a face": Part(np.eye(3), np.zeros((0, 3), np.int32)),
    }
    for name, part in odd.items():
        try:
            outcome = trial.run(part)
        except ContractError as error:
            raise ContractError(f"given {name}, {error}") from error
        if isinstance(outcome, StepResult) and not np.isfinite(outcome.part.vertices).all():
            raise ContractError(f"given {name}, it returns coordinates that are not numbers")


def its_cost_grows_with_the_work(trial: Trial) -> str:
    """Four times the triangles take about four times as long, not sixteen."""
    grown = trial.grown()
    if not grown:
        return Unmeasured("not measured: it refuses larger busts; measure it on parts of its own")
    middle, last = grown[-2:]
    if last.seconds < SLOW_ENOUGH_S or middle.seconds <= 0.0:
        return Unmeasured(f"not measured: it is through {last.triangles:,} triangles at once")
    growth = math.log(last.seconds / middle.seconds, 4.0)
    if growth > MOST_GROWTH:
        taken = ", ".join(f"{one.triangles:,} triangles {one.seconds:.2f} s" for one in grown)
        raise ContractError(f"its time grows with the triangles to the power {growth:.1f}: {taken}")
    return ""


CHECKS: tuple[Callable[[Trial], str | None], ...] = (
    its_words_explain_it,
    its_schema_is_good,
    bad_values_are_refused,
    units_are_honoured,
    it_works_on_something,
    its_input_stays_as_it_was,
    the_same_comes_out_again,
    its_facts_are_named_with_units,
    a_sound_part_stays_sound,
    where_it_came_from_can_be_told,
    it_can_be_asked_about_printers,
    progress_is_told_and_heeded,
    it_keeps_to_itself,
    odd_parts_get_a_sentence,
    its_cost_grows_with_the_work,
)


def _described(schema: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    definitions = schema.get("$defs", {})
    for name, field in schema.get("properties", {}).items():
        target = definitions.get(str(field.get("$ref", "")).removeprefix("#/$defs/"), {})
        yield name, field.get("description") or target.get("description", "")


def _must_refuse(params: type[BaseModel], values: Mapping[str, Any], what: str) -> None:
    try:
        params.model_validate(dict(values))
    except ValidationError:
        return
    except Exception as error:
        raise ContractError(
            f"its parameters fail with {type(error).__name__} on {what}; expected a ValueError"
        ) from error
    raise ContractError(f"its parameters accept {what}")


def _looks_like_a_quantity(name: str) -> bool:
    return bool(set(name.split("_")) & {"mm", "cm", "deg", "rad", "mm2", "mm3", "percent"})


_OTHER_UNITS = {"length": ("mm", "in", "cm"), "angle": ("deg", "rad")}


def _otherwise_written(value: str, kind: Kind) -> Iterator[str]:
    size = parse_quantity(value, kind)
    for unit in _OTHER_UNITS.get(kind.name, ()):
        one = parse_quantity(f"1 {unit}", kind)
        yield f"{size / one!r} {unit}"


def _writable_copy(part: Part) -> Part:
    """The same part in arrays that could be written to, as a careless step might."""
    copy = Part(
        part.vertices.copy(), part.faces.copy(), part.colours, part.placement, part.life_scale, part.planes
    )
    for array in (copy.vertices, copy.faces):
        array.flags.writeable = True
    return copy


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping) and any(isinstance(inner, bytes) for inner in value.values()):
        return dict(value)
    return json.dumps(value, sort_keys=True, default=str)


def _best_map_error_mm(before: np.ndarray[Any, Any], after: np.ndarray[Any, Any]) -> float:
    """Largest distance, mm, that remains when the points are mapped affinely as well as can be."""
    ones = np.column_stack([before, np.ones(len(before))])
    mapping, *_ = np.linalg.lstsq(ones, after, rcond=None)
    return float(np.abs(ones @ mapping - after).max())


def _must_cancel(trial: Trial, name: str, part: Part) -> None:
    def cancel(fraction: float) -> None:
        raise Cancelled

    try:
        trial.run(part, progress=cancel)
    except Cancelled:
        return
    raise ContractError(
        f"it goes on when it is cancelled ({name}); expected what progress raises to go through"
    )
