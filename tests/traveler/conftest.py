"""Small records of jobs that went well, waited, failed, and came from somebody who means harm."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fettlebox.traveler.record import JobRecord, Output, StepRecord

HOSTILE = (
    "\"><script>alert(1)</script><img src=x onerror=alert(2)>'&lt;"
    "\u202e\x00\x1b[31m http://evil.example/x ${y} ü.stl"
)


def _step(number: int, name: str, *, changes: bool = True, **more: object) -> StepRecord:
    before, after = f"{number:064x}", f"{number + changes:064x}"
    values = {"id": name, "name": name, "version": 1, "params": {}, "outcome": "done", **more}
    return StepRecord(**{"part_in": before, "part_out": after, "seconds": 0.25 * number, **values})


@pytest.fixture
def done() -> JobRecord:
    steps = (
        _step(
            1,
            "units",
            params={"expect": "head"},
            evidence={"unit_mm": 1.0, "head_length_mm": 187.9525648, "second_best_ratio": 0.0123456789},
        ),
        _step(
            2,
            "debris",
            params={"under_ratio": 0.02},
            facts={"removed_pieces": 21, "removed_area_ratio": 0.0131},
            warnings=("21 loose pieces were taken away",),
        ),
        _step(3, "repair", evidence={"way": "volumetric", "rims": 37, "crossings": 0}),
        _step(4, "scale", params={"by_ratio": 0.25}),
        _step(5, "gate", changes=False, params={"sound": True}, evidence={"overhang_ratio": 0.061}),
    )
    return JobRecord(
        job="2026-0412",
        state="done",
        reason=None,
        scan={"name": "customer head.ply", "sha256": "ab" * 32, "bytes": 3141592,
              "format": "ply", "unit_mm": None},
        recipe={"name": "quarter-bust", "sha256": "cd" * 32, "text": "recipe: quarter-bust\nsteps: []\n"},
        ticket={"sha256": "ef" * 32, "text": "order: A-17\nset: {size: 25 %}\n", "values": {"size": "25 %"}},
        versions={"fettlebox": "0.1.0", "python": "3.12.4", "numpy": "2.1.0"},
        before={
            "triangles": 166259, "vertices": 85849, "closed": False, "sound": None, "bodies": 22, "rims": 61,
            "volume_mm3": None, "area_mm2": 39876.543210123,
            "size_mm": [129.45290375, 187.95256805, 125.40991211],
        },
        after={
            "triangles": 210332, "vertices": 105168, "closed": True, "sound": True, "bodies": 1, "rims": 0,
            "volume_mm3": 22333.4444, "area_mm2": 5123.4567, "size_mm": [32.36, 31.35, 46.99],
        },
        fidelity={
            "scan_to_part_p50_mm": 0.0042, "scan_to_part_p95_mm": 0.0312, "scan_to_part_p999_mm": 0.41,
            "scan_to_part_max_mm": 1.204, "covered_ratio": 0.9921, "covered_within_mm": 0.2,
            "scan_cut_off_ratio": 0.061, "part_to_scan_p95_mm": 0.044, "part_to_scan_max_mm": 0.93,
            "part_invented_ratio": 0.31, "part_flat_ratio": 0.12, "part_inner_ratio": 0.0,
            "sample_spacing_mm": 0.7,
        },
        steps=steps,
        outputs=(Output("customer head.3mf", "3mf", "12" * 32, 1234567),
                 Output("customer head.stl", "stl", "34" * 32, 7654321)),
        pictures=("pictures/part.png", "pictures/distance.png"),
        warnings=("debris: 21 loose pieces were taken away",),
        timing={"started": "2026-11-25T10:00:00.000+00:00", "finished": "2026-11-25T10:00:09.500+00:00",
                "seconds": 9.5},
    )  # fmt: skip


@pytest.fixture
def held(done: JobRecord) -> JobRecord:
    reason = "the widest opening is not at the neck; turn the scan, neck down, or release it as it is"
    steps = (
        *done.steps[:2],
        replace(done.steps[2], outcome="held", part_out=done.steps[2].part_in, reason=reason),
    )
    return replace(done, state="held", reason=f"repair: {reason}", steps=steps, outputs=(), fidelity=None)


@pytest.fixture
def rejected(done: JobRecord) -> JobRecord:
    return replace(
        done, state="rejected", reason="scan.ply ends after 12 of 400 vertices; send it again",
        before={}, after={}, steps=(), outputs=(), pictures=(), fidelity=None, ticket=None, warnings=(),
    )  # fmt: skip


@pytest.fixture
def hostile(done: JobRecord) -> JobRecord:
    """Every text of a record that a stranger can choose, chosen by a stranger."""
    step = replace(
        done.steps[0], id=HOSTILE, reason=HOSTILE, params={HOSTILE: HOSTILE}, evidence={HOSTILE: [HOSTILE]},
        warnings=(HOSTILE,), pictures=(HOSTILE,), facts={HOSTILE: HOSTILE},
    )  # fmt: skip
    return replace(
        done, job=HOSTILE, scan={"name": HOSTILE, "sha256": HOSTILE},
        recipe={"name": HOSTILE, "text": HOSTILE},
        ticket={"text": HOSTILE, "sha256": HOSTILE}, versions={"fettlebox": HOSTILE}, before={HOSTILE: 1},
        after={HOSTILE: HOSTILE},
        fidelity={HOSTILE: HOSTILE}, steps=(step,), outputs=(Output(HOSTILE, HOSTILE, HOSTILE, 1),),
        pictures=("../../../etc/passwd", HOSTILE), warnings=(HOSTILE,), cautions=(HOSTILE,),
        reason=HOSTILE, state="held",
    )  # fmt: skip


@pytest.fixture
def records(
    done: JobRecord, held: JobRecord, rejected: JobRecord, hostile: JobRecord
) -> dict[str, JobRecord]:
    return {"done": done, "held": held, "rejected": rejected, "hostile": hostile}
