"""The three files: the same record gives the same bytes, and can be read back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from fettlebox.traveler.record import JobRecord
from fettlebox.traveler.writing import as_document, as_text, read_traveler, record_from, write_traveler

NAMES = ("traveler.json", "provenance.json", "traveler.html")


def _bytes(folder: Path, record: JobRecord) -> dict[str, bytes]:
    folder.mkdir()
    assert write_traveler(folder, record) == NAMES
    return {name: (folder / name).read_bytes() for name in NAMES}


@pytest.mark.parametrize("which", ["done", "held", "rejected", "hostile"])
def test_the_same_record_gives_the_same_bytes(
    tmp_path: Path, records: dict[str, JobRecord], which: str
) -> None:
    assert _bytes(tmp_path / "a", records[which]) == _bytes(tmp_path / "b", records[which])


def test_two_runs_differ_under_timing_only(tmp_path: Path, done: JobRecord) -> None:
    other = replace(
        done,
        timing={
            "started": "2027-01-01T00:00:00+00:00",
            "finished": "2027-01-01T00:00:01+00:00",
            "seconds": 1.0,
        },
        steps=tuple(replace(step, seconds=step.seconds + 9.0) for step in done.steps),
    )
    first, second = _bytes(tmp_path / "a", done), _bytes(tmp_path / "b", other)
    assert first["traveler.json"] != second["traveler.json"]
    documents = [json.loads(files["traveler.json"]) for files in (first, second)]
    timings = [document.pop("timing") for document in documents]
    assert documents[0] == documents[1]
    assert timings[0]["step_seconds"] != timings[1]["step_seconds"]
    assert "seconds" not in json.dumps(documents[0])
    chains = [json.loads(files["provenance.json"]) for files in (first, second)]
    for chain in chains:
        for activity in chain["activity"].values():
            activity.pop("prov:startTime", None)
            activity.pop("prov:endTime", None)
    assert chains[0] == chains[1]


def test_keys_in_another_order_and_numpy_values_give_the_same_bytes(tmp_path: Path, done: JobRecord) -> None:
    shuffled = replace(
        done,
        before=dict(reversed(list(done.before.items()))),
        after={**done.after, "triangles": np.int64(210332), "size_mm": np.array([32.36, 31.35, 46.99])},
    )
    assert _bytes(tmp_path / "a", done) == _bytes(tmp_path / "b", shuffled)


def test_rounding_hides_the_last_bits_of_a_sum_and_nothing_a_shop_could_measure(done: JobRecord) -> None:
    noisy = replace(done, after={**done.after, "volume_mm3": 22333.4444 * (1 + 1e-14)})
    assert as_document(noisy) == as_document(done)
    moved = replace(done, after={**done.after, "size_mm": [32.361, 31.35, 46.99]})
    assert as_document(moved) != as_document(done)


@pytest.mark.parametrize("which", ["done", "held", "rejected", "hostile"])
def test_a_traveler_is_read_back_as_it_was_written(
    tmp_path: Path, records: dict[str, JobRecord], which: str
) -> None:
    write_traveler(tmp_path, records[which])
    back = read_traveler(tmp_path)
    assert as_document(back) == json.loads((tmp_path / "traveler.json").read_bytes())
    assert back == record_from(as_document(back))
    assert back.cautions or not records[which].after.get("triangles")


def test_another_programs_file_is_not_taken_for_a_traveler(tmp_path: Path) -> None:
    (tmp_path / "traveler.json").write_text('{"traveler": 99}', "utf-8")
    with pytest.raises(ValueError, match="not a traveler of version 1"):
        read_traveler(tmp_path)


def test_what_is_not_a_number_becomes_null(done: JobRecord) -> None:
    document = as_document(replace(done, fidelity={"a_mm": float("nan"), "b_mm": float("inf")}))
    assert document["fidelity"] == {"a_mm": None, "b_mm": None}


def test_a_name_that_is_no_text_is_written_all_the_same(tmp_path: Path, done: JobRecord) -> None:
    # What Python makes of a file name that is not UTF-8 (PEP 383).
    bad = b"sc\xffan.stl".decode("utf-8", "surrogateescape")
    write_traveler(tmp_path, replace(done, scan={**done.scan, "name": bad}))
    for name in NAMES:
        assert (tmp_path / name).read_bytes().decode("utf-8")


def test_times_are_rfc_3339_and_survive_the_round_trip(tmp_path: Path, done: JobRecord) -> None:
    # RFC 3339, section 5.6: full-date "T" full-time with an offset.
    then = datetime(2026, 11, 25, 10, 0, 0, 123000, tzinfo=UTC)
    write_traveler(tmp_path, replace(done, timing={"started": then.isoformat(timespec="milliseconds")}))
    written = json.loads((tmp_path / "traveler.json").read_bytes())["timing"]["started"]
    assert written == "2026-11-25T10:00:00.123+00:00"
    assert datetime.fromisoformat(written) == then
    chain = json.loads((tmp_path / "provenance.json").read_bytes())
    assert datetime.fromisoformat(chain["activity"]["job:reading"]["prov:startTime"]) == then


@pytest.mark.parametrize("which", ["done", "hostile"])
def test_the_text_is_that_of_the_standard_library(records: dict[str, JobRecord], which: str) -> None:
    odd = {"empty": {}, "none": [], "nested": [[], [{'é\u2028"\\': None}], (1, True, -0.0, 1e300)]}
    for document in (as_document(records[which]), odd):
        assert as_text(document) == json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    with pytest.raises(ValueError, match="JSON"):
        as_text({"a": [float("nan")]})
