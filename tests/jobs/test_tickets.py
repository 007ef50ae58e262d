"""Where a scan's ticket is looked for."""

from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.jobs.tickets import ticket_beside

ORDER = ["bust.ply.ticket.yaml", "bust.ply.ticket.yml", "bust.ticket.yaml", "bust.ticket.yml"]


@pytest.mark.parametrize("number", range(len(ORDER)))
def test_the_most_exact_name_wins(tmp_path: Path, number: int) -> None:
    scan = tmp_path / "bust.ply"
    scan.touch()
    assert ticket_beside(scan) is None
    for name in ORDER[number:]:
        (tmp_path / name).touch()
    assert ticket_beside(scan) == tmp_path / ORDER[number]


def test_a_folder_may_hold_its_ticket_but_one_beside_it_wins(tmp_path: Path) -> None:
    scan = tmp_path / "bust"
    scan.mkdir()
    (scan / "any.ticket.yaml").touch()
    assert ticket_beside(scan) == scan / "any.ticket.yaml"
    (tmp_path / "bust.ticket.yaml").touch()
    assert ticket_beside(scan) == tmp_path / "bust.ticket.yaml"
    (tmp_path / "bust.ticket.yaml").unlink()
    (scan / "another.ticket.yaml").touch()
    assert ticket_beside(scan) is None, "of two nobody knows which is meant"
