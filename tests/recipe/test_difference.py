"""What differs between two recipes is said by what they do, not by how they are written."""

from __future__ import annotations

import pytest
from fettlebox.recipe.difference import difference

from .conftest import Read

OLD = """
ask:
  size: {type: ratio, default: 60 %}
  words: {type: text, default: Hi}
steps:
  - trim: {at: 3 mm, keep: "${size}"}
  - rub: 1 mm
  - engrave: {text: "${words}"}
  - weigh
  - trim: {at: "5 mm"}
    id: second
deliver: [stl]
"""

RATIO = "ask: size was a ratio, 60 % unless told; it is a ratio, 70 % unless told"


def changed(*pairs: tuple[str, str]) -> str:
    text = OLD
    for old, new in pairs:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    "same",
    [
        OLD,
        "# a comment\n" + OLD,
        changed(("- rub: 1 mm", "- rub: {grit: 1 mm}")),
        changed(("- rub: 1 mm", "- rub: {grit: 1 mm, passes: 3, wet: false}")),  # their defaults
        changed(('"5 mm"', "5 mm")),
        changed(("  - weigh\n", "  - weigh:\n    otherwise: stop\n    id: weigh\n")),
    ],
)
def test_another_way_to_write_it_is_no_difference(read: Read, same: str) -> None:
    assert difference(read(OLD), read(same)) == []
    assert difference(read(same), read(OLD)) == []


@pytest.mark.parametrize(
    ("new", "said"),
    [
        (changed(("60 %", "70 %")), [RATIO]),
        (changed(("  size: {type: ratio, default: 60 %}\n", ""), ('"${size}"', "60 %")),
         ["ask: size is no longer asked for", "trim: keep was size as the ticket says; it is 60 %"]),
        (changed(("- weigh\n", "- weigh:\n    when: false\n")), ["weigh: when was yes; it is no"]),
        (changed(("  - weigh\n", "")), ["weigh: weigh is no longer done"]),
        (changed(("- rub: 1 mm", "- rub: {grit: 2 mm, passes: 9}")),
         ["rub: grit was 1 mm; it is 2 mm", "rub: passes was 3, as usual; it is 9"]),
        (changed(("{at: 3 mm, keep", "{at: 3 mm, tilt: {up to: 10 deg}, keep")),
         ["trim: tilt was 0 deg, as usual; it is up to 10 deg"]),
        (changed(("  - rub: 1 mm\n", ""), ("steps:\n", "steps:\n  - rub: 1 mm\n")),
         ["trim: now comes after rub"]),
        (changed(("  - weigh\n", "  - weigh\n  - rub: {grit: 1 mm, wet: true}\n    id: fine\n")),
         ["fine: rub is new, after weigh: grit 1 mm, wet yes"]),
        (changed(("- weigh\n", "- rub: 2 mm\n    id: weigh\n")), ["weigh: was weigh; it is rub: grit 2 mm"]),
        (changed(("[stl]", "[3mf]")),
         ["deliver: the finished part as stl no longer comes out",
          "deliver: the finished part as 3mf comes out too"]),
        (changed(("  - weigh\n", "  - weigh:\n    locked: true\n    otherwise: hold\n")),
         ["weigh: otherwise was stop; it is hold", "weigh: locked was no; it is yes"]),
    ],
)  # fmt: skip
def test_differences_are_sentences(read: Read, new: str, said: list[str]) -> None:
    found = [str(one) for one in difference(read(OLD), read(new))]
    # Of two steps that change places, either may be said to have moved.
    assert found in (said, ["rub: now comes first"])
    assert difference(read(new), read(OLD))
