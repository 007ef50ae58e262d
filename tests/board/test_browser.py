"""The board in a real browser on a real server: a scan is dropped, followed, compared, released.

The rules of accessibility are those of axe-core (WCAG 2.1 A and AA).
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import trimesh

from .conftest import Served

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--no-proxy-server",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
]  # fmt: skip
PATIENCE_MS = 90_000

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="there is no chromium here to look at the board with"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def open_board(browser: Any) -> Iterator[Callable[..., Any]]:
    """open_board(served, token) → a page of a browser of its own, entered; a script error fails the test."""
    contexts: list[Any] = []
    wrong: list[str] = []

    def enter(served: Served, token: str | None = None) -> Any:
        context = browser.new_context(viewport={"width": 1100, "height": 800})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on(
            "console", lambda told: wrong.append(told.text) if "Content Security Policy" in told.text else 0
        )
        page.goto(served.address)
        page.get_by_label("Your token").fill(token or served.token)
        page.get_by_role("button", name="Enter").click()
        page.wait_for_selector("#follow")
        return page

    yield enter
    for context in contexts:
        context.close()
    assert not wrong


def scan_file(folder: Path, name: str = "egg.stl", seed: int = 1) -> Path:
    """A ball with a hole, drawn out: something to close."""
    ball = trimesh.creation.icosphere(subdivisions=3 + seed % 2, radius=40.0)
    ball.vertices *= [1.0, 0.7, 1.3 + 0.01 * seed]
    ball.update_faces(ball.triangles_center[:, 2] > -45.0)
    path = folder / name
    ball.export(path)
    return path


def job_when(served: Served, state: str, name: str = "egg.stl") -> str:
    """The id of the job of this name once it is in this state."""
    for _ in range(900):
        for job in served.ask("/api/v1/jobs")["jobs"]:  # type: ignore[attr-defined]
            if job["scan_name"] == name and job["state"] == state:
                return str(job["id"])
        time.sleep(0.1)
    raise AssertionError(served.ask("/api/v1/jobs"))


def test_a_scan_is_dropped_followed_compared_and_released(
    serve_shop: Callable[[], Served], open_board: Callable[..., Any], tmp_path: Path
) -> None:
    served = serve_shop()
    watching = open_board(served)
    page = open_board(served)
    page.get_by_role("link", name="Bring a scan").click()
    page.get_by_label("Order").fill("LY-7")
    page.get_by_label("longest").fill("50 mm")
    page.locator("#scan").set_input_files(scan_file(tmp_path))
    page.get_by_role("button", name="Bring in").click()
    page.get_by_text("In the inbox as egg.stl").wait_for()

    # The other page was not touched: it shows the job when it comes, and where it stands, by itself.
    watching.locator(".jobs li.working, .jobs li.queued, .jobs li.held").first.wait_for()
    watching.locator(".jobs li.held", has_text="egg.stl").wait_for()
    assert "LY-7" in watching.locator(".jobs li.held").inner_text()
    watching.locator(".jobs li.held a").click()

    view = watching.locator("#turn-view")
    view.wait_for(state="visible")
    before = view.screenshot()
    view.focus()
    for _ in range(6):
        watching.keyboard.press("ArrowLeft")
    watching.wait_for_timeout(300)
    assert view.screenshot() != before, "it turns"
    watching.locator("#turn-share").focus()
    watching.keyboard.press("Home")
    watching.wait_for_timeout(300)

    job = job_when(served, "held")
    facts = watching.locator(".card").last.inner_text()
    assert "Route" in facts and "repair" in facts and "Measured" in facts
    traveler = watching.get_by_role("link", name="Its traveler").get_attribute("href")
    assert traveler == f"/jobs/{job}/files/traveler.html"
    watching.get_by_role("button", name="Release").click()
    watching.get_by_text("Handed over to the outbox.").wait_for()
    assert "asha" in watching.get_by_role("row", name="released").inner_text()

    (folder,) = (served.shop / "outbox").iterdir()
    part = trimesh.load(folder / "egg.stl")
    assert part.is_watertight and max(part.extents) == pytest.approx(50.0, abs=0.01)
    assert (folder / "original" / "egg.stl").read_bytes() == (tmp_path / "egg.stl").read_bytes()
    assert "LY-7" in (folder / "original" / "egg.stl.ticket.yaml").read_text()
    assert not list((served.shop / "hold").iterdir())


def test_with_the_keyboard_alone(
    serve_shop: Callable[[], Served], open_board: Callable[..., Any], tmp_path: Path
) -> None:
    served = serve_shop()
    (served.shop / "inbox" / "egg.stl").write_bytes(scan_file(tmp_path).read_bytes())
    page = open_board(served)
    page.locator(".jobs li.held").wait_for()

    def tab_to(wanted: str, most: int = 60) -> None:
        """Tab until what has the focus is called so."""
        for _ in range(most):
            page.keyboard.press("Tab")
            found = page.evaluate(
                "(() => { const e = document.activeElement; return e.getAttribute('aria-label') ||"
                " (e.labels && e.labels[0] && e.labels[0].textContent) || e.textContent; })()"
            )
            if wanted in found:
                seen = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert seen != "none", f"nobody sees that {wanted} has the focus"
                return
        raise AssertionError(f"the Tab key does not lead to {wanted!r}")

    page.keyboard.press("/")
    page.keyboard.type("egg")
    page.keyboard.press("Enter")
    page.locator(".jobs li.held").wait_for()
    tab_to("egg.stl")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Decide").wait_for()
    tab_to("Reason, for whoever brought the scan")
    page.keyboard.type("The nose is missing.")
    tab_to("Reject")
    page.keyboard.press("Enter")
    page.get_by_text("Rejected. The reason is on record.").wait_for()
    assert "The nose is missing." in page.locator(".verdict").inner_text()
    (folder,) = (served.shop / "rejects").iterdir()
    assert (folder / "reason.txt").read_text() == "The nose is missing.\n"


def test_two_browsers_decide_at_once_and_one_wins(
    serve_shop: Callable[[], Served], open_board: Callable[..., Any], tmp_path: Path
) -> None:
    from fettlebox.board.cabinet import Cabinet
    from fettlebox.board.keys import May, add_token

    served = serve_shop()
    cabinet = Cabinet(served.shop / ".fettlebox")
    ben = add_token(cabinet, "ben", May.DECIDE)
    cabinet.close()
    (served.shop / "inbox" / "egg.stl").write_bytes(scan_file(tmp_path).read_bytes())
    job = job_when(served, "held")
    pages = [open_board(served), open_board(served, ben)]
    for page in pages:
        page.goto(f"{served.address}/jobs/{job}")
        page.get_by_role("button", name="Release").wait_for()
        page.route("**/live", lambda route: route.abort())  # neither hears of the other before it decides
    pages[0].get_by_role("button", name="Release").click(no_wait_after=True)
    pages[1].locator("#reason").fill("no")
    pages[1].get_by_role("button", name="Reject").click(no_wait_after=True)
    said = []
    for page in pages:
        page.locator(".told").first.wait_for()
        said.append(page.locator(".told").first.inner_text())
    lost = [text for text in said if "was quicker" in text]
    assert len(lost) == 1, said
    entries = served.ask(f"/api/v1/jobs/{job}/happened")["entries"]
    decided = [entry for entry in entries if entry["by"]]  # type: ignore[attr-defined]
    assert len(decided) == 1 and decided[0]["by"] in lost[0]


def test_a_page_outlives_its_server(
    serve_shop: Callable[[], Served], open_board: Callable[..., Any], tmp_path: Path
) -> None:
    served = serve_shop()
    page = open_board(served)
    page.locator("#line", has_text="Live").wait_for()
    served.kill()
    page.locator("#line", has_text="No connection").wait_for()
    time.sleep(1.0)  # the board notices that its server is gone
    (served.shop / "inbox" / "egg.stl").write_bytes(scan_file(tmp_path).read_bytes())
    served.start()
    page.locator("#line", has_text="Live").wait_for()
    page.locator(".jobs li.held", has_text="egg.stl").wait_for()
    assert page.locator("#find").is_visible(), "nobody had to enter again"


def test_nobody_is_shut_out(
    serve_shop: Callable[[], Served], open_board: Callable[..., Any], tmp_path: Path
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    served = serve_shop()
    (served.shop / "inbox" / "egg.stl").write_bytes(scan_file(tmp_path).read_bytes())
    job = job_when(served, "held")
    page = open_board(served)
    paths = ["/", f"/jobs/{job}", "/drop", "/recipes", "/recipes/looked-at", "/ledger", "/history", "/health",
             "/nowhere", "/enter"]  # fmt: skip
    for theme, width in (("light", 1280), ("dark", 1280), ("light", 360)):
        page.emulate_media(color_scheme=theme)
        page.set_viewport_size({"width": width, "height": 900})
        for path in paths:
            page.goto(served.address + path)
            page.wait_for_timeout(100)
            across = page.evaluate("document.documentElement.scrollWidth")
            assert across <= width, f"{path} is {across} wide in a window of {width}"
            found = Axe().run(page).response["violations"]
            serious = [
                (each["id"], each["nodes"][0]["html"][:200])
                for each in found
                if each["impact"] in ("serious", "critical")
            ]
            assert not serious, (path, theme, width, serious)


def test_a_board_that_dies_harms_no_job_and_comes_back(
    serve_shop: Callable[[], Served], tmp_path: Path
) -> None:
    served = serve_shop()
    assert served.process is not None
    for number in range(2):
        (served.shop / "inbox" / f"egg{number}.stl").write_bytes(
            scan_file(tmp_path, seed=number).read_bytes()
        )
        pid = board_of(served.process.pid)
        os.kill(pid, signal.SIGKILL)
        while alive(pid):
            time.sleep(0.05)
        for _ in range(600):
            if served.ready():
                break
            time.sleep(0.1)
        assert served.ready() and served.process.poll() is None
        job_when(served, "held", f"egg{number}.stl")
    pid = board_of(served.process.pid)
    served.kill()
    for _ in range(100):
        if not alive(pid):
            break
        time.sleep(0.1)
    assert not alive(pid), "no board is left over"


def board_of(server: int) -> int:
    """The process of a server's board."""
    for _ in range(200):
        for place in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, ValueError):
                command = (place / "cmdline").read_bytes()
                parent = int((place / "stat").read_text().rpartition(")")[2].split()[1])
                if parent == server and b"fettlebox.board" in command:
                    return int(place.name)
        time.sleep(0.1)
    raise AssertionError("there is no board")


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
