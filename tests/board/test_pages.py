"""What a person does on the pages, with a session as a browser has one."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fettlebox.board.recipes import ticking_of
from fettlebox.jobs.states import State
from fettlebox.recipe import load_ticket
from fettlebox.traveler.writing import read_traveler, write_traveler

from .conftest import Bench

BUMPY = """\
recipe: plain
about: A person ticks the bumps.
ask:
  size: {type: ratio, default: 25 %, min: 5 %, max: 200 %}
  bumps: {type: text, default: "", longest: 400}
  finish: {type: choice, choices: [rough, fine], default: fine}
  hollow: {type: flag, default: false}
  copies: {type: count, min: 1, max: 9}
steps:
  - knockdown: {over: 0.4 mm, care: ask, ticked: "${bumps}"}
  - scale: {by: "${size}"}
deliver: [stl]
"""
PATCHES = [
    {"id": "fjs5b", "centre_mm": [1.0, 2.0, 3.0], "height_mm": -1.5, "width_mm": 3.8, "confidence": 0.29},
    {"id": "fshn4", "centre_mm": [4.0, 5.0, 6.0], "height_mm": 0.9, "width_mm": 3.0, "confidence": 0.22},
    {"id": "<b>", "centre_mm": [4.0, 5.0, 6.0], "height_mm": 0.9, "width_mm": 3.0, "confidence": 0.22},
    {"id": "torn", "centre_mm": "x"},
]


def enter(bench: Bench, who: str) -> str:
    """Enter as somebody; the token that every form carries."""
    bench.client.cookies.clear()
    bench.client.post("/enter", data={"secret": bench.tokens[who]})
    found = re.search(r'name="form-token" content="([0-9a-f]+)"', bench.client.get("/").text)
    assert found is not None
    return found[1]


def send(bench: Bench, job: str, act: str, form: str, **fields: Any) -> Any:
    return bench.client.post(
        f"/jobs/{job}/{act}", data={"form_token": form, **fields}, follow_redirects=False
    )


def state_of(bench: Bench, job: str) -> State:
    row = bench.office.spool.job(job)
    assert row is not None
    return row.state


@pytest.fixture
def bumpy(bench: Bench) -> str:
    """A job that was held because bumps have to be ticked, of two takes."""
    (bench.shop / "recipes" / "plain.yaml").write_text(BUMPY)
    job = bench.job()
    folder = next((bench.shop / "hold").iterdir())
    record = read_traveler(folder)
    held = replace(record.steps[1], id="knockdown", name="knockdown", evidence={"patches": PATCHES})
    takes = [{"take": "a.ply", "grade": "good", "chosen": True}, {"take": "b.ply", "grade": "poor"}]
    scan = {**record.scan, "takes": takes}
    write_traveler(folder, replace(record, steps=(held,), outputs=(), scan=scan))
    return job


def test_the_form_asks_what_the_recipe_asks(bench: Bench, bumpy: str) -> None:
    enter(bench, "decide")
    page = bench.client.get(f"/jobs/{bumpy}").text
    for part in ('name="ask.size"', 'placeholder="25 %"', "at least 5 %", '<option value="rough">',
                 '<option value="true">yes</option>', 'name="ask.copies"', 'value="fjs5b"', 'value="fshn4"',
                 'data-mark="1.0 2.0 3.0"', "1.50 mm deep", 'value="b.ply"'):  # fmt: skip
        assert part in page, part
    assert 'name="ask.bumps"' not in page, "the ticks say it"
    assert 'value="&lt;b&gt;"' not in page and 'value="torn"' not in page, (
        "a patch that makes no sense is left out"
    )
    assert "/release" not in page, "there is no part to hand over"


def test_ticks_and_answers_become_a_ticket(bench: Bench, bumpy: str) -> None:
    form = enter(bench, "decide")
    fields = {
        "ticked": "yes", "tick": ["fjs5b", "unknown"], "ask.size": "30 %", "ask.finish": "rough",
        "ask.hollow": "true", "ask.copies": "3", "unit": "cm", "up": "+y", "take": "b.ply",
    }  # fmt: skip
    answer = send(bench, bumpy, "retry", form, **fields)
    assert answer.status_code == 303, answer.text
    ticket = load_ticket(bench.shop / ".fettlebox/work" / bumpy / "original/bust.ticket.yaml")
    assert ticket.set == {"size": "30 %", "bumps": "fjs5b", "finish": "rough", "hollow": True, "copies": 3}
    assert (ticket.unit, ticket.up, ticket.take, ticket.recipe) == ("cm", "+y", "b.ply", "plain")


def test_no_tick_means_none_of_them(bench: Bench, bumpy: str) -> None:
    form = enter(bench, "decide")
    assert send(bench, bumpy, "retry", form, **{"ticked": "yes", "ask.copies": "1"}).status_code == 303
    ticket = load_ticket(bench.shop / ".fettlebox/work" / bumpy / "original/bust.ticket.yaml")
    assert ticket.set["bumps"] == "none"


WRONG = [
    {"ask.size": "huge"}, {"ask.copies": "0"}, {"ask.colour": "red"}, {"unit": "ell"}, {"up": "q"},
    {"take": "c"}, {"ask.finish": "shiny"},
]  # fmt: skip


@pytest.mark.parametrize("wrong", WRONG)
def test_an_answer_that_does_not_suit_is_said_on_the_page(
    bench: Bench, bumpy: str, wrong: dict[str, str]
) -> None:
    form = enter(bench, "decide")
    answer = send(bench, bumpy, "retry", form, **wrong)
    assert answer.status_code == 422 and 'role="alert"' in answer.text
    assert state_of(bench, bumpy) is State.HELD


def test_only_steps_that_were_held_ask_for_ticks(bench: Bench, bumpy: str) -> None:
    folder = next((bench.shop / "hold").iterdir())
    record = read_traveler(folder)
    recipe = bench.office.recipes.get("plain")
    assert ticking_of(record, recipe) is not None
    assert ticking_of(replace(record, state="done"), recipe) is None
    assert ticking_of(record, None) is None and ticking_of(None, recipe) is None


def test_deleting_needs_an_admin_who_is_sure(bench: Bench) -> None:
    job = bench.job()
    form = enter(bench, "decide")
    assert "Delete the scan" not in bench.client.get(f"/jobs/{job}").text
    assert send(bench, job, "discard", form, sure="yes").status_code == 403
    form = enter(bench, "admin")
    assert send(bench, job, "discard", form).status_code == 422
    assert next((bench.shop / "hold").iterdir()).exists()
    assert send(bench, job, "discard", form, sure="yes").status_code == 303
    assert not list((bench.shop / "hold").iterdir())
    page = bench.client.get(f"/jobs/{job}").text
    assert "files were deleted" in page and "Decide" not in page


def test_a_decision_on_an_old_page_is_refused_in_words(bench: Bench) -> None:
    job = bench.job()
    form = enter(bench, "decide")
    answer = send(bench, job, "release", form, seen="2020-01-01T00:00:00.000Z")
    assert answer.status_code == 409 and "ended anew since" in answer.text
    assert state_of(bench, job) is State.HELD


def test_the_page_of_a_released_job_says_by_whom(bench: Bench) -> None:
    job = bench.job()
    form = enter(bench, "decide")
    assert send(bench, job, "release", form).status_code == 303
    page = bench.client.get(f"/jobs/{job}?said=release").text
    assert "Released by decide." in page and "Handed over to the outbox." in page
    assert "Handed over" not in bench.client.get(f"/jobs/{job}?said=<script>").text


def test_a_list_says_how_a_part_stands_in_the_words_of_its_traveler(bench: Bench) -> None:
    ready, warned, held = bench.job(State.DONE), bench.job(State.DONE), bench.job()
    folder = next(one for one in (bench.shop / "outbox").iterdir() if read_traveler(one).job == warned)
    write_traveler(folder, replace(read_traveler(folder), warnings=("a", "b", "c")))
    enter(bench, "see")
    for place in ("/", "/?state=done", "/?find=bust"):
        page = bench.client.get(place).text
        for job, word in (
            (ready, "Ready to print"), (warned, "Can be printed; read 3 warnings first"),
            (held, "Waits for a person"),
        ):  # fmt: skip
            if job != held or place != "/?state=done":
                row = page.split(f'href="/jobs/{job}"')[1].split("</a>")[0]
                assert f'<span class="word">{word}</span>' in row and f": {word}" in row
    traveler = bench.client.get(f"/jobs/{warned}/files/traveler.html").text
    assert "Can be printed; read 3 warnings first" in traveler


def test_a_headline_is_kept_only_when_the_record_could_be_read(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = bench.job(State.DONE)
    row = bench.office.spool.job(job)
    assert row is not None
    with monkeypatch.context() as patched:
        patched.setattr("fettlebox.board.headlines.record_of", lambda folder: None)
        assert bench.office.headlines.of(row) == "Made"
    assert bench.office.headlines.of(row) == "Ready to print"
    monkeypatch.setattr("fettlebox.board.headlines.record_of", lambda folder: None)
    assert bench.office.headlines.of(row) == "Ready to print"


def test_of_a_part_that_is_too_large_sending_back_is_offered_before_releasing(bench: Bench) -> None:
    job = bench.job()
    enter(bench, "decide")
    fits = bench.client.get(f"/jobs/{job}").text
    assert fits.index("<h3>Release") < fits.index("<h3>Send back")
    folder = next((bench.shop / "hold").iterdir())
    record = read_traveler(folder)
    printer, after = {"build_volume_mm": [200.0, 200.0, 200.0]}, {"size_mm": [10.0, 10.0, 300.0]}
    write_traveler(folder, replace(record, printer=printer, after=after))
    large = bench.client.get(f"/jobs/{job}").text
    assert large.index("<h3>Send back") < large.index("<h3>Release")
    assert "larger than the printer builds" in large and "larger than" not in fits


def test_whoever_may_only_see_is_shown_no_form(bench: Bench) -> None:
    job = bench.job()
    enter(bench, "see")
    page = bench.client.get(f"/jobs/{job}").text
    assert "Decide" not in page and "Bring a scan" not in page
    assert bench.client.get("/drop").status_code == 403


def test_a_recipe_that_is_wrong_hides_no_other(bench: Bench) -> None:
    (bench.shop / "recipes" / "broken.yaml").write_text("recipe: broken\nsteps: [no-such-step]\n")
    enter(bench, "see")
    page = bench.client.get("/recipes").text
    assert "broken" in page and "fancy" in page and "cannot be used" in page
    answer = bench.client.get("/recipes/broken")
    assert answer.status_code == 422 and "no-such-step" in answer.text
    job = bench.job()
    (bench.shop / "recipes" / "plain.yaml").unlink()
    assert bench.client.get(f"/jobs/{job}").status_code == 200


def test_a_job_whose_folder_is_gone_still_has_its_page(bench: Bench) -> None:
    import shutil

    job = bench.job()
    shutil.rmtree(next((bench.shop / "hold").iterdir()))
    enter(bench, "admin")
    assert bench.client.get(f"/jobs/{job}").status_code == 200
    assert bench.client.get("/").status_code == 200


def test_a_record_that_makes_no_sense_harms_no_page(bench: Bench, tmp_path: Path) -> None:
    job = bench.job()
    folder = next((bench.shop / "hold").iterdir())
    enter(bench, "admin")
    for text in ("", "[]", "{", '{"traveler": 1}', '{"traveler": 1, "steps": 5, "timing": 7}', "\0"):
        (folder / "traveler.json").write_text(text)
        assert bench.client.get(f"/jobs/{job}").status_code == 200, text
        assert bench.client.get(f"/api/v1/jobs/{job}/files", headers=bench.headers("see")).status_code == 200
