"""The audit finds one changed byte anywhere, and names the entry that tells of it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs import discard, faults, release, retry
from fettlebox.jobs.audit import Audit, Finding, audit_shop
from fettlebox.jobs.recovery import recover
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store
from fettlebox.traveler.ledger import HEAD, Ledger
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

JOBS = ["0" * 12, "1" * 12, "2" * 12, "3" * 12]


@pytest.fixture
def shop(store: Store, finish: Callable[..., Path]) -> Path:
    """Entries 1–4: done, held, rejected, held; 5: the last is released; 6 and 7: one more, discarded."""
    for job, state in zip(JOBS, (State.DONE, State.HELD, State.REJECTED, State.HELD), strict=True):
        finish(job, state)
    release(store.shop.root, JOBS[3])
    finish("4" * 12, State.DONE)
    discard(store.shop.root, "4" * 12)
    return store.shop.root


def one(audit: Audit) -> Finding:
    assert len(audit.findings) == 1, [str(finding) for finding in audit.findings]
    return audit.findings[0]


def test_an_untouched_shop_is_clean(shop: Path) -> None:
    audit = audit_shop(shop)
    assert audit.clean, [str(finding) for finding in audit.findings]
    assert (audit.entries, audit.jobs, audit.discarded) == (7, 4, 1)
    assert audit.head == Ledger(shop).head()[1]  # type: ignore[index]


def test_what_is_no_shop_is_not_audited(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a shop"):
        audit_shop(tmp_path)


ENTRY_OF = {"outbox/bust.00000000": 1, "hold/bust.11111111": 2, "rejects/bust.22222222": 3,
            "outbox/bust.33333333": 5}  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_flipped_bit_in_a_folder_is_found_and_named(shop: Path, data: st.DataObject) -> None:
    files = sorted(
        p for place in ("outbox", "hold", "rejects") for p in (shop / place).rglob("*") if p.is_file()
    )
    assert len(files) >= 12
    path = data.draw(st.sampled_from(files))
    content = path.read_bytes()
    at = data.draw(st.integers(0, len(content) - 1))
    bit = data.draw(st.integers(0, 7))
    changed = bytearray(content)
    changed[at] ^= 1 << bit
    path.write_bytes(changed)
    try:
        finding = one(audit_shop(shop))
    finally:
        path.write_bytes(content)
    name = path.relative_to(shop).as_posix()
    assert finding.file == name
    assert finding.entry == ENTRY_OF["/".join(name.split("/")[:2])]
    assert finding.expected != finding.found
    assert len(finding.expected) == len(finding.found) == 64


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_flipped_bit_in_the_ledger_is_found_at_its_entry(shop: Path, data: st.DataObject) -> None:
    path = Ledger(shop).path
    content = path.read_bytes()
    at = data.draw(st.integers(0, len(content) - 1))
    changed = bytearray(content)
    changed[at] ^= 1 << data.draw(st.integers(0, 7))
    path.write_bytes(changed)
    try:
        findings = audit_shop(shop).findings
    finally:
        path.write_bytes(content)
    assert findings[0].file == "ledger/ledger.jsonl"
    assert findings[0].entry == content[:at].count(b"\n") + 1


def test_a_changed_head_is_found(shop: Path) -> None:
    head = shop / "ledger" / HEAD
    for text in ("7 " + "0" * 64, "6 " + "0" * 64, "x", "", "99 " + "0" * 64):
        head.write_text(text)
        assert not audit_shop(shop).clean, text
    head.unlink()
    assert one(audit_shop(shop)).file == "ledger/head"


def lines_of(shop: Path) -> list[bytes]:
    return Ledger(shop).lines()


def write(shop: Path, lines: list[bytes]) -> None:
    Ledger(shop).path.write_bytes(b"".join(lines))


@pytest.mark.parametrize("index", range(6))
def test_a_deleted_entry_is_missed_where_it_stood(shop: Path, index: int) -> None:
    lines = lines_of(shop)
    write(shop, lines[:index] + lines[index + 1 :])
    first = audit_shop(shop).findings[0]
    assert (first.entry, first.file) == (index + 1, "ledger/ledger.jsonl")
    assert first.expected == f"entry number {index + 1} on line {index + 1}"


@pytest.mark.parametrize("kept", range(7))
def test_entries_cut_off_at_the_end_are_missed(shop: Path, kept: int) -> None:
    write(shop, lines_of(shop)[:kept])
    said = [f for f in audit_shop(shop).findings if f.file == "ledger/ledger.jsonl"]
    assert said and "7 entries" in said[-1].expected


@pytest.mark.parametrize(("one_", "other"), [(0, 1), (2, 5), (0, 6)])
def test_swapped_entries_are_found_at_the_first(shop: Path, one_: int, other: int) -> None:
    lines = lines_of(shop)
    lines[one_], lines[other] = lines[other], lines[one_]
    write(shop, lines)
    assert audit_shop(shop).findings[0].entry == one_ + 1


@pytest.mark.parametrize("index", range(7))
def test_a_doubled_entry_is_found(shop: Path, index: int) -> None:
    lines = lines_of(shop)
    write(shop, [*lines[: index + 1], lines[index], *lines[index + 1 :]])
    assert audit_shop(shop).findings[0].entry == index + 2


def test_a_torn_last_line_is_found(shop: Path) -> None:
    path = Ledger(shop).path
    path.write_bytes(path.read_bytes()[:-5])
    first = audit_shop(shop).findings[0]
    assert first.entry == 7 and "cut off" in first.found


def test_an_entry_made_anew_with_its_digest_is_found_by_the_next(shop: Path) -> None:
    from dataclasses import replace

    from fettlebox.traveler.ledger import entry_from

    lines = lines_of(shop)
    forged = replace(entry_from(lines[2]), state="done").sealed()
    write(shop, [*lines[:2], forged.line(), *lines[3:]])
    first = audit_shop(shop).findings[0]
    assert first.entry == 4 and first.found != forged.digest and forged.digest in first.expected


def test_missing_and_added_files_are_named(shop: Path) -> None:
    folder = shop / "outbox" / "bust.00000000"
    (folder / "part.bin").unlink()
    (folder / "original" / "added.bin").write_text("x")
    found = {finding.file: finding for finding in audit_shop(shop).findings}
    assert set(found) == {"outbox/bust.00000000/part.bin", "outbox/bust.00000000/original/added.bin"}
    assert found["outbox/bust.00000000/part.bin"].found == "no such file"
    assert found["outbox/bust.00000000/original/added.bin"].expected == "no such file"


def test_a_link_in_place_of_a_file_is_found(shop: Path) -> None:
    part = shop / "outbox" / "bust.00000000" / "part.bin"
    copy = shop / "copy.bin"
    part.rename(copy)
    part.symlink_to(copy)
    assert one(audit_shop(shop)).found.startswith("link")


def test_a_folder_that_is_gone_moved_or_strange_is_found(shop: Path) -> None:
    shutil.rmtree(shop / "rejects" / "bust.22222222")
    assert one(audit_shop(shop)).entry == 3
    (shop / "hold" / "bust.11111111").rename(shop / "outbox" / "bust.11111111")
    (shop / "outbox" / "stray.stl").write_text("solid")
    shutil.copytree(shop / "outbox" / "bust.00000000", shop / "outbox" / "bust.copy")
    files = {finding.file: finding for finding in audit_shop(shop).findings}
    assert set(files) == {
        "rejects/bust.22222222", "hold/bust.11111111", "outbox/bust.11111111", "outbox/stray.stl",
        "outbox/bust.copy",
    }  # fmt: skip
    assert files["outbox/bust.11111111"].expected == "hold/bust.11111111"
    assert files["outbox/bust.copy"].entry == 1


def test_every_act_at_the_desk_leaves_a_clean_shop(
    store: Store, shop: Path, finish: Callable[..., Path]
) -> None:
    retry(shop, JOBS[1])
    audit = audit_shop(shop)
    assert audit.clean and (audit.entries, audit.jobs) == (8, 3)
    row = store.spool.get(JOBS[1])
    assert row is not None
    begun = store.begin(row)
    assert begun is not None
    store.finish(begun, State.DONE, None)
    assert audit_shop(shop).clean
    events = [(entry.job[0], entry.event) for entry in Ledger(shop).entries()]
    assert events == [("0", "done"), ("1", "held"), ("2", "rejected"), ("3", "held"), ("3", "released"),
                      ("4", "done"), ("4", "discarded"), ("1", "retried"), ("1", "done")]  # fmt: skip
    entries = list(Ledger(shop).entries())
    assert entries[6].files == entries[5].files, "a discard keeps the digests"
    assert set(entries[7].files) == {"original/bust.stl"}
    assert entries[4].folder == "outbox/bust.33333333"


class PowerCut(Exception):  # noqa: N818 - it is an event
    pass


@pytest.fixture
def cut_at(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str | None], None]]:
    def arm(point: str | None) -> None:
        def hook(reached: str) -> None:
            if reached == point:
                raise PowerCut(point)

        monkeypatch.setattr(faults, "hook", hook if point else None)

    yield arm


@pytest.mark.parametrize("point", ["sealed", "delivered", "entered", "closed"])
def test_an_end_that_was_cut_off_is_entered_once(
    store: Store, begin: Callable[..., Begun], cut_at: Callable[[str | None], None], point: str
) -> None:
    begun = begin()
    cut_at(point)
    with pytest.raises(PowerCut):
        store.finish(begun, State.DONE, None)
    cut_at(None)
    for _ in range(2):
        recover(store, 3)
        assert [entry.event for entry in Ledger(store.shop.root).entries()] == ["done"]
        assert audit_shop(store.shop.root).clean


@pytest.mark.parametrize("act", [release, retry, discard])
def test_an_act_whose_entry_is_missing_is_entered_at_the_start(
    store: Store, finish: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, act: Callable[..., str]
) -> None:
    from fettlebox.jobs import desk, retention

    finish(state=State.HELD)
    with monkeypatch.context() as patch:
        for module, name in ((desk, "enter_end"), (desk, "enter_retry"), (retention, "enter_gone")):
            patch.setattr(module, name, lambda *args, **more: None)
        act(store.shop.root, "0123")
    assert len(lines_of(store.shop.root)) == 1
    for _ in range(2):
        recover(store, 3)
        events = [entry.event for entry in Ledger(store.shop.root).entries()]
        assert events == ["held", {release: "released", retry: "retried", discard: "discarded"}[act]]
    assert audit_shop(store.shop.root).clean


def test_a_shop_older_than_its_ledger_gets_one(store: Store, finish: Callable[..., Path]) -> None:
    finish("0" * 12)
    finish("1" * 12, State.REJECTED)
    shutil.rmtree(store.shop.root / "ledger")
    assert len(recover(store, 3)) == 2
    assert audit_shop(store.shop.root).clean


def test_a_name_that_is_no_text_is_entered_and_found(store: Store, begin: Callable[..., Begun]) -> None:
    begun = begin()
    strange = os.fsencode(begun.folder) + b"/part \xff.bin"
    with open(strange, "wb") as file:  # noqa: PTH123 - a name of bytes
        file.write(b"x")
    folder = store.finish(begun, State.DONE, None).folder
    assert audit_shop(store.shop.root).clean
    with open(os.fsencode(folder) + b"/part \xff.bin", "wb") as file:  # noqa: PTH123
        file.write(b"y")
    assert one(audit_shop(store.shop.root)).file.endswith("//" + b"part \xff.bin".hex())
