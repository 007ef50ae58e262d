"""The one table of all benchmarks: verdicts by hand, what memory is measured, what is kept of a run that is
stopped, growth and queues against formulas, and quality of shapes by hand."""

from __future__ import annotations

import importlib
import json
import math
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType

import igl
import manifold3d
import numpy as np
import pytest
import trimesh

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "benchmarks"


def module(name: str) -> ModuleType:
    """One of the benchmarks' modules, which import each other as scripts do."""
    sys.path.insert(0, str(FOLDER))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(FOLDER))


@pytest.fixture(scope="module")
def rows() -> ModuleType:
    return module("rows")


@pytest.fixture
def runner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """`python -m benchmarks`, with a folder of scripts of our own."""
    found = importlib.import_module("benchmarks.__main__")
    monkeypatch.setattr(found, "HERE", tmp_path)
    return found


def test_table_of_a_fixed_result(rows: ModuleType) -> None:
    table = rows.table(
        [
            rows.Row("hollow", 81920, "a library", 7.04, None, "wall exact", target=5.0),
            rows.Row("cut", 5, "another", 0.5, 2.0, "same volume"),
        ]
    )
    assert table.splitlines() == [
        "step    triangles  against    time  memory  quality      verdict",
        "hollow     81,920  a library  7.0×       –  wall exact   won",
        "cut             5  another    0.5×    2.0×  same volume  lost: 2.0 times as long",
    ]


@pytest.mark.parametrize(
    ("time", "ours", "theirs", "verdict"),
    [
        (50.0, "open", "", "lost: open"),  # fast and wrong
        (50.0, "open", "open", "lost: open"),  # that the other is wrong as well is no excuse
        (0.1, "", "open", "won: the other's is open"),  # slow and right against fast and wrong
        (4.9, "", "", "ahead, short of 5"),
        (5.0, "", "", "won"),
        (0.25, "", "", "lost: 4.0 times as long"),
        (0.95, "", "", "even"),  # within what one run differs from the next
        (None, "", "", "good"),
    ],
)
def test_wrong_answers_are_lost(
    rows: ModuleType, time: float | None, ours: str, theirs: str, verdict: str
) -> None:
    assert rows.Row("s", 1, "l", time, None, "", ours, theirs, 5.0).verdict == verdict


