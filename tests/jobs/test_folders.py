from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs.atomic import is_no_room, move_without_replacing, write_whole
from fettlebox.jobs.folders import (
    Card,
    claim,
    delivered_names,
    find_delivered,
    free_name,
    give_back,
    job_base,
    plain_stem,
    read_card,
)
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store
from hypothesis import given
from hypothesis import strategies as st


def test_a_card_survives_a_round_trip(tmp_path: Path, make_card: Callable[..., Card]) -> None:
    card = make_card(scan="\udcff\x1bß.stl", order="A-1", state=State.HELD, reason="a\nb")
    (tmp_path / "job.json").write_bytes(card.to_json())
    assert read_card(tmp_path) == card
    assert card.to_json().isascii()


def test_a_card_of_a_later_version_can_be_read(tmp_path: Path, make_card: Callable[..., Card]) -> None:
    data = json.loads(make_card().to_json()) | {"new_thing": 1}
    (tmp_path / "job.json").write_text(json.dumps(data))
    assert read_card(tmp_path) == make_card()


def test_a_claim_that_fails_leaves_the_inbox_as_it_was(store: Store, make_card: Callable[..., Card]) -> None:
    ticket = store.shop.inbox / "bust.stl.ticket.yaml"
    ticket.write_text("order: 1\n")
    card = make_card(ticket=ticket.name)
    with pytest.raises(FileNotFoundError):
        claim(store.shop, card, store.shop.inbox / "bust.stl", ticket)
    assert ticket.read_text() == "order: 1\n"
    assert not list(store.shop.work.iterdir())


def test_what_is_given_back_hides_nothing(store: Store, accept: Callable[..., Card]) -> None:
    card = accept()
    (store.shop.inbox / "bust.stl").write_text("another scan of that name")
    give_back(store.shop, store.shop.work / card.job, card)
    contents = sorted(path.read_text() for path in store.shop.inbox.iterdir())
    assert contents == ["another scan of that name", "scan of 0123456789ab"]


def test_two_jobs_of_one_name_both_have_a_folder(store: Store, finish: Callable[..., Path]) -> None:
    folders = {finish(job) for job in ("0123456789ab", "0123456789ac", "0123456789ab-2", "ffffffffffff")}
    assert len(folders) == 4
    found = find_delivered(store.shop, ["0123456789ab", "0123456789ac", "0123456789ab-2", "nobody"])
    assert len(found) == 3 and {path for _, path in found.values()} < folders


