"""What docstrings say about steps, and pages of steps that others brought."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fettlebox.api import Part, Step, StepContext, StepParams, StepResult, step
from fettlebox.catalog import built_in_steps, find_steps
from fettlebox.errors import UsageError
from fettlebox.reference.example import run_example
from fettlebox.reference.page import page_of
from fettlebox.reference.words import Words, fits, words_of
from fettlebox.reference.writing import write_page
from fettlebox.testing import bust


class Nothing(StepParams):
    pass


def told(doc: str | None) -> Step[Any]:
    def run(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
        return StepResult(part)

    run.__doc__ = doc
    run.__annotations__ = {"part": Part, "params": Nothing, "ctx": StepContext, "return": StepResult}
    return step("keel", version=1, summary="Put a keel under the part.")(run)


def test_sections_are_read_and_the_rest_is_the_text() -> None:
    words = words_of(
        told(
            """First words.

            More of them.

            Limits:
                - One that goes
                  on.
                - Two.
            Sources:
                - A. Author, "Title", 1999.
            Facts:
                keel_mm, keel_deg: how long
                    and how steep
                at.<side>: where
            Evidence:
                tried: what was tried: all of it
            Recipe:
                - units: {expect: head}
                - keel
            Picture: open
            Scan: witch.zip
            """
        )
    )
    assert words == Words(
        "First words.\n\nMore of them.",
        ("One that goes on.", "Two."),
        ('A. Author, "Title", 1999.',),
        {"keel_mm": "how long and how steep", "keel_deg": "how long and how steep", "at.<side>": "where"},
        {"tried": "what was tried: all of it"},
        "- units: {expect: head}\n- keel",
        "open",
        "witch.zip",
    )


@pytest.mark.parametrize("doc", [None, "", "Only words, and a Limits: in them."])
def test_a_docstring_without_sections_says_what_it_says(doc: str | None) -> None:
    assert words_of(told(doc)) == Words(doc or "")
    assert run_example(told(doc), built_in_steps()) is None
    page = page_of(told(doc))
    assert "It takes none." in page and "## Limits" not in page


@pytest.mark.parametrize(
    ("doc", "sentence"),
    [
        ("Limits:\n    none at all", "'none at all' is no bullet; expected '- ' before it"),
        ("Facts:\n    keel_mm", "'keel_mm' names nothing; expected 'name: what it is'"),
    ],
)
def test_a_section_that_cannot_be_read_is_told_with_its_line(doc: str, sentence: str) -> None:
    with pytest.raises(UsageError, match="docstring of step 'keel'") as caught:
        words_of(told(doc))
    assert sentence in str(caught.value)


def test_names_may_be_written_as_bullets_and_in_backticks() -> None:
    doc = "Words.\n\nFacts:\n    - `hole_mm`: width\n      of the hole\n    - `a_mm`, `b_mm`: `a` - and b\n"
    assert words_of(told(doc)).facts == {
        "hole_mm": "width of the hole", "a_mm": "`a` - and b", "b_mm": "`a` - and b",
    }  # fmt: skip


def test_a_name_in_angle_brackets_stands_for_any() -> None:
    assert fits("at.left", "at.<side>") and fits("piece_1_sound", "<piece>_sound")
    assert not fits("at", "at.<side>") and not fits("att.left", "at.<side>")
    assert fits("a.b", "a.b") and not fits("a-b", "a.b")


@pytest.mark.parametrize(
    ("recipe", "picture", "sentence"),
    [
        ("- keel\n    - units: {expect: head}", "", "has to end with it"),
        ("- units: {sure: 99 %}\n    - keel", "", "ends early: units: the file declares no unit"),
        (
            "- keel",
            "sideways",
            "there is no picture 'sideways'; there are side, below, behind, open, near, none",
        ),
    ],
)
def test_an_example_that_does_not_get_through_is_told(recipe: str, picture: str, sentence: str) -> None:
    keel = told(f"Words.\n\nRecipe:\n    {recipe}\nPicture: {picture}")
    catalog = built_in_steps()
    catalog.steps["keel"] = keel
    with pytest.raises(UsageError, match=sentence):
        run_example(keel, catalog)


RAISED = '''\
import numpy as np

from fettlebox.api import Length, Part, StepContext, StepParams, StepResult, quantity, step

FETTLEBOX_CONTRACT = 2


class Params(StepParams):
    by: Length = quantity("5 mm", at_least="0 mm", at_most="1 m", about="How far it is raised.")


@step("raise-up", version=1, summary="Raise the part.", shorthand="by")
def raise_up(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Move the part up; nothing else changes.

    Limits:
        - It does not ask what carries the part.
    Facts:
        raised_mm: how far it was raised
    Recipe:
        - raise-up: 80 mm
    """
    up = np.eye(4)
    up[2, 3] = params.by
    return StepResult(part.moved(up), facts={"raised_mm": params.by})
'''


def test_a_third_party_gets_a_page_with_a_picture_and_its_words_in_steps(
    install: Callable[..., None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import io

    from fettlebox.cli import app
    from fettlebox.mesh import write_part
    from PIL import Image
    from typer.main import get_command

    install("raisers", RAISED, "raise_up")
    scan = tmp_path / "bust.stl"
    write_part(bust(3), scan)
    command = get_command(app)
    folder = tmp_path / "pages"
    command.main(
        ["plugin", "page", "raise-up", "--into", str(folder), "--scan", str(scan)], standalone_mode=False
    )
    capsys.readouterr()
    page = (folder / "raise-up.md").read_text("utf-8")
    assert "| `by` | a length such as '2 mm', from 0 mm to 1 m | `5 mm` | How far it is raised. |" in page
    assert "| `raised_mm` | mm | how far it was raised |" in page
    assert "- It does not ask what carries the part." in page and "![" in page
    picture = Image.open(io.BytesIO((folder / "raise-up.png").read_bytes()))
    assert len(np.unique(np.asarray(picture.convert("L")))) > 10  # something is drawn
    before = (folder / "raise-up.png").stat().st_mtime_ns
    write_page(find_steps().steps["raise-up"], find_steps(), folder, scan=scan)
    assert (folder / "raise-up.png").stat().st_mtime_ns == before  # it shows the same, so it stays

    command.main(["steps", "raise-up"], standalone_mode=False)
    assert "Limits\n  - It does not ask what carries the part." in capsys.readouterr().out
    command.main(["steps", "raise-up", "--json"], standalone_mode=False)
    assert json.loads(capsys.readouterr().out)["facts"] == {"raised_mm": "how far it was raised"}


def test_the_command_wants_a_folder_and_the_guide_shows_it(capsys: pytest.CaptureFixture[str]) -> None:
    from fettlebox.reference.__main__ import main

    assert main([]) == 2
    assert "python -m fettlebox.reference FOLDER" in capsys.readouterr().err
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    assert "-m fettlebox.reference plugins/steps`" in guide


def test_the_docstring_that_the_guide_shows_is_read_as_it_says() -> None:
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    (shown,) = re.findall(r'\ndef lift\(part, params, ctx\):\n    """(.*?)"""', guide, re.DOTALL)
    words = words_of(told(shown))
    assert words.facts.keys() == {"lifted_mm", "holes.at_mm", "holes.<side>"}
    assert words.limits and words.sources and words.evidence
    assert words.recipe == "- units: {expect: head}\n- lift: 12 mm"
