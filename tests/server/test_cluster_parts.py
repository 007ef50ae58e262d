"""What head and workers of a cluster say to each other, and which worker suits a job: without Dask."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from fettlebox.cluster.address import require_address
from fettlebox.cluster.bundle import NotBundledError, TornError, pack, unpack
from fettlebox.cluster.roster import Roster, Seen, seen_in
from fettlebox.cluster.terms import PROCESSOR, difference, terms_here
from fettlebox.cluster.wire import Reply, read_reply
from fettlebox.errors import UsageError
from fettlebox.pool import Needs
from hypothesis import given, settings
from hypothesis import strategies as st


@pytest.fixture
def results(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    for name in ("original", "pictures", "empty"):
        (folder / name).mkdir(parents=True)
    (folder / "original" / "scan.stl").write_bytes(b"scan")
    (folder / "job.json").write_text("{}")
    (folder / "part.stl").write_bytes(bytes(range(256)) * 40)
    (folder / "pictures" / "größe.png").write_bytes(b"png")
    (folder / "nothing").touch()
    return folder


def tree(folder: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


def test_a_bundle_brings_every_file_and_folder(results: Path, tmp_path: Path) -> None:
    bundle = pack({"": results}, leave_out=("original", "job.json"))
    assert bundle == pack({"": results}, leave_out=("original", "job.json"))
    unpack(bundle, tmp_path / "there", refused=("original", "job.json"))
    whole = tree(results)
    assert tree(tmp_path / "there") == {
        name: data for name, data in whole.items() if not name.startswith(("original", "job.json"))
    }


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_a_bundle_that_is_damaged_anywhere_writes_nothing(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("damage")
    (folder / "a").mkdir()
    (folder / "a" / "part.stl").write_bytes(b"solid" * 20)
    bundle = bytearray(pack({"": folder}))
    if data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(bundle) - 1))
        bundle[at] ^= data.draw(st.integers(1, 255))
    else:
        bundle = bundle[: data.draw(st.integers(0, len(bundle) - 1))]
    into = folder / "into"
    try:
        unpack(bytes(bundle), into)
    except TornError:
        assert not into.exists()
    else:  # a flipped bit in a name makes another name; the answer's own digest covers that
        assert [one for one in tree(into).values() if one is not None] == [b"solid" * 20]


@pytest.mark.parametrize(
    "name",
    ["../out", "/etc/passwd", "a/../../out", "", "a//b", ".", "original/scan.stl", "job.json", 3, "a\0"],
)
def test_a_bundle_writes_nowhere_else(tmp_path: Path, name: object) -> None:
    import json

    header = json.dumps({"files": [[name, 1, hashlib.sha256(b"x").hexdigest()]], "folders": []}).encode()
    bundle = b"fettlebox bundle 1\n" + len(header).to_bytes(8, "big") + header + b"x"
    with pytest.raises(TornError):
        unpack(bundle, tmp_path / "into", refused=("original", "job.json"))
    assert not list(tmp_path.iterdir())


def test_links_and_pipes_are_not_sent(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("/etc/passwd")
    with pytest.raises(NotBundledError, match="'link' is a link"):
        pack({"": tmp_path})
    (tmp_path / "link").unlink()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(NotBundledError, match="'pipe' is a pipe"):
        pack({"": tmp_path})


def test_a_reply_comes_whole_or_not_at_all() -> None:
    reply = Reply("answered", seconds=1.5, state="done", reason="ä\udcff", host="here")
    data = reply.to_bytes(b"bundle")
    assert read_reply(data) == (reply, b"bundle")
    for torn in (
        data[:-1],
        data + b"x",
        data[:40],
        b"",
        b"{}\n",
        b"[]\n",
        data.replace(b"bundle", b"bundel"),
    ):
        with pytest.raises(TornError):
            read_reply(torn)
    for strange in (None, "text", Reply("done").to_bytes(), Reply("failed", state=3).to_bytes()):  # type: ignore[arg-type]
        with pytest.raises(TornError):
            read_reply(strange)


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("three", "expected a number, or the address of a Dask scheduler"),
        ("-3.5", "expected a number"),
        ("http://scheduler:8786", "expected a number"),
        ("tls://scheduler", "expected a number"),
        ("tcp://:8786", "expected a number"),
        ("tcp://scheduler:x", "expected a number"),
        ("tcp://scheduler:8786", "scans are faces"),
        ("tcp://10.0.0.7:8786", "unencrypted: true"),
        ("tcp://[2001:db8::1]:8786", "unencrypted: true"),
    ],
)
def test_scans_go_encrypted_or_not_at_all(address: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        require_address(address, unencrypted=False)


@pytest.mark.parametrize(
    "address", ["tls://scheduler:8786", "tcp://127.0.0.1:1", "tcp://localhost:1", "tcp://[::1]:1"]
)
def test_these_addresses_will_do(address: str) -> None:
    require_address(address, unencrypted=False)
    require_address("tcp://scheduler:8786", unencrypted=True)


def test_terms_name_versions_and_code_without_importing_a_plugin() -> None:
    code = (
        "import sys\nfrom fettlebox.cluster.terms import terms_here\nterms = terms_here()\n"
        "assert 'fettlebox_steps' not in sys.modules and 'distributed' not in sys.modules\n"
        "print(terms['numpy'], terms['code of fettlebox_steps'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    import fettlebox_steps
    import numpy as np

    sha = hashlib.sha256()
    root = Path(fettlebox_steps.__path__[0])
    for path in sorted(root.rglob("*.py")):
        sha.update(f"{path.relative_to(root)}\0".encode() + path.read_bytes())
    assert done.stdout.split() == [np.__version__, sha.hexdigest()]


def test_what_differs_is_named_and_code_last() -> None:
    ours = terms_here()
    assert difference(ours, dict(ours)) is None
    theirs = {**ours, "numpy": "1.0", "plugin keel": "2", "code of fettlebox_steps": "x"}
    del theirs["scipy"]
    assert difference(ours, theirs) == (
        f"it has numpy 1.0 where the server has {ours['numpy']}; it has plugin keel, which the server lacks; "
        "it lacks scipy; its code of fettlebox_steps is not the server's"
    )
    assert (difference(ours, {}) or "").endswith(f"and {len(ours) - 4} more differ")


def test_processors_are_compared_only_where_the_server_says_its_own() -> None:
    ours = terms_here()
    assert PROCESSOR not in ours and difference(ours, {**ours, PROCESSOR: "another"}) is None
    strict = {**ours, PROCESSOR: "x86_64 with avx, fma"}
    assert difference(strict, dict(strict)) is None
    assert difference(strict, {**ours, PROCESSOR: "x86_64 with avx"}) == "its processor lacks fma"
    assert difference(strict, ours) == "its processor is unknown where the server's is x86_64"


GPU = Needs(frozenset({"gpu"}), 2000.0)
PLAIN = Needs(frozenset(), 2000.0)


def roster_of(*workers: Seen, scheme: str = "tls") -> Roster:
    roster = Roster(scheme)
    for address in roster.update({one.address: one for one in workers}, 0.0):
        roster.let_in(address)
    return roster


def test_workers_are_read_from_what_a_scheduler_tells() -> None:
    told = {"nthreads": 2, "memory_limit": 8e9, "resources": {"gpu": 1}, "status": "running"}
    info = {"workers": {"tls://a:1": told, "tls://b:1": {**told, "status": "paused"}}}
    seen = seen_in(info)
    assert seen["tls://a:1"] == Seen("tls://a:1", 2, 8e9, {"gpu": 1}) and not seen["tls://b:1"].running
    roster = roster_of(*seen.values())
    assert roster.fit(GPU) == [seen["tls://a:1"]] and roster.restriction(roster.fit(GPU)) == ["tls://a:1"]


def test_a_worker_suits_by_its_tags_and_its_memory() -> None:
    small, big = Seen("tls://a:1", 1, 1e9), Seen("tls://b:1", 2, 8e9, {"gpu": 1.0})
    roster = roster_of(small, big)
    assert roster.fit(PLAIN) == roster.fit(GPU) == [big]
    assert roster.slots == 3 and roster.on_hosts == {"a": 1, "b": 2}
    assert roster.restriction([big]) is None and roster.resources(GPU) == {"gpu": 1.0}
    assert roster.why_none(GPU) is None
    roster = roster_of(small, Seen("tls://b:1", 2, 8e9, {"memory": 1.5e9}))
    assert roster.why_none(PLAIN) == "waits for a worker with 2.0 GB of memory: none has more than 1.5 GB"
    assert roster.resources(PLAIN) == {"memory": 2e9}
    assert roster_of(small).why_none(GPU) == "waits for a worker that has gpu: none of 1 has"
    assert roster_of().why_none(GPU) == "waits for a worker: the cluster has none now"
    assert roster_of(Seen("tls://a:1", 1, 0)).fit(PLAIN), "no limit is no limit"


def test_only_workers_with_equal_terms_get_jobs_and_no_plain_ones() -> None:
    good, bad, plain = Seen("tls://a:1", 1, 8e9), Seen("tls://b:1", 1, 8e9), Seen("tcp://c:1", 1, 8e9)
    roster = Roster("tls")
    seen = {one.address: one for one in (good, bad, plain)}
    assert roster.update(seen, 0.0) == [good.address, bad.address]
    assert not roster.fit(PLAIN)
    roster.let_in(good.address)
    assert roster.refuse(bad.address, "it has numpy 1.0") and not roster.refuse(
        bad.address, "it has numpy 1.0"
    )
    assert roster.fit(PLAIN) == [good] and roster.restriction([good]) == [good.address]
    assert not roster.may_scout(GPU), "it could be given to a worker that was refused"
    roster.update({one.address: one for one in (bad, plain)}, 1.0)
    why = str(roster.why_none(PLAIN))
    assert "none of 2 can be used" in why and "numpy 1.0" in why and "tcp, unencrypted" in why
    assert roster.update({bad.address: bad}, 2.0) == [], "it is the same worker still"
    roster.update({}, 3.0)
    assert roster.update({bad.address: bad}, 4.0) == [bad.address], "it was begun anew"


def test_a_worker_whose_disk_was_full_is_tried_again() -> None:
    one = Seen("tls://a:1", 1, 8e9)
    roster = roster_of(one)
    roster.refuse(one.address, "its disk is full", until=60.0)
    roster.update({one.address: one}, 59.0)
    assert not roster.fit(PLAIN)
    roster.update({one.address: one}, 60.0)
    assert roster.fit(PLAIN) == [one]


def test_a_job_that_nobody_suits_is_shown_to_a_cluster_that_may_grow() -> None:
    assert roster_of().may_scout(PLAIN) and roster_of().may_scout(GPU)
    small = roster_of(Seen("tls://a:1", 1, 1e9))
    assert small.may_scout(GPU) and not small.may_scout(PLAIN), "it would be given to the small one"


@pytest.mark.parametrize("arguments", [["serve", "--help"], ["steps"], ["--help"]])
def test_nothing_of_dask_is_loaded_unless_a_cluster_is_asked_for(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom fettlebox.cli import app\nimport fettlebox.server\n"
        f"try:\n    app({arguments!r})\nexcept SystemExit:\n    pass\n"
        "assert not {'dask', 'distributed'} & sys.modules.keys()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
