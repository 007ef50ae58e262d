"""The page: whole without a network, closed to hostile names, readable by day, by night and in print."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import lxml.html
import pytest
from fettlebox.traveler.html import Later, tag
from fettlebox.traveler.look import CSS, DAY, NIGHT
from fettlebox.traveler.record import JobRecord
from fettlebox.traveler.summary import Decision, is_too_large
from fettlebox.traveler.writing import PAGE, write_decision, write_traveler

WHICH = ["done", "held", "rejected", "hostile"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    from PIL import Image

    (tmp_path / "pictures").mkdir()
    for name, colour in (("part.png", "grey"), ("distance.png", "teal")):
        Image.new("RGB", (8, 8), colour).save(tmp_path / "pictures" / name)
    return tmp_path


def _page(folder: Path, record: JobRecord) -> str:
    write_traveler(folder, record)
    return (folder / PAGE).read_text("utf-8")


def _tree(page: str) -> Element:
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return parser.parse(page)


@pytest.mark.parametrize("which", WHICH)
def test_it_is_html_without_a_parse_error(folder: Path, records: dict[str, JobRecord], which: str) -> None:
    tree = _tree(_page(folder, records[which]))
    assert tree.get("lang") == "en"
    assert len(tree.findall(".//h1")) == 1
    assert all(image.get("alt") for image in tree.iter("img"))


@pytest.mark.parametrize("which", WHICH)
def test_nothing_is_fetched_and_nothing_runs(folder: Path, records: dict[str, JobRecord], which: str) -> None:
    page = _page(folder, records[which])
    tree = lxml.html.document_fromstring(page)
    allowed = {
        "html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "span",
        "div", "table", "thead", "tbody", "tr", "th", "td",
        "ol", "ul", "li", "dl", "dt", "dd", "figure", "figcaption", "img",
        "pre", "code", "details", "summary",
    }  # fmt: skip
    for element in tree.iter():
        assert element.tag in allowed
        for name, value in element.attrib.items():
            assert not name.startswith("on") and name not in ("href", "srcset", "style")
            assert name != "src" or value.startswith("data:image/png;base64,")
    assert "url(" not in CSS and "@import" not in CSS
    (policy,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert policy.startswith("default-src 'none'; img-src data:;")


def test_hostile_text_is_shown_as_text(folder: Path, hostile: JobRecord) -> None:
    page = _page(folder, hostile)
    assert "<script" not in page and "<img src=x" not in page
    shown = lxml.html.document_fromstring(page).text_content()
    assert shown.count("<script>alert(1)</script>") > 15
    # Nothing that turns the reading direction, ends the text, or drives a terminal.
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", page)


def test_a_picture_outside_the_folder_is_not_shown(folder: Path, done: JobRecord) -> None:
    from dataclasses import replace

    inner = folder / "job"
    inner.mkdir()
    assert (folder / "pictures" / "part.png").is_file()
    page = _page(inner, replace(done, pictures=("../pictures/part.png", "pictures/absent.png")))
    assert "data:image" not in page
    assert "Picture not shown: ../pictures/part.png" in page


def test_the_verdict_comes_first_and_in_words(folder: Path, records: dict[str, JobRecord]) -> None:
    for which, word, part in (
        (
            "done",
            "Can be printed; read the warning first",
            "32.36 × 31.35 × 46.99 mm; one sound solid; 95 % of the scan within 0.031 mm",
        ),
        ("held", "Waits for a person", "the widest opening is not at the neck"),
        ("rejected", "Not made", "scan.ply ends after 12 of 400 vertices"),
    ):
        tree = _tree(_page(folder, records[which]))
        main = tree.find(".//main")
        assert main is not None
        verdict = "".join(main[1].itertext())
        assert verdict.startswith(word) and part in verdict


def test_only_a_part_without_a_warning_is_ready(folder: Path, done: JobRecord) -> None:
    assert done.warnings
    for record, headline in (
        (done, "Can be printed; read the warning first"),
        (replace(done, warnings=("a", "b")), "Can be printed; read 2 warnings first"),
        (replace(done, warnings=()), "Ready to print"),
        (replace(done, outputs=()), "A report; no part was made"),
    ):
        main = _tree(_page(folder, record)).find(".//main")
        assert main is not None
        assert "".join(main[1].itertext()).startswith(headline)
        if record.warnings:
            assert record.warnings[0] in "".join(main[3].itertext()), "the warnings stand below the verdict"


def test_order_note_time_and_cost_stand_on_top(folder: Path, done: JobRecord) -> None:
    ticket = {**(done.ticket or {}), "order": "LY-1041", "note": "for the window, by Friday"}
    facts = {"printing_takes": "1 h 19 min", "cost": 7.4312, "money": "EUR", "material_g": 17.96,
             "filament_m": 6.02, "support_cm3": 1.35}  # fmt: skip
    forecast = replace(done.steps[4], id="estimate", facts=facts)
    printer = {"name": "everyday", "layer_mm": 0.2}
    page = _page(folder, replace(done, ticket=ticket, steps=(*done.steps, forecast), printer=printer))
    main = _tree(page).find(".//main")
    assert main is not None
    assert "".join(main[0].itertext()) == "customer head.ply · order LY-1041 · job 2026-0412"
    top = "".join("".join(part.itertext()) for part in main[:4])
    for words in (
        "for the window, by Friday",
        "1 h 19 min",
        "7.43 EUR",
        "17.96 g, 6.02 m",
        "everyday, 0.2 mm",
    ):
        assert words in top
    # A plugin may call its facts the same and mean another thing: nothing breaks.
    odd = replace(forecast, facts={"printing_takes": ["a"], "cost": "dear", "material_g": None})
    assert "dear" in _page(folder, replace(done, steps=(*done.steps, odd)))


def test_a_job_that_waits_says_what_to_do_now(
    folder: Path, done: JobRecord, records: dict[str, JobRecord]
) -> None:
    def does(record: JobRecord) -> list[str]:
        codes = _tree(_page(folder, record)).findall(".//code[@class='does']")
        return [(code.text or "").split()[1] for code in codes]

    # There is nothing to release where no part was made.
    assert does(records["held"]) == ["retry", "discard"]
    assert does(records["rejected"]) == ["retry", "discard"]
    assert does(replace(records["held"], outputs=done.outputs)) == ["release", "retry", "discard"]
    assert does(done) == []
    assert f"fettlebox retry SHOP {done.job} --ticket" in _page(folder, records["held"])


@pytest.mark.parametrize(
    ("size", "room", "large"),
    [
        ([190.0, 300.0, 100.0], [300.0, 200.0, 250.0], False),  # turned about the upright it fits
        ([210.0, 300.0, 100.0], [300.0, 200.0, 250.0], True),
        ([100.0, 100.0, 251.0], [300.0, 200.0, 250.0], True),
        ([400.0, 300.0, 100.0], ["wide", 200.0, 250.0], False),
        ([220.00000000000003, 220.0, 100.0], [220.0, 220.0, 250.0], False),  # rounding, as gate has it
        ([220.0001, 220.0, 100.0], [220.0, 220.0, 250.0], True),
        (None, None, False),
    ],
)
def test_of_a_part_that_is_too_large_another_size_is_offered_first(
    folder: Path,
    done: JobRecord,
    held: JobRecord,
    size: list[object] | None,
    room: list[object] | None,
    large: bool,
) -> None:
    record = replace(
        held, outputs=done.outputs, after={**done.after, "size_mm": size}, printer={"build_volume_mm": room}
    )
    page = _page(folder, record)
    first = [(code.text or "").split()[1] for code in _tree(page).findall(".//code[@class='does']")][:2]
    assert first == (["retry", "release"] if large else ["release", "retry"])
    assert ("Another size would fit" in page) is large


def test_only_what_would_be_printed_can_be_too_large(done: JobRecord, held: JobRecord) -> None:
    """A surface that waits before it is scaled is life size; a part in pieces stays whole, in life size."""
    room = {"build_volume_mm": [200.0, 200.0, 200.0]}
    whole = replace(
        held, outputs=done.outputs, printer=room, after={**done.after, "size_mm": [100.0, 100.0, 300.0]}
    )
    assert is_too_large(whole)
    assert not is_too_large(replace(whole, outputs=(), after_is="surface so far"))
    assert not is_too_large(replace(whole, after_is="surface so far"))
    assert not is_too_large(replace(whole, outputs=()))
    for tall, large in ((150.0, False), (201.0, True)):
        made = [
            {"piece": "piece-1", "size_mm": [100.0, 100.0, 99.0]},
            {"piece": "piece-2", "size_mm": [100.0, 100.0, tall]},
        ]
        split = replace(done.steps[1], id="split", name="split", facts={"pieces_made": made})
        assert is_too_large(replace(whole, steps=(*held.steps, split))) is large


def test_where_nothing_was_made_there_is_no_part(folder: Path, rejected: JobRecord, done: JobRecord) -> None:
    nothing = replace(rejected, before=done.before, after=done.before, after_is="")
    heads = [th.text for th in _tree(_page(folder, nothing)).findall(".//thead//th")]
    assert heads == [None, "scan"]
    stopped = replace(nothing, after_is="surface so far")
    heads = [th.text for th in _tree(_page(folder, stopped)).findall(".//thead//th")]
    assert heads == [None, "scan", "surface so far"]


def test_evidence_opens_on_demand_and_by_itself_where_a_step_stopped(
    folder: Path, done: JobRecord, held: JobRecord
) -> None:
    def opened(record: JobRecord) -> list[bool]:
        found = _tree(_page(folder, record)).findall(".//ol//details")
        return [details.get("open") is not None for details in found]

    assert opened(done) == [False, False, False]
    assert opened(held) == [False, True]


def test_a_decision_stands_on_the_page_in_place_of_what_waited(
    folder: Path, done: JobRecord, held: JobRecord
) -> None:
    waiting = replace(held, outputs=done.outputs, fidelity=done.fidelity)
    write_traveler(folder, waiting)
    record = (folder / "traveler.json").read_bytes()
    write_decision(folder, Decision("done", "K. Moss", "2026-11-26T10:00:00Z"))
    page = (folder / PAGE).read_text("utf-8")
    text = "".join(_tree(page).find(".//main").itertext())  # type: ignore[union-attr]
    assert "Released by K. Moss on 2026-11-26 at 10:00 UTC." in text
    assert "It had waited for a person: repair: the widest opening" in text
    assert "Waits for a person" not in text and "What to do now" not in text
    assert "32.36 × 31.35 × 46.99 mm; one sound solid" in text
    write_decision(folder, Decision("rejected", None, "2026-11-26T10:00:00Z", "The nose is missing."))
    text = (folder / PAGE).read_text("utf-8")
    assert "Rejected by a person who gave no name" in text and "The nose is missing." in text
    assert (folder / "traveler.json").read_bytes() == record, "the record stays as the run left it"
    assert not list(folder.glob(".*"))


def test_a_decision_on_a_job_without_a_record_changes_nothing(tmp_path: Path) -> None:
    write_decision(tmp_path, Decision("done", "K. Moss", "2026-11-26T10:00:00Z"))
    assert list(tmp_path.iterdir()) == []


def test_pictures_are_inside_and_whole(folder: Path, done: JobRecord) -> None:
    from PIL import Image

    images = list(_tree(_page(folder, done)).iter("img"))
    assert len(images) == 2
    for image in images:
        data = base64.b64decode(str(image.get("src")).partition(",")[2])
        assert Image.open(io.BytesIO(data)).size == (8, 8)


def test_the_route_names_every_step_with_its_evidence_and_warnings(folder: Path, done: JobRecord) -> None:
    items = _tree(_page(folder, done)).findall(".//ol/li")
    texts = ["".join(item.itertext()) for item in items]
    assert [text.split()[0] for text in texts] == [step.id for step in done.steps]
    assert "187.9 mm" in texts[0] or "188 mm" in texts[0]
    assert "Warning: 21 loose pieces were taken away" in texts[1]
    assert "part unchanged" in texts[4]


def _contrast(one: str, other: str) -> float:
    """W3C, Web Content Accessibility Guidelines 2.2: relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [DAY, NIGHT], ids=["day", "night"])
def test_every_text_colour_meets_level_aa(theme: dict[str, str]) -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)  # the guideline's own extreme
    for name in ("ink", "quiet", "done", "held", "rejected", "warn"):
        for ground in ("paper", "panel"):
            assert _contrast(theme[name], theme[ground]) >= 4.5, (name, ground)


def test_there_is_a_look_for_night_and_for_paper() -> None:
    assert "prefers-color-scheme:dark" in CSS and "@media print" in CSS
    assert set(DAY) == set(NIGHT) == set(re.findall(r"var\(--(\w+)\)", CSS))


def test_no_text_can_pass_for_what_is_put_in_last() -> None:
    later = Later()
    mark = later.mark("kept")
    page = tag("p", "\x000\x00", tag("img", alt="\x000\x00", src=mark), mark)
    assert later.filled(page) == '<p>\ufffd0\ufffd<img alt="\ufffd0\ufffd" src="kept">kept</p>'
