"""Write a job's record: for programs, for auditors, and for the person at the bench."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from .canonical import plain
from .cautions import cautions_for
from .page import traveler_page
from .prov import provenance
from .record import JobRecord, Output, StepRecord
from .summary import Decision

TRAVELER = "traveler.json"
PROVENANCE = "provenance.json"
PAGE = "traveler.html"

TRAVELER_VERSION = 1


def write_traveler(folder: Path, record: JobRecord) -> tuple[str, ...]:
    """Write the three files into a job's folder and return their names.

    The same record gives the same bytes, but for what stands under `timing` (in the provenance: the
    start and end of its activities). A record without cautions gets those that apply to it.
    """
    record = record_from(as_document(record))
    if not record.cautions:
        record = replace(record, cautions=cautions_for(record))
    _write(folder / TRAVELER, as_text(as_document(record)))
    _write(folder / PROVENANCE, as_text(json.loads(provenance(record).serialize(format="json"))))
    _write(folder / PAGE, traveler_page(record, folder))
    return TRAVELER, PROVENANCE, PAGE


def write_decision(folder: Path, decided: Decision) -> None:
    """Say on the page of a held job what a person decided. The record itself stays as the run left it.

    Nothing is done where there is no record that could be read.
    """
    try:
        page = traveler_page(read_traveler(folder), folder, decided)
    except (OSError, ValueError, KeyError, TypeError):
        return
    beside = folder / f".{PAGE}.tmp"
    _write(beside, page)
    beside.replace(folder / PAGE)


def read_traveler(folder: Path) -> JobRecord:
    """The record that a job's folder holds. Raises ValueError if it is not one of ours."""
    document = json.loads((folder / TRAVELER).read_text("utf-8"))
    if not isinstance(document, dict) or document.get("traveler") != TRAVELER_VERSION:
        raise ValueError(f"{folder.name}/{TRAVELER} is not a traveler of version {TRAVELER_VERSION}")
    return record_from(document)


def as_document(record: JobRecord) -> dict[str, Any]:
    """The JSON value of a record. The seconds of its steps move under `timing`, by the step's id; what a
    replay starts from keeps all its digits.
    """
    document = {
        "traveler": TRAVELER_VERSION,
        **plain(record),
        "placement": record.placement,
        "given": record.given,
        "printer": record.printer,
    }
    timing = document.pop("timing")
    timing["step_seconds"] = {step["id"]: step.pop("seconds") for step in document["steps"]}
    return {**document, "timing": timing}


def record_from(document: Mapping[str, Any]) -> JobRecord:
    """The record behind a JSON value made by `as_document`."""
    values = {f.name: document[f.name] for f in fields(JobRecord) if f.name in document}
    timing = dict(values["timing"])
    seconds = timing.pop("step_seconds", {})
    steps = (
        StepRecord(
            **{
                **step,
                "warnings": tuple(step["warnings"]),
                "pictures": tuple(step["pictures"]),
                "seconds": seconds.get(step["id"], 0.0),
            }
        )
        for step in values["steps"]
    )
    several = {name: tuple(values[name]) for name in ("pictures", "warnings", "cautions")}
    outputs = tuple(Output(**output) for output in values["outputs"])
    if values.get("placement") is not None:
        values["placement"] = tuple(tuple(row) for row in values["placement"])
    return JobRecord(**{**values, **several, "steps": tuple(steps), "outputs": outputs, "timing": timing})


def as_text(document: Mapping[str, Any]) -> str:
    """Indented JSON with a final line end, keys in the order given."""
    return _indented(document, "\n") + "\n"


_plainly = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


def _indented(value: Any, line: str) -> str:
    """As `json.dumps` with an indent of 2, which leaves its C code for that. `line` is a line end and the
    margin of what is around the value.
    """
    if not isinstance(value, dict | list | tuple) or not value:
        return _plainly(value)
    inner = f"{line}  "
    if isinstance(value, dict):
        pairs = [f"{_plainly(str(key))}: {_indented(one, inner)}" for key, one in value.items()]
        return f"{{{inner}{f',{inner}'.join(pairs)}{line}}}"
    return f"[{inner}{f',{inner}'.join([_indented(one, inner) for one in value])}{line}]"


def _write(path: Path, text: str) -> None:
    """Names in a file system may hold bytes that are no text; they are shown, not refused."""
    path.write_bytes(text.encode("utf-8", "backslashreplace"))
