"""The ledger: a chain that says where it was broken, and that a power cut cannot break."""

from __future__ import annotations

import hashlib
import json
import os
from itertools import pairwise
from pathlib import Path

import pytest
from fettlebox.traveler.canonical import sha256
from fettlebox.traveler.ledger import FIRST, HEAD, Entry, Ledger, entry_from


def add(ledger: Ledger, job: str, event: str = "done", **files: str) -> Entry:
    return ledger.append(
        event, job=job, state="done", time="2026-01-01T00:00:00.000Z", folder=f"outbox/{job}", files=files
    )


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger(tmp_path)


def test_sha256_is_that_of_fips_180_4() -> None:
    # FIPS 180-4, example "abc".
    assert sha256(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_each_entry_holds_the_digest_of_the_one_before(ledger: Ledger) -> None:
    entries = [add(ledger, name, part="ü" * 3) for name in ("a", "b", "c")]
    assert [entry.number for entry in entries] == [1, 2, 3]
    before = FIRST
    for line in ledger.path.read_text("utf-8").splitlines():
        values = json.loads(line)
        assert values["before"] == before
        own = values.pop("digest")
        # RFC 8785 by other means: sorted keys, no blanks; true for these values, which have no numbers
        # but integers and no keys beyond ASCII.
        text = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        before = hashlib.sha256(text.encode()).hexdigest()
        assert own == before
    assert ledger.head() == (3, before)


@pytest.mark.parametrize("cut", [1, 40, 200])
def test_a_torn_last_line_is_cut_off_by_the_next_entry(ledger: Ledger, cut: int) -> None:
    add(ledger, "a")
    whole = ledger.path.read_bytes()
    head = (ledger.folder / HEAD).read_bytes()
    add(ledger, "b")
    ledger.path.write_bytes(ledger.path.read_bytes()[:-cut])
    (ledger.folder / HEAD).write_bytes(head)  # the head is written after the line
    again = add(ledger, "b")
    assert again.number == 2
    assert ledger.path.read_bytes() == whole + again.line()
    assert ledger.head() == (2, again.digest)


def test_a_ledger_that_is_one_torn_line_starts_anew(ledger: Ledger) -> None:
    entry = add(ledger, "a")
    ledger.path.write_bytes(entry.line()[:30])
    (ledger.folder / HEAD).unlink()
    assert add(ledger, "a").number == 1
    assert len(ledger.lines()) == 1


def test_a_head_that_is_one_entry_behind_is_moved_on(ledger: Ledger) -> None:
    add(ledger, "a")
    head = (ledger.folder / HEAD).read_bytes()
    add(ledger, "b")
    (ledger.folder / HEAD).write_bytes(head)
    last = add(ledger, "c")
    assert ledger.head() == (3, last.digest)


def test_a_head_that_tells_of_lost_entries_stays(ledger: Ledger) -> None:
    entries = [add(ledger, name) for name in ("a", "b", "c")]
    ledger.path.write_bytes(entries[0].line())
    for name in "xyz":
        add(ledger, name)
    assert ledger.head() == (3, entries[2].digest)


def test_an_entry_longer_than_what_is_read_at_once_is_chained_too(ledger: Ledger) -> None:
    many = {f"textures/{number:05}.png": "0" * 64 for number in range(3000)}
    first = ledger.append("done", job="a", state="done", time="t", folder="outbox/a", files=many)
    assert len(first.line()) > 1 << 17
    assert add(ledger, "b").before == first.digest


def test_entries_are_on_the_disk_before_the_call_returns(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: list[int] = []
    real = os.fsync

    def note(handle: int) -> None:
        real(handle)
        flushed.append(ledger.path.stat().st_size)

    monkeypatch.setattr(os, "fsync", note)
    entry = add(ledger, "a")
    assert len(entry.line()) in flushed


def test_a_full_disk_leaves_the_ledger_as_it_was(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    add(ledger, "a")
    before = ledger.path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        add(ledger, "b")
    assert ledger.path.read_bytes() == before


def test_two_processes_never_write_the_same_number(ledger: Ledger) -> None:
    add(ledger, "a")
    children = []
    for name in ("b", "c", "d", "e"):
        child = os.fork()
        if child == 0:
            try:
                for _ in range(10):
                    add(Ledger(ledger.folder.parent), name)
            finally:
                os._exit(0)
        children.append(child)
    for child in children:
        os.waitpid(child, 0)
    entries = [entry_from(line) for line in ledger.lines()]
    assert [entry.number for entry in entries] == list(range(1, 42))
    assert all(entry.before == last.digest for last, entry in pairwise(entries))


@pytest.mark.parametrize(
    "line", [b"", b"\n", b"[]\n", b"{}\n", b"null\n", b"\xff\n", b'{"number": 1}\n', b"[" * 5000]
)
def test_what_is_no_entry_is_said_to_be_none(line: bytes) -> None:
    with pytest.raises(ValueError, match="is not"):
        entry_from(line)
