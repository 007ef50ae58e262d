"""What the command line prints. Text and JSON come from the same result objects."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import FettleboxError, RecipeError, UsageError
from .reasons import without_name
from .text import plain

if TYPE_CHECKING:
    from .api import Step
    from .catalog import Catalog
    from .checking import Checked
    from .doctor import Finding
    from .jobs.audit import Audit
    from .jobs.events import Event
    from .plugin_list import Brought
    from .recipe.difference import Difference
    from .recipe.explain import Explanation
    from .reference.words import Words
    from .replay import Replay
    from .run_job import JobResult
    from .run_steps import Run
    from .suiting import Suited
    from .testing import Check


def as_json_line(data: Mapping[str, Any]) -> None:
    print(json.dumps(data, ensure_ascii=False, sort_keys=False, default=str))


def failure(error: FettleboxError) -> None:
    """The object that scripts get where there is nothing to tell of but why."""
    problems = [problem.as_dict() for problem in error.problems] if isinstance(error, RecipeError) else []
    as_json_line({"state": "error", "error": str(error), "status": error.exit_status, "problems": problems})


def job_as_dict(result: JobResult, folder: Path) -> dict[str, Any]:
    """One job as scripts see it: design of `run --json`."""
    record = result.record
    return {
        "job": result.job,
        "scan": record.scan.get("name"),
        "state": result.state,
        "reason": result.reason,
        "folder": str(folder),
        "outputs": [
            {"path": str(folder / out.path), "format": out.format, "sha256": out.sha256}
            for out in record.outputs
        ],
        "facts": {
            "before": dict(record.before),
            "after": dict(record.after),
            "fidelity": record.fidelity,
            "collected": dict(record.collected),
        },
        "steps": [
            {
                "id": step.id,
                "name": step.name,
                "outcome": step.outcome,
                "seconds": step.seconds,
                "facts": dict(step.facts),
                "warnings": list(step.warnings),
                "reason": step.reason,
            }
            for step in record.steps
        ],
        "warnings": list(record.warnings),
        "cautions": list(record.cautions),
        "seconds": record.timing.get("seconds"),
    }


def job_result(result: JobResult, folder: Path, *, as_json: bool) -> None:
    if as_json:
        as_json_line(job_as_dict(result, folder))
        return
    print(job_sentence(result, folder))
    for warning in result.record.warnings:
        print(f"  note: {plain(warning)}")


def job_sentence(result: JobResult, folder: Path) -> str:
    """One job's end in a line or two of plain words."""
    name = plain(str(result.record.scan.get("name")))
    if result.state != "done":
        why = without_name(plain(result.reason or ""), name)
        return f"{name}: {result.state}. {why}\n  see {folder}"
    after = result.record.after
    files = ", ".join(out.path for out in result.record.outputs) or "no parts, as the recipe wants"
    size = " x ".join(f"{v:.1f}" for v in after.get("size_mm", ()))
    fidelity = result.record.fidelity or {}
    near = fidelity.get("scan_to_part_p95_mm")
    close = "" if near is None else f"; 95 % of the scan within {max(near, 0.01):.2f} mm (life-size)"
    return (
        f"{name}: done in {result.record.timing.get('seconds', 0):.1f} s. {size} mm, "
        f"{after.get('triangles', 0):,} triangles{close}\n  {plain(files)} in {folder}"
    )


def tried(sheet: Path, run: Run, *, as_json: bool) -> None:
    """What trying a recipe came to, and where to look."""
    if as_json:
        steps = [
            {"id": r.id, "outcome": r.outcome, "seconds": r.seconds, "facts": dict(r.facts)}
            for r in run.records
        ]
        as_json_line({"state": run.state, "reason": run.reason, "sheet": str(sheet), "steps": steps})
        return
    for record in run.records:
        print(f"  {record.id:<12} {record.outcome} in {record.seconds:.1f} s")
    if run.reason:
        print(plain(run.reason))
    print(f"look at {sheet}")


@contextmanager
def job_progress(name: str) -> Iterator[Callable[[str, float], None]]:
    """A line on stderr that says which step is at work; nothing unless stderr is a terminal."""
    if not sys.stderr.isatty():
        yield lambda step, fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        bar = shown.add_task(plain(name), total=1.0)
        yield lambda step, fraction: shown.update(
            bar, description=f"{plain(name)}: {step}", completed=fraction
        )