def test_a_delivery_that_failed_after_the_rename_can_be_done_again(
    store: Store, begin: Callable[..., Begun], monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = begin()
    with monkeypatch.context() as patch:
        patch.setattr(store.spool, "move", _no_room)
        with pytest.raises(OSError, match="full"):
            store.finish(begun, State.DONE, None)
    ended = store.finish(begun, State.DONE, None)
    row = store.spool.get(begun.card.job)
    assert row is not None and row.state is State.DONE and store.shop.root / row.folder == ended.folder


def _no_room(*args: object, **kwargs: object) -> None:
    raise OSError(errno.ENOSPC, "full")


def test_another_disk_is_found_out_at_the_start(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rename = Path.rename

    def across(self: Path, target: Path) -> Path:
        if "outbox" in str(target):
            raise OSError(errno.EXDEV, "cross-device")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", across)
    with pytest.raises(UsageError, match="on another disk"):
        store.shop.check_one_file_system()
    assert not list(store.shop.work.iterdir())


def test_a_real_other_file_system_is_found_out(store: Store) -> None:
    memory = Path("/dev/shm")
    if not memory.is_dir() or memory.stat().st_dev == store.shop.root.stat().st_dev:
        pytest.skip("no second file system here")
    store.shop.check_one_file_system()
    outside = memory / f"fettlebox-{os.getpid()}"
    outside.mkdir()
    try:
        store.shop.place(State.DONE).rmdir()
        store.shop.place(State.DONE).symlink_to(outside)
        with pytest.raises(UsageError, match="on another disk"):
            store.shop.check_one_file_system()
    finally:
        for left in outside.iterdir():
            left.rmdir()
        outside.rmdir()


@pytest.mark.parametrize("folder", [False, True])
def test_a_move_never_overwrites(tmp_path: Path, folder: bool) -> None:
    source, target = tmp_path / "a", tmp_path / "b"
    for path in (source, target):
        if folder:
            path.mkdir()
        else:
            path.write_text(path.name)
    with pytest.raises(FileExistsError):
        move_without_replacing(source, target)
    assert source.exists() and (folder or target.read_text() == "b")
    move_without_replacing(source, tmp_path / "c")
    assert not source.exists() and (tmp_path / "c").exists()


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x"
    write_whole(path, b"old")
    monkeypatch.setattr(os, "fsync", _no_room)
    with pytest.raises(OSError, match="full") as caught:
        write_whole(path, b"new")
    assert is_no_room(caught.value)
    assert path.read_bytes() == b"old"


def test_the_writer_does_not_follow_a_planted_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / "x.tmp").symlink_to(victim)
    with pytest.raises(OSError):
        write_whole(tmp_path / "x", b"new")
    assert victim.read_text() == "precious"


@given(st.binary(min_size=1, max_size=255).filter(lambda name: b"/" not in name and b"\0" not in name))
def test_any_name_gives_a_folder_name_that_is_harmless(name: bytes) -> None:
    stem = plain_stem(os.fsdecode(name), 200)
    assert 0 < len(stem.encode("utf-8")) <= 200
    assert stem.isprintable() or not any(ord(c) < 0xA0 for c in stem if not c.isprintable())
    assert not set('/\\:*?"<>|') & set(stem) and stem not in (".", "..")


def test_a_name_of_the_greatest_length_still_has_neighbours(tmp_path: Path) -> None:
    name = "ü" * 125 + ".stl"
    (tmp_path / name).touch()
    other = free_name(tmp_path, name)
    other.touch()
    assert other.name.endswith(" (2).stl") and len(os.fsencode(other.name)) <= 255


def test_the_name_in_the_outbox_has_eight_digits_and_the_running_number(
    make_card: Callable[..., Card],
) -> None:
    assert delivered_names(make_card("0123456789ab-2"))[0] == "bust.01234567-2"


def test_ids_depend_on_scan_recipe_and_ticket_and_on_nothing_else() -> None:
    ids = {job_base(a, b, c) for a in "12" for b in "12" for c in "12"}
    assert len(ids) == 8 and all(len(one) == 12 for one in ids)
    assert job_base("1", "1", "1") == job_base("1", "1", "1")


def test_a_reason_is_readable_and_the_original_untouched(finish: Callable[..., Path]) -> None:
    folder = finish(state=State.REJECTED)
    assert (folder / "reason.txt").read_text() == "because\n"
    assert (folder / "original" / "bust.stl").read_text() == "scan of 0123456789ab"
    card = read_card(folder)
    assert card is not None and card.sealed and replace(card, state=State.QUEUED).sealed is False


def test_every_file_and_folder_is_waited_for_whatever_was_only_hinted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fast way is a hint; the guarantee is an fsync of each, and of a folder after what it holds."""
    from fettlebox.jobs import atomic

    for name in ("a", "in/b", "in/deep/c", "job.json"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    synced: list[str] = []
    real = os.fsync

    def note(handle: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()).removeprefix(f"{tmp_path}"))
        real(handle)

    monkeypatch.setattr(os, "fsync", note)
    atomic.sync_tree(tmp_path, skip="job.json")
    assert sorted(synced) == ["", "/a", "/in", "/in/b", "/in/deep", "/in/deep/c"]
    assert synced.index("/in/deep/c") < synced.index("/in/deep") < synced.index("/in") < synced.index("")
