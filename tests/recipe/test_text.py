from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.errors import RecipeError
from fettlebox.recipe.nodes import Problems
from fettlebox.recipe.text import MOST_BYTES, MOST_LEVELS, read_file, read_nodes


def nodes(text: str) -> tuple[object, list[str]]:
    problems = Problems()
    root = read_nodes(text, "f.yaml", problems)
    return (root.plain() if root else None), [f"{p.line}:{p.column} {p.found}" for p in problems.found]


# YAML 1.2.2, section 10.3.2 (core schema): what a plain scalar stands for. The last column is what
# YAML 1.1 would make of it, and what must not happen to a recipe.
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("no", "no"),  # False
        ("on", "on"),  # True
        ("Y", "Y"),  # "Y", or True
        ("1:30", "1:30"),  # 90
        ("2026-11-25", "2026-11-25"),  # a date
        ("1_000", "1_000"),  # 1000
        ("0042", 42),  # 34
        ("0o17", 15),
        ("0x1F", 31),
        ("1e3", 1000.0),  # "1e3"
        ("-.5", -0.5),
        ("true", True),
        ("Null", None),
        ("~", None),
        ("'true'", "true"),
        ('"25"', "25"),
        ("25 %", "25 %"),
        ("=", "="),
        ("<<", "<<"),
    ],
)
def test_scalars_are_those_of_yaml_1_2(written: str, value: object) -> None:
    root, problems = nodes(f"a: {written}")
    assert problems == []
    assert root == {"a": value}
    assert type(root["a"]) is type(value)  # type: ignore[index]


def test_nodes_remember_where_they_stand() -> None:
    root = read_nodes("a: 1\nb:\n  - x\n  - {c: 0042}\n", "f.yaml", Problems())
    assert root is not None
    inner = root.value["b"].value[1].value["c"]
    assert (inner.line, inner.column, inner.written) == (4, 9, "0042")
    assert (root.keys["b"].line, root.keys["b"].column) == (2, 1)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("a: 1\na: 2", "2:1 the key 'a' a second time"),
        ("a: &x 1", "1:4 an anchor (&x)"),
        ("a: *x", "1:4 an alias (*x)"),
        ("a: !!python/object:os.system 1", "1:4 a tag (!!python/object:os.system)"),
        ("a: 1\n---\nb: 2", "2:1 a second document"),
        ("%YAML 1.1\n---\na: 1", "1:1 a line that begins with '%'"),
        ("a:\t1", "1:3 a tab"),
        ("a: x\x1bc", "1:5 an invisible character (U+001B)"),
        ("a: x\u2028y", "1:5 an invisible character (U+2028)"),
        ('a: "\\u0000"', "1:4 an invisible character in this text"),
        ('a: "\\UFFFFFFFF"', "0:0 this is not YAML"),
        ("a: .nan", "1:4 .nan is not a number to work with"),
        ("a: 1e999", "1:4 1e999 is not a number to work with"),
        ("a: 12345678901234567890", "1:4 the number 12345678901234567890 has too many digits"),
        ("? {a: 1}\n: 2", "1:3 a key that is not a name"),
        ("a: 'open", "1:4 a quotation mark that is never closed"),
        ("a: @home", "1:4 a character that cannot begin a value"),
    ],
)
def test_what_is_not_our_yaml_is_a_problem_at_its_place(text: str, problem: str) -> None:
    assert nodes(text)[1] == [problem]


def test_a_file_of_brackets_is_refused_before_it_exhausts_anything() -> None:
    found = nodes("[" * 200_000)[1]
    assert found == [f"1:{MOST_LEVELS + 1} more than {MOST_LEVELS} levels, one inside the other"]


def test_a_text_that_is_too_long_is_refused() -> None:
    assert nodes("# " + "x" * MOST_BYTES)[1] == ["0:0 this text is too long"]


def test_a_file_may_begin_with_a_byte_order_mark_and_end_lines_as_windows_does(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: *x\r\n")
    problems = Problems()
    root = read_nodes(read_file(path, "f.yaml", "recipe"), "f.yaml", problems)
    assert root is not None and root.value["a"].value == 1
    assert [(p.line, p.column, p.source) for p in problems.found] == [(2, 4, "b: *x")]


@pytest.mark.parametrize("content", [b"a: \xff", b"x" * (MOST_BYTES + 1), None])
def test_a_file_that_is_no_text_is_refused(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "f.yaml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RecipeError):
        read_file(path, "f.yaml", "recipe")


def test_control_characters_never_reach_a_terminal() -> None:
    problems = Problems()
    read_nodes("a: \x1b[31mred\n", "f.yaml", problems)
    assert "\x1b" not in problems.found[0].text()