def test_rows_travel_as_lines_of_json(
    rows: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = rows.Row("cut", 12, "a library", 2.5, None, "same", "", "open", 3.0)
    rows.tell(row)  # nobody asked: nothing is written, nothing fails
    monkeypatch.setenv(rows.TELL_TO, str(tmp_path / "rows"))
    rows.tell(row)
    rows.tell(row)
    assert rows.told(tmp_path / "rows") == [row, row]
    assert json.loads((tmp_path / "rows").read_text().splitlines()[0])["theirs_wrong"] == "open"


@pytest.mark.skipif(sys.platform != "linux", reason="the high-water mark can be set back on Linux only")
def test_growth_is_that_of_the_work_alone(rows: ModuleType) -> None:
    """An array of 80 MB that is freed again shows; what was used before it does not."""
    del_later = [np.ones(25_000_000)]
    del_later.clear()
    grown = [rows.spent(lambda size=size: np.ones(size).sum()).grown_mb for size in (10_000_000, 1_000)]
    assert grown[0] is None or grown[0] == pytest.approx(80.0, abs=4.0)
    assert grown[1] is None or grown[1] < 4.0


@pytest.mark.skipif(sys.platform != "linux", reason="the high-water mark can be set back on Linux only")
def test_each_step_is_told_its_own_highest_memory() -> None:
    """160 MB that are used and given back within one step count for it and for no step after it."""
    mark = module("our_job").Mark
    before = mark.now("large")
    np.ones(20_000_000).sum()
    between = mark.now("small")
    np.ones(1_000).sum()
    large, small = before.until(between), between.until(mark.now(""))
    assert large["peak_mb"] - small["peak_mb"] == pytest.approx(160.0, abs=8.0)


def test_every_script_is_in_the_table_or_known_to_be_none() -> None:
    calls = module("calls")
    there = {path.stem for path in FOLDER.glob("*.py")}
    assert set(calls.BENCHMARKS) <= there
    assert there - set(calls.PARTS) - set(calls.BY_THEMSELVES) == set(calls.BENCHMARKS)


def test_a_name_that_is_none_is_refused_with_those_that_are() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "benchmarks", "--only", "none such"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert said.returncode == 2
    assert "none such" in said.stderr and all(name in said.stderr for name in module("calls").BENCHMARKS)


TELLS = """
import json, os, sys, time
with open(os.environ["FETTLEBOX_BENCHMARK_ROWS"], "a") as file:
    row = {"step": "a", "triangles": 1, "against": "b", "time": 2.0, "memory": None, "quality": ""}
    file.write(json.dumps(row) + "\\n")
"""


@pytest.mark.parametrize(
    ("then", "trouble"),
    [
        ("", ""),
        ("time.sleep(60)", "not done after 2 s"),
        ("raise RuntimeError('the library broke')", "the library broke"),
        ("import numpy; numpy.ones(60_000_000)", "Unable to allocate"),
        ("os.abort()", "SIGABRT"),
    ],
)
def test_a_bad_library_stops_nobody_and_what_was_told_before_is_kept(
    runner: ModuleType, tmp_path: Path, then: str, trouble: str
) -> None:
    (tmp_path / "one.py").write_text(TELLS + then)
    seconds = 2.0 if "sleep" in then else 60.0
    done = runner.one(module("calls").Call("one", (), seconds, memory_mb=300.0))
    assert trouble in done["trouble"] and bool(trouble) == bool(done["trouble"])
    assert [row["time"] for row in done["rows"]] == [2.0]


def test_a_run_that_was_stopped_goes_on_where_it_was(
    runner: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The second of three fails at first; the first is not done again, a name that is asked for is."""
    call = module("calls").Call
    monkeypatch.setattr(runner, "calls_of", lambda full: [call(name, (), 60.0) for name in ("x", "y", "z")])
    log, figures = tmp_path / "log", tmp_path / "figures.json"
    for name in ("x", "y", "z"):
        (tmp_path / f"{name}.py").write_text(TELLS + f"open({str(log)!r}, 'a').write({name!r})\n")
    (tmp_path / "y.py").write_text("raise SystemExit('no')")
    argv = ["benchmarks", "--json", str(figures)]
    monkeypatch.setattr(sys, "argv", argv)
    assert runner.main() == 1 and log.read_text() == "xz"
    assert json.loads(figures.read_text())["failed"] == {"y": "no"}
    (tmp_path / "y.py").write_text(TELLS + f"open({str(log)!r}, 'a').write('y')\n")
    assert runner.main() == 0 and log.read_text() == "xzy"
    monkeypatch.setattr(sys, "argv", [*argv, "--only", "x"])
    assert runner.main() == 0 and log.read_text() == "xzyx"
    assert len(json.loads(figures.read_text())["rows"]) == 3
    monkeypatch.setattr(runner, "calls_of", lambda full: [call("x", (), 60.0)])
    assert runner.main() == 0
    assert list(json.loads(figures.read_text())["done"]) == ["x"]  # nobody can do y and z anew
    assert capsys.readouterr().out.count("a ") >= 3
    assert (tmp_path / "figures-ratios.svg").read_text().startswith("<?xml")


def _jobs(cost: object) -> list[dict[str, object]]:
    sizes = (50_000, 100_000, 400_000, 1_000_000, 4_000_000)
    return [{"recipe": "r", "triangles": n, "steps": {"s": {"cpu_s": cost(n)}}, "beside": {}} for n in sizes]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("cost", "exponent", "steep"),
    [
        (lambda n: 1e-6 * n, 1.0, False),
        (lambda n: 1e-7 * n * math.log(n), 1.08, False),
        (lambda n: 1e-9 * n**1.5, 1.5, True),
        (lambda n: 1e-12 * n**2 + 2.0, None, True),  # a fixed part hides it over all, the last slope tells
        (lambda n: 1e-11 * n**1.5, 1.5, False),  # too short to say anything
    ],
)
def test_growth_of_known_laws(cost: object, exponent: float | None, steep: bool) -> None:
    """The slope of n^k is k; that of n·ln n between 5e4 and 4e6 is 1 + ln(15.2/10.8)/ln 80 = 1.08."""
    growth = module("growth")
    found = next(one for one in growth.growths(_jobs(cost)) if one.step == "s")
    if exponent is None:
        assert found.exponent < 1 < found.last == pytest.approx(math.log(18 / 3) / math.log(4))
    else:
        assert found.exponent == pytest.approx(exponent, abs=0.02)
    assert found.steep == steep


def test_jobs_by_hand() -> None:
    """Two servers, jobs of 4, 4, 1, 3 s that come at 0, 1, 2, 3 s: the last two wait for 4 and for 5."""
    queue = module("queue_simulation")
    found = queue.simulate([0, 1, 2, 3], [4, 4, 1, 3], 2)
    assert found.started.tolist() == [0, 1, 4, 5]
    assert found.waited.tolist() == [0, 0, 2, 2]
    assert found.ended.tolist() == [4, 5, 5, 8]
    assert found.at_work(np.array([0.5, 1.5, 4.5, 6.0, 9.0])).tolist() == [1, 2, 2, 1, 0]


@pytest.mark.parametrize(("servers", "load"), [(1, 0.7), (2, 0.8), (16, 0.9)])
def test_simulation_agrees_with_erlang(servers: int, load: float) -> None:
    """M/M/c. For c = 1 and 2 the formula is also held against its short forms, r/(1-r) and r²/(1-r²)."""
    queue = module("queue_simulation")
    foretold = queue.erlang_c_wait(load * servers / 10.0, 10.0, servers)
    if servers <= 2:
        assert foretold == pytest.approx(10.0 * load**servers / (1 - load**servers))
    rng = np.random.default_rng(3)
    count = 400_000
    came = np.cumsum(rng.exponential(10.0 / (servers * load), count))
    waited = queue.simulate(came, rng.exponential(10.0, count), servers).waited
    assert waited.mean() == pytest.approx(foretold, rel=0.06)
    assert queue.erlang_c_wait(servers / 10.0, 10.0, servers) == math.inf


def test_simulation_agrees_with_pollaczek_and_khinchine() -> None:
    """M/D/1: half the wait of M/M/1, r/(2(1-r)) of a service."""
    queue = module("queue_simulation")
    foretold = queue.pollaczek_khinchine_wait(0.08, 10.0, 100.0)
    assert foretold == pytest.approx(10.0 * 0.8 / (2 * 0.2))
    came = np.cumsum(np.random.default_rng(5).exponential(12.5, 300_000))
    assert queue.simulate(came, np.full(300_000, 10.0), 1).waited.mean() == pytest.approx(foretold, rel=0.05)


def test_fewest_servers_are_the_fewest() -> None:
    queue = module("queue_simulation")
    rng = np.random.default_rng(1)
    came = queue.arrivals([0.5] * 20, 600.0, rng)
    assert len(came) == pytest.approx(6000, abs=400)  # five times the square root, Poisson
    needs = rng.exponential(20.0, len(came))
    best = queue.servers_for(came, needs, 0.95, 30.0)
    late = [float((queue.simulate(came, needs, c).waited > 30.0).mean()) for c in (best - 1, best)]
    assert late[0] > 0.05 >= late[1]


def test_what_a_shop_meets_first_by_hand() -> None:
    """A job of one core-second, 1 GB, 10 MB, on 10 cores: each limit is a division."""
    model = module("shop_model")
    jobs = [model.Job(n, 1.0, 1000.0, 5e6, 5e6) for n in model.MIX]
    head = model.Head(0.01, 0.0, 8.0, 2.0, 500.0, 100.0, 0.001)
    found = model.limits_of(jobs, head, 0.001, 10, 1e6)
    busiest = max(model.DAY) / (sum(model.DAY) / 24)
    assert list(found.values()) == sorted(found.values())
    cores = next(value for name, value in found.items() if "cores" in name)
    assert cores == pytest.approx(0.8 * 10 * 86400 / busiest)
    first = next(value for name, value in found.items() if "flushes of 1.0 ms" in name)
    assert first == pytest.approx(0.8 * 86400 / busiest / 0.02)  # 10 ms of work, ten flushes of 1 ms
    night = next(value for name, value in found.items() if "audit" in name)
    assert night == pytest.approx(8 * 3600 / (90 * 0.001))
    need = model.need_of(10_000, jobs, head, 0.001)
    assert need.disk_a_day_bytes == pytest.approx(5e10) and need.machines == 1
    assert need.head_used == pytest.approx(0.02 * 10_000 * busiest / 86400)


def test_quality_of_a_box_and_of_a_hollow_ball(tmp_path: Path) -> None:
    """A box on the bed: flat, its base's area, no support; with half its base askew. A ball of 2 mm walls."""
    judging, scans = module("judging"), module("raw_scans")
    box = trimesh.creation.box((20.0, 30.0, 10.0))
    box.apply_translation((0, 0, 5.0))
    truth = box.copy()
    truth.apply_translation((0, 0, 0.25))
    np.savez(tmp_path / "truth.npz", vertices=truth.vertices, faces=truth.faces)
    truth.export(tmp_path / "scan.ply")
    scan = scans.RawScan(tmp_path / "scan.ply", tmp_path / "truth.npz", 12)

    def quality(mesh: trimesh.Trimesh, hollow: bool = False) -> object:
        mesh.export(tmp_path / "part.stl")
        return judging.judged([tmp_path / "part.stl"], scan, np.eye(4), 1.0, hollow)

    found = quality(box)
    assert found.closed and not found.crossing and not found.unsound
    assert found.base_mm2 == pytest.approx(600.0) and found.wavy_mm == pytest.approx(0.0, abs=1e-6)
    assert found.support_mm3 == 0.0
    assert found.away_most_mm == pytest.approx(0.25, abs=1e-4)  # the truth's top
    assert judging.useless(found, None) == ""
    sunk = np.eye(4)
    sunk[
        2, 3
    ] = -5.0  # 600 mm2 of its bottom and 475 of its sides are cut away; of the upper 75 %, 225 of 1350
    found = judging.judged([tmp_path / "part.stl"], scan, sunk, 1.0, False, 0.75)
    assert found.cut_away == pytest.approx(1075 / 2200, abs=0.01)
    assert found.lost == pytest.approx(225 / 1350, abs=0.01)
    assert "cut through what has to stay: 17%" in judging.useless(found, None)
    askew = box.copy()
    askew.vertices[(askew.vertices[:, 0] > 0) & (askew.vertices[:, 2] < 1), 2] += 0.2
    assert "from flat" in judging.useless(quality(askew), None)
    ball, hole = trimesh.creation.icosphere(4, 20.0), trimesh.creation.icosphere(4, 18.0)
    hole.invert()
    hollow = trimesh.util.concatenate([ball, hole])
    assert quality(hollow, hollow=True).thin_mm == pytest.approx(2.0, abs=0.05)
    open_box = trimesh.Trimesh(box.vertices, box.faces[:-1], process=False)
    assert judging.useless(quality(open_box), None) == "not a closed solid"


def test_the_expert_closes_what_is_open_and_counts_support_right() -> None:
    """A tube of 32 sides without ends, closed by a flat cap just inside its rim: volume by the area of a
    polygon. The support under a table: its underside times its height, less the leg."""
    expert = module("expert")
    tube = trimesh.creation.cylinder(10.0, 40.0, sections=32)
    inside = np.abs(tube.face_normals[:, 2]) < 0.5
    lid = tube.face_normals[:, 2] > 0.5
    faces = np.asarray(tube.faces[inside | lid], np.int64)
    vertices, closed, said = expert.closed_flat(np.asarray(tube.vertices), faces, np.array([0, 0, 1.0]), 0.5)
    assert said == {"closing": "flat cap"}
    area = 16 * 100.0 * math.sin(2 * math.pi / 32)
    assert expert.as_solid(vertices, closed).volume() == pytest.approx(area * 39.5, rel=1e-6)
    table = manifold3d.Manifold.cube((4.0, 4.0, 10.0), True).translate((0, 0, 5.0))
    table += manifold3d.Manifold.cube((20.0, 20.0, 2.0), True).translate((0, 0, 11.0))
    support = expert.rays_support_mm3(*expert.arrays(table), 0.1)
    assert support == pytest.approx((400 - 16) * 10.0, rel=0.02)
    with pytest.raises(ValueError, match="no solid"):
        expert.as_solid(vertices, closed[:-1])


def test_raw_scans_have_the_triangles_asked_for_and_lie_on_their_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scans = module("raw_scans")
    monkeypatch.setattr(scans, "KEPT", tmp_path)
    scan = scans.raw_scan("figurine", 20_000)
    assert scan.triangles == pytest.approx(20_000, rel=0.1)
    mesh, (vertices, faces) = trimesh.load_mesh(scan.scan), scan.true_surface()
    assert len(mesh.faces) == scan.triangles and not mesh.is_watertight
    truth = trimesh.Trimesh(vertices, faces, process=False)
    edges = np.sort(truth.edges, axis=1)
    rim = trimesh.grouping.group_rows(edges, require_count=1)
    low, high = truth.bounds[:, 2]
    assert len(rim) and truth.vertices[edges[rim], 2].max() < low + 0.05 * (
        high - low
    )  # open at the neck alone
    away = np.sqrt(igl.point_mesh_squared_distance(np.array(mesh.vertices), vertices, faces)[0])
    assert np.median(away) < 0.1  # grain of 6 % of an edge of 1.9 mm
    quarters = scans._halved(np.asarray(truth.vertices), np.asarray(truth.faces))
    assert len(quarters[1]) == 4 * len(faces)
    assert trimesh.Trimesh(*quarters, process=False).area == pytest.approx(truth.area)


def test_pages_quote_the_figures_that_are_kept() -> None:
    """Whoever changes a figure by hand, or keeps new ones without quoting them, is found out."""
    quoting = module("quoting")
    figures = json.loads((quoting.RESULTS / quoting.FIGURES).read_text("utf-8"))
    model = json.loads((quoting.RESULTS / quoting.MODEL).read_text("utf-8"))
    parts = quoting.parts_of(figures, quoting.model_text(model))
    for page in (ROOT / "README.md", FOLDER / "README.md"):
        text = page.read_text("utf-8")
        assert quoting.replaced(text, parts) == text
        assert quoting.BEGIN.format(name="telling" if page.parent == ROOT else "all") in text
    assert quoting.current(figures) == figures
    row = {**figures["rows"][0], "step": "what was measured once"}
    gone = {"rows": [{name: value for name, value in row.items() if name != "verdict"}]}
    stale = {"rows": [*figures["rows"], row], "done": {**figures["done"], "no such call": gone}}
    assert quoting.current({**figures, **stale}) == figures
    assert "cores" in figures["machine"]
    assert not {"node", "host", "hostname"} & set(figures["machine"])


def test_processor_time_is_bounded_whatever_else_the_machine_does() -> None:
    bounded = module("bounded")
    busy = [sys.executable, "-c", "while True: pass"]
    ended = bounded.run(busy, seconds=600.0, memory_mb=2000.0, cpu_s=1.0)
    assert ended.trouble == "not done after 1 s of processor time"


def test_a_way_of_closing_that_came_to_nothing_is_a_row_all_the_same(
    rows: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closing = module("closing")
    own = {"trouble": "", "cpu": 2.0, "grown_mb": 100.0, "closed": True, "crossings": 0, "edge": 0.5}
    own |= {"p95": 0.001, "p999": 0.1}
    monkeypatch.setenv(rows.TELL_TO, str(tmp_path / "rows"))
    closing.compare("face", 7, own, "slow", {"trouble": "not done after 9 s of processor time"})
    closing.compare("face", 7, own, "open", {**own, "cpu": 1.0, "closed": False, "crossings": 877})
    slow, wrong = rows.told(tmp_path / "rows")
    assert slow.verdict == "won: the other's is not done after 9 s of processor time" and slow.time is None
    assert (wrong.time, wrong.verdict) == (0.5, "won: the other's is open")
    assert wrong.quality.endswith("theirs: open, 877 crossing, 95 % within 0.002 edges, 99.9 % within 0.20")


def test_a_way_of_closing_that_hangs_is_ended_before_the_run_it_is_part_of() -> None:
    closing, calls = module("closing"), module("calls")
    runs = [call for full in (False, True) for call in calls.calls_of(full) if call.script == "closing"]
    assert runs and closing.BOUND_S < closing.HANGS_S < min(call.seconds for call in runs)


def test_crumbs_beside_the_subject_do_not_count_for_likeness() -> None:
    ball, crumb = trimesh.creation.icosphere(3, 10.0), trimesh.creation.icosphere(0, 0.1)
    crumb.apply_translation([50, 0, 0])
    both = trimesh.util.concatenate([crumb, ball])
    kept = module("closing").subject(np.asarray(both.vertices), np.asarray(both.faces))
    assert len(kept) == len(ball.vertices) and np.linalg.norm(kept, axis=1).max() < 11


@pytest.mark.skipif(sys.platform != "linux", reason="a child that ends with its parent is Linux's")
def test_what_a_child_started_in_a_session_of_its_own_ends_with_it(tmp_path: Path) -> None:
    """A benchmark bounds its ways, and is bounded itself: neither may go on working for nobody."""
    bounded, told = module("bounded"), tmp_path / "pid"
    inner = f"import os, time; open({str(told)!r}, 'w').write(str(os.getpid())); time.sleep(600)"
    outer = (
        f"import sys; sys.path.insert(0, {str(FOLDER)!r})\nfrom bounded import run\n"
        f"run([sys.executable, '-c', {inner!r}], seconds=600, memory_mb=2000)"
    )
    ended = bounded.run([sys.executable, "-c", outer], seconds=15.0, memory_mb=2000.0)
    assert ended.trouble == "not done after 15 s"
    there = Path(f"/proc/{told.read_text()}")
    until = time.monotonic() + 120.0  # the signal is sent at once, and heeded when the inner one has its turn
    while there.exists() and time.monotonic() < until:
        time.sleep(0.1)
    assert not there.exists()
