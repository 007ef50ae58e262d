"""The record as W3C PROV: which thing was made from which, by what, on whose plan.

Names in the document are made from counts and digests, never from file names, which may hold anything;
those are kept as labels. Words and rules: PROV-DM and PROV-CONSTRAINTS (W3C Recommendations, 2013).
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from .canonical import plain, sha256
from .record import JobRecord, StepRecord

VOCABULARY = "urn:fettlebox:terms:"


def provenance(record: JobRecord) -> Any:
    """A `prov.model.ProvDocument`: scan, recipe, ticket, the part after each step, delivered files.

    A step that left the part as it was used it and generated nothing.
    """
    from prov.model import PROV, ProvDocument

    document = ProvDocument()
    document.add_namespace("fettlebox", VOCABULARY)
    document.add_namespace("job", f"urn:fettlebox:job:{_key(record)}:")

    def entity(name: str, kind: str, **about: Any) -> Any:
        return document.entity(f"job:{name}", _about(kind, about))

    agent = document.agent(
        "job:fettlebox",
        {
            PROV["type"]: PROV["SoftwareAgent"],
            PROV["label"]: "Fettlebox",
            "fettlebox:version": _text(str(record.versions.get("fettlebox", "unknown"))),
        },
    )
    scan = entity("scan", "Scan", label=record.scan.get("name"), sha256=record.scan.get("sha256"))
    recipe = document.entity(
        "job:recipe",
        {
            PROV["type"]: PROV["Plan"],
            **_about(None, {"label": record.recipe.get("name"), "sha256": record.recipe.get("sha256")}),
        },
    )
    ticket = None
    if record.ticket is not None:
        ticket = entity("ticket", "Ticket", label="ticket", sha256=record.ticket.get("sha256"))

    def activity(name: str, kind: str, **about: Any) -> Any:
        done = document.activity(f"job:{name}", other_attributes=_about(kind, about))
        document.wasAssociatedWith(done, agent, plan=recipe)
        return done

    reading = activity("reading", "Reading", label="reading")
    reading.set_time(startTime=_time(record.timing.get("started")))
    document.used(reading, scan)
    if ticket is not None:
        document.used(reading, ticket)
    last = scan
    if record.steps:
        last = entity("part-0", "Part", label="as read", sha256=record.steps[0].part_in)
        document.wasGeneratedBy(last, reading)
        document.wasDerivedFrom(last, scan, activity=reading)
    for number, step in enumerate(record.steps, start=1):
        if step.outcome == "skipped":
            continue
        doing = activity(f"step-{number}", "Step", label=step.id, **_about_step(step))
        document.used(doing, last)
        if step.part_out != step.part_in:
            made = entity(f"part-{number}", "Part", label=f"after {step.id}", sha256=step.part_out)
            document.wasGeneratedBy(made, doing)
            document.wasDerivedFrom(made, last, activity=doing)
            last = made
    delivering = activity("delivering", "Delivering", label="delivering", state=record.state)
    delivering.set_time(endTime=_time(record.timing.get("finished")))
    document.used(delivering, last)
    for number, output in enumerate(record.outputs, start=1):
        file = entity(
            f"file-{number}", "DeliveredFile", label=output.path, sha256=output.sha256, format=output.format
        )
        document.wasGeneratedBy(file, delivering)
        document.wasDerivedFrom(file, last, activity=delivering)
        document.wasAttributedTo(file, agent)
    return document


def _time(written: Any) -> datetime | None:
    """The RFC 3339 time of a record; None where there is none."""
    return datetime.fromisoformat(written) if written else None


def _about_step(step: StepRecord) -> dict[str, Any]:
    return {"step": step.name, "step_version": step.version, "outcome": step.outcome}


def _about(kind: str | None, values: dict[str, Any]) -> dict[Any, Any]:
    from prov.model import PROV, Namespace

    about: dict[Any, Any] = {} if kind is None else {PROV["type"]: Namespace("fettlebox", VOCABULARY)[kind]}
    for name, value in values.items():
        if value not in (None, ""):
            key = PROV["label"] if name == "label" else f"fettlebox:{name}"
            about[key] = plain(value) if isinstance(value, int) else _text(str(value))
    return about


def _text(value: str) -> str:
    """Text that any reader of PROV-JSON or PROV-XML takes: no control characters, no lone surrogates."""
    shown = value.encode("utf-8", "backslashreplace").decode("utf-8")
    return re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]", "\ufffd", shown)


def _key(record: JobRecord) -> str:
    """A part of a URN for the job: its own name where that is harmless, else a digest of it."""
    if re.fullmatch(r"[A-Za-z0-9._-]{1,80}", record.job):
        return record.job
    return sha256(record.job.encode("utf-8", "surrogatepass"))[:16]
