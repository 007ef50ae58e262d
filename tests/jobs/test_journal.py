from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from fettlebox.jobs import journal
from fettlebox.jobs.journal import Journal


def test_a_line_is_json_and_cannot_steer_a_terminal(tmp_path: Path) -> None:
    name = "\x1b[2J\x9b31m\udcff\n\x7fß\u202e"
    log = Journal(tmp_path / "log")
    log.write("claimed", {"name": name})
    data = (tmp_path / "log").read_bytes()
    assert data.count(b"\n") == 1 and all(0x20 <= byte < 0x7F for byte in data[:-1])
    line = json.loads(data)
    assert line["name"] == name and line["event"] == "claimed"
    # RFC 3339 section 5.6: date-time with the offset Z
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line["time"])


def test_the_log_does_not_grow_without_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "LARGEST_BYTES", 1000)
    log = Journal(tmp_path / "log")
    for number in range(100):
        log.write("claimed", {"number": number})
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 2500
    assert json.loads((tmp_path / "log").read_text().splitlines()[-1])["number"] == 99


def test_a_log_that_cannot_be_written_stops_nobody(tmp_path: Path) -> None:
    (tmp_path / "log").mkdir()
    Journal(tmp_path / "log").write("claimed", {})
