"""What a job made half-way is kept for the next one of its scan, changes no result, and goes with it."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
import trimesh
from fettlebox.housekeeping import Housekeeping
from fettlebox.jobs.desk import discard, list_jobs, retry
from fettlebox.jobs.folders import ShopFolders
from fettlebox.jobs.rules import Rules
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.store import Store
from fettlebox.server import serve
from fettlebox.step_cache import make_room
from fettlebox.traveler.writing import read_traveler

RECIPE = """\
recipe: plain
about: For tests.
steps:
  - units: {{expect: {{height: 76 mm}}}}
  - repair
  - scale: {{longest: {longest} mm}}
  - gate: {{height: {{below: 5 mm}}}}
deliver: [stl]
"""


def test_a_job_with_other_wishes_begins_where_they_begin_and_its_part_is_the_same(
    make_shop: Callable[..., Path],
) -> None:
    shop = make_shop(time="60 s")
    ball = trimesh.creation.icosphere(subdivisions=3, radius=40.0)
    ball.update_faces(ball.triangles_center[:, 2] > -36)
    recipe = shop / "recipes" / "plain.yaml"
    digests = {}
    for longest in (50, 60):
        recipe.write_text(RECIPE.format(longest=longest))
        if longest == 50:
            ball.export(shop / "inbox" / "ball.stl")
        else:
            retry(shop, list_jobs(shop)[0].id)
        serve(shop, once=True)
        (row,) = list_jobs(shop)
        assert row.state == "held", row.reason
        record = read_traveler(shop / row.folder)
        digests[longest] = [step.part_out for step in record.steps]
        # The gate asks a person each time: what ends in a question is nothing that could be kept.
        assert record.timing.get("reused") == (None if longest == 50 else ["units", "repair"])
    assert digests[50][:2] == digests[60][:2] and digests[50][2] != digests[60][2]

    kept = ShopFolders(shop).kept_steps_of(row.digest)
    assert kept.stat().st_mode & 0o077 == 0 and len(list(kept.glob("*.npz"))) == 4
    (shop / "shop.yaml").write_text((shop / "shop.yaml").read_text() + "keep steps: 0 GB\n")
    retry(shop, row.id)
    serve(shop, once=True)
    (row,) = list_jobs(shop)
    fresh = read_traveler(shop / row.folder)
    assert "reused" not in fresh.timing and [step.part_out for step in fresh.steps] == digests[60]
    assert not list(kept.glob("*.npz")), "a shop that keeps none keeps none"


def test_discarding_a_job_deletes_what_was_kept_of_its_scan(make_shop: Callable[..., Path]) -> None:
    shop = make_shop(time="60 s")
    (shop / "recipes" / "plain.yaml").write_text(RECIPE.format(longest=50))
    trimesh.creation.box((40, 40, 76)).export(shop / "inbox" / "box.stl")
    serve(shop, once=True)
    (row,) = list_jobs(shop)
    kept = ShopFolders(shop).kept_steps_of(row.digest)
    other = ShopFolders(shop).kept_steps_of("another")
    other.mkdir()
    assert list(kept.glob("*.npz"))
    discard(shop, row.id)
    assert not kept.exists() and other.exists()


def test_room_is_made_by_age_then_by_size(tmp_path: Path) -> None:
    now = 1_000_000.0
    for number in range(6):
        place = tmp_path / f"scan-{number % 3}"
        place.mkdir(exist_ok=True)
        path = place / f"{number}.npz"
        path.write_bytes(b"x" * 1000)
        os.utime(path, (now - 100 * number, now - 100 * number))

    def left() -> list[str]:
        return sorted(path.name for path in tmp_path.glob("*/*.npz"))

    make_room(tmp_path, 1e6, 450.0, now)
    assert left() == ["0.npz", "1.npz", "2.npz", "3.npz", "4.npz"]
    make_room(tmp_path, 2500.0, 450.0, now)
    assert left() == ["0.npz", "1.npz"]
    os.utime(tmp_path / "scan-2", (now - 10_000, now - 10_000))
    make_room(tmp_path, 2500.0, 450.0, now)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["scan-0", "scan-1"]
    make_room(tmp_path / "there is no such folder", 0.0, 0.0, now)


def test_what_a_killed_job_left_half_written_counts_and_goes(tmp_path: Path) -> None:
    now, place = 1_000_000.0, tmp_path / "scan"
    place.mkdir()
    for name, age_s in (("a.npz", 50), (".old.building", 4000), (".new.building", 100), ("b.npz", 10)):
        (place / name).write_bytes(b"x" * 1000)
        os.utime(place / name, (now - age_s, now - age_s))

    def left() -> list[str]:
        return sorted(path.name for path in place.iterdir())

    make_room(tmp_path, 1e6, 1e6, now)
    assert left() == [".new.building", "a.npz", "b.npz"]
    make_room(tmp_path, 2500.0, 1e6, now)
    assert left() == [".new.building", "b.npz"], "what is being written takes room as well"


def test_what_cannot_be_deleted_stops_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "scan").mkdir()
    for name in ("a.npz", "b.npz"):
        (tmp_path / "scan" / name).write_bytes(b"x" * 1000)
    delete = Path.unlink

    def stale(path: Path, missing_ok: bool = False) -> None:
        if path.name == "a.npz":
            raise OSError(errno.ESTALE, "Stale file handle")
        delete(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", stale)
    make_room(tmp_path, 500.0, 1e9, 0.0)
    assert [path.name for path in (tmp_path / "scan").iterdir()] == ["a.npz"]


def test_a_full_disk_empties_it_first(tmp_path: Path) -> None:
    folders = ShopFolders(tmp_path)
    folders.make()
    spool = Spool(folders.spool)
    keeping = Housekeeping(Store(folders, spool))
    rules = Rules(folders.recipes, keep_steps_mb=10.0)
    place = keeping.kept_steps_of("0" * 64, rules)
    assert place is not None
    (place / "a.npz").write_bytes(b"x")
    keeping.drop_kept_steps()
    assert not list(folders.kept_steps.iterdir())
    assert keeping.kept_steps_of("0" * 64, Rules(folders.recipes)) is None
    spool.close()


ELSEWHERE = ["", "kept-steps", "shared/.fettlebox/kept-steps"]


@pytest.mark.parametrize("elsewhere", ELSEWHERE)
@pytest.mark.parametrize("what", ["kept", "others"])
def test_a_job_reads_and_writes_only_what_was_kept_of_its_own_scan(
    tmp_path: Path, what: str, elsewhere: str
) -> None:
    """In a process of its own: a confinement cannot be taken off again. `elsewhere`: on a shared disk."""
    import subprocess
    import sys

    code = (
        "import sys; from pathlib import Path; from fettlebox.confinement import Worker\n"
        "root, what, elsewhere = Path(sys.argv[1]), *sys.argv[2:]; private = root / 'shop' / '.fettlebox'\n"
        "kept = root / elsewhere if elsewhere else private / 'kept-steps'\n"
        "job = private / 'work' / 'job'; (job / 'original').mkdir(parents=True)\n"
        "for name in ('kept', 'others'): (kept / name).mkdir(parents=True)\n"
        "worker = Worker(private, kept if elsewhere else None)\n"
        "worker.run(job, lambda: (kept / what / 'a.npz').write_text('x'), kept / 'kept')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), what, elsewhere],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode == 0) == (what == "kept"), done.stderr
    place = tmp_path / (elsewhere or "shop/.fettlebox/kept-steps")
    assert (place / what / "a.npz").exists() == (what == "kept")


@pytest.mark.parametrize("elsewhere", ELSEWHERE)
def test_a_job_reads_nothing_of_other_scans_wherever_parts_are_kept(tmp_path: Path, elsewhere: str) -> None:
    import subprocess
    import sys

    code = (
        "import sys; from pathlib import Path; from fettlebox.confinement import OutsideError, Worker\n"
        "root, elsewhere = Path(sys.argv[1]), sys.argv[2]; private = root / 'shop' / '.fettlebox'\n"
        "kept = root / elsewhere if elsewhere else private / 'kept-steps'\n"
        "job = private / 'work' / 'job'; (job / 'original').mkdir(parents=True)\n"
        "for name in ('kept', 'others'): (kept / name).mkdir(parents=True)\n"
        "shop = kept.parent.parent if '.fettlebox' in kept.parts else root / 'shop'\n"
        "places = {'kept': kept / 'kept', 'others': kept / 'others', 'shop': shop, 'beside': root}\n"
        "for place in places.values(): (place / 'a.npz').write_text('x')\n"
        "worker = Worker(private, kept if elsewhere else None)\n"
        "for name, place in places.items():\n"
        "    try: worker.run(job, (place / 'a.npz').read_text, kept / 'kept')\n"
        "    except OutsideError as error: assert 'tried to read' in str(error)\n"
        "    else: print(name)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), elsewhere], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["kept", "beside"]
