"""The view to turn: what is in it, what may run, and what a person sees and reaches in a real browser."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import lxml.html
import numpy as np
import pytest
import trimesh
from fettlebox.mesh.part import Part
from fettlebox.traveler.model import MODEL, MOST_TRIANGLES, lightened, model_of
from fettlebox.traveler.page import MOST_PICTURE_BYTES
from fettlebox.traveler.pictures import FOLDER
from fettlebox.traveler.record import JobRecord
from fettlebox.traveler.turning import THREE
from fettlebox.traveler.writing import PAGE, write_traveler

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
]  # fmt: skip


def egg(across_mm: float = 40.0, detail: int = 4) -> Part:
    """A ball drawn out along X, so that a turn shows."""
    ball = trimesh.creation.icosphere(subdivisions=detail)
    return Part(ball.vertices * [across_mm, across_mm / 3, across_mm / 2], ball.faces)


def unpacked(data: bytes) -> list[tuple[np.ndarray, np.ndarray]]:
    """The reading of `view.js`, written a second time from the layout in words."""
    assert data[:4] == b"FBV1"
    at, found = 4, []
    for _ in range(2):
        corners, triangles, *low_and_step = struct.unpack_from("<2I4f", data, at)
        at += 24
        counted = np.frombuffer(data, "<u2", corners * 3, at).reshape(-1, 3)
        at += -(-corners * 6 // 4) * 4
        index = np.frombuffer(data, "<u2", triangles * 3, at).reshape(-1, 3)
        at += -(-triangles * 6 // 4) * 4
        found.append((np.array(low_and_step[:3]) + low_and_step[3] * counted, index))
    assert at == len(data)
    return found


def test_scan_and_part_lie_in_one_place_and_keep_their_size() -> None:
    scan = egg(160.0)
    turn = trimesh.transformations.rotation_matrix(0.7, [0, 0, 1], [1, 2, 3])
    part = scan.moved(turn).scaled(0.25)
    (scan_v, scan_f), (part_v, part_f) = unpacked(model_of(scan, part))
    assert len(scan_f) == len(part_f) == len(scan.faces)
    # The part is a quarter of the scan, and the view draws both as large as the part.
    assert np.abs(scan_v - part_v).max() < 0.01
    solid = trimesh.Trimesh(part_v, part_f)
    # Volume of an ellipsoid, 4/3·π·abc (CRC Standard Mathematical Tables), less what an icosphere lacks.
    a = 160.0 / 4
    assert solid.volume == pytest.approx(4 / 3 * np.pi * a * a / 3 * a / 2, rel=0.01)


@pytest.mark.parametrize("detail", [6, 7])
def test_a_lighter_copy_stays_near_the_surface(detail: int) -> None:
    from scipy.spatial import cKDTree

    part = egg(detail=detail)
    vertices, faces = lightened(part.vertices, part.faces)
    assert 0.5 * MOST_TRIANGLES < len(faces) <= MOST_TRIANGLES
    assert cKDTree(part.vertices).query(vertices)[0].max() < 0.4
    again, _ = lightened(part.vertices, part.faces)
    assert vertices.tobytes() == again.tobytes()


def test_a_very_large_scan_and_a_heap_of_crumbs_are_lightened_too() -> None:
    large = egg(detail=8)
    crumb = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], float)
    places = np.random.default_rng(1).uniform(0, 1e4, (60_000, 1, 3))
    crumbs = Part((places + crumb).reshape(-1, 3), np.arange(180_000).reshape(-1, 3))
    for part in (large, crumbs):
        data = model_of(part, part)
        assert len(data) < 1_000_000
        (_, faces), _ = unpacked(data)
        assert len(faces) <= 65_535


def test_a_scan_of_nothing_leaves_the_part() -> None:
    empty = Part(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    (_, none), (_, some) = unpacked(model_of(empty, egg()))
    assert not len(none) and len(some)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    from fettlebox.traveler.pictures import picture_job

    scan = egg(160.0, detail=5)
    picture_job(tmp_path, scan, scan.scaled(0.25), scan)
    return tmp_path


def page_of(folder: Path, record: JobRecord) -> str:
    write_traveler(folder, record)
    return (folder / PAGE).read_text("utf-8")


@pytest.mark.parametrize("which", ["done", "held", "rejected", "hostile"])
def test_one_script_runs_and_it_is_the_same_on_every_page(
    folder: Path, records: dict[str, JobRecord], done: JobRecord, which: str
) -> None:
    page = page_of(folder, records[which])
    tree = lxml.html.document_fromstring(page)
    (script,) = tree.xpath("//script")
    assert not script.attrib
    (policy,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    source = page[page.index("<script>") + 8 : page.rindex("</script>")]
    digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy
    (css,) = re.findall("<style>(.*?)</style>", page, re.DOTALL)
    assert f"style-src 'sha256-{base64.b64encode(hashlib.sha256(css.encode()).digest()).decode()}'" in policy
    other = page_of(folder, done)
    assert other[other.index("<script>") + 8 : other.rindex("</script>")] == source
    assert not re.search(r"\beval\(|new Function\(|importScripts|\bimport\(", source)


def test_the_page_is_the_same_again_and_stays_small(folder: Path, done: JobRecord) -> None:
    first = page_of(folder, done)
    assert page_of(folder, done) == first
    assert len(first.encode()) < 6_000_000


def test_pictures_beyond_the_room_there_is_are_named(folder: Path, done: JobRecord) -> None:
    from dataclasses import replace

    png = b"\x89PNG\r\n\x1a\n" + bytes(MOST_PICTURE_BYTES * 2 // 5)
    for name in ("a.png", "b.png", "c.png"):
        (folder / FOLDER / name).write_bytes(png)
    page = page_of(folder, replace(done, pictures=tuple(f"{FOLDER}/{n}.png" for n in "abc")))
    assert page.count("data:image/png") == 2
    assert f"Picture not shown: {FOLDER}/c.png" in page
    assert len(page.encode()) < 6_000_000


@pytest.mark.parametrize("content", [None, b"", b"PNG", b"FBV1" + bytes(2_000_000)])
def test_without_a_model_of_ours_there_is_no_view(
    folder: Path, done: JobRecord, content: bytes | None
) -> None:
    model = folder / FOLDER / MODEL
    model.unlink()
    if content is not None:
        model.write_bytes(content)
    page = page_of(folder, done)
    assert "<script" not in page and "<canvas" not in page and "script-src" not in page


def test_the_vendored_library_is_the_published_file() -> None:
    # npm package three, release 0.170.0, build/three.module.min.js: size and licence line as published.
    text = THREE.read_text("utf-8")
    assert THREE.stat().st_size == 691_648
    assert 'const t="170"' in text and "SPDX-License-Identifier: MIT" in text
    assert "MIT License" in (THREE.parent / "three.LICENSE").read_text("utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if not CHROMIUM.exists():
        pytest.skip(f"no browser at {CHROMIUM}")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


class Open:
    """An opened page, with all that it asked for and complained of."""

    def __init__(self, browser: Any, path: Path, **more: Any) -> None:
        self.context = browser.new_context(**{"viewport": {"width": 1000, "height": 800}, **more})
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(path.as_uri())

    def drawn(self) -> np.ndarray:
        from PIL import Image

        self.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        shot = Image.open(io.BytesIO(self.page.locator("#turn-view").screenshot()))
        return np.asarray(shot.convert("RGB"), dtype=int)[48:-3, 3:-3]  # without frame and words

    def __enter__(self) -> Open:
        return self

    def __exit__(self, *error: object) -> None:
        self.context.close()


def share_changed(one: np.ndarray, other: np.ndarray) -> float:
    return float((np.abs(one - other).max(axis=-1) > 24).mean())


@pytest.mark.parametrize("which", ["done", "hostile"])
def test_a_browser_draws_it_turns_it_and_asks_for_nothing(
    browser: Any, folder: Path, records: dict[str, JobRecord], which: str
) -> None:
    page_of(folder, records[which])
    with Open(browser, folder / PAGE) as opened:
        page = opened.page
        first = opened.drawn()
        colours = first.reshape(-1, 3)
        ground = colours[0]
        assert 0.05 < (np.abs(colours - ground).max(axis=1) > 24).mean() < 0.9, "nothing is drawn"
        box = page.locator("#turn-view").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 120, y + 20, steps=4)
        page.mouse.up()
        dragged = opened.drawn()
        assert share_changed(first, dragged) > 0.01
        page.locator("#turn-start").click()
        assert share_changed(first, opened.drawn()) < 0.002
        page.locator("#turn-view").focus()
        last = opened.drawn()
        for key in ("ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "+", "-"):
            for _ in range(3):
                page.keyboard.press(key)
            now = opened.drawn()
            assert share_changed(last, now) > 0.005, key
            last = now
        page.keyboard.press("Home")
        assert share_changed(first, opened.drawn()) < 0.002, "Home"
        assert opened.asked == [(folder / PAGE).as_uri()]
        assert opened.complaints == []


def test_a_part_that_lies_flat_is_seen_from_above_at_first(
    browser: Any, folder: Path, done: JobRecord
) -> None:
    # Elementary geometry, nearly (the view is in perspective): a disc seen from 50° above is an ellipse
    # sin 50° = 0.77 as high as wide; from 18° above it would be 0.31 as high.
    disc = trimesh.creation.cylinder(radius=30.0, height=1.0, sections=90)
    plate = Part(np.asarray(disc.vertices), np.asarray(disc.faces, np.int32))
    (folder / FOLDER / MODEL).write_bytes(model_of(plate, plate))
    page_of(folder, done)
    with Open(browser, folder / PAGE) as opened:
        drawn = np.abs(opened.drawn() - opened.drawn()[0, 0]).max(axis=-1) > 24
        high, wide = np.ptp(np.flatnonzero(drawn.any(axis=1))), np.ptp(np.flatnonzero(drawn.any(axis=0)))
        assert high / wide == pytest.approx(np.sin(np.radians(50.0)), abs=0.1)


def test_the_slider_goes_from_the_scan_to_the_part(browser: Any, folder: Path, done: JobRecord) -> None:
    page_of(folder, done)

    def warm(picture: np.ndarray) -> float:
        """Share of what is drawn that is redder than blue: the scan is."""
        drawn = np.abs(picture - picture[0, 0]).max(axis=-1) > 24
        return float((picture[..., 0] > picture[..., 2])[drawn].mean())

    with Open(browser, folder / PAGE) as opened:
        opened.page.locator("#turn-share").focus()
        shares = {}
        for key in ("Home", "End"):
            opened.page.keyboard.press(key)
            shares[key] = warm(opened.drawn())
        assert shares["Home"] < 0.05 and shares["End"] > 0.95
        spoken = opened.page.locator("#turn-share").get_attribute("aria-valuetext")
        assert spoken.startswith("scan 100 %")


def test_every_control_is_reached_by_the_tabulator_and_has_a_name(
    browser: Any, folder: Path, done: JobRecord
) -> None:
    page_of(folder, done)
    with Open(browser, folder / PAGE) as opened:
        reached = []
        for _ in range(5):
            opened.page.keyboard.press("Tab")
            reached.append(opened.page.evaluate("document.activeElement.id"))
            outline = opened.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid", "the focus cannot be seen"
        assert reached == ["turn-view", "turn-share", "turn-closer", "turn-back", "turn-start"]
        assert opened.page.get_by_label("Where the scan ends and the part begins").count() == 1
        assert opened.page.get_by_label("Scan and part in three dimensions, to turn").count() == 1


def test_without_script_the_pictures_stay(browser: Any, folder: Path, done: JobRecord) -> None:
    from dataclasses import replace

    page_of(folder, replace(done, pictures=(f"{FOLDER}/part.png", f"{FOLDER}/before-after.png")))
    with Open(browser, folder / PAGE, java_script_enabled=False) as opened:
        assert not opened.page.locator("#turn").is_visible()
        assert [image.is_visible() for image in opened.page.locator("img").all()] == [True, True]


def test_on_paper_there_is_no_view(browser: Any, folder: Path, done: JobRecord) -> None:
    page_of(folder, done)
    with Open(browser, folder / PAGE) as opened:
        assert opened.page.locator("#turn").is_visible()
        opened.page.emulate_media(media="print")
        assert not opened.page.locator("#turn").is_visible()


CONTRASTS = """() => {
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const colour = parse(getComputedStyle(e).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !element.checkVisibility()) continue;
    const both = [light(parse(getComputedStyle(element).color)), light(ground(element))];
    const [a, b] = both.sort((x, y) => y - x);
    found.push([(a + 0.05) / (b + 0.05), walker.currentNode.textContent.slice(0, 30)]);
  }
  return found;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_that_is_shown_has_contrast_enough(
    browser: Any, folder: Path, records: dict[str, JobRecord], scheme: str
) -> None:
    # W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3, level AA: 4.5 to 1.
    for record in records.values():
        page_of(folder, record)
        with Open(browser, folder / PAGE, color_scheme=scheme) as opened:
            found = opened.page.evaluate(CONTRASTS)
            assert len(found) > 20
            assert min(found)[0] >= 4.5, min(found)


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_nothing_is_wider_than_the_window(browser: Any, folder: Path, hostile: JobRecord, width: int) -> None:
    page_of(folder, hostile)
    with Open(browser, folder / PAGE, viewport={"width": width, "height": 800}) as opened:
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