@contextmanager
def serve_progress(*, as_json: bool) -> Iterator[Callable[[Event], None]]:
    """Tell on stderr, a line an event, what the server does; for scripts nothing but the results count."""
    names: dict[str, str] = {}

    def tell(event: Event) -> None:
        if event.kind == "started" and event.job:
            # Only this event's text names the scan: logs and other events go by the job's number.
            names[event.job] = plain(event.text.partition(": ")[2])
        line = event_line(event, names.get(event.job or "", ""))
        if line and not as_json:
            print(line, file=sys.stderr, flush=True)

    yield tell


def event_line(event: Event, scan: str) -> str:
    """A server's event for a person: the scan's name instead of the job's number, where it is known."""
    seconds = event.data.get("seconds")
    if event.kind == "claimed":
        return ""
    if event.kind == "started":
        return f"  {scan or event.job}: at work"
    if event.kind in ("done", "held", "rejected") and seconds is not None:
        return f"  {scan or event.job}: {event.kind} after {seconds:.1f} s"
    return plain(event.text)


def serve_summary(summary: Any, *, as_json: bool) -> None:
    counts = dict(summary.counts)
    if as_json:
        as_json_line({"counts": counts})
        return
    print(", ".join(f"{count} {state}" for state, count in counts.items() if count) or "nothing came in")


def check_report(checked: Sequence[Checked], *, as_json: bool) -> int:
    """Print every file's problems; the exit status is 2 when any file has one."""
    if as_json:
        for one in checked:
            as_json_line(
                {
                    "file": str(one.path),
                    "ok": not one.problems,
                    "problems": [p.as_dict() for p in one.problems],
                }
            )
    else:
        for one in checked:
            for problem in one.problems:
                print(problem.text())
                print()
            for warning in one.warnings:
                print(warning.text())
                print()
            print(f"{one.path}: {'good' if not one.problems else f'{len(one.problems)} to mend'}")
    return 2 if any(one.problems for one in checked) else 0


def suited_report(found: Sequence[Suited], *, as_json: bool) -> int:
    """Print recipes against printers; the exit status is 2 when one does not suit the shop's own printer."""
    if as_json:
        for one in found:
            as_json_line({**asdict(one), "file": str(one.file), "ok": one.verdict != "no"})
    elif found:
        from .suiting import table_of

        print()
        for line in table_of(found):
            print(plain(line))
    return 2 if any(one.own and one.verdict == "no" for one in found) else 0


def explanation(explained: Explanation, *, as_json: bool) -> None:
    if as_json:
        as_json_line(asdict(explained))
        return
    from .recipe.explain import lines_of

    for line in lines_of(explained):
        print(plain(line))


def differences(found: Sequence[Difference], *, as_json: bool) -> None:
    for one in found:
        if as_json:
            as_json_line(asdict(one))
        else:
            print(plain(str(one)))
    if not found and not as_json:
        print("they do the same")


def steps(catalog: Catalog, name: str | None, *, as_json: bool) -> None:
    chosen = [catalog.steps[name]] if name else [catalog.steps[key] for key in sorted(catalog.steps)]
    if as_json:
        for step in chosen:
            as_json_line(
                {
                    "name": step.name,
                    "version": step.version,
                    "summary": step.summary,
                    "from": catalog.sources[step.name],
                    "parameters": step.params.model_json_schema(by_alias=True),
                    "facts": dict(_words(step).facts),
                    "limits": list(_words(step).limits),
                    "sources": list(_words(step).sources),
                }
            )
        return
    if name:
        step = chosen[0]
        print(f"{step.name} (version {step.version}, from {catalog.sources[step.name]})\n{step.summary}\n")
        print("\n".join(_parameter_lines(step)) or "It takes no parameters.")
        for title, said in (("Limits", _words(step).limits), ("Sources", _words(step).sources)):
            if said:
                print("\n".join([f"\n{title}", *(f"  - {one}" for one in said)]))
        return
    width = max((len(step.name) for step in chosen), default=0)
    for step in chosen:
        print(f"{step.name:<{width}}  {step.summary}")
    for bad in catalog.quarantined.values():
        print(f"{bad.name:<{width}}  set aside ({bad.source}): {bad.reason}", file=sys.stderr)


def _words(step: Step[Any]) -> Words:
    """What the step's docstring says; nothing, and a sentence aside, where that cannot be read."""
    from .reference.words import Words, words_of

    try:
        return words_of(step)
    except UsageError as error:
        print(error, file=sys.stderr)
        return Words()


def _parameter_lines(step: Step[Any]) -> Iterator[str]:
    """Each parameter with its default, what it may be, and what it is for."""
    from .recipe.describe import at, in_words

    schema = step.params.model_json_schema(by_alias=True)
    for name, field in schema.get("properties", {}).items():
        default = field.get("default")
        shown = f" (by default {default})" if default is not None else ""
        short = "; may be written alone" if step.shorthand in (name, name.replace(" ", "_")) else ""
        yield f"  {name}: {in_words(at(schema, [name]))}{shown}{short}"
        if "description" in field:
            yield f"      {field['description']}"


