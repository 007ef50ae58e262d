"""The provenance: read by the `prov` library, and within W3C PROV-CONSTRAINTS (Recommendation, 2013)."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fettlebox.traveler.prov import provenance
from fettlebox.traveler.record import JobRecord
from fettlebox.traveler.writing import PROVENANCE, write_traveler
from prov.model import (
    ProvActivity,
    ProvAgent,
    ProvDerivation,
    ProvDocument,
    ProvEntity,
    ProvGeneration,
    ProvUsage,
)

WHICH = ["done", "held", "rejected", "hostile"]


def _read(folder: Path, record: JobRecord) -> ProvDocument:
    write_traveler(folder, record)
    return ProvDocument.deserialize(folder / PROVENANCE, format="json")


def _ends(document: ProvDocument, kind: type) -> list[tuple[str, str]]:
    return [
        tuple(str(value) for _, value in link.formal_attributes[:2]) for link in document.get_records(kind)
    ]


@pytest.mark.parametrize("which", WHICH)
def test_the_library_reads_what_was_written_and_nothing_is_lost(
    tmp_path: Path, records: dict[str, JobRecord], which: str
) -> None:
    read = _read(tmp_path, records[which])
    assert read == provenance(records[which])
    again = ProvDocument.deserialize(content=read.serialize(format="json"), format="json")
    assert again == read


@pytest.mark.parametrize("which", WHICH)
def test_it_can_be_told_in_every_notation_of_the_standard(
    tmp_path: Path, records: dict[str, JobRecord], which: str
) -> None:
    read = _read(tmp_path, records[which])
    assert "wasAssociatedWith" in read.get_provn()
    assert ProvDocument.deserialize(content=read.serialize(format="xml"), format="xml") == read


@pytest.mark.parametrize("which", WHICH)
def test_constraints(tmp_path: Path, records: dict[str, JobRecord], which: str) -> None:
    document = _read(tmp_path, records[which])
    entities = {str(e.identifier) for e in document.get_records(ProvEntity)}
    activities = {str(a.identifier) for a in document.get_records(ProvActivity)}
    agents = {str(a.identifier) for a in document.get_records(ProvAgent)}
    # Constraint entity-activity-disjoint.
    assert not entities & activities and not agents & activities
    generations, usages = _ends(document, ProvGeneration), _ends(document, ProvUsage)
    assert {e for e, _ in generations} <= entities and {a for _, a in generations} <= activities
    assert {a for a, _ in usages} <= activities and {e for _, e in usages} <= entities
    # Constraint unique-generation, here in the strict sense: by one activity, once.
    assert max(Counter(e for e, _ in generations).values(), default=1) == 1
    # What came from outside was not made here; everything else was.
    assert entities - {e for e, _ in generations} == {"job:scan", "job:recipe"} | (entities & {"job:ticket"})
    # Inference derivation-generation-use: what is derived was made by an activity that used its source.
    maker = dict(generations)
    for made, source in _ends(document, ProvDerivation):
        assert (maker[made], source) in usages
    # Derivation leads back to the scan without a circle, from every part and file.
    source_of = dict(_ends(document, ProvDerivation))
    for start in source_of:
        seen, here = {start}, start
        while here in source_of:
            here = source_of[here]
            assert here not in seen
            seen.add(here)
        assert here == "job:scan"


def test_identifiers_are_plain_whatever_the_files_are_called(tmp_path: Path, hostile: JobRecord) -> None:
    document = _read(tmp_path, hostile)
    for item in document.get_records((ProvEntity, ProvActivity, ProvAgent)):
        assert str(item.identifier).removeprefix("job:").replace("-", "").isalnum()
        uri = item.identifier.uri
        assert uri.startswith("urn:fettlebox:job:") and uri.isascii() and " " not in uri


def test_a_step_that_changes_nothing_made_nothing(tmp_path: Path, done: JobRecord) -> None:
    document = _read(tmp_path, done)
    generated = {e for e, _ in _ends(document, ProvGeneration)}
    assert "job:part-4" in generated and "job:part-5" not in generated
    assert ("job:step-5", "job:part-4") in _ends(document, ProvUsage)
    assert ("job:file-1", "job:part-4") in _ends(document, ProvDerivation)


def test_a_skipped_step_did_not_happen(done: JobRecord) -> None:
    skipped = replace(done.steps[3], outcome="skipped", part_out=done.steps[3].part_in)
    text = provenance(replace(done, steps=(*done.steps[:3], skipped))).get_provn()
    assert "job:step-3" in text and "job:step-4" not in text


def test_types_are_qualified_names_and_labels_are_the_real_names(tmp_path: Path, done: JobRecord) -> None:
    write_traveler(tmp_path, done)
    written: dict[str, Any] = json.loads((tmp_path / PROVENANCE).read_bytes())
    assert written["entity"]["job:scan"]["prov:type"] == {"$": "fettlebox:Scan", "type": "xsd:QName"}
    assert written["entity"]["job:scan"]["prov:label"] == "customer head.ply"
    assert written["entity"]["job:file-2"]["fettlebox:sha256"] == "34" * 32
    assert written["agent"]["job:fettlebox"]["fettlebox:version"] == "0.1.0"