def plugins(found: Iterable[Brought], *, as_json: bool) -> None:
    """A line for each thing that a plugin brings, under the name of its kind."""
    kind = ""
    for one in found:
        if as_json:
            as_json_line(asdict(one))
            continue
        if one.kind != kind:
            print(f"{one.kind}:")
            kind = one.kind
        source = f" ({one.source})" if one.source and one.source != one.name else ""
        print(f"  {plain(one.name):<14}  {plain(one.about)}{source}")


def proof(checks: Iterable[Check], *, as_json: bool) -> int:
    """A line a check as it ends, with what it did not show, and last what they came to. The exit status is 4
    when one of them finds a fault or has nothing to look at.
    """
    faults, empty, unmeasured, told = list[str](), list[str](), list[str](), list[str]()
    total = 0
    for check in checks:
        out = check.outcome()
        total += 1
        if out.fault is not None:
            (faults if out.shown else empty).append(check.name)
        if as_json:
            as_json_line({"check": check.name, "ok": out.fault is None, **asdict(out)})
            continue
        if out.fault is None and not out.shown:
            unmeasured.append(check.name)
        mark = "-    " if not out.shown else "ok   " if out.fault is None else "FAULT"
        said = out.remark if out.fault is None else _as_above(out.fault, told)
        print(f"{mark}  {check.name}" + (f": {plain(said)}" if said else ""), flush=True)
    if not as_json:
        found = {"broken": faults, "with nothing to look at": empty, "not measured": unmeasured}
        bad = [f"{len(names)} {what}: {', '.join(names)}" for what, names in found.items() if names]
        kept = [] if faults or empty else ["all else kept" if bad else "all kept"]
        print(f"{total} checks, {'; '.join([*bad, *kept])}")
    return 4 if faults or empty else 0


def _as_above(fault: str, told: list[str]) -> str:
    """A fault that was told before is not told again, nor is the part of it that was."""
    for before in told:
        if fault.endswith(before):
            return f"{fault.removesuffix(before)}as above"
    told.append(fault)
    return fault


def job_list(jobs: Iterable[Any], *, as_json: bool) -> None:
    for job in jobs:
        if as_json:
            as_json_line(asdict(job))
        else:
            first, *more = (job.reason or "").splitlines() or [""]
            name = plain(job.scan_name)
            why = without_name(plain(first), name) + (" …" if more else "")
            print(f"{job.id:<15}  {job.state:<9} {name}  {why}".rstrip())


def doctor_report(findings: Sequence[Finding], *, as_json: bool) -> int:
    for finding in findings:
        if as_json:
            as_json_line(asdict(finding))
        else:
            print(f"{'ok  ' if finding.ok else 'MEND'}  {finding.what}: {finding.said}")
    return 0 if all(finding.ok for finding in findings) else 1


def audit_report(audit: Audit, *, as_json: bool) -> int:
    """A line a finding, then what was looked at; with `as_json` the last object is that summary."""
    if as_json:
        for finding in audit.findings:
            as_json_line(asdict(finding))
        counted = {"entries": audit.entries, "jobs": audit.jobs, "files": audit.files}
        as_json_line({"clean": audit.clean, "findings": len(audit.findings), **counted,
                      "discarded": audit.discarded, "head": audit.head})  # fmt: skip
        return 0 if audit.clean else 4
    for finding in audit.findings:
        print(plain(str(finding)))
    gone = f", {audit.discarded} discarded on record" if audit.discarded else ""
    said = "all as" if audit.clean else f"{len(audit.findings)} not as"
    print(f"{audit.entries} entries, {audit.jobs} jobs{gone}, {audit.files} files: {said} the ledger says")
    print(f"newest entry {audit.head}")
    return 0 if audit.clean else 4


def replay_report(again: Replay, *, as_json: bool) -> int:
    """The same, or what differs first."""
    if as_json:
        as_json_line({**asdict(again), "same": again.same})
        return 0 if again.same else 4
    if again.same:
        print(f"the same: {again.state}, {again.steps} steps, {again.files} files")
    else:
        first, *more = again.differences
        print(f"different, first at {plain(str(first))}")
        for difference in more:
            print(f"  {plain(str(difference))}")
    for name, (then, now) in again.versions.items():
        print(f"  {name} was {plain(then)} and is {plain(now)}")
    return 0 if again.same else 4
